"""Takes what was written by hand into the journal: an old notebook, a gauge's calibration."""

import json
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from gaugelink.app.daemon import make_folder
from gaugelink.app.recorded import state_of
from gaugelink.app.records import now
from gaugelink.app.shopfile import Shop
from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Conditions, Plan, TestKind
from gaugelink.bench.reading import BENCH, Acknowledgement, Change, Phase, Reading, Status
from gaugelink.bench.state import SNAPSHOT
from gaugelink.broker.message import new_id
from gaugelink.engine.air import Ambient, AmbientSource
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal
from gaugelink.journal.entries import Action, CalibrationEntry, Entry, JobEntry, ReadingEntry, TestEntry
from gaugelink.journal.rows import StoredJob, StoredTest
from gaugelink.localtime import day_of, noon_of
from gaugelink.peak.events import GaugeKind
from gaugelink.reasons import read_text
from gaugelink.report.notebook import DIAL_U_FRACTION, Notebook, NotebookTest, parse_notebook
from gaugelink.settings import parse_settings

BY_HAND = "notebook"
"""Who gave the readings of an imported test to their cylinders."""
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
    """Take a notebook into the journal, whole or not at all.

    What was taken in before is known by what it says (machine, day, dry or wet, readings) and not taken twice. A test
    that has got more readings since keeps its id and gets them.

    Raises:
        SettingsError: a line for each mistake with file and line; nothing was written.
    """
    if unit is not None and unit not in {one.value for one in PressureUnit}:
        known = ", ".join(one.value for one in PressureUnit)
        raise SettingsError(f"--unit: found {unit!r}; allowed: {known}.")
    text = read_text(file, "notebook", "utf-8-sig")
    notebook = parse_notebook(text, str(file), shop.fleet, PressureUnit(unit) if unit is not None else None, last_day())
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        entries, taken = _news(shop, notebook, await journal.tests(), await journal.jobs(with_struck=True))
        await journal.record(entries)
    return taken


def _news(
    shop: Shop, notebook: Notebook, stored_tests: Sequence[StoredTest], stored_jobs: Sequence[StoredJob]
) -> tuple[list[Entry], Imported]:
    """What of a notebook is not in the journal yet, and the count of what is and is not."""
    names, entries = _Names(), list[Entry]()
    new, before, longer = 0, 0, 0
    for test in notebook.tests:
        test_id = names.of("test", test.machine, test.on, test.wet, test.readings)
        said = Counter((cylinder, round(kpa, 3)) for cylinder, kpa in test.readings)
        known = [(stored, had) for stored, had in _by_hand(test, stored_tests) if had <= said or said <= had]
        if not known:
            entries += _test_entries(shop, test, test_id)
            new += 1
        elif said <= known[0][1]:
            before += 1
        else:
            stored, had = known[0]
            entries += _test_entries(shop, test, stored.test_id, written=had)
            longer += 1
    kept = [job for job in stored_jobs if job.by == BY_HAND]
    jobs_before = 0
    for job in notebook.jobs:
        job_id = names.of("job", job.machine, _noon_in_utc(job.on), job.job, job.cylinders, job.counter)
        content = (job.machine, job.job, job.cylinders, job.counter)
        same = [
            one
            for one in kept
            if (one.machine, one.job, one.cylinders, one.odometer) == content and _is_day(one.at, job.on)
        ]
        if same:
            kept.remove(same[0])
            jobs_before += 1
        else:
            entries.append(
                JobEntry(job_id, job.machine, noon_of(job.on), job.job, job.counter, BY_HAND, job.note, job.cylinders)
            )
    return entries, Imported(new, len(notebook.jobs) - jobs_before, before, jobs_before, longer)


def _by_hand(
    test: NotebookTest, stored_tests: Sequence[StoredTest]
) -> Iterator[tuple[StoredTest, Counter[tuple[str | None, float]]]]:
    """Tests of that machine, day and kind that came from a notebook, with their readings."""
    for stored in stored_tests:
        if stored.machine == test.machine and _is_day(stored.began_at, test.on):
            state = state_of(stored)
            by_hand = state.acknowledged is not None and state.acknowledged.by == BY_HAND
            if by_hand and (state.plan.kind is TestKind.WET) is test.wet:
                yield stored, Counter((reading.cylinder, round(reading.peak_kpa, 3)) for reading in state.readings)


def _noon_in_utc(on: date) -> datetime:
    return datetime.combine(on, time(12), UTC)


def _is_day(at: datetime, on: date) -> bool:
    """Whether something stands in the record for a day of a notebook: at noon of this place, once at noon in UTC."""
    return at in (noon_of(on), _noon_in_utc(on))


def _test_entries(
    shop: Shop, test: NotebookTest, test_id: str, written: Counter[tuple[str | None, float]] | None = None
) -> list[Entry]:
    """A test as if the bench had seen it: readings without events, given by hand. Those `written` are kept."""
    at = noon_of(test.on)
    told = Counter(written)
    engine = shop.fleet.engine_of(test.machine)
    cylinders = tuple(name for name in engine.cylinder_names if name in {name for name, _ in test.readings})
    ambient = test.ambient
    plan = Plan(
        test_id=test_id,
        machine=test.machine,
        engine=engine.id,
        cylinders=cylinders,
        gauges=dict.fromkeys(cylinders, test.gauge or BY_HAND),
        repeats=1,
        max_tries=30,
        kind=TestKind.WET if test.wet else TestKind.DRY,
        conditions=_conditions(ambient),
    )
    state = SNAPSHOT.validate_python(TestBench(plan).snapshot())
    state.phase = Phase.FINISHED
    state.acknowledged = Acknowledgement(BY_HAND, 0.0, ())
    entries: list[Entry] = []
    for pull, (cylinder, kpa) in enumerate(test.readings, start=1):
        change = Change(0.0, BENCH, Status.GIVEN, cylinder, 1.0, "written by hand")
        reading = Reading(
            event_id=new_id(),
            test_id=plan.test_id,
            gauge=plan.gauges[cylinder],
            kind=GaugeKind.HELD,
            pull=pull,
            peak_kpa=kpa,
            peak_u_kpa=2.0 * DIAL_U_FRACTION * kpa,
            common_u_kpa=0.0,
            flags=frozenset(),
            status=Status.GIVEN,
            cylinder=cylinder,
            confidence=1.0,
            candidates=((cylinder, 1.0),),
            changes=(change,),
        )
        state.readings.append(reading)
        content = (cylinder, round(kpa, 3))
        if told[content] > 0:
            told[content] -= 1
            continue
        entries.append(
            ReadingEntry(plan.test_id, cylinder, Action.GIVEN, at, BY_HAND, None, kpa, reading.peak_u_kpa, test.note)
        )
    snapshot = json.dumps({"bench": SNAPSHOT.dump_python(state, mode="json"), "revision": 0})
    entries.insert(
        0,
        TestEntry(plan.test_id, shop.name, test.machine, snapshot, at, engine.id, closed=True, odometer=test.counter),
    )
    return entries


def _conditions(ambient: Ambient) -> Conditions:
    # What was assumed is not written down as what somebody read off a barometer.
    if ambient.source is AmbientSource.ASSUMED:
        return Conditions()
    if ambient.altitude_m is not None:
        return Conditions(altitude_m=ambient.altitude_m)
    return Conditions(barometer_kpa=ambient.abs_kpa)


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
