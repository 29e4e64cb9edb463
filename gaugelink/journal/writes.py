"""How each kind of entry becomes a row: a statement and its values, made before the disk is touched."""

import json
from datetime import UTC, datetime
from importlib.metadata import version
from typing import NamedTuple, assert_never

from gaugelink.errors import JournalError
from gaugelink.journal.codec import event_to_json, samples_to_blob
from gaugelink.journal.entries import (
    CalibrationEntry,
    CommandEntry,
    DecayEntry,
    Entry,
    EventEntry,
    JobEntry,
    LeakDownEntry,
    LeakFoundEntry,
    Outgoing,
    PromptEntry,
    ReadingEntry,
    StruckJobEntry,
    TestEntry,
)
from gaugelink.peak.events import EventSamples

SqlValue = str | int | float | bytes | None


class Statement(NamedTuple):
    """One insertion."""

    sql: str
    values: tuple[SqlValue, ...]


JUDGED_BY = version("gaugelink")
"""The code that judged an event, beside which a later version's judgement is put."""


def stamp(at: datetime) -> str:
    """Write a time in UTC, RFC 3339, always as long, so that text order is time order.

    Raises:
        JournalError: the time has no zone.
    """
    if at.tzinfo is None:
        raise JournalError(f"The time {at} has no zone: records need a time with its zone.")
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def entry_statement(entry: Entry) -> Statement:
    """Make the row of one entry.

    Raises:
        JournalError: a time has no zone.
    """
    match entry:
        case EventEntry():
            return _event(entry)
        case TestEntry():
            return _test(entry)
        case ReadingEntry():
            return _reading(entry)
        case DecayEntry():
            return _decay(entry)
        case LeakFoundEntry():
            return _leak_found(entry)
        case LeakDownEntry():
            return _leak_down(entry)
        case JobEntry():
            return _job(entry)
        case StruckJobEntry():
            return _struck_job(entry)
        case CalibrationEntry():
            return _calibration(entry)
        case CommandEntry():
            return _command(entry)
        case PromptEntry():
            return _prompt(entry)
        case _:
            assert_never(entry)


def outgoing_statements(message: Outgoing, now: datetime) -> list[Statement]:
    """Queue one message, and remember it as its topic's last when it is to be retained."""
    queued_at = stamp(now)
    topic, payload, qos = message.topic_suffix, message.payload_json, message.qos
    statements = [
        Statement(
            "INSERT INTO outbox (id, topic, payload, qos, retain, queued_at) VALUES (?, ?, ?, ?, ?, ?)",
            (message.id, topic, payload, qos, int(message.retain), queued_at),
        )
    ]
    if message.retain:
        statements.append(
            Statement(
                "INSERT INTO retained (topic, id, seq, payload, qos, queued_at)"
                " VALUES (?, ?, last_insert_rowid(), ?, ?, ?)"
                " ON CONFLICT (topic) DO UPDATE SET id = excluded.id, seq = excluded.seq, payload = excluded.payload,"
                " qos = excluded.qos, queued_at = excluded.queued_at",
                (topic, message.id, payload, qos, queued_at),
            )
        )
    return statements


def _blob(samples: EventSamples | None) -> bytes | None:
    return None if samples is None else samples_to_blob(samples)


def _event(entry: EventEntry) -> Statement:
    event = entry.event
    return Statement(
        "INSERT INTO events (event_id, bench, gauge, test_id, at, peak_kpa, peak_u_kpa, event, samples, judged_by)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.event_id,
            entry.bench,
            entry.gauge,
            entry.test_id,
            stamp(entry.at),
            event.peak_kpa,
            event.peak_u_kpa,
            event_to_json(event),
            _blob(entry.samples),
            JUDGED_BY,
        ),
    )


def _test(entry: TestEntry) -> Statement:
    at = stamp(entry.at)
    return Statement(
        "INSERT INTO tests (test_id, bench, machine, engine, snapshot, began_at, updated_at, closed, odometer)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (test_id) DO UPDATE SET bench = excluded.bench, machine = excluded.machine,"
        " engine = excluded.engine, snapshot = excluded.snapshot, updated_at = excluded.updated_at,"
        " closed = excluded.closed, odometer = excluded.odometer",
        (
            entry.test_id,
            entry.bench,
            entry.machine,
            entry.engine,
            entry.snapshot_json,
            at,
            at,
            int(entry.closed),
            entry.odometer,
        ),
    )


def _reading(entry: ReadingEntry) -> Statement:
    return Statement(
        "INSERT INTO readings (test_id, event_id, cylinder, action, who, at, peak_kpa, peak_u_kpa, note)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.test_id,
            entry.event_id,
            entry.cylinder,
            entry.action,
            entry.by,
            stamp(entry.at),
            entry.peak_kpa,
            entry.peak_u_kpa,
            entry.note,
        ),
    )


def _decay(entry: DecayEntry) -> Statement:
    return Statement(
        "INSERT INTO decays (decay_id, bench, gauge, test_id, cylinder, at, result, samples)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.decay_id,
            entry.bench,
            entry.gauge,
            entry.test_id,
            entry.cylinder,
            stamp(entry.at),
            entry.result_json,
            _blob(entry.samples),
        ),
    )


def _leak_found(entry: LeakFoundEntry) -> Statement:
    return Statement(
        "INSERT INTO leaks_found (decay_id, at, who, heard, note) VALUES (?, ?, ?, ?, ?)",
        (entry.decay_id, stamp(entry.at), entry.by, json.dumps(entry.heard), entry.note),
    )


def _leak_down(entry: LeakDownEntry) -> Statement:
    at = stamp(entry.at)
    return Statement(
        "INSERT INTO leak_downs (decay_id, bench, snapshot, began_at, updated_at, closed) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (decay_id) DO UPDATE SET bench = excluded.bench, snapshot = excluded.snapshot,"
        " updated_at = excluded.updated_at, closed = excluded.closed",
        (entry.decay_id, entry.bench, entry.snapshot_json, at, at, int(entry.closed)),
    )


def _job(entry: JobEntry) -> Statement:
    return Statement(
        "INSERT INTO jobs (job_id, machine, at, job, odometer, who, note, cylinders) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.job_id,
            entry.machine,
            stamp(entry.at),
            entry.job,
            entry.odometer,
            entry.by,
            entry.note,
            json.dumps(entry.cylinders),
        ),
    )


def _struck_job(entry: StruckJobEntry) -> Statement:
    return Statement(
        "INSERT INTO struck_jobs (job_id, at, who) VALUES (?, ?, ?)", (entry.job_id, stamp(entry.at), entry.by)
    )


def _calibration(entry: CalibrationEntry) -> Statement:
    due_on = None if entry.due_on is None else entry.due_on.isoformat()
    return Statement(
        "INSERT INTO calibrations (calibration_id, gauge, done_on, due_on, record) VALUES (?, ?, ?, ?, ?)",
        (entry.calibration_id, entry.gauge, entry.done_on.isoformat(), due_on, entry.record_json),
    )


def _command(entry: CommandEntry) -> Statement:
    return Statement(
        "INSERT INTO commands (command_id, at, command, result) VALUES (?, ?, ?, ?)",
        (entry.command_id, stamp(entry.at), entry.command_json, entry.result_json),
    )


def _prompt(entry: PromptEntry) -> Statement:
    return Statement(
        "INSERT INTO prompts (prompt_id, bench, test_id, at, text, details) VALUES (?, ?, ?, ?, ?, ?)",
        (entry.prompt_id, entry.bench, entry.test_id, stamp(entry.at), entry.text, json.dumps(entry.details)),
    )
