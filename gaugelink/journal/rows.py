"""What comes back out of the journal."""

from dataclasses import dataclass
from datetime import date, datetime

from gaugelink.journal.entries import Action
from gaugelink.peak.events import CrankingEvent, EventSamples


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """A message that waits to be sent."""

    seq: int
    """Its place in the order of sending."""
    id: str
    topic_suffix: str
    payload_json: str
    qos: int
    retain: bool
    queued_at: datetime


@dataclass(frozen=True, slots=True)
class OutboxDepth:
    """How much waits, and since when."""

    count: int
    oldest_at: datetime | None


@dataclass(frozen=True, slots=True)
class StoredTest:
    """A test as it was last written down."""

    test_id: str
    bench: str
    machine: str
    engine: str
    snapshot_json: str
    began_at: datetime
    updated_at: datetime
    closed: bool
    odometer: float | None = None
    """The machine's own count, in the unit that its fleet entry states."""


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """A cranking event as it was judged at the time, with the samples to judge it again."""

    event_id: str
    bench: str
    gauge: str
    test_id: str | None
    at: datetime
    event: CrankingEvent
    samples: EventSamples | None
    judged_by: str
    """Version of the code that judged it."""


@dataclass(frozen=True, slots=True)
class StoredReading:
    """One line of the history of the readings, in the order in which it was written."""

    seq: int
    test_id: str
    event_id: str | None
    cylinder: str
    action: Action
    by: str
    at: datetime
    peak_kpa: float | None
    peak_u_kpa: float | None
    note: str


@dataclass(frozen=True, slots=True)
class StoredDecay:
    """A leak-down result."""

    decay_id: str
    bench: str
    gauge: str
    test_id: str | None
    cylinder: str
    at: datetime
    result_json: str
    samples: EventSamples | None
    heard: tuple[str, ...] | None = None
    """Where its air was found to go, as was said last; values of `gaugelink.leak.heard.Heard`. None: nobody said."""
    found: str = ""
    """The same in a person's words."""


@dataclass(frozen=True, slots=True)
class StoredLeakDown:
    """A leak-down that had not ended when it was last written down."""

    decay_id: str
    bench: str
    snapshot_json: str
    began_at: datetime
    updated_at: datetime


@dataclass(frozen=True, slots=True)
class StoredJob:
    """Work done on a machine."""

    job_id: str
    machine: str
    at: datetime
    job: str
    odometer: float | None
    by: str
    note: str
    cylinders: tuple[str, ...] = ()
    """Empty for the whole engine."""


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """A gauge's calibration."""

    calibration_id: str
    gauge: str
    done_on: date
    due_on: date | None
    record_json: str
