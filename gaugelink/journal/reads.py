"""What is read back: the outbox for the broker, the record for history and report."""

import json
import sqlite3
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

from gaugelink.journal.codec import event_from_json, samples_from_blob
from gaugelink.journal.entries import Action
from gaugelink.journal.rows import (
    OutboxDepth,
    OutboxRow,
    StoredCalibration,
    StoredDecay,
    StoredEvent,
    StoredJob,
    StoredLeakDown,
    StoredReading,
    StoredTest,
)
from gaugelink.journal.writes import stamp
from gaugelink.peak.events import EventSamples


def _outbox_row(row: sqlite3.Row) -> OutboxRow:
    return OutboxRow(
        seq=row["seq"],
        id=row["id"],
        topic_suffix=row["topic"],
        payload_json=row["payload"],
        qos=row["qos"],
        retain=bool(row["retain"]),
        queued_at=datetime.fromisoformat(row["queued_at"]),
    )


def pending(connection: sqlite3.Connection, limit: int) -> list[OutboxRow]:
    """Read the oldest messages that were not sent."""
    rows = connection.execute("SELECT * FROM outbox WHERE sent_at IS NULL ORDER BY seq LIMIT ?", (limit,))
    return [_outbox_row(row) for row in rows]


def newest_pending(connection: sqlite3.Connection, topic_suffix: str, limit: int) -> list[OutboxRow]:
    """Read the newest messages of a topic that were not sent, the newest first."""
    rows = connection.execute(
        "SELECT * FROM outbox WHERE sent_at IS NULL AND topic = ? ORDER BY seq DESC LIMIT ?", (topic_suffix, limit)
    )
    return [_outbox_row(row) for row in rows]


def depth(connection: sqlite3.Connection) -> OutboxDepth:
    """Count what waits."""
    count, oldest = connection.execute("SELECT count(*), min(queued_at) FROM outbox WHERE sent_at IS NULL").fetchone()
    return OutboxDepth(count, None if oldest is None else datetime.fromisoformat(oldest))


def to_tell_again(connection: sqlite3.Connection, newer_than: timedelta, limit: int) -> list[OutboxRow]:
    """Read what a broker that lost its memory should be told again, oldest first.

    That is the last of every retained topic, whenever it was sent, and the newest other messages. A retained
    message that a newer one has replaced is not told again, and one that is about to be sent anyway is not told
    twice.
    """
    since = stamp(datetime.now(UTC) - newer_than)
    recent = connection.execute(
        "SELECT * FROM (SELECT * FROM outbox WHERE sent_at > ? AND retain = 0 ORDER BY seq DESC LIMIT ?) ORDER BY seq",
        (since, limit),
    )
    retained = connection.execute(
        "SELECT seq, id, topic, payload, qos, 1 AS retain, queued_at FROM retained"
        " WHERE id NOT IN (SELECT id FROM outbox WHERE sent_at IS NULL)"
    )
    rows = [_outbox_row(row) for row in (*recent, *retained)]
    return sorted(rows, key=lambda row: row.seq)


def retained(connection: sqlite3.Connection, topic_suffix: str) -> OutboxRow | None:
    """Read the last message of a retained topic, whether it was sent or waits."""
    row = connection.execute(
        "SELECT seq, id, topic, payload, qos, 1 AS retain, queued_at FROM retained WHERE topic = ?", (topic_suffix,)
    ).fetchone()
    return None if row is None else _outbox_row(row)


def _test(row: sqlite3.Row) -> StoredTest:
    return StoredTest(
        test_id=row["test_id"],
        bench=row["bench"],
        machine=row["machine"],
        engine=row["engine"],
        snapshot_json=row["snapshot"],
        began_at=datetime.fromisoformat(row["began_at"]),
        updated_at=datetime.fromisoformat(row["updated_at"]),
        closed=bool(row["closed"]),
        odometer=row["odometer"],
    )


def current_test(connection: sqlite3.Connection, bench: str) -> StoredTest | None:
    """Read the newest test of the bench that is not closed: the one begun last, whatever its clock said."""
    row = connection.execute(
        "SELECT * FROM tests WHERE bench = ? AND closed = 0 ORDER BY rowid DESC LIMIT 1", (bench,)
    ).fetchone()
    return None if row is None else _test(row)


def test(connection: sqlite3.Connection, test_id: str) -> StoredTest | None:
    """Read one test."""
    row = connection.execute("SELECT * FROM tests WHERE test_id = ?", (test_id,)).fetchone()
    return None if row is None else _test(row)


def tests(connection: sqlite3.Connection, machine: str | None, since: datetime | None) -> list[StoredTest]:
    """Read tests, oldest first."""
    rows = connection.execute(
        "SELECT * FROM tests WHERE (:machine IS NULL OR machine = :machine) AND (:since IS NULL OR began_at >= :since)"
        " ORDER BY began_at",
        {"machine": machine, "since": None if since is None else stamp(since)},
    )
    return [_test(row) for row in rows]


def went_back(connection: sqlite3.Connection, machine: str) -> list[tuple[StoredTest, StoredTest]]:
    """Read the tests of a machine that a bench began after another one by its own order, and before it by its clock:
    each behind that other one. A test without an event was written by hand and is of the day that it was given.
    """
    rows = connection.execute(
        "SELECT * FROM tests WHERE machine = ? AND EXISTS (SELECT 1 FROM events WHERE events.test_id = tests.test_id)"
        " ORDER BY bench, rowid",
        (machine,),
    )
    pairs = pairwise(_test(row) for row in rows)
    return [
        (one, next_one) for one, next_one in pairs if one.bench == next_one.bench and one.began_at > next_one.began_at
    ]


def last_event_at(connection: sqlite3.Connection, bench: str) -> datetime | None:
    """Read when the cranking event that a bench wrote down last was, by its clock then."""
    row = connection.execute("SELECT at FROM events WHERE bench = ? ORDER BY seq DESC LIMIT 1", (bench,)).fetchone()
    return None if row is None else datetime.fromisoformat(row["at"])


def _samples(blob: bytes | None) -> EventSamples | None:
    return None if blob is None else samples_from_blob(blob)


def _event(row: sqlite3.Row, with_samples: bool) -> StoredEvent:
    return StoredEvent(
        event_id=row["event_id"],
        bench=row["bench"],
        gauge=row["gauge"],
        test_id=row["test_id"],
        at=datetime.fromisoformat(row["at"]),
        event=event_from_json(row["event"]),
        samples=_samples(row["samples"]) if with_samples else None,
        judged_by=row["judged_by"],
    )


def events(
    connection: sqlite3.Connection, test_id: str | None, since: datetime | None, with_samples: bool
) -> list[StoredEvent]:
    """Read cranking events in the order in which they were committed."""
    rows = connection.execute(
        "SELECT * FROM events WHERE (:test IS NULL OR test_id = :test) AND (:since IS NULL OR at >= :since)"
        " ORDER BY seq",
        {"test": test_id, "since": None if since is None else stamp(since)},
    )
    return [_event(row, with_samples) for row in rows]


def event(connection: sqlite3.Connection, event_id: str) -> StoredEvent | None:
    """Read one cranking event with its samples."""
    row = connection.execute("SELECT * FROM events WHERE event_id = ?", (event_id,)).fetchone()
    return None if row is None else _event(row, with_samples=True)


def readings(connection: sqlite3.Connection, test_id: str) -> list[StoredReading]:
    """Read the whole history of a test's readings, oldest first."""
    rows = connection.execute("SELECT * FROM readings WHERE test_id = ? ORDER BY seq", (test_id,))
    return [
        StoredReading(
            seq=row["seq"],
            test_id=row["test_id"],
            event_id=row["event_id"],
            cylinder=row["cylinder"],
            action=Action(row["action"]),
            by=row["who"],
            at=datetime.fromisoformat(row["at"]),
            peak_kpa=row["peak_kpa"],
            peak_u_kpa=row["peak_u_kpa"],
            note=row["note"],
        )
        for row in rows
    ]


_DECAYS = (
    "SELECT decays.*, leaks_found.heard, leaks_found.note FROM decays LEFT JOIN tests USING (test_id)"
    " LEFT JOIN leaks_found ON leaks_found.seq ="
    " (SELECT max(seq) FROM leaks_found WHERE leaks_found.decay_id = decays.decay_id)"
)
"""Leak-down results, each with what was said last of where its air goes."""


def _decay(row: sqlite3.Row, with_samples: bool = True) -> StoredDecay:
    return StoredDecay(
        decay_id=row["decay_id"],
        bench=row["bench"],
        gauge=row["gauge"],
        test_id=row["test_id"],
        cylinder=row["cylinder"],
        at=datetime.fromisoformat(row["at"]),
        result_json=row["result"],
        samples=_samples(row["samples"]) if with_samples else None,
        heard=None if row["heard"] is None else tuple(json.loads(row["heard"])),
        found=row["note"] or "",
    )


def decays(
    connection: sqlite3.Connection, test_id: str | None, machine: str | None, with_samples: bool
) -> list[StoredDecay]:
    """Read leak-down results, oldest first; by machine, those of that machine's tests."""
    rows = connection.execute(
        f"{_DECAYS} WHERE (:test IS NULL OR decays.test_id = :test) AND (:machine IS NULL OR tests.machine = :machine)"
        " ORDER BY decays.seq",
        {"test": test_id, "machine": machine},
    )
    return [_decay(row, with_samples) for row in rows]


def last_decay(connection: sqlite3.Connection, decay_id: str | None, cylinder: str | None) -> StoredDecay | None:
    """Read the leak-down result of this id, or the last one, of a cylinder where that is named."""
    row = connection.execute(
        f"{_DECAYS} WHERE (:decay IS NULL OR decays.decay_id = :decay)"
        " AND (:cylinder IS NULL OR decays.cylinder = :cylinder COLLATE NOCASE) ORDER BY decays.seq DESC LIMIT 1",
        {"decay": decay_id, "cylinder": cylinder},
    ).fetchone()
    return None if row is None else _decay(row)


def current_leak_down(connection: sqlite3.Connection, bench: str) -> StoredLeakDown | None:
    """Read the newest leak-down of the bench that has not ended: the one begun last, whatever its clock said."""
    row = connection.execute(
        "SELECT * FROM leak_downs WHERE bench = ? AND closed = 0 ORDER BY rowid DESC LIMIT 1", (bench,)
    ).fetchone()
    if row is None:
        return None
    return StoredLeakDown(
        decay_id=row["decay_id"],
        bench=row["bench"],
        snapshot_json=row["snapshot"],
        began_at=datetime.fromisoformat(row["began_at"]),
        updated_at=datetime.fromisoformat(row["updated_at"]),
    )


def jobs(connection: sqlite3.Connection, machine: str | None, with_struck: bool) -> list[StoredJob]:
    """Read the work done, oldest first; of one time, in the order in which it was written down."""
    rows = connection.execute(
        "SELECT * FROM jobs WHERE (:machine IS NULL OR machine = :machine)"
        " AND (:with_struck OR job_id NOT IN (SELECT job_id FROM struck_jobs)) ORDER BY at, seq",
        {"machine": machine, "with_struck": with_struck},
    )
    return [
        StoredJob(
            job_id=row["job_id"],
            machine=row["machine"],
            at=datetime.fromisoformat(row["at"]),
            job=row["job"],
            odometer=row["odometer"],
            by=row["who"],
            note=row["note"],
            cylinders=tuple(json.loads(row["cylinders"])),
        )
        for row in rows
    ]


def calibrations(connection: sqlite3.Connection, gauge: str | None) -> list[StoredCalibration]:
    """Read calibrations, oldest first."""
    rows = connection.execute(
        "SELECT * FROM calibrations WHERE (:gauge IS NULL OR gauge = :gauge) ORDER BY done_on, seq", {"gauge": gauge}
    )
    return [
        StoredCalibration(
            calibration_id=row["calibration_id"],
            gauge=row["gauge"],
            done_on=date.fromisoformat(row["done_on"]),
            due_on=None if row["due_on"] is None else date.fromisoformat(row["due_on"]),
            record_json=row["record"],
        )
        for row in rows
    ]


def command_result(connection: sqlite3.Connection, command_id: str) -> str | None:
    """Read the answer that was given to a command, or None when it was not seen before."""
    row = connection.execute("SELECT result FROM commands WHERE command_id = ?", (command_id,)).fetchone()
    return None if row is None else str(row["result"])
