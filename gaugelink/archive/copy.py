"""A journal made from the archive, so that history, report, export and the page read either by the same code.

It holds what is published: tests, cranking events with strokes and budgets, the history of readings, leak-downs. It
does not hold what stays on the bench: raw samples (so no traces), jobs, calibrations, readings that were struck, and
the agreement that a plan asked for (the default is taken).
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from pydantic import ValidationError
from sqlalchemy import Table, select
from sqlalchemy.exc import SQLAlchemyError

from gaugelink.archive import schema
from gaugelink.archive.store import Store
from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Conditions, Plan, TestKind
from gaugelink.bench.reading import BENCH, Acknowledgement, Change, Phase, Reading, Status
from gaugelink.bench.repeats import common_u_kpa, own_u_kpa
from gaugelink.bench.state import SNAPSHOT
from gaugelink.broker import messages as published
from gaugelink.broker.leak_messages import Decay
from gaugelink.errors import ArchiveError
from gaugelink.journal.entries import DecayEntry, Entry, EventEntry, ReadingEntry, TestEntry
from gaugelink.peak.events import BudgetLine, CrankingEvent, Stroke
from gaugelink.simulated import is_simulated

UNKNOWN = "unknown"
"""Name of a gauge that no event in the archive tells."""


def entries_of(store: Store, machines: Collection[str], *, simulated: bool = False) -> list[Entry]:
    """Read everything of these machines, as a bench would have written it down.

    Args:
        store: the archive.
        machines: ids of the machines.
        simulated: what simulated benches told, instead of what real ones did.

    Raises:
        ArchiveError: the database cannot be read, or a message in it is not of the contract that this version knows.
    """
    try:
        tests = [
            published.TestState.model_validate_json(text)
            for text in _documents(store, schema.TESTS, {"machine": machines})
        ]
        tests = [test for test in tests if is_simulated(test.bench) is simulated]
        ids = [test.test_id for test in tests]
        cranked = [
            published.Cranking.model_validate_json(text) for text in _documents(store, schema.EVENTS, {"test_id": ids})
        ]
        given = [
            published.Reading.model_validate_json(text) for text in _documents(store, schema.READINGS, {"test_id": ids})
        ]
        leaks = [
            Decay.model_validate_json(text)
            for text in _documents(store, schema.DECAYS, {"test_id": ids, "machine": machines})
        ]
        leaks = [leak for leak in leaks if is_simulated(leak.bench) is simulated]
    except SQLAlchemyError as error:
        raise store.away(error) from error
    except ValidationError as error:
        raise ArchiveError(
            f"The archive {store.where} has a {error.title} that this version cannot read: update gaugelink."
        ) from error
    events = {one.event_id: one for one in cranked}
    return [
        *(_test_entry(test, events) for test in sorted(tests, key=lambda test: test.began_at)),
        *(_event_entry(one) for one in events.values()),
        *(_reading_entry(one) for one in given),
        # One is published again when it is said where its air goes: the last one is the whole of it.
        *(_decay_entry(one) for one in {leak.decay_id: leak for leak in leaks}.values()),
    ]


def _documents(store: Store, table: Table, wanted: Mapping[str, Collection[str]]) -> list[str]:
    """The messages of which one of the columns has one of its values, in the order in which they came.

    Ids and times go by the bench's clock, which may be set back; the broker keeps the order of what a bench publishes.
    """
    found: dict[tuple[datetime, str, str], str] = {}
    columns = (table.c.received_at, table.c.message_id, table.c.bench, table.c.document)
    with store.engine.connect() as connection:
        for column, values in wanted.items():
            ordered = list(values)
            # In parts: databases bound a statement's values.
            for start in range(0, len(ordered), 500):
                one_of = table.c[column].in_(ordered[start : start + 500])
                for row in connection.execute(select(*columns).where(one_of)):
                    found[row.received_at, row.message_id, row.bench] = row.document
    return [found[place] for place in sorted(found)]


def _event(one: published.Cranking) -> CrankingEvent:
    return CrankingEvent(
        kind=one.kind,
        start_s=one.start_s,
        end_s=one.end_s,
        peak_kpa=one.peak_kpa,
        peak_u_kpa=one.peak_u_kpa,
        method=one.method,
        cranking_rpm=one.cranking_rpm,
        strokes=tuple(Stroke(stroke.time_s, stroke.peak_kpa, stroke.peak_u_kpa) for stroke in one.strokes),
        flags=frozenset(one.flags),
        budget=tuple(BudgetLine(line.source, line.u_kpa, common=line.common) for line in one.budget),
        zero_kpa=one.zero_kpa,
        zero_drift_kpa=one.zero_drift_kpa,
        first_stroke_kpa=one.first_stroke_kpa,
        climb_per_stroke=one.climb_per_stroke,
        projected_kpa=one.projected_kpa,
        projected_u_kpa=one.projected_u_kpa,
    )


def _event_entry(one: published.Cranking) -> EventEntry:
    return EventEntry(one.event_id, one.bench, one.gauge, one.at, _event(one), None, one.test_id)


def _reading_entry(one: published.Reading) -> ReadingEntry:
    return ReadingEntry(
        one.test_id, one.cylinder, one.action, one.at, one.by, one.event_id, one.peak_kpa, one.peak_u_kpa, one.note
    )


def _decay_entry(one: Decay) -> DecayEntry:
    return DecayEntry(
        one.decay_id,
        one.bench,
        one.gauge,
        one.ended_at or one.at,
        one.model_dump_json(),
        one.cylinder or "",
        one.test_id,
    )


def _test_entry(test: published.TestState, events: dict[str, published.Cranking]) -> TestEntry:
    """The test as the bench had it, as far as its published state tells."""
    names = tuple(cylinder.name for cylinder in test.cylinders)
    gauges = {
        cylinder.name: events[reading.event_id].gauge
        for cylinder in test.cylinders
        for reading in cylinder.readings
        if reading.event_id in events
    }
    # One gauge that is moved measures the cylinders without a reading too.
    spare = next(iter(gauges.values()), UNKNOWN)
    try:
        plan = Plan(
            test_id=test.test_id,
            machine=test.machine,
            engine=test.engine,
            cylinders=names,
            gauges={name: gauges.get(name, spare) for name in names},
            repeats=test.repeats,
            max_tries=30,
            kind=TestKind(test.kind),
            conditions=Conditions.model_validate_strings(test.conditions),
        )
        state = SNAPSHOT.validate_python(TestBench(plan).snapshot())
        state.phase = Phase(test.phase)
    except ValueError as error:
        raise ArchiveError(
            f"The test {test.test_id} in the archive cannot be read by this version: update gaugelink."
        ) from error
    state.acknowledged = Acknowledgement("", 0.0, ())
    state.readings.extend(_readings(test, events))
    snapshot = SNAPSHOT.dump_json(state).decode()
    notes = json.dumps([note.model_dump(mode="json") for note in test.notes])
    return TestEntry(
        test.test_id,
        test.bench,
        test.machine,
        f'{{"bench": {snapshot}, "revision": {test.revision}, "notes": {notes}}}',
        test.began_at.astimezone(UTC),
        test.engine,
        test.closed,
        test.odometer,
    )


def _readings(test: published.TestState, events: dict[str, published.Cranking]) -> Sequence[Reading]:
    found = []
    for cylinder in test.cylinders:
        for reading in cylinder.readings:
            event = events.get(reading.event_id or "")
            if reading.event_id is None or event is None:
                continue
            change = Change(0.0, BENCH, Status.GIVEN, cylinder.name, 1.0, "as published")
            judged = _event(event)
            found.append(
                Reading(
                    event_id=reading.event_id,
                    test_id=test.test_id,
                    gauge=event.gauge,
                    kind=event.kind,
                    pull=0,
                    peak_kpa=reading.peak_kpa,
                    peak_u_kpa=reading.peak_u_kpa,
                    common_u_kpa=common_u_kpa(judged),
                    flags=frozenset(reading.flags),
                    status=Status.GIVEN,
                    cylinder=cylinder.name,
                    confidence=1.0,
                    candidates=((cylinder.name, 1.0),),
                    changes=(change,),
                    own_u_kpa=own_u_kpa(judged),
                    air_abs_kpa=reading.ambient_abs_kpa,
                )
            )
    # In the order in which they were cranked; each is a pull of its own.
    places = {event_id: place for place, event_id in enumerate(events)}
    found.sort(key=lambda reading: places[reading.event_id])
    return [replace(reading, pull=number) for number, reading in enumerate(found, start=1)]
