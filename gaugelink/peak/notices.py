"""What the detector tells while it listens, and the settings it listens with."""

from dataclasses import dataclass
from enum import StrEnum

from gaugelink.peak.events import EventSamples


class HandlingKind(StrEnum):
    """What was done to the gauge when no engine was cranked."""

    VENTED = "vented"
    """A held gauge was bled: its level fell back to the zero."""
    SCREWED = "screwed"
    """A slow, low swell: a fitting threaded into or out of a plug hole."""
    BUMPED = "bumped"
    """A short, low pulse: the hose was knocked or squeezed."""
    GLITCH = "glitch"
    """Single samples far off with nothing around them: no pressure does that."""
    ZERO_MOVED = "zero_moved"
    """The resting level jumped and stayed: a reconnect, or a gauge that zeroed itself."""


@dataclass(frozen=True, slots=True)
class EventOpened:
    """Cranking has been recognised."""

    time_s: float
    """Time of the first stroke on the gauge's sample clock."""


@dataclass(frozen=True, slots=True)
class StrokeSeen:
    """A stroke as it passes, unfitted: for live feedback, never a reading."""

    time_s: float
    level_kpa: float
    """Highest sample of the stroke (live) or level after the step (held), the resting level taken off."""


@dataclass(frozen=True, slots=True)
class EventClosed:
    """Cranking is over and all of its evidence is here. Judging it is slow; do it off the event loop."""

    samples: EventSamples


@dataclass(frozen=True, slots=True)
class Handling:
    """The gauge was handled: evidence for which cylinder it is in, and no event."""

    time_s: float
    what: HandlingKind


Notice = EventOpened | StrokeSeen | EventClosed | Handling


@dataclass(frozen=True, slots=True)
class DetectorSettings:
    """Thresholds of the detector. The defaults fit gauges of 5 to 5000 samples/s on cranked piston engines."""

    wake_kpa: float = 6.0
    """Movement away from the resting level that is looked at more closely."""
    event_kpa: float = 50.0
    """Least rise of a cranking event; handling stays below it. Common practice, no source."""
    live_gap_s: float = 1.08
    """Silence after the last stroke that ends an event on a live gauge. Longer than a slipped hand together
    with a slow stroke, shorter than two pulls in a row; with a frame of a tenth of a second it is known after 1.2 s."""
    held_gap_s: float = 1.3
    """Time without a rise that ends an event on a held gauge."""
    quiet_s: float = 2.0
    """Quiet time before an event that its zero is taken from, at most."""
    lead_s: float = 0.6
    """Quiet time before an event that is handed on with it."""
    zero_limit_kpa: float = 60.0
    """Largest resting level that can be a zero error; above it a held gauge was not bled."""
    capacity: int = 32768
    """Samples kept at most, quiet and event together (17 bytes each)."""
