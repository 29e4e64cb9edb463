"""Takes what was written by hand into the journal: an old notebook, a gauge's calibration."""

import json
import uuid
from collections import Counter
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from gaugelink.app.counts import counts_of, doubts
from gaugelink.app.daemon import make_folder
from gaugelink.app.notebook_jobs import assumed_line, job_line, job_news
from gaugelink.app.notebook_tests import (
    KeptTest,
    UnreadTest,
    amended_test,
    kept_tests,
    kept_text,
    nearest,
    new_test,
    untaken_text,
)
from gaugelink.app.records import now
from gaugelink.app.shopfile import Shop
from gaugelink.broker.message import new_id
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal
from gaugelink.journal.entries import CalibrationEntry, Entry, JobEntry, TestEntry
from gaugelink.journal.rows import StoredJob, StoredTest
from gaugelink.localtime import day_of, day_of_noon, noon_of
from gaugelink.reasons import read_text
from gaugelink.report.notebook import Notebook, NotebookJob, NotebookTest, parse_notebook
from gaugelink.settings import parse_settings
from gaugelink.simulated import is_simulated
from gaugelink.tables import text_of

AS_TEXT = "save it from the spreadsheet as CSV in UTF-8"
_OF_NOTEBOOKS = uuid.UUID("7d0c2f53-4f0e-4b7e-9d55-6b3b6a7c1f10")
"""Name space of the ids of what notebooks hold (RFC 9562, section 5.5): the same line has the same id each time."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What was taken from a notebook, and what was there before."""

    tests: int
    jobs: int
    tests_before: int
    jobs_before: int
    tests_longer: int
    """Tests that were there with fewer readings and have all of the notebook's now."""
    tests_put_right: int
    """Tests that were there with something else."""
    jobs_put_right: int
    changes: tuple[str, ...]
    """What of tests and jobs stands otherwise now, a sentence each."""
    absent: tuple[str, ...]
    """What the journal has of the same days, or days between, and this notebook has not. It stays."""
    assumed: tuple[str, ...] = ()
    """New jobs of which it is not known whether a test of their day was before, with what is taken for so."""
    counts: tuple[str, ...] = ()
    """New counts of a machine that are less than one before or more than one after. They are kept."""
    untaken: tuple[str, ...] = ()
    """Tests that were not taken in: the journal has one of their day that cannot be read, and may be the same."""


class _Names:
    """Ids of what a notebook holds, by its content: two lines that say the same are two, a file read twice is one."""

    def __init__(self) -> None:
        self._seen: Counter[str] = Counter()

    def of(self, *content: object) -> str:
        """The id of this content."""
        text = json.dumps(content, default=str, ensure_ascii=False)
        self._seen[text] += 1
        return str(uuid.uuid5(_OF_NOTEBOOKS, f"{text} {self._seen[text]}"))


async def import_notebook(shop: Shop, file: Path, unit: str | None) -> Imported:
    """Take a notebook into the journal: whole, but for tests of a day of which the journal has one that it cannot read,
    or not at all.

    A test that was taken in before is known by its machine, its day, and dry or wet; it keeps its id. Where the
    notebook says otherwise now it is put right, and it gets the readings that it has not. A job is known by its
    machine, its day, what was done, and on which cylinders. Nothing is taken out.

    Raises:
        SettingsError: a line for each mistake with file and line; nothing was written.
    """
    if unit is not None and unit not in {one.value for one in PressureUnit}:
        known = ", ".join(one.value for one in PressureUnit)
        raise SettingsError(f"--unit: found {unit!r}; allowed: {known}.")
    text = read_text(file, "notebook", text_of, no_text=AS_TEXT)
    notebook = parse_notebook(text, str(file), shop.fleet, PressureUnit(unit) if unit is not None else None, last_day())
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        standing = {job.job_id for job in await journal.jobs()}
        jobs = await journal.jobs(with_struck=True)
        entries, taken = _news(shop, notebook, await journal.tests(), jobs, standing)
        await journal.record(entries)
        return replace(taken, counts=await _doubted(shop, journal, entries))


async def _doubted(shop: Shop, journal: Journal, entries: Sequence[Entry]) -> tuple[str, ...]:
    """What to say of the counts that were just written down, beside all others of their machines."""
    told = []
    new = {
        one.test_id if isinstance(one, TestEntry) else one.job_id: one.machine
        for one in entries
        if isinstance(one, TestEntry | JobEntry) and one.odometer is not None
    }
    for machine in dict.fromkeys(new.values()):
        stored = await journal.tests(machine), await journal.jobs(machine)
        counts = list(counts_of(*stored, simulated=shop.simulated))
        counter = shop.fleet.find(machine).counter
        told += [f"{machine} on {own.on}: {text}" for own, text in doubts(counts, new.keys(), counter)]
    return tuple(told)


def _news(
    shop: Shop,
    notebook: Notebook,
    stored_tests: Sequence[StoredTest],
    stored_jobs: Sequence[StoredJob],
    standing: AbstractSet[str],
) -> tuple[list[Entry], Imported]:
    """What of a notebook is not in the journal yet, and what is told of that."""
    names, entries = _Names(), list[Entry]()
    new = before = longer = put_right = 0
    changes, absent, untaken = list[str](), list[str](), list[str]()
    kept_before, unread = kept_tests(
        one
        for one in stored_tests
        if is_simulated(one.bench) is shop.simulated and _is_between(notebook, one.machine, one.began_at)
    )
    others = {one.stored.test_id: one for one in kept_before}
    for test in notebook.tests:
        test_id = names.of("test", test.machine, test.on, test.wet, test.readings)
        known = nearest(test, [one for one in kept_before if _is_of(one, test)])
        if known is None and (same := [one for one in unread if _is_of_day(one, test)]):
            untaken.append(untaken_text(shop, test, same[0]))
            continue
        if known is None:
            entries += new_test(shop, test, test_id)
            new += 1
            continue
        del others[known.stored.test_id]
        amended = amended_test(shop, test, known, now())
        entries += amended.entries
        before += not amended.entries
        put_right += bool(amended.changes)
        longer += bool(amended.entries) and not amended.changes
        changes += amended.changes
        absent += [amended.absent] if amended.absent else []
    absent += [kept_text(shop, one) for one in others.values()]

    def id_of(job: NotebookJob) -> str:
        return names.of("job", job.machine, _noon_in_utc(job.on), job.job.casefold(), job.cylinders, job.counter)

    def noons(job: NotebookJob) -> list[datetime]:
        there: list[KeptTest | UnreadTest] = [*kept_before, *unread]
        of_day = [one for one in there if _is_of_day(one, job)]
        return [one.stored.began_at for one in of_day] or [noon_of(job.on)]

    jobs = job_news(notebook, stored_jobs, standing, id_of, noons, now())
    absent += [job_line(job) for job in jobs.absent if _is_between(notebook, job.machine, job.at)]
    changes += jobs.changes
    own = [one for one in stored_tests if is_simulated(one.bench) is shop.simulated]
    assumed = [line for job in jobs.assumed if (line := assumed_line(job, notebook, own))]
    return entries + jobs.entries, Imported(
        new,
        jobs.new,
        before,
        jobs.before,
        longer,
        put_right,
        len(jobs.changes),
        tuple(changes),
        tuple(absent),
        tuple(assumed),
        untaken=tuple(untaken),
    )


def _is_between(notebook: Notebook, machine: str, at: datetime) -> bool:
    """Whether it is between the first and the last day that a notebook has of a machine."""
    days = [test.on for test in notebook.tests if test.machine == machine]
    days += [job.on for job in notebook.jobs if job.machine == machine]
    return bool(days) and min(days) <= day_of_noon(at) <= max(days)


def _is_of(kept: KeptTest, test: NotebookTest) -> bool:
    """Whether it is a test of that machine, day and kind."""
    return kept.wet is test.wet and _is_of_day(kept, test)


def _is_of_day(kept: KeptTest | UnreadTest, told: NotebookTest | NotebookJob) -> bool:
    """Whether it is of the same machine and day."""
    return (kept.stored.machine, kept.on) == (told.machine, told.on)


def _noon_in_utc(on: date) -> datetime:
    return datetime.combine(on, time(12), UTC)


def last_day() -> date:
    """The last day on which anything can have been done. Tomorrow is allowed: it is today where the clock is ahead, or
    was on a computer with another time zone."""
    return day_of(now()) + timedelta(days=1)


async def record_calibration(shop: Shop, file: Path) -> CalibrationRecord:
    """Write down a gauge's calibration; from now on its readings are corrected by it.

    Raises:
        SettingsError: the file has a mistake, names a gauge that the shop does not have, or a day that is to come.
    """
    record = parse_settings(CalibrationRecord, read_text(file, "calibration file"), str(file))
    if record.done_on > last_day():
        raise SettingsError(
            f"{file}: done_on: found {record.done_on}, which is still to come; give the day it was done."
        )
    gauge = shop.gauge(record.gauge).name
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        await journal.record(
            [CalibrationEntry(new_id(), gauge, record.done_on, record.due_on, record.model_dump_json())]
        )
    return record
