"""Gives the shop page what it asks of a shop: its machines, its journal as history and reports, and a place to run."""

import asyncio
import logging
import tempfile
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

from gaugelink.app.archived import archived_journal
from gaugelink.app.pages import write_report
from gaugelink.app.recorded import RecordedTest as Judged
from gaugelink.app.recorded import over_the_seasons
from gaugelink.app.records import Records
from gaugelink.app.shopfile import Shop
from gaugelink.app.watcher import Watcher
from gaugelink.bench.plan import TestKind
from gaugelink.broker.message import rfc3339
from gaugelink.dashboard.door import Door
from gaugelink.dashboard.record import (
    BeforeAfter,
    Cylinder,
    Form,
    Machine,
    MachineRecord,
    RecordedJob,
    RecordedTest,
    TrendRow,
)
from gaugelink.dashboard.serve import Certificate, serving, take_port
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal
from gaugelink.reasons import is_there
from gaugelink.report.words import history_sentences
from gaugelink.verdict.findings import TestVerdict
from gaugelink.verdict.past import PastReading

_LOG = logging.getLogger(__name__)
T = TypeVar("T")


def machines_of(shop: Shop) -> tuple[Machine, ...]:
    """The fleet as the page draws it."""
    machines = []
    for record in shop.fleet.machine:
        engine = shop.fleet.engine_of(record.id)
        machines.append(
            Machine(
                id=record.id,
                name=record.name,
                engine=engine.name,
                layout=engine.layout.value,
                cycle=engine.cycle,
                bore_mm=engine.bore_mm,
                cylinders=tuple(Cylinder(name=one.name, bank=one.bank) for one in engine.cylinders),
            )
        )
    return tuple(machines)


class JournalRecord:
    """A shop's journal, or an archive, as the page's record. It is opened anew for each question, to read only.

    Reading tests back, judging them and fitting their histories takes seconds of arithmetic for a large fleet, and
    whoever asks may be on the bench's own event loop. So a question is answered on a thread with a loop of its own, one
    question after the other; the journal that is opened there keeps SQLite on one thread, as ever.
    """

    def __init__(self, shop: Shop, archive: str | None = None) -> None:
        self._shop = shop
        self._archive = archive
        self._answering = asyncio.Lock()
        self._logged: set[str] = set()

    async def _aside(self, question: Callable[[], Coroutine[Any, Any, T]]) -> T:
        async with self._answering:
            return await asyncio.to_thread(lambda: asyncio.run(question()))

    @asynccontextmanager
    async def _records(self, machine: str | None = None) -> AsyncIterator[Records]:
        if self._archive is not None:
            async with archived_journal(self._shop, self._archive, machine) as copy:
                yield Records(self._shop, copy, self._logged)
            return
        if not is_there(self._shop.journal, "journal"):
            raise SettingsError("There is no journal yet: it begins with the first test.")
        async with Journal.open(self._shop.journal, read_only=True) as journal:
            yield Records(self._shop, journal, self._logged)

    async def history(self, machine: str) -> MachineRecord:
        """How a machine went.

        Raises:
            GaugelinkError: the machine is not in the fleet, or the journal cannot be read.
        """
        self._shop.fleet.find(machine)
        return await self._aside(lambda: self._history(machine))

    async def _history(self, machine: str) -> MachineRecord:
        async with self._records(machine) as records:
            history, past, jobs = await records.history(machine)
            tests = [(test, await records.judged(test)) for test in await records.tests(machine)]
            told = (*await records.clock_lines(machine), *records.left_out.lines)
            left_out = bool(records.left_out.newest_test_of(machine))
        at_sea_level = {test.test_id: test.readings for test in past}
        return MachineRecord(
            machine=machine,
            per=history.unit,
            display_unit=self._shop.settings.bench.display_unit,
            tests=tuple(
                _recorded(test, over_the_seasons(verdict, test, history, past), at_sea_level) for test, verdict in tests
            ),
            jobs=tuple(RecordedJob(at=rfc3339(job.at), job=job.job, cylinders=job.cylinders) for job in jobs),
            trends=tuple(
                TrendRow(
                    cylinder=trend.cylinder,
                    percent=trend.percent.value,
                    percent_u=trend.percent.expanded_u,
                    is_wearing=trend.is_wearing,
                )
                for trend in history.trends
                if trend.tests > 1
            ),
            effects=tuple(
                BeforeAfter(
                    at=rfc3339(effect.job.at),
                    job=effect.job.job,
                    cylinder=effect.cylinder,
                    gain_percent=effect.gain_percent.value,
                    gain_u_percent=effect.gain_percent.expanded_u,
                    is_real=effect.is_real,
                )
                for effect in history.jobs
            ),
            says=(*history_sentences(history, len(past)), *told),
            left_out=left_out,
        )

    async def report(self, test_id: str, form: Form) -> bytes:
        """The report of a test.

        Raises:
            GaugelinkError: there is no such test, or it has no reading.
        """
        return await self._aside(lambda: self._report(test_id, form))

    async def _report(self, test_id: str, form: Form) -> bytes:
        async with self._records() as records:
            data = await records.report(test_id)
        with tempfile.TemporaryDirectory(prefix="gaugelink-report-") as folder:
            out = Path(folder) / f"report.{form.value}"
            write_report(data, out)
            return out.read_bytes()


def _recorded(
    test: Judged, verdict: TestVerdict | None, at_sea_level: Mapping[str, Sequence[PastReading]]
) -> RecordedTest:
    dry = test.state.plan.kind is TestKind.DRY
    past = at_sea_level.get(test.stored.test_id, ()) if dry else ()
    return RecordedTest(
        test_id=test.stored.test_id,
        at=rfc3339(test.stored.began_at),
        kind=test.state.plan.kind.value,
        given_up=test.given_up,
        word=verdict.word.value if verdict is not None else None,
        summary=verdict.summary if verdict is not None else "",
        spread_percent=verdict.spread_percent if verdict is not None else None,
        readings_kpa={value.cylinder: value.peak_kpa for value in test.values},
        sea_level_kpa={one.cylinder: one.sea_level_kpa for one in past},
        sea_level_u_kpa={one.cylinder: 2.0 * one.u_random_kpa for one in past if one.u_random_kpa > 0.0},
    )


class Listening(Watcher):
    """Lets the page wait until the bench has said where its broker is."""

    def __init__(self) -> None:
        self._port: asyncio.Future[int] = asyncio.get_running_loop().create_future()

    def listening(self, address: str) -> None:
        """Keep the port."""
        port = urlsplit(address).port
        if port is not None and not self._port.done():
            self._port.set_result(port)

    async def port(self) -> int:
        """The broker's port, once it is known."""
        return await asyncio.shield(self._port)


@asynccontextmanager
async def page_beside(shop: Shop, port: int, notice: str = "") -> AsyncIterator[tuple[Watcher, Door]]:
    """Serve the page on loopback in the bench's own process; gives a watcher that the bench is to tell.

    A fault of the page is told at once, and raised when the block ends: the bench does not end by it.

    Raises:
        GaugelinkError: the port is taken.
    """
    door = Door(port=port)
    listening, told = take_port(door), Listening()

    async def serve() -> None:
        broker_port = await told.port()
        async with serving(
            listening,
            door,
            shop.settings.broker,
            [shop.name],
            broker_port=broker_port,
            machines=machines_of(shop),
            record=JournalRecord(shop),
            notice=notice,
        ) as task:
            # Waited for, not awaited: cancelling this must not cancel the server before it has said goodbye.
            await asyncio.wait([task])

    task = asyncio.create_task(serve(), name="page beside the bench")
    task.add_done_callback(_tell_a_fault)
    try:
        yield told, door
    finally:
        task.cancel()
        await asyncio.wait([task])
        listening.close()
    if not task.cancelled():
        task.result()


def _tell_a_fault(task: asyncio.Task[None]) -> None:
    """Say at once that the page is gone; the bench goes on measuring without it."""
    if not task.cancelled() and (fault := task.exception()) is not None:
        _LOG.error("The page beside the bench ended by a fault; the bench goes on.", exc_info=fault)


@asynccontextmanager
async def show_page(
    shop: Shop,
    door: Door,
    benches: Sequence[str],
    certificate: Certificate | None = None,
    archive: str | None = None,
    notice: str = "",
) -> AsyncIterator[asyncio.Task[None]]:
    """Serve the page as a process of its own, until the block ends. A `notice` stands on it all the time.

    Gives a task that ends when the page does; the block then ends with the page's fault.

    Raises:
        GaugelinkError: the port is taken, or the certificate cannot be used.
    """
    listening = take_port(door)
    async with serving(
        listening,
        door,
        shop.settings.broker,
        benches,
        machines=machines_of(shop),
        record=JournalRecord(shop, archive),
        certificate=certificate,
        notice=notice,
    ) as task:
        yield task
