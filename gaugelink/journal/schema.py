"""The tables, their versions, and the steps from each version to the next.

The version is SQLite's ``user_version``; ``application_id`` says that the file is a journal at all. A step only
ever adds tables, columns and indexes, so a row that was written once is there for good.
"""

import sqlite3
from pathlib import Path

from gaugelink.errors import JournalError

APPLICATION_ID = 0x474C4A4E
"""``GLJN``; the file(1) utility and `PRAGMA application_id` show it."""

_VERSION_1 = (
    """CREATE TABLE tests (
        test_id TEXT PRIMARY KEY, bench TEXT NOT NULL, machine TEXT NOT NULL, engine TEXT NOT NULL,
        snapshot TEXT NOT NULL, began_at TEXT NOT NULL, updated_at TEXT NOT NULL, closed INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX tests_by_bench ON tests (bench, closed, updated_at)",
    "CREATE INDEX tests_by_machine ON tests (machine, began_at)",
    """CREATE TABLE events (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, event_id TEXT NOT NULL UNIQUE, bench TEXT NOT NULL,
        gauge TEXT NOT NULL, test_id TEXT, at TEXT NOT NULL, peak_kpa REAL NOT NULL, peak_u_kpa REAL NOT NULL,
        event TEXT NOT NULL, samples BLOB, judged_by TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX events_by_test ON events (test_id, seq)",
    """CREATE TABLE readings (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, test_id TEXT NOT NULL, event_id TEXT, cylinder TEXT NOT NULL,
        action TEXT NOT NULL,
        who TEXT NOT NULL, at TEXT NOT NULL, peak_kpa REAL, peak_u_kpa REAL, note TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX readings_by_test ON readings (test_id, seq)",
    """CREATE TRIGGER readings_are_never_changed BEFORE UPDATE ON readings
        BEGIN SELECT RAISE(ABORT, 'the history of readings is only ever added to'); END""",
    """CREATE TRIGGER readings_are_never_deleted BEFORE DELETE ON readings
        BEGIN SELECT RAISE(ABORT, 'the history of readings is only ever added to'); END""",
    """CREATE TABLE decays (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, decay_id TEXT NOT NULL UNIQUE, bench TEXT NOT NULL,
        gauge TEXT NOT NULL, test_id TEXT, cylinder TEXT NOT NULL, at TEXT NOT NULL, result TEXT NOT NULL, samples BLOB
    ) STRICT""",
    "CREATE INDEX decays_by_test ON decays (test_id, seq)",
    """CREATE TABLE jobs (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, job_id TEXT NOT NULL UNIQUE, machine TEXT NOT NULL, at TEXT NOT NULL,
        job TEXT NOT NULL, odometer REAL, who TEXT NOT NULL, note TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX jobs_by_machine ON jobs (machine, at)",
    """CREATE TABLE calibrations (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, calibration_id TEXT NOT NULL UNIQUE, gauge TEXT NOT NULL,
        done_on TEXT NOT NULL, due_on TEXT, record TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE commands (
        command_id TEXT PRIMARY KEY, at TEXT NOT NULL, command TEXT NOT NULL, result TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE prompts (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, prompt_id TEXT NOT NULL UNIQUE, bench TEXT NOT NULL, test_id TEXT,
        at TEXT NOT NULL, text TEXT NOT NULL, details TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, topic TEXT NOT NULL, payload TEXT NOT NULL,
        qos INTEGER NOT NULL, retain INTEGER NOT NULL, queued_at TEXT NOT NULL, sent_at TEXT
    ) STRICT""",
    "CREATE INDEX outbox_pending ON outbox (seq) WHERE sent_at IS NULL",
    """CREATE TABLE retained (
        topic TEXT PRIMARY KEY, id TEXT NOT NULL, seq INTEGER NOT NULL, payload TEXT NOT NULL, qos INTEGER NOT NULL,
        queued_at TEXT NOT NULL
    ) STRICT""",
)

_VERSION_2 = (
    "ALTER TABLE tests ADD COLUMN odometer REAL",
    """CREATE TABLE judgements (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, event_id TEXT NOT NULL, at TEXT NOT NULL, judged_by TEXT NOT NULL,
        event TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX judgements_by_event ON judgements (event_id, seq)",
)

_VERSION_3 = ("ALTER TABLE jobs ADD COLUMN cylinders TEXT NOT NULL DEFAULT '[]'",)

_VERSION_4 = (
    """CREATE TABLE leak_downs (
        decay_id TEXT PRIMARY KEY, bench TEXT NOT NULL, snapshot TEXT NOT NULL, began_at TEXT NOT NULL,
        updated_at TEXT NOT NULL, closed INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX leak_downs_by_bench ON leak_downs (bench, closed, updated_at)",
)

_VERSION_5 = ("CREATE TABLE struck_jobs (job_id TEXT PRIMARY KEY, at TEXT NOT NULL, who TEXT NOT NULL) STRICT",)

_VERSION_6 = (
    """CREATE TABLE leaks_found (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, decay_id TEXT NOT NULL, at TEXT NOT NULL, who TEXT NOT NULL,
        heard TEXT NOT NULL, note TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX leaks_found_by_decay ON leaks_found (decay_id, seq)",
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (_VERSION_1, _VERSION_2, _VERSION_3, _VERSION_4, _VERSION_5, _VERSION_6)
"""Item n - 1 takes a journal from version n - 1 to version n."""

CURRENT = len(MIGRATIONS)
"""The version that this code reads and writes."""


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring a journal to the current version, in one transaction: it has the old version or the new, never between.

    A journal of an older version is copied beside itself first, as ``NAME.version-N``.

    Raises:
        JournalError: another process has just brought it to a version newer than this one knows.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version == CURRENT:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Read again under the lock: another process may have brought the journal up in the meantime.
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        refuse_newer(path, version)
        if 0 < version < CURRENT:
            _copy(path, path.with_name(f"{path.name}.version-{version}"))
        bring_up(connection, version)
        connection.execute("COMMIT")
    except BaseException:
        # SQLite has already rolled back by itself after some errors, a full disk among them.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def bring_up(connection: sqlite3.Connection, version: int) -> None:
    """Make the tables of the current version out of those of `version`, in the transaction that is open."""
    for steps in MIGRATIONS[version:]:
        for statement in steps:
            connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {CURRENT}")


def _copy(path: Path, target: Path) -> None:
    """Copy what is committed. Over a connection of its own: one that has begun to write cannot be copied from."""
    source, copy = sqlite3.connect(path), sqlite3.connect(target)
    try:
        source.backup(copy)
    finally:
        copy.close()
        source.close()


def refuse_newer(path: Path, version: int) -> None:
    """Refuse a journal that a newer version wrote.

    Raises:
        JournalError: it is one.
    """
    if version > CURRENT:
        raise JournalError(
            f"{path} was written by a newer gaugelink (journal version {version}, this one knows up to {CURRENT}): "
            "update gaugelink. Nothing was changed."
        )
