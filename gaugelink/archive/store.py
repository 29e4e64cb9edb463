"""The archive's database: batches in, each whole or not at all, however often they come."""

import itertools
import sqlite3
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    Insert,
    NullPool,
    Table,
    and_,
    create_engine,
    event,
    insert,
    or_,
    select,
    text,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, SQLAlchemyError, StatementError

from gaugelink.archive import schema
from gaugelink.archive.versions import bring_up_to_date
from gaugelink.archive.wire import Filed, Quarantined
from gaugelink.errors import ArchiveError
from gaugelink.journal.opening import open_beside_a_writer
from gaugelink.reasons import is_there

_SETUP_LOCK = 0x474C4152
"""Key of the advisory lock under which the tables are made: consumers may start at the same moment."""

_BUSY_S, _AGAIN_S = 30.0, 0.02
"""How long a locked SQLite file is waited for, and how soon it is asked again."""

_ORDER: tuple[Table, ...] = (
    schema.EVENTS,
    schema.READINGS,
    schema.DECAYS,
    schema.PROMPTS,
    schema.RESULTS,
    schema.TESTS,
    schema.GAUGES,
    schema.BENCHES,
    schema.QUARANTINE,
)
"""All consumers write the tables in this order, and each table by its key, so that none waits for another in a ring."""


@dataclass(frozen=True, slots=True)
class Written:
    """What became of a batch."""

    filed: int
    """Messages that are in a table now, those that already were among them."""
    quarantined: int


class Store:
    """The database; ``with Store(url) as store``. `prepare` makes it or brings it up to date, `check` only looks at it.

    Args:
        url: from `archive.settings.database_url`.
        read_only: for who only reads: a SQLite file needs no right to be written then, and who files is not held up.
    """

    def __init__(self, url: URL, *, read_only: bool = False) -> None:
        self._url = url
        self.engine = _engine(url, read_only=read_only)

    @property
    def where(self) -> str:
        """The database for a person, its password left out."""
        return self._url.render_as_string(hide_password=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.engine.dispose()

    def prepare(self) -> None:
        """Make the tables, or look at those that are there.

        Raises:
            ArchiveError: the database cannot be reached, or a newer version made it.
        """
        try:
            with self.engine.begin() as connection:
                if self.engine.dialect.name == "postgresql":
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _SETUP_LOCK})
                schema.METADATA.create_all(connection)
                found = connection.scalar(select(schema.VERSIONS.c.version))
                if found is None:
                    connection.execute(insert(schema.VERSIONS).values(version=schema.VERSION))
                elif found < schema.VERSION:
                    bring_up_to_date(connection, found)
        except SQLAlchemyError as error:
            raise self.away(error) from error
        self._fits(found)

    def check(self) -> None:
        """Look whether there is an archive that this version can read; nothing is made.

        Raises:
            ArchiveError: there is none, it cannot be reached, or a newer version made it.
        """
        is_file = self._url.get_backend_name() == "sqlite"
        if is_file and not is_there(Path(self._url.database or ""), "archive", ArchiveError):
            raise ArchiveError(f"There is no archive at {self.where}: `gaugelink archive` makes it.")
        try:
            with self.engine.connect() as connection:
                found = connection.scalar(select(schema.VERSIONS.c.version))
        except SQLAlchemyError as error:
            raise self.away(error) from error
        self._fits(found)

    def _fits(self, found: int | None) -> None:
        if found is not None and found > schema.VERSION:
            raise ArchiveError(
                f"The archive {self.where} is of version {found}; this gaugelink knows {schema.VERSION}: update it."
            )

    def write(self, messages: Sequence[Filed | Quarantined]) -> Written:
        """Commit a batch in one transaction. What is there already is left as it is; a state gives way to a newer one.

        A message that the database refuses for what is in it goes into the quarantine, and the others are written.

        Raises:
            ArchiveError: the database is away, full, or not willing; nothing of the batch was written. Try it again.
        """
        try:
            return self._write_together(messages)
        except (SQLAlchemyError, ValueError, OverflowError) as error:
            if not _is_about_the_data(error):
                raise self.away(error) from error
        try:
            return self._write_apart(messages)
        except SQLAlchemyError as error:
            raise self.away(error) from error

    def away(self, error: Exception) -> ArchiveError:
        """What to tell a person of a failure of the database."""
        cause = getattr(error, "orig", None) or error
        said = " ".join(str(cause).split())
        return ArchiveError(f"The archive's database {self.where} cannot be used ({said}).")

    def _write_together(self, messages: Sequence[Filed | Quarantined]) -> Written:
        with self.engine.begin() as connection:
            for table in _ORDER:
                rows = [message.row for message in messages if _table_of(message) is table]
                if rows:
                    connection.execute(_statement(table, connection), _in_key_order(table, rows))
        return _counted(messages)

    def _write_apart(self, messages: Sequence[Filed | Quarantined]) -> Written:
        """Write each message by itself, all in one transaction, to find those that the database refuses."""
        known: list[Filed | Quarantined] = []
        with self.engine.begin() as connection:
            for message in sorted(messages, key=lambda one: _ORDER.index(_table_of(one))):
                table = _table_of(message)
                try:
                    with connection.begin_nested():
                        connection.execute(_statement(table, connection), message.row)
                except (StatementError, ValueError, OverflowError) as error:
                    if isinstance(message, Quarantined) or not _is_about_the_data(error):
                        raise
                    refused = Quarantined(
                        message.topic,
                        message.payload,
                        f"the database refused it: {type(getattr(error, 'orig', None) or error).__name__}",
                        message.row["received_at"],
                    )
                    connection.execute(_statement(schema.QUARANTINE, connection), refused.row)
                    known.append(refused)
                else:
                    known.append(message)
        return _counted(known)


def _engine(url: URL, *, read_only: bool) -> Engine:
    if url.get_backend_name() != "sqlite":
        # A connection that died while the consumer waited is noticed before a batch is given to it.
        return create_engine(url, pool_pre_ping=True)
    if read_only:
        path = Path(url.database or "")
        return create_engine("sqlite://", creator=lambda: open_beside_a_writer(path), poolclass=NullPool)
    engine = create_engine(url, connect_args={"timeout": _BUSY_S})

    @event.listens_for(engine, "connect")
    def _opened(connection: Any, _: object) -> None:
        # SQLAlchemy says when a transaction begins, not the driver, which would begin it only at the first write.
        connection.isolation_level = None
        _write_ahead(connection)
        # Acknowledged messages are forgotten by the broker, so a commit must be on the disk.
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Switch a file to a write-ahead log, which two that open it at once cannot both do.

    SQLite then refuses one of them at once, its timeout notwithstanding, as both would wait for each other for ever
    (sqlite3_busy_handler in its C interface).
    """
    until = time.monotonic() + _BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            # The low byte of an extended result code is the primary one.
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(_AGAIN_S)
        else:
            return


def _is_about_the_data(error: Exception) -> bool:
    """Whether the database refused what is in the messages, rather than to work at all."""
    if isinstance(error, DBAPIError):
        # SQLSTATE class 54, program limit exceeded: for example a value that is too long for an index.
        state = getattr(error.orig, "sqlstate", None) or ""
        return isinstance(error, (DataError, IntegrityError)) or state.startswith("54")
    # What the driver cannot turn into the database's own types comes as it is, or as a StatementError.
    return isinstance(error, StatementError) or not isinstance(error, SQLAlchemyError)


def _table_of(message: Filed | Quarantined) -> Table:
    return message.table if isinstance(message, Filed) else schema.QUARANTINE


def _counted(messages: Iterable[Filed | Quarantined]) -> Written:
    kinds = [isinstance(message, Filed) for message in messages]
    return Written(sum(kinds), len(kinds) - sum(kinds))


_NEWER_BY = {
    schema.TESTS: ("revision", "message_id"),
    schema.GAUGES: ("received_at",),
    schema.BENCHES: ("received_at",),
}
"""Tables that hold a state, and by what one is newer. A gauge and a bench have no revision, and the ids of their
messages are in the order of the bench's clock, which may be set back. Every consumer hears all of their states in the
order in which they were published, so the order of arrival is the one that holds."""


def _key(table: Table) -> list[str]:
    return [column.name for column in table.primary_key.columns]


def _in_key_order(table: Table, rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """One row for each key, the newest of a state, in the order of the keys."""
    names, newer_by = _key(table), _NEWER_BY.get(table, ())
    ordered = sorted(rows, key=lambda row: [row[name] for name in (*names, *newer_by)])
    groups = itertools.groupby(ordered, key=lambda row: [row[name] for name in names])
    return [list(group)[-1] for _, group in groups]


def _statement(table: Table, connection: Connection) -> Insert:
    make = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    statement = make(table)
    newer_by = _NEWER_BY.get(table)
    if newer_by is None:
        return statement.on_conflict_do_nothing(index_elements=_key(table))
    incoming = statement.excluded
    conditions = []
    for depth, name in enumerate(newer_by):
        same = [table.c[earlier] == incoming[earlier] for earlier in newer_by[:depth]]
        conditions.append(and_(*same, table.c[name] < incoming[name]))
    changed = {column.name: incoming[column.name] for column in table.columns if not column.primary_key}
    return statement.on_conflict_do_update(index_elements=_key(table), set_=changed, where=or_(*conditions))
