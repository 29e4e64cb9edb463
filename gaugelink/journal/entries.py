"""What can be written down: one frozen value for each kind of record, and the messages that go out with it.

A list of entries and their outgoing messages is one unit of work: all of it is committed, or none.
"""

from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from gaugelink.peak.events import CrankingEvent, EventSamples


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message for the outbox, committed together with what it tells of."""

    topic_suffix: str
    """The topic below ``gaugelink/<bench>/``."""
    payload_json: str
    qos: int
    """0, 1 or 2 as in MQTT 3.1.1, section 4.3."""
    retain: bool
    id: str
    """The message's own UUIDv7, so that a reader can drop repeats."""


@dataclass(frozen=True, slots=True)
class EventEntry:
    """A cranking event with everything that was seen of it."""

    event_id: str
    bench: str
    gauge: str
    at: datetime
    """Wall time of the end of the event, with its zone."""
    event: CrankingEvent
    samples: EventSamples | None = None
    """The raw samples, kept so that a later version of the code can judge them again."""
    test_id: str | None = None


@dataclass(frozen=True, slots=True)
class TestEntry:
    """The whole of a test as it stands. The last one written for a `test_id` is the one that counts."""

    __test__ = False  # the name begins with Test, and pytest would try to collect it

    test_id: str
    bench: str
    machine: str
    snapshot_json: str
    at: datetime
    engine: str = ""
    closed: bool = False
    """True when the test is finished or was given up; it is then no longer the bench's current test."""
    odometer: float | None = None
    """The machine's own count, in the unit that its fleet entry states."""


class Action(StrEnum):
    """What was done with an event. The history is only ever added to."""

    GIVEN = "given"
    """The event became a reading of a cylinder."""
    HELD = "held"
    """The evidence does not say clearly which cylinder the event belongs to: a person is asked."""
    MOVED = "moved"
    """The reading now belongs to another cylinder."""
    STRUCK = "struck"
    """The reading does not count."""
    TAKEN_BACK = "taken_back"
    """A reading that was struck counts again."""


@dataclass(frozen=True, slots=True)
class ReadingEntry:
    """One line of the history of a reading: which cylinder, what was done, by whom and when."""

    test_id: str
    cylinder: str
    action: Action
    at: datetime
    by: str
    """Who did it: a person's name, a tool's name, or ``rule`` for the assignment rules."""
    event_id: str | None = None
    """The event it comes from; None for a reading that was written by hand."""
    peak_kpa: float | None = None
    """Gauge pressure."""
    peak_u_kpa: float | None = None
    """Expanded uncertainty of `peak_kpa`, coverage about 95 %."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class DecayEntry:
    """A leak-down result with its samples."""

    decay_id: str
    bench: str
    gauge: str
    at: datetime
    result_json: str
    cylinder: str = ""
    test_id: str | None = None
    samples: EventSamples | None = None


@dataclass(frozen=True, slots=True)
class LeakFoundEntry:
    """Where the air of a leak-down goes, as somebody found. The last one written for a `decay_id` is what counts."""

    decay_id: str
    at: datetime
    by: str = ""
    heard: tuple[str, ...] = ()
    """Values of `gaugelink.leak.heard.Heard`."""
    note: str = ""
    """In a person's words."""


@dataclass(frozen=True, slots=True)
class LeakDownEntry:
    """A leak-down under way as it stands. The last one written for a `decay_id` is the one that counts."""

    decay_id: str
    bench: str
    snapshot_json: str
    at: datetime
    closed: bool = False
    """True when it has ended, with a result or without; it is then no longer gone on with."""


@dataclass(frozen=True, slots=True)
class JobEntry:
    """Work done on a machine: what trends are cut at, and what before and after are told from."""

    job_id: str
    machine: str
    at: datetime
    job: str
    """For example ``rings``, ``pistons``, ``cylinder replated``, or free text."""
    odometer: float | None = None
    """The machine's own count, in the unit that its fleet entry states."""
    by: str = ""
    note: str = ""
    cylinders: tuple[str, ...] = ()
    """Empty for the whole engine."""


@dataclass(frozen=True, slots=True)
class StruckJobEntry:
    """A job that was written down by mistake, or twice: it stays in the record and counts nowhere."""

    job_id: str
    at: datetime
    by: str = ""


@dataclass(frozen=True, slots=True)
class CalibrationEntry:
    """A gauge's calibration: its points and its dates."""

    calibration_id: str
    gauge: str
    done_on: date
    due_on: date | None
    record_json: str
    """Serial, accuracy class, points against the reference gauge."""


@dataclass(frozen=True, slots=True)
class CommandEntry:
    """A command that was carried out or refused. Its id makes a repeat of it act once."""

    command_id: str
    at: datetime
    command_json: str
    result_json: str


@dataclass(frozen=True, slots=True)
class PromptEntry:
    """A sentence that was said to the mechanic."""

    prompt_id: str
    bench: str
    at: datetime
    text: str
    test_id: str | None = None
    details: dict[str, Any] = field(default_factory=dict)


Entry = (
    EventEntry
    | TestEntry
    | ReadingEntry
    | DecayEntry
    | LeakFoundEntry
    | LeakDownEntry
    | JobEntry
    | StruckJobEntry
    | CalibrationEntry
    | CommandEntry
    | PromptEntry
)
"""Anything that can be written down."""
