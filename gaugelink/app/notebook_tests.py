"""A notebook's test as the journal keeps it, and what a later notebook says otherwise.

A machine has one dry and one wet test on a day of a notebook. What a later notebook says of that day changes that test
as a hand changes one at the bench: a pressure that was put right is struck and the right one given, one that belongs to
another cylinder is moved. What it does not have any more stays.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from gaugelink.app.recorded import BY_HAND, is_by_hand, state_of
from gaugelink.app.shopfile import Shop
from gaugelink.app.telling import reading_entry
from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Conditions, Plan, TestKind
from gaugelink.bench.reading import BENCH, Acknowledgement, Change, Phase, Reading, Status, TestState
from gaugelink.bench.state import SNAPSHOT
from gaugelink.broker.message import new_id
from gaugelink.engine.air import Ambient, AmbientSource
from gaugelink.engine.units import barometer_text
from gaugelink.errors import EntryError
from gaugelink.journal.entries import Entry, PromptEntry, ReadingEntry, TestEntry
from gaugelink.journal.rows import StoredTest
from gaugelink.localtime import day_of_noon, noon_of
from gaugelink.peak.events import GaugeKind
from gaugelink.report.notebook import DIAL_U_FRACTION, NotebookTest

_MILLI_KPA = 3
"""Decimals of a pressure in kPa that tell two written pressures apart."""


@dataclass(frozen=True, slots=True)
class KeptTest:
    """A test of the journal that came from a notebook."""

    stored: StoredTest
    state: TestState

    @property
    def counted(self) -> list[Reading]:
        """Its readings that count, in their order."""
        return [reading for reading in self.state.readings if reading.in_cylinder]

    @property
    def on(self) -> date:
        """Its day."""
        return day_of_noon(self.stored.began_at)

    @property
    def wet(self) -> bool:
        """Whether it is a wet test."""
        return self.state.plan.kind is TestKind.WET


@dataclass(frozen=True, slots=True)
class Amended:
    """What a notebook changes of a test that is in the journal."""

    entries: list[Entry]
    """What is to be written down; empty when the notebook says nothing new."""
    changes: tuple[str, ...]
    """What now stands otherwise, a sentence each; empty when the test only got more readings, or nothing."""
    absent: str
    """What the journal has of that day and the notebook has not; empty when there is nothing."""


@dataclass(frozen=True, slots=True)
class UnreadTest:
    """A test of the journal that cannot be read, and may have come from a notebook."""

    stored: StoredTest
    error: EntryError

    @property
    def on(self) -> date:
        """Its day."""
        return day_of_noon(self.stored.began_at)


def kept_tests(tests: Iterable[StoredTest]) -> tuple[list[KeptTest], list[UnreadTest]]:
    """Those that came from a notebook, and those of which that cannot be told."""
    kept, unread = list[KeptTest](), list[UnreadTest]()
    for stored in tests:
        try:
            one = KeptTest(stored, state_of(stored))
        except EntryError as error:
            # Those from a notebook are of noon; the clock of a bench hardly ever stands at a whole minute.
            unread += [] if stored.began_at.second or stored.began_at.microsecond else [UnreadTest(stored, error)]
            continue
        kept += [one] if is_by_hand(one.state) else []
    return kept, unread


def new_test(shop: Shop, test: NotebookTest, test_id: str) -> list[Entry]:
    """A test as if the bench had seen it: readings without events, given by hand."""
    engine = shop.fleet.engine_of(test.machine)
    cylinders = tuple(name for name in engine.cylinder_names if name in {name for name, _ in test.readings})
    plan = Plan(
        test_id=test_id,
        machine=test.machine,
        engine=engine.id,
        cylinders=cylinders,
        gauges=dict.fromkeys(cylinders, test.gauge or BY_HAND),
        repeats=1,
        max_tries=30,
        kind=TestKind.WET if test.wet else TestKind.DRY,
        conditions=_conditions(test.ambient),
    )
    readings = [_reading(plan, pull, name, kpa) for pull, (name, kpa) in enumerate(test.readings, start=1)]
    at = noon_of(test.on)
    entry = TestEntry(
        test_id,
        shop.name,
        test.machine,
        _snapshot(plan, readings),
        at,
        engine.id,
        closed=True,
        odometer=test.counter,
    )
    return [entry, *(_entry(reading, at, test.note) for reading in readings)]


def amended_test(shop: Shop, test: NotebookTest, kept: KeptTest, at: datetime) -> Amended:
    """Change a test of the journal to what a notebook says of its day. `at` is when that is done."""
    stored = kept.stored
    unit = shop.settings.bench.display_unit
    said = _Sayings(_of(test.machine, test.on, test.wet))
    met = _meet(kept.counted, test.readings)
    plan = _plan(shop, test, kept, said)
    changed: dict[str, Reading] = {}
    more: list[Reading] = []
    entries: list[Entry] = []
    for old, kpa in met.corrected:
        assert old.cylinder is not None
        right, wrong = unit.texts_apart(kpa, old.peak_kpa)
        said.say(f"{old.cylinder} {right}, was {wrong}")
        changed[old.event_id] = _changed(old, Status.STRUCK, None, f"the notebook says {right} now")
        more.append(_reading(plan, old.pull, old.cylinder, kpa, f"written by hand, put right: was {wrong}"))
        entries += [_entry(changed[old.event_id], at), _entry(more[-1], at)]
    for old, cylinder in met.moved:
        said.say(f"{unit.text(old.peak_kpa)} is {cylinder}'s, was {old.cylinder}'s")
        changed[old.event_id] = _changed(old, Status.MOVED, cylinder, f"the notebook says {cylinder} now")
        entries.append(_entry(changed[old.event_id], at))
    put_right = bool(said.sentences)
    last = max((reading.pull for reading in kept.state.readings), default=0)
    for pull, (cylinder, kpa) in enumerate(met.added, start=last + 1):
        if put_right:
            said.say(f"{cylinder} {unit.text(kpa)} is new")
        more.append(_reading(plan, pull, cylinder, kpa))
        entries.append(_entry(more[-1], noon_of(test.on), test.note))
    if said.sentences or entries:
        readings = [changed.get(reading.event_id, reading) for reading in kept.state.readings] + more
        readings = [replace(reading, gauge=_gauge_of(plan, reading)) for reading in readings]
        odometer = stored.odometer if test.counter is None else test.counter
        snapshot = _snapshot(plan, readings, kept.state.phase)
        entries = [
            TestEntry(stored.test_id, stored.bench, stored.machine, snapshot, at, plan.engine, True, odometer),
            *entries,
            # What stands in the test itself is overwritten with it: the sentence keeps what it was.
            *(PromptEntry(new_id(), stored.bench, at, sentence, stored.test_id) for sentence in said.sentences),
        ]
    return Amended(
        entries, tuple(said.sentences), f"{said.of}: {_readings_text(shop, met.absent)}" if met.absent else ""
    )


def nearest(test: NotebookTest, kept: Sequence[KeptTest]) -> KeptTest | None:
    """The one of several tests of the same day that has most of a notebook's readings; None of none.

    Journals of earlier versions have two tests where a pressure was put right in the notebook: of two that are as near
    the later one is meant.
    """
    return min(reversed(kept), key=lambda one: _unlike(one.counted, test.readings), default=None)


def _unlike(had: Sequence[Reading], said: Sequence[tuple[str, float]]) -> tuple[int, int]:
    met = _meet(had, said)
    return len(met.corrected) + len(met.moved) + len(met.added), len(met.absent)


def kept_text(shop: Shop, kept: KeptTest) -> str:
    """A test and its readings for a person."""
    return f"{_of(kept.stored.machine, kept.on, kept.wet)}: {_readings_text(shop, kept.counted)}"


def untaken_text(shop: Shop, test: NotebookTest, unread: UnreadTest) -> str:
    """A test that was not taken in because of one that cannot be read, for a person."""
    unit = shop.settings.bench.display_unit
    readings = ", ".join(f"{cylinder} {unit.text(kpa)}" for cylinder, kpa in test.readings)
    return f"{_of(test.machine, test.on, test.wet)}: {readings}. {unread.error}"


def _of(machine: str, on: date, wet: bool) -> str:
    return f"{machine} on {on}{', wet' if wet else ''}"


def _readings_text(shop: Shop, readings: Sequence[Reading]) -> str:
    unit = shop.settings.bench.display_unit
    return ", ".join(f"{reading.cylinder} {unit.text(reading.peak_kpa)}" for reading in readings)


@dataclass(slots=True)
class _Sayings:
    """Sentences about one test."""

    of: str
    sentences: list[str] = field(default_factory=list)

    def say(self, what: str) -> None:
        self.sentences.append(f"{self.of}: {what}")


@dataclass(slots=True)
class _Met:
    """Readings of the journal beside those of a notebook, what both have left out."""

    corrected: list[tuple[Reading, float]] = field(default_factory=list)
    """Another pressure of the same cylinder, kPa."""
    moved: list[tuple[Reading, str]] = field(default_factory=list)
    """The same pressure of another cylinder."""
    added: list[tuple[str, float]] = field(default_factory=list)
    absent: list[Reading] = field(default_factory=list)


def _meet(had: Sequence[Reading], said: Sequence[tuple[str, float]]) -> _Met:
    """Lay readings beside those of a notebook: those that agree first, then cylinder by cylinder in their order."""
    left, new, met = list(had), list[tuple[str, float]](), _Met()
    for cylinder, kpa in said:
        same = [one for one in left if one.cylinder == cylinder and _is_same(one.peak_kpa, kpa)]
        if same:
            left.remove(same[0])
        else:
            new.append((cylinder, kpa))
    for cylinder, kpa in list(new):
        own = [one for one in left if one.cylinder == cylinder]
        if own:
            left.remove(own[0])
            new.remove((cylinder, kpa))
            met.corrected.append((own[0], kpa))
    for cylinder, kpa in new:
        elsewhere = [one for one in left if _is_same(one.peak_kpa, kpa)]
        if elsewhere:
            left.remove(elsewhere[0])
            met.moved.append((elsewhere[0], cylinder))
        else:
            met.added.append((cylinder, kpa))
    met.absent = left
    return met


def _is_same(a_kpa: float, b_kpa: float) -> bool:
    return round(a_kpa, _MILLI_KPA) == round(b_kpa, _MILLI_KPA)


def _plan(shop: Shop, test: NotebookTest, kept: KeptTest, said: _Sayings) -> Plan:
    """The plan with what the notebook says of cylinders, gauge, air and counter; what it leaves open stays."""
    plan, engine = kept.state.plan, shop.fleet.engine_of(test.machine)
    named = {*plan.cylinders, *(name for name, _ in test.readings)}
    order = [name for name in (*engine.cylinder_names, *plan.cylinders) if name in named]
    cylinders = tuple(dict.fromkeys(order))
    gauges = {name: test.gauge or plan.gauges.get(name, BY_HAND) for name in cylinders}
    if test.gauge and (others := _other_gauges(plan.gauges, test.gauge)) is not None:
        said.say(f"gauge {test.gauge}, was {others}")
    counter = kept.stored.odometer
    if test.counter is not None and test.counter != counter:
        said.say(f"counter {test.counter:.10g}, was {'not noted' if counter is None else f'{counter:.10g}'}")
    conditions = _conditions(test.ambient) if test.air_noted else plan.conditions
    if conditions != plan.conditions:
        said.say(f"air {_air_text(conditions)}, was {_air_text(plan.conditions)}")
    return Plan.model_validate(
        {**plan.model_dump(), "cylinders": cylinders, "gauges": gauges, "conditions": conditions.model_dump()}
    )


def _other_gauges(gauges: Mapping[str, str], gauge: str) -> str | None:
    """The gauges that were named, in words, where they are not this one."""
    names = dict.fromkeys(gauges.values())
    if list(names) == [gauge]:
        return None
    return "not named" if list(names) == [BY_HAND] else " and ".join(names)


def _air_text(conditions: Conditions) -> str:
    if conditions.barometer_kpa is not None:
        return barometer_text(conditions.barometer_kpa)
    return "not noted" if conditions.altitude_m is None else f"at {conditions.altitude_m:.10g} m"


def _gauge_of(plan: Plan, reading: Reading) -> str:
    """A struck reading is no cylinder's any more and keeps its gauge."""
    return reading.gauge if reading.cylinder is None else plan.gauges[reading.cylinder]


def _changed(reading: Reading, status: Status, cylinder: str | None, why: str) -> Reading:
    return reading.changed(Change(0.0, BY_HAND, status, cylinder, 1.0, why))


def _reading(plan: Plan, pull: int, cylinder: str, kpa: float, why: str = "written by hand") -> Reading:
    return Reading(
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
        changes=(Change(0.0, BENCH, Status.GIVEN, cylinder, 1.0, why),),
    )


def _entry(reading: Reading, at: datetime, note: str | None = None) -> ReadingEntry:
    """The line of a reading's history for its last change. It has no event: none was seen."""
    entry = replace(reading_entry(reading, at), event_id=None, by=BY_HAND)
    return entry if note is None else replace(entry, note=note)


def _snapshot(plan: Plan, readings: Sequence[Reading], phase: Phase = Phase.FINISHED) -> str:
    state = SNAPSHOT.validate_python(TestBench(plan).snapshot())
    # What was given up is not brought back by a notebook that still has it.
    state.phase = phase
    state.acknowledged = Acknowledgement(BY_HAND, 0.0, ())
    state.readings = list(readings)
    return json.dumps({"bench": SNAPSHOT.dump_python(state, mode="json"), "revision": 0})


def _conditions(ambient: Ambient) -> Conditions:
    # What was assumed is not written down as what somebody read off a barometer.
    if ambient.source is AmbientSource.ASSUMED:
        return Conditions()
    if ambient.altitude_m is not None:
        return Conditions(altitude_m=ambient.altitude_m)
    return Conditions(barometer_kpa=ambient.abs_kpa)
