"""How a journal's file is opened: by the one that writes, and by those who read beside it and change nothing."""

import sqlite3
from pathlib import Path

from gaugelink.errors import JournalError
from gaugelink.journal import schema
from gaugelink.reasons import is_there

_TO_WRITE, _TO_READ, _AS_IT_IS = "mode=rwc", "mode=ro", "mode=ro&immutable=1"
_NO_INDEX = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
"""What SQLite answers where it cannot make the index of the log beside a journal that is only read."""


def check_version(path: Path) -> int:
    """Tell a journal's version, 0 where nothing is written yet, without changing a byte of it.

    Raises:
        JournalError: the file is something else, is damaged, or was written by a newer version.
    """
    if not is_there(path, "journal", JournalError) or path.stat().st_size == 0:
        return 0
    # Read-only, so that not even the write-ahead log of a newer journal is folded into it. Where there is no log the
    # file is whole by itself, and as an immutable one it is read without leaving a new log beside it.
    mode = _TO_READ if _has_log(path) else _AS_IT_IS
    try:
        connection = _opened(path, mode)
        try:
            (application,) = connection.execute("PRAGMA application_id").fetchone()
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        finally:
            connection.close()
    except sqlite3.Error as error:
        if _is_no_index(error) and _has_log(path):
            raise JournalError(
                f"The journal {path} cannot be read ({error}): it and its log have to be in a folder that can be "
                "written. Copy both into one."
            ) from error
        raise JournalError(
            f"{path} cannot be opened as a journal ({error}): give another path, or restore it from a copy."
        ) from error
    if application != schema.APPLICATION_ID and (application or version or tables):
        raise JournalError(f"{path} is a database, but not a gaugelink journal: give another path.")
    schema.refuse_newer(path, version)
    return int(version)


def open_to_write(path: Path) -> sqlite3.Connection:
    """Open a journal, or begin one.

    Raises:
        JournalError: it cannot be opened.
    """
    try:
        return _opened(path, _TO_WRITE)
    except sqlite3.Error as error:
        raise JournalError(
            f"The journal {path} cannot be opened ({error}): check that its folder exists and can be written."
        ) from error


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open a journal to read it beside a service that writes, or a copy of an older one that is up to date.

    Raises:
        JournalError: there is none, or it cannot be read.
    """
    if not is_there(path, "journal", JournalError):
        raise JournalError(f"There is no journal at {path}: give the path that the shop file names.")
    older = check_version(path) < schema.CURRENT
    try:
        return _up_to_date_copy(path) if older else open_beside_a_writer(path)
    except sqlite3.Error as error:
        way_out = "start the service once, which brings it up to date" if older else "check the disk"
        raise JournalError(f"The journal {path} cannot be read ({error}): {way_out}.") from error


def open_beside_a_writer(path: Path) -> sqlite3.Connection:
    """Open a database to read it, seeing what is written meanwhile.

    SQLite keeps an index of the log beside the file for it. Where that cannot be made, on a medium that is read-only or
    in a folder of somebody else's, and there is no log, nobody writes and the file is whole by itself.

    Raises:
        sqlite3.Error: it cannot be read.
    """
    connection = _opened(path, _TO_READ)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        connection.close()
        if _is_no_index(error) and not _has_log(path):
            return _opened(path, _AS_IT_IS)
        raise
    return connection


def _up_to_date_copy(path: Path) -> sqlite3.Connection:
    """A copy of a journal, as it is now and brought to the current version, that goes when it is closed.

    For who only reads: a service of the older version may be writing to the journal, and go back to it after a restart.
    The copy is SQLite's own temporary database, in memory as far as that goes, and nothing can be written to it.
    """
    copy = sqlite3.connect("", isolation_level=None)
    try:
        source = open_beside_a_writer(path)
        try:
            source.backup(copy)
        finally:
            source.close()
        (version,) = copy.execute("PRAGMA user_version").fetchone()
        schema.refuse_newer(path, version)
        schema.bring_up(copy, version)
        copy.execute("PRAGMA query_only = ON")
    except (JournalError, sqlite3.Error):
        copy.close()
        raise
    return copy


def _opened(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?{mode}", uri=True, isolation_level=None, timeout=2.0)


def _is_no_index(error: sqlite3.Error) -> bool:
    # The low byte of an extended result code is the primary one.
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _NO_INDEX


def _has_log(path: Path) -> bool:
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0
