"""What is published of a leak-down. Pressures are gauge pressure in kPa."""

from enum import StrEnum
from typing import ClassVar

from pydantic import Field

from gaugelink.broker.message import Message, Name


class DecayKind(StrEnum):
    """How a leak was measured."""

    DECAY = "decay"
    """Pressure against time in a sealed volume."""
    DIFFERENTIAL = "differential"
    """Regulated air through a known orifice into the cylinder."""


class DecayProgress(Message):
    """A leak-down under way."""

    TOPIC: ClassVar[str] = "decay/progress"
    QOS: ClassVar[int] = 0

    decay_id: str
    """The leak-down's own id."""
    gauge: Name
    """The gauge's name in the shop file."""
    cylinder: str | None = None
    """The cylinder's name in the engine record, or null."""
    elapsed_s: float
    """Seconds since it began."""
    remaining_s: float | None = None
    """Seconds until it is done, or null when that cannot be told."""
    pressure_kpa: float
    """Gauge pressure now, zero taken off."""
    rate_kpa_per_s: float | None = None
    """Loss of pressure with time so far; positive when pressure is lost."""
    rate_u_kpa_per_s: float | None = None
    """Expanded uncertainty of `rate_kpa_per_s`, coverage about 95 %."""
    note: str = ""
    """What is seen or to be done, one sentence."""


class Decay(Message):
    """A leak-down result."""

    TOPIC: ClassVar[str] = "decay"

    decay_id: str
    """The leak-down's own id."""
    test_id: str | None = None
    """The test that was under way, or null."""
    gauge: Name
    """The gauge's name in the shop file."""
    cylinder: str | None = None
    """The cylinder's name in the engine record, or null."""
    kind: DecayKind
    duration_s: float
    """Seconds that were watched."""
    start_kpa: float
    """Gauge pressure at the beginning, zero taken off."""
    end_kpa: float
    """Gauge pressure at the end, zero taken off."""
    rate_kpa_per_s: float | None = None
    """Loss of pressure with time; positive when pressure is lost."""
    rate_u_kpa_per_s: float | None = None
    """Expanded uncertainty of `rate_kpa_per_s`, coverage about 95 %."""
    time_constant_s: float | None = None
    """Seconds in which the pressure would fall to 1/e, or null when it cannot be told."""
    leak_percent: float | None = None
    """With a differential test: loss in percent."""
    leak_u_percent: float | None = None
    """Expanded uncertainty of `leak_percent`, coverage about 95 %."""
    numbers: dict[str, float] = Field(default_factory=dict)
    """Further results; each name ends in its unit."""
    flags: tuple[str, ...] = ()
    """Why the result may be doubted."""
    text: str = ""
    """What it means, one or two sentences."""
