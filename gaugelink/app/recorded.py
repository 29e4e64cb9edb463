"""A test out of the journal: its state, its events, and what this version says of it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from gaugelink.app.judging import verdict_conditions
from gaugelink.app.noted import note_line, notes_in
from gaugelink.app.telling import reading_values
from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Plan, TestKind
from gaugelink.bench.reading import Phase, TestState
from gaugelink.bench.repeats import common_u_kpa, own_u_kpa
from gaugelink.broker.messages import NotePart
from gaugelink.engine.fleet import Counter, EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import EntryError, SettingsError
from gaugelink.journal.rows import StoredEvent, StoredJob, StoredTest
from gaugelink.localtime import day_of, when_text
from gaugelink.peak.events import CrankingEvent
from gaugelink.verdict.adapters import carried, last_noted_cm3
from gaugelink.verdict.case import cranking_rpm_of
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions, TestVerdict
from gaugelink.verdict.history import MachineHistory
from gaugelink.verdict.judge import with_more
from gaugelink.verdict.past import PastJob, PastTest, goes_back
from gaugelink.verdict.record import past_test
from gaugelink.verdict.trend import trend_findings

BY_HAND = "notebook"
"""Who gave the readings of an imported test to their cylinders."""
SHORTEST_ID = 8
"""Characters of an id that are shown at the least."""


@dataclass(frozen=True, slots=True)
class RecordedTest:
    """A test out of the journal, judged by this version of the code."""

    stored: StoredTest
    state: TestState
    events: dict[str, CrankingEvent]
    engine: EngineRecord
    verdict: TestVerdict | None
    """None when the test has no reading."""

    @property
    def noted(self) -> tuple[str, ...]:
        """What people noted with it, a line each, oldest first."""
        return tuple(note_line(note) for note in notes_in(json.loads(self.stored.snapshot_json)))

    @property
    def by_day(self) -> bool:
        """Whether nothing but its day is known of when it was: its time is made up."""
        return is_by_hand(self.state)

    @property
    def when(self) -> str:
        """When it was begun, for a person."""
        return when_text(self.stored.began_at, by_day=self.by_day)

    @property
    def given_up(self) -> bool:
        """Whether it was abandoned: it is shown, and proves nothing."""
        return self.state.phase is Phase.ABANDONED

    @property
    def proves(self) -> bool:
        """Whether anything may be concluded from it about the machine."""
        return self.verdict is not None and not self.given_up

    @property
    def values(self) -> list[ReadingValue]:
        """The readings, one for each cylinder that has any."""
        return reading_values(self.state, self.events)

    @property
    def conditions(self) -> Conditions:
        """What it was done under."""
        return verdict_conditions(self.state)

    @property
    def gauge(self) -> str:
        """The gauge, or the gauges, it was done with."""
        return ", ".join(dict.fromkeys(self.state.plan.gauges.values()))


def over_the_seasons(
    verdict: TestVerdict | None, test: RecordedTest, history: MachineHistory, past: Sequence[PastTest]
) -> TestVerdict | None:
    """The verdict with what the machine's history adds to it, where the test is the last of that history."""
    if verdict is None or not past or past[-1].test_id != test.stored.test_id:
        return verdict
    return with_more(verdict, trend_findings(history, test.engine), test.engine)


@dataclass(frozen=True, slots=True)
class JudgedAgain:
    """A test as it was judged then, and its events as this version judges them."""

    test: RecordedTest
    stored: list[StoredEvent]
    """The events whose samples were kept."""
    events: dict[str, CrankingEvent]
    verdict: TestVerdict
    """What this version says."""


def with_own(state: TestState, events: Mapping[str, CrankingEvent]) -> TestState:
    """The state with each reading's own uncertainty where it was not recorded and its event has a budget that tells."""
    readings = tuple(
        replace(reading, own_u_kpa=own_u_kpa(event))
        if reading.own_u_kpa is None and (event := events.get(reading.event_id)) is not None
        else reading
        for reading in state.readings
    )
    return replace(state, readings=readings)


def with_peaks(state: TestState, events: Mapping[str, CrankingEvent]) -> TestState:
    """The state with the peaks and uncertainties of events that were judged again."""
    readings = tuple(
        replace(
            reading,
            peak_kpa=event.peak_kpa,
            peak_u_kpa=event.peak_u_kpa,
            common_u_kpa=common_u_kpa(event),
            own_u_kpa=own_u_kpa(event),
            flags=event.flags,
        )
        if (event := events.get(reading.event_id)) is not None
        else reading
        for reading in state.readings
    )
    by_id = {reading.event_id: reading for reading in readings}
    cylinders = tuple(
        replace(
            cylinder,
            value_kpa=sum(by_id[event].peak_kpa for event in cylinder.repeats) / len(cylinder.repeats),
            u_kpa=max(by_id[event].peak_u_kpa for event in cylinder.repeats),
        )
        if cylinder.repeats
        else cylinder
        for cylinder in state.cylinders
    )
    return replace(state, readings=readings, cylinders=cylinders)


def is_by_hand(state: TestState) -> bool:
    """Whether a test came from a notebook, which dates by the day."""
    return state.acknowledged is not None and state.acknowledged.by == BY_HAND


def state_of(stored: StoredTest) -> TestState:
    """The state of a stored test.

    Raises:
        EntryError: this version cannot read it.
    """
    return restored(stored, "Update gaugelink, or the journal was damaged.").bench.state


@dataclass(frozen=True, slots=True)
class Restored:
    """A test that can be gone on with."""

    bench: TestBench
    revision: int
    """Of its state that was told last."""
    notes: tuple[NotePart, ...] = ()
    """What people noted with it."""
    air_at: datetime | None = None
    """When the air pressure was told that pulls count by; None where that was not kept."""
    air_unsaid: bool = False
    """Whether it was told anew, and nobody has heard of it yet."""


def restored(
    stored: StoredTest, way_out: str, now_s: float = 0.0, away_s: float = 0.0, unit: PressureUnit = PressureUnit.PSI
) -> Restored:
    """A stored test at `now_s`, after `away_s` seconds of nobody watching.

    Raises:
        EntryError: this version cannot read it; `way_out` is what can be done then.
    """
    try:
        snapshot = json.loads(stored.snapshot_json)
        bench = TestBench.restore(snapshot["bench"], now_s, away_s, unit)
        kept_at = snapshot.get("air_at")
        air_at = None if kept_at is None else datetime.fromisoformat(kept_at)
        unsaid = bool(snapshot.get("air_unsaid", False))
        return Restored(bench, int(snapshot["revision"]), notes_in(snapshot), air_at, unsaid)
    except (ValueError, TypeError, KeyError) as error:
        raise EntryError(f"The test {stored.test_id} cannot be read by this version. {way_out}") from error


def past_tests(tests: Sequence[RecordedTest]) -> list[PastTest]:
    """The dry tests of a machine with readings that were not given up, as a history is read from: through one adapter
    where it was noted which they were read through, the last."""
    past, speeds = [], []
    for test in tests:
        if test.verdict is None or not test.proves or test.state.plan.kind is not TestKind.DRY:
            continue
        as_read = past_test(test.verdict, test.stored.test_id, test.stored.began_at, test.gauge, test.stored.odometer)
        past.append(replace(as_read, adapter_cm3=test.state.plan.conditions.adapter_cm3))
        speeds.append(cranking_rpm_of([reading.cranking_rpm for reading in test.verdict.readings], test.engine))
    now_cm3 = last_noted_cm3(past)
    if now_cm3 is None:
        return past
    return [carried(one, tests[-1].engine, rpm, now_cm3) for one, rpm in zip(past, speeds, strict=True)]


def one_meter(tests: Sequence[PastTest], machine: str, counter: Counter) -> None:
    """Refuse a count of the machine that no test has, or that goes back from one to the next: wear cannot be counted
    by it.

    Raises:
        SettingsError: it cannot; of a count that goes back the two tests are named.
    """
    if tests and all(test.counter is None for test in tests):
        raise SettingsError(
            f"No test of {machine} has the machine's count: give it with `gaugelink test begin --odometer` or `test "
            "odometer`, or in the column counter of a notebook."
        )
    back = goes_back(tests)
    if back is not None:
        before, after = (f"{test.counter:.10g} {counter.value} on {day_of(test.at)}" for test in back)
        raise SettingsError(
            f"The count of {machine} goes back: {before}, then {after}. Put it right, with `gaugelink test odometer` "
            "or in the notebook that it came from, or read the history per season."
        )


def past_jobs(jobs: Sequence[StoredJob]) -> list[PastJob]:
    """The jobs, as a history is read from."""
    return [PastJob(job.at, job.job, job.cylinders, job.odometer) for job in jobs]


def ready_words(plan: Plan) -> str:
    """What the mechanic was asked for before the first pull; whether it was so, nothing here has seen."""
    plugs, throttle = plan.asked_for
    wanted = [word for asked, word in ((plugs, "all plugs out"), (throttle, "throttle wide open")) if asked]
    given = plan.conditions
    stated = ((given.plugs_out, "not all plugs out"), (given.throttle_open, "throttle not open"))
    otherwise = [word for said, word in stated if said is False]
    words = [f"asked for {', '.join(wanted)}"] if wanted else [] if otherwise and plan.asks_ready else ["not asked"]
    return "; ".join([*words, *([f"stated: {', '.join(otherwise)}"] if otherwise else [])])


def in_words(value: object) -> str:
    """A condition of a plan, for a report."""
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def short_ids(ids: Sequence[str]) -> dict[str, str]:
    """The shortest beginning of each id that no other one has."""
    ordered = sorted(set(ids))
    found = {}
    for place, one in enumerate(ordered):
        beside = ordered[max(0, place - 1) : place] + ordered[place + 1 : place + 2]
        length = SHORTEST_ID
        while length < len(one) and any(other.startswith(one[:length]) for other in beside):
            length += 1
        found[one] = one[:length]
    return found
