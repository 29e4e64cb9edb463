"""What every published message has in common, and how one becomes a row of the outbox."""

from datetime import UTC, datetime
from typing import Annotated, ClassVar

import uuid_utils
from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, PlainSerializer

from gaugelink.journal.entries import Outgoing

SCHEMA_VERSION = 1
"""Version of the published contract. It stays while the contract only grows: what was added is known by being there. A
field is never removed or given another meaning."""

ROOT = "gaugelink"


def new_id() -> str:
    """Make a UUID version 7 (RFC 9562, section 5.7): unique, and in the order of the milliseconds they were made in."""
    return str(uuid_utils.uuid7())


def now() -> datetime:
    """Wall time in UTC, for a stamp; never for a duration."""
    return datetime.now(UTC)


def rfc3339(at: datetime) -> str:
    """Write a time in UTC as RFC 3339 with microseconds and a ``Z``."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def _in_the_calendar(at: datetime) -> datetime:
    """Refuse a time that is before year 1 or after year 9999 in UTC: it could be read and not written again."""
    try:
        at.astimezone(UTC)
    except OverflowError as error:
        raise ValueError("the time is outside of the calendar in UTC") from error
    return at


Stamp = Annotated[
    AwareDatetime, AfterValidator(_in_the_calendar), PlainSerializer(rfc3339, return_type=str, when_used="json")
]
"""A time with its zone; RFC 3339 in UTC on the wire."""

Uuid = Annotated[str, Field(pattern=r"^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$")]
Uuid7 = Annotated[str, Field(pattern=r"^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$")]
Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
"""A name that can be a level of a topic: no slash, no wildcard."""


class Part(BaseModel):
    """A part of a message. Frozen; a reader ignores fields that it does not know."""

    model_config = ConfigDict(
        frozen=True, extra="ignore", use_attribute_docstrings=True, allow_inf_nan=False, json_schema_extra=None
    )


class Message(Part):
    """The head of every message."""

    TOPIC: ClassVar[str]
    """Topic below ``gaugelink/<bench>/``; a name in braces is filled in from the field of that name."""
    QOS: ClassVar[int] = 1
    RETAIN: ClassVar[bool] = False

    id: Uuid7 = Field(default_factory=new_id)
    """UUIDv7 of this message. Delivery is at least once: a message whose id was seen before is a repeat."""
    at: Stamp = Field(default_factory=now)
    """Wall time at which the message was made, RFC 3339, UTC. A stamp: never compute a duration from it."""
    schema_version: int = SCHEMA_VERSION
    """Version of the contract that the sender knows. It stays while fields are only added, as they are."""
    bench: Name
    """The bench that publishes."""

    @property
    def topic_suffix(self) -> str:
        """The topic below ``gaugelink/<bench>/``."""
        return self.TOPIC.format_map({name: getattr(self, name) for name in type(self).model_fields})

    def outgoing(self) -> Outgoing:
        """Make the row of the outbox that carries this message."""
        return Outgoing(self.topic_suffix, self.model_dump_json(), self.QOS, self.RETAIN, self.id)


def topic(bench: str, suffix: str) -> str:
    """The full topic of a bench's message."""
    return f"{ROOT}/{bench}/{suffix}"


def bench_and_suffix(name: str) -> tuple[str, str] | None:
    """The bench of a topic and what stands below it; None for a topic that is no bench's message."""
    root, _, rest = name.partition("/")
    bench, _, suffix = rest.partition("/")
    return (bench, suffix) if root == ROOT and bench and suffix else None
