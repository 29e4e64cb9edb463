"""The journal on its own thread: one SQLite connection, one transaction for each unit of work.

The standard library's ``sqlite3`` is enough here: one file, one writer, and what matters (when the log is
synced, what a version means, which error says that the disk is full) is SQLite's own and has no portable name.
"""

import logging
import sqlite3
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from gaugelink.errors import JournalError
from gaugelink.journal import opening, schema
from gaugelink.journal.entries import Entry, Outgoing
from gaugelink.journal.faults import JournalWriteError, WriteFault, write_fault
from gaugelink.journal.writes import Statement, entry_statement, outgoing_statements, stamp

_LOG = logging.getLogger(__name__)

BACKLOG_LIMIT = 1000
"""Units of work that are kept in memory while the disk cannot be written: hours of a mechanic's work."""

SENT_KEPT = 256
"""Messages that stay in the outbox after the broker took them, to be told again to a broker that lost them."""


@dataclass(frozen=True, slots=True)
class Unit:
    """What is committed together, ready to be written."""

    names: str
    """What it is made of, for a message about it."""
    statements: tuple[Statement, ...]


def unit_of_work(entries: Sequence[Entry], outgoing: Sequence[Outgoing]) -> Unit:
    """Turn entries and their messages into rows.

    Raises:
        JournalError: a time has no zone.
    """
    now = datetime.now(UTC)
    statements = [entry_statement(entry) for entry in entries]
    for message in outgoing:
        statements += outgoing_statements(message, now)
    return Unit(", ".join(type(entry).__name__ for entry in entries) or "messages alone", tuple(statements))


class Store:
    """The synchronous half of the journal. All of it is called on one thread."""

    def __init__(self, path: Path, *, read_only: bool = False, alone: bool = False) -> None:
        self.path = path
        self._lock: sqlite3.Connection | None = None
        self._backlog: deque[Unit] = deque()
        self.fault: WriteFault | None = None
        """Why the last results could not be written, or None when they were."""
        self.connection = opening.open_to_read(path) if read_only else self._connect(alone=alone)
        self.connection.row_factory = sqlite3.Row

    @property
    def kept(self) -> int:
        """Units of work that wait in memory."""
        return len(self._backlog)

    def _connect(self, *, alone: bool) -> sqlite3.Connection:
        opening.check_version(self.path)
        connection = opening.open_to_write(self.path)
        try:
            if alone:
                # Before anything is changed: a journal that another service has open is left as it is.
                self._take_lock()
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            schema.migrate(connection, self.path)
        except JournalError:
            self._let_go(connection)
            raise
        except sqlite3.Error as error:
            self._let_go(connection)
            fault = write_fault(error)
            if fault is None:
                raise JournalError(f"The journal {self.path} cannot be used ({error}).") from error
            raise JournalWriteError(self.path, fault, 0, this_kept=False, detail=str(error)) from error
        return connection

    def _take_lock(self) -> None:
        """Hold a lock for as long as the process lives, on a file of its own so that readers are not shut out."""
        lock: sqlite3.Connection | None = None
        try:
            lock = sqlite3.connect(self.path.with_name(f"{self.path.name}.lock"), isolation_level=None, timeout=2.0)
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            if lock is not None:
                lock.close()
            if write_fault(error) is not WriteFault.BUSY:
                # On a disk that takes no files, two services cannot write into one journal either.
                _LOG.warning("The journal %s is used without a lock (%s).", self.path, error)
                return
            raise JournalError(
                f"The journal {self.path} is in use by another gaugelink service ({error}): stop that one, "
                "or give this bench a journal of its own."
            ) from error
        self._lock = lock

    def close(self) -> None:
        """Write what still waits in memory and close.

        Raises:
            JournalWriteError: results that were only in memory are lost.
        """
        try:
            if self._backlog:
                self.flush()
        except JournalWriteError as error:
            raise JournalWriteError(
                self.path, error.fault, error.kept, this_kept=False, detail=str(error.__cause__), closing=True
            ) from error
        finally:
            self._let_go(self.connection)

    def _let_go(self, connection: sqlite3.Connection) -> None:
        connection.close()
        if self._lock is not None:
            self._lock.close()

    def write(self, entries: Sequence[Entry], outgoing: Sequence[Outgoing]) -> None:
        """Commit a unit of work, after those that still wait.

        Raises:
            JournalWriteError: the disk did not take it; it is kept in memory unless the error says otherwise.
            JournalError: the unit contradicts what is already written, for example an id used twice.
        """
        unit = unit_of_work(entries, outgoing)
        if len(self._backlog) >= BACKLOG_LIMIT:
            self.flush(this_kept=False)
        self._backlog.append(unit)
        self.flush(unit)

    def flush(self, asked: Unit | None = None, *, this_kept: bool = True) -> None:
        """Commit everything that waits in memory, in order.

        Raises:
            JournalWriteError: the disk still does not take it.
            JournalError: `asked` contradicts what is already written.
        """
        while self._backlog:
            unit = self._backlog[0]
            try:
                self._commit(unit)
            except sqlite3.Error as error:
                fault = write_fault(error)
                if fault is not None:
                    self.fault = fault
                    raise JournalWriteError(
                        self.path, fault, len(self._backlog), this_kept=this_kept, detail=str(error)
                    ) from error
                self._backlog.popleft()
                refusal = f"The journal {self.path} refused a record ({error}): {unit.names}."
                if unit is asked:
                    raise JournalError(refusal) from error
                _LOG.error("%s It had waited in memory and is dropped.", refusal)
            else:
                self._backlog.popleft()
        self.fault = None

    def _commit(self, unit: Unit) -> None:
        connection = self.connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in unit.statements:
                connection.execute(statement.sql, statement.values)
            connection.execute("COMMIT")
        except BaseException:
            # SQLite has already rolled back by itself after some errors, a full disk among them.
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise

    def mark_sent(self, seqs: Sequence[int]) -> None:
        """Note that the broker took these messages. Losing this note only means a repeat, so it is not synced.

        Raises:
            JournalWriteError: the disk did not take the note.
        """
        connection = self.connection
        now = stamp(datetime.now(UTC))
        try:
            connection.execute("PRAGMA synchronous = NORMAL")
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany("UPDATE outbox SET sent_at = ? WHERE seq = ?", [(now, seq) for seq in seqs])
            connection.execute(
                "DELETE FROM outbox WHERE sent_at IS NOT NULL AND seq <= ?", (max(seqs, default=0) - SENT_KEPT,)
            )
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            fault = write_fault(error)
            if fault is None:
                raise JournalError(f"The journal {self.path} could not note what was sent ({error}).") from error
            # No `fault`: no result waits for it, and whoever is told of a fault is told later that it is over.
            raise JournalWriteError(self.path, fault, self.kept, this_kept=True, detail=str(error)) from error
        finally:
            connection.execute("PRAGMA synchronous = FULL")
