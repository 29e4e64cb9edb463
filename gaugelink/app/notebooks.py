"""Takes what was written by hand into the journal: an old notebook, work done on a machine, a gauge's calibration."""

import json
import uuid
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, time
from pathlib import Path

from gaugelink.app.daemon import make_folder
from gaugelink.app.shopfile import Shop
from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Conditions, Plan, TestKind
from gaugelink.bench.reading import BENCH, Acknowledgement, Change, Phase, Reading, Status
from gaugelink.bench.state import SNAPSHOT
from gaugelink.broker.message import new_id
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal
from gaugelink.journal.entries import Action, CalibrationEntry, Entry, JobEntry, ReadingEntry, TestEntry
from gaugelink.peak.events import GaugeKind
from gaugelink.reasons import read_text
from gaugelink.report.notebook import DIAL_U_FRACTION, NotebookTest, parse_notebook
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
    """Take a notebook into the journal, whole or not at all; what the journal has already is left as it is.

    Raises:
        SettingsError: a line for each mistake with file and line; nothing was written.
    """
    if unit is not None and unit not in {one.value for one in PressureUnit}:
        known = ", ".join(one.value for one in PressureUnit)
        raise SettingsError(f"--unit: found {unit!r}; allowed: {known}.")
    text = read_text(file, "notebook", "utf-8-sig")
    notebook = parse_notebook(text, str(file), shop.fleet, PressureUnit(unit) if unit is not None else None)
    names = _Names()
    # The ambient is left out: where a line does not say it, it is the shop file's, which may change.
    tests = {
        names.of("test", t.machine, t.on, t.wet, t.readings, t.counter, t.gauge, t.note): t for t in notebook.tests
    }
    jobs = {names.of("job", j.machine, j.on, j.job, j.cylinders, j.counter, j.note): j for j in notebook.jobs}
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        had_tests = tests.keys() & {stored.test_id for stored in await journal.tests()}
        had_jobs = jobs.keys() & {stored.job_id for stored in await journal.jobs()}
        entries: list[Entry] = []
        for test_id, test in tests.items():
            if test_id not in had_tests:
                entries += _test_entries(shop, test, test_id)
        for job_id, job in jobs.items():
            if job_id not in had_jobs:
                at = datetime.combine(job.on, time(12), UTC)
                entries.append(JobEntry(job_id, job.machine, at, job.job, job.counter, BY_HAND, "", job.cylinders))
        await journal.record(entries)
    return Imported(len(tests) - len(had_tests), len(jobs) - len(had_jobs), len(had_tests), len(had_jobs))


def _test_entries(shop: Shop, test: NotebookTest, test_id: str) -> list[Entry]:
    """A test as if the bench had seen it: readings without events, given by hand."""
    at = datetime.combine(test.on, time(12), UTC)
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
        conditions=Conditions(altitude_m=ambient.altitude_m)
        if ambient.altitude_m is not None
        else Conditions(barometer_kpa=ambient.abs_kpa),
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
        entries.append(
            ReadingEntry(plan.test_id, cylinder, Action.GIVEN, at, BY_HAND, None, kpa, reading.peak_u_kpa, test.note)
        )
    snapshot = json.dumps({"bench": SNAPSHOT.dump_python(state, mode="json"), "revision": 0})
    entries.insert(
        0,
        TestEntry(plan.test_id, shop.name, test.machine, snapshot, at, engine.id, closed=True, odometer=test.counter),
    )
    return entries


async def record_calibration(shop: Shop, file: Path) -> CalibrationRecord:
    """Write down a gauge's calibration; from now on its readings are corrected by it.

    Raises:
        SettingsError: the file has a mistake, or names a gauge that the shop does not have.
    """
    record = parse_settings(CalibrationRecord, read_text(file, "calibration file"), str(file))
    gauge = shop.gauge(record.gauge).name
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        await journal.record(
            [CalibrationEntry(new_id(), gauge, record.done_on, record.due_on, record.model_dump_json())]
        )
    return record


async def record_job(
    shop: Shop,
    machine: str,
    job: str,
    cylinders: tuple[str, ...],
    odometer: float | None,
    at: datetime,
    note: str,
    by: str,
) -> None:
    """Write down work done on a machine.

    Raises:
        SettingsError: the machine or a cylinder is not known.
    """
    engine = shop.fleet.engine_of(machine)
    names = tuple(engine.cylinder(name).name for name in cylinders)
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        await journal.record([JobEntry(new_id(), machine, at, job, odometer, by, note, names)])
