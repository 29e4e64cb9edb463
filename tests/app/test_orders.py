"""Commands: each is carried out once, and no journal, no fleet file and no refusal takes more with it than itself."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.dry_behind import DryBehind
from gaugelink.app.ear import Ear
from gaugelink.app.judging import verdict_conditions
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.orders import Orders
from gaugelink.app.records import Records
from gaugelink.app.shoppage import JournalRecord
from gaugelink.app.step import Step
from gaugelink.app.telling import reading_values
from gaugelink.app.watcher import Watcher
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.gauge.samples import LinkState, SampleBatch
from gaugelink.journal import Journal
from gaugelink.journal.entries import CommandEntry, EventEntry, TestEntry
from gaugelink.journal.faults import JournalWriteError
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeTraits
from tests.app.shops import SHOP, shop_in
from tests.app.test_handing_over import Quiet
from tests.app.test_session import AT, Bench, of, pull
from tests.peak.shapes import clock, pulses, shown

SECOND_GAUGE = '\n[[gauges]]\nname = "blue"\naddress = "F0:5A:00:00:00:02"\nkind = "held"\n'
OTHER_NAMES = SHOP.replace('layout = "side_named"\ncylinders = 3', 'layout = "listed"\ncylinders = ["a", "b", "c"]')
LOCAL = "\n[broker]\nembedded = true\nport = 0\n"
LEAK = {"follow": True}
COMMAND_ID = "0191c3a0-7c1e-7b52-9d3a-5a4be7c1f201"


class Told:
    """A bench that is given orders; what comes of them is written to its journal, or kept where that is full."""

    def __init__(self, folder: Path, journal: Journal, text: str = SHOP) -> None:
        self.bench = Bench(folder, text)
        self.journal = journal
        self.leak = LeakSession(self.bench.session.shop)
        self.steps: list[Step] = []
        self.orders = Orders(self.bench.session.shop, journal, self.bench.session, self.leak, self.take)

    async def take(self, what: Callable[..., Step], *details: object) -> Step:
        """Let one thing happen and write it down."""
        step = what(*details, self.bench.now_s, self.bench.at)
        self.steps.append(step)
        try:
            await self.journal.record(step.entries, step.outgoing())
        except JournalWriteError:
            assert self.journal.kept
        return step

    async def tell(self, action: CommandAction, command_id: str | None = None, **details: object) -> Step:
        """Send a command as the broker does."""
        command = Command.model_validate({"id": command_id or new_id(), "action": action, "by": "tablet", **details})
        return await self.orders.once(command)


def disk_full(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on nothing more can be written."""

    def full(*_: object) -> None:
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error

    monkeypatch.setattr(journal._opened, "_commit", full)


def unreadable(*_: object) -> None:
    raise sqlite3.OperationalError("disk I/O error")


async def test_a_command_that_comes_twice_acts_once_even_while_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        disk_full(journal, monkeypatch)
        first = await told.tell(CommandAction.BEGIN_DECAY, COMMAND_ID, machine="north-7", leak=LEAK)
        await told.tell(CommandAction.STOP_DECAY)
        again = await told.tell(CommandAction.BEGIN_DECAY, COMMAND_ID, machine="north-7", leak=LEAK)
        assert first.result is not None
        assert again.result is not None
        assert first.result.ok
        assert (again.result.repeated, again.result.text) == (True, first.result.text)
        assert not told.leak.active
        monkeypatch.undo()
        assert await journal.retry() == 3
        assert await journal.command_result(COMMAND_ID) is not None


async def test_a_journal_that_cannot_be_read_does_not_keep_a_command_from_being_carried_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        monkeypatch.setattr("gaugelink.journal.reads.command_result", unreadable)
        monkeypatch.setattr("gaugelink.journal.reads.tests", unreadable)
        step = await told.tell(CommandAction.BEGIN, machine="north-7")
        assert step.result is not None
        assert step.result.ok


async def test_a_refused_begin_leaves_the_open_wet_test_what_it_is_held_against(tmp_path: Path) -> None:
    dry = Bench(tmp_path)
    dry.begin()
    dry.whole_test(930.0, 700.0, 935.0)
    assert dry.session.test is not None
    state = dry.session.test.state
    events = {reading.event_id: pull(reading.peak_kpa) for reading in state.readings}
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        wet = told.bench.session
        wet.hold_against(DryBehind("north-7", (reading_values(state, events), verdict_conditions(state)), stands=True))
        told.bench.begin(kind="wet")
        told.bench.whole_test(960.0, 920.0, 960.0)
        for machine in ("north-8", "north-7"):
            refused = await told.tell(CommandAction.BEGIN, machine=machine)
            assert refused.result is not None
            assert not refused.result.ok or machine == "north-7"
            if not refused.result.ok:
                await told.tell(CommandAction.FINISH)
                assert wet.verdict is not None
                assert "wet_dry" in {finding.rule for finding in wet.verdict.findings}
        # The dry test that begins in its place is held against nothing: no test of the machine is in the journal.
        told.bench.whole_test(930.0, 925.0, 935.0)
        assert wet.verdict is not None
        assert "wet_dry" not in {finding.rule for finding in wet.verdict.findings}


async def test_no_test_begins_with_a_gauge_that_a_leak_test_holds(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal, SHOP + SECOND_GAUGE)
        await told.tell(CommandAction.BEGIN_DECAY, machine="north-7", gauge="amber", leak=LEAK)
        await told.tell(CommandAction.ACKNOWLEDGE)
        held = await told.tell(CommandAction.BEGIN, machine="north-7", gauge="amber")
        assert held.result is not None
        assert not held.result.ok
        assert "A leak test holds this gauge" in held.result.text
        assert len(of(held, CommandEntry)) == 1
        free = await told.tell(CommandAction.BEGIN, machine="north-7", gauge="blue")
        assert free.result is not None
        assert free.result.ok
        assert free.result.text == "Test of north-7 begun."


def a_finished_test(folder: Path, *, finish: bool) -> tuple[Bench, list[Step]]:
    """A bench with a whole test, closed or not, and the steps that led there."""
    bench = Bench(folder, SHOP + LOCAL)
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    for cylinder in range(3):
        steps += [bench.crank(930.0, 40.0 if cylinder else 6.0), bench.crank(932.0)]
    if finish:
        steps.append(bench.command(CommandAction.FINISH))
    return bench, steps


class Heard(Watcher):
    """What was said to be wrong."""

    def __init__(self) -> None:
        self.troubles: list[str] = []

    def troubled(self, sentence: str) -> None:
        """Keep it."""
        self.troubles.append(sentence)


@pytest.mark.parametrize("finish", [True, False])
@pytest.mark.parametrize(
    ("text", "machine"),
    [(OTHER_NAMES, "north-7"), (SHOP.replace("north-7", "south-1"), "south-1"), (SHOP, "north-7")],
    ids=["cylinders renamed", "machine gone", "as it was"],
)
async def test_a_service_starts_and_tests_whatever_became_of_what_it_tested_before(
    tmp_path: Path, text: str, machine: str, finish: bool
) -> None:
    bench, steps = a_finished_test(tmp_path, finish=finish)
    async with Journal.open(bench.session.shop.journal) as journal:
        for step in steps:
            await journal.record(step.entries, step.outgoing())
    heard = Heard()
    daemon = Daemon(shop_in(tmp_path, text + LOCAL), silent=True, link=lambda _: Quiet(), watchers=[heard])
    running = asyncio.create_task(daemon.run())
    await asyncio.wait([running, asyncio.create_task(daemon.ready.wait())], return_when=asyncio.FIRST_COMPLETED)
    assert not running.done()
    gone = text != SHOP and not finish
    assert len(heard.troubles) == gone
    if gone:
        assert "cannot go on" in heard.troubles[0]
        assert "Its readings are kept" in heard.troubles[0]
    step = await daemon.obey(Command(id=new_id(), action=CommandAction.BEGIN, machine=machine))
    assert step.result is not None
    # The test that is done but not closed is gone on with; the next one takes its place.
    assert step.result.ok
    daemon.stop()
    await running


async def test_tests_that_do_not_fit_their_engine_any_more_are_left_out_and_the_others_are_not(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    bench, steps = a_finished_test(tmp_path, finish=True)
    async with Journal.open(bench.session.shop.journal) as journal:
        for step in steps:
            await journal.record(step.entries, step.outgoing())
        as_it_was = Records(bench.session.shop, journal)
        assert [test.stored.machine for test in await as_it_was.tests()] == ["north-7"]
        renamed = Records(shop_in(tmp_path, OTHER_NAMES), journal)
        assert await renamed.tests() == []
        assert await renamed.last_dry("north-7") is None
        assert (await renamed.history("north-7"))[1] == []
    page = JournalRecord(shop_in(tmp_path, OTHER_NAMES))
    assert [(await page.history("north-7")).tests for _ in range(2)] == [(), ()]
    # Once of a reader, however often it reads.
    assert caplog.text.count("has no cylinder 'PTO'") == 2


async def test_what_of_the_journal_cannot_be_read_is_in_the_log_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        for test_id in ("damaged-1", "damaged-2"):
            await journal.record([TestEntry(test_id, "bay-3", "north-7", "{", AT, "triple", closed=True)])
            for _ in range(2):
                await told.tell(CommandAction.BEGIN, machine="north-7")
                await told.tell(CommandAction.ABANDON)
            assert caplog.text.count(f"The test {test_id} of north-7") == 1
    assert caplog.text.count("is left out") == 2


def test_what_comes_after_a_test_was_closed_is_no_part_of_it(tmp_path: Path) -> None:
    bench, _ = a_finished_test(tmp_path, finish=True)
    assert bench.session.test is not None
    assert bench.session.test.state.phase is Phase.FINISHED
    (event,) = of(bench.crank(500.0), EventEntry)
    assert event.test_id is None


class Cranked(Quiet):
    """A gauge that sees a pull and then is quiet."""

    async def items(self) -> AsyncIterator[SampleBatch | LinkState]:
        """One pull in frames of five samples."""
        time_s = clock(12.0, 100.0)
        pressure_kpa = shown(pulses(time_s, 5.0, 8))
        for first in range(0, len(time_s), 5):
            part = slice(first, first + 5)
            over = np.zeros(len(time_s[part]), dtype=np.bool_)
            yield SampleBatch("amber", time_s[part], pressure_kpa[part], over)
            await asyncio.sleep(0)
        await asyncio.Event().wait()


async def test_an_event_that_is_being_judged_when_the_service_is_asked_to_end_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = shop_in(tmp_path, SHOP.replace('kind = "held"', 'kind = "live"') + LOCAL)
    daemon = Daemon(shop, silent=True, link=lambda _: Cranked())
    judge, told, hand_over, ending = daemon.judge, Ear._judge, daemon._hand_over, asyncio.Event()

    async def end() -> None:
        ending.set()
        await hand_over()

    async def slowly(samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
        await ending.wait()
        for _ in range(20):
            await asyncio.to_thread(lambda: None)
        return await judge(samples, traits, hints)

    async def stop_first(self: Ear, *details: object) -> None:
        daemon.stop()
        await told(self, *details)

    monkeypatch.setattr(daemon, "judge", slowly)
    monkeypatch.setattr(daemon, "_hand_over", end)
    monkeypatch.setattr(Ear, "_judge", stop_first)
    monkeypatch.setattr("gaugelink.app.daemon.JUDGING_S", 60.0)
    await daemon.run()
    async with Journal.open(shop.journal) as journal:
        assert len(await journal.events()) == 1


@pytest.mark.parametrize("beside", [None, Phase.MEASURING, Phase.FINISHED])
async def test_cautions_acknowledged_once_more_put_nothing_in_the_place_of_what_the_leak_test_said(
    tmp_path: Path, beside: Phase | None
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        if beside is not None:
            await told.tell(CommandAction.BEGIN, machine="north-7")
            await told.tell(CommandAction.ACKNOWLEDGE)
        if beside is Phase.FINISHED:
            await told.tell(CommandAction.FINISH)
        await told.tell(CommandAction.BEGIN_DECAY, machine="north-7", leak=LEAK)
        assert (await told.tell(CommandAction.ACKNOWLEDGE)).prompts[-1].key is PromptKey.LEAK_PUMP
        again = await told.tell(CommandAction.ACKNOWLEDGE)
        assert again.result is not None
        assert (again.result.ok, again.result.text) == (True, "The cautions were acknowledged before.")
        assert (again.prompts, len(of(again, CommandEntry))) == ([], 1)


async def test_the_cautions_of_a_test_can_be_acknowledged_beside_a_leak_test(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        await told.tell(CommandAction.BEGIN, machine="north-7")
        await told.tell(CommandAction.BEGIN_DECAY, machine="north-7", leak=LEAK)
        await told.tell(CommandAction.ACKNOWLEDGE)
        assert told.bench.session.test.state.phase is Phase.CAUTIONS
        await told.tell(CommandAction.ACKNOWLEDGE)
        assert told.bench.session.test.state.phase is Phase.MEASURING
