"""The archive's tables. Each key begins with the bench, by which a database is spread over machines.

Beside the columns that are searched by, every row keeps the message as it came, byte for byte in ``document``: a field
that this version does not know is not lost.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    DateTime,
    Dialect,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    TypeDecorator,
    Uuid,
)
from sqlalchemy.types import TypeEngine

VERSION = 2
"""Version of the tables, which only ever grow; `archive.versions` brings those of an older one up to it."""


class Utc(TypeDecorator[datetime]):
    """A time with its zone, in UTC. SQLite has no zones; there it is stored without, and read back as UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database."""
        if value is None:
            return None
        in_utc = value.astimezone(UTC)
        return in_utc.replace(tzinfo=None) if dialect.name == "sqlite" else in_utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class MessageId(TypeDecorator[str]):
    """A UUID. Where the database has no type for it, it is text as the messages have it, with its hyphens."""

    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[str]:
        """The database's own type."""
        return dialect.type_descriptor(Uuid(as_uuid=False) if dialect.name == "postgresql" else Text())


METADATA = MetaData()

VERSIONS = Table("archive_version", METADATA, Column("version", Integer, primary_key=True))


def _head(*, key: bool) -> list[Column[Any]]:
    return [
        Column("bench", Text, primary_key=True),
        Column("message_id", MessageId, primary_key=key, nullable=False),
        Column("at", Utc, nullable=False),
        Column("received_at", Utc, nullable=False),
    ]


def _document() -> Column[str]:
    return Column("document", Text, nullable=False)


EVENTS = Table(
    "events",
    METADATA,
    *_head(key=True),
    Column("event_id", Text, nullable=False),
    Column("gauge", Text, nullable=False),
    Column("test_id", Text),
    Column("peak_kpa", Double, nullable=False),
    Column("peak_u_kpa", Double, nullable=False),
    Column("cranking_rpm", Double),
    _document(),
    Index("events_by_test", "test_id", "message_id"),
)
"""Cranking events, without their raw samples: those are not published and stay in the bench's journal."""

READINGS = Table(
    "readings",
    METADATA,
    *_head(key=True),
    Column("test_id", Text, nullable=False),
    Column("event_id", Text),
    Column("cylinder", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("peak_kpa", Double),
    Column("peak_u_kpa", Double),
    Column("note", Text, nullable=False),
    _document(),
    Index("readings_by_test", "test_id", "message_id"),
)
"""The history of readings: given, moved, struck, taken back."""

DECAYS = Table(
    "decays",
    METADATA,
    *_head(key=True),
    Column("decay_id", Text, nullable=False),
    Column("test_id", Text),
    Column("gauge", Text, nullable=False),
    Column("machine", Text),
    Column("cylinder", Text),
    _document(),
    Index("decays_by_machine", "machine", "at"),
    Index("decays_by_test", "test_id", "message_id"),
)
"""Leak-down results."""

PROMPTS = Table(
    "prompts",
    METADATA,
    *_head(key=True),
    Column("test_id", Text),
    Column("text", Text, nullable=False),
    _document(),
)
"""What was said to the mechanic."""

RESULTS = Table(
    "command_results",
    METADATA,
    *_head(key=True),
    Column("command_id", Text, nullable=False),
    Column("ok", Boolean, nullable=False),
    Column("text", Text, nullable=False),
    _document(),
)
"""What people and tools asked for, and what became of it."""

TESTS = Table(
    "tests",
    METADATA,
    *_head(key=False),
    Column("test_id", Text, primary_key=True),
    Column("revision", BigInteger, nullable=False),
    Column("machine", Text, nullable=False),
    Column("engine", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("began_at", Utc, nullable=False),
    Column("closed", Boolean, nullable=False),
    Column("verdict", Text),
    _document(),
    Index("tests_by_machine", "machine", "began_at"),
    Index("tests_by_test", "test_id"),
)
"""Each test as it stood last: the highest revision."""

GAUGES = Table(
    "gauges",
    METADATA,
    *_head(key=False),
    Column("gauge", Text, primary_key=True),
    Column("phase", Text, nullable=False),
    Column("battery_percent", Double),
    _document(),
)
"""Each gauge as it stood last."""

BENCHES = Table(
    "benches",
    METADATA,
    Column("bench", Text, primary_key=True),
    Column("availability", Text, nullable=False),
    Column("received_at", Utc, nullable=False),
)
"""Each bench's last word on whether it is there. It has no id and no time: that of its arrival counts."""

QUARANTINE = Table(
    "quarantine",
    METADATA,
    Column("digest", LargeBinary(32), primary_key=True),
    Column("received_at", Utc, nullable=False),
    Column("topic", LargeBinary, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Index("quarantine_by_time", "received_at"),
)
"""What could not be understood, whole, once for each topic and payload. `digest` is the SHA-256 of both."""
