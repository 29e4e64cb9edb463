"""What is published of a leak-down. Pressures are gauge pressure in kPa."""

from enum import StrEnum
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field

from gaugelink.broker.message import Message, Name, Part, Stamp
from gaugelink.leak.heard import Heard
from gaugelink.leak.limits import Practice


class DecayKind(StrEnum):
    """How a leak was measured."""

    DECAY = "decay"
    """Pressure against time in a sealed volume."""
    DIFFERENTIAL = "differential"
    """Regulated air through a known orifice into the cylinder."""


CRANKCASE = "crankcase"


class LeakRequest(Part):
    """How a leak-down is to be run. What is left out comes from `practice`, or for a differential test from the
    aviation reference. Unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)

    kind: DecayKind = DecayKind.DECAY
    part: Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9 _-]*$")] = CRANKCASE
    """What is tested: ``crankcase``, ``cooling system``, or a name of the shop's own."""
    practice: Practice = Practice.USUAL
    fixed_time: bool = False
    """Wait the whole time and compare the pressures, instead of stopping when it is certain."""
    follow: bool = False
    """Go on after the verdict, until it is stopped: the leak is followed by ear while it is looked for."""
    loss_kpa: Annotated[float, Field(gt=0, le=500)] | None = None
    """Largest loss of pressure within `minutes`."""
    minutes: Annotated[float, Field(gt=0, le=24 * 60)] | None = None
    """Time in which `loss_kpa` may be lost."""
    test_kpa: Annotated[float, Field(gt=0, le=500)] | None = None
    """Gauge pressure to pump to."""
    highest_kpa: Annotated[float, Field(gt=0, le=1500)] | None = None
    """Gauge pressure that must not be exceeded."""
    volume_cm3: Annotated[float, Field(gt=0, le=1e6)] | None = None
    """Volume under test; needed for the size of the hole."""
    supply_kpa: Annotated[float, Field(gt=0, le=1000)] | None = None
    """Differential: regulated gauge pressure, where no second gauge reads it."""
    supply_gauge: Name | None = None
    """Differential: the gauge that reads the regulated pressure."""
    orifice_mm: Annotated[float, Field(gt=0, le=10)] | None = None
    """Differential: diameter of the orifice; by the aviation reference from the bore when left out."""
    orifice_discharge: Annotated[float, Field(gt=0.3, le=1)] | None = None
    """Differential: discharge coefficient of the orifice, by a master orifice; 0.9 when left out."""
    fails_above_percent: Annotated[float, Field(gt=0, lt=100)] | None = None
    """Differential: loss above which it fails, by the engine's maker or the shop, instead of the usual scale."""
    bore_mm: Annotated[float, Field(gt=0, le=1000)] | None = None
    """Differential: the cylinder's bore; from the engine record when left out."""
    hot: bool = False
    """Differential: the engine is at its working temperature."""


class DecayState(Message):
    """The leak-down of a bench as it stands, for whoever joins in the middle."""

    TOPIC: ClassVar[str] = "decay/state"
    RETAIN: ClassVar[bool] = True

    decay_id: str
    """The leak-down's own id."""
    test_id: str | None = None
    """The test that was under way, or null."""
    machine: str | None = None
    """The machine's name in the fleet file, or null."""
    cylinder: str | None = None
    """The cylinder's name in the engine record, or null."""
    phase: str = ""
    """``cautions``, ``measuring`` or ``ended``."""
    cautions: tuple[str, ...] = ()
    """What a person has to acknowledge before any air goes in, one sentence each; empty once that is done."""


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
    """A leak-down result. It is published again, with the same `decay_id`, when it is said where its air goes."""

    TOPIC: ClassVar[str] = "decay"

    decay_id: str
    """The leak-down's own id."""
    test_id: str | None = None
    """The test that was under way, or null."""
    gauge: Name
    """The gauge's name in the shop file."""
    cylinder: str | None = None
    """The cylinder's name in the engine record, or null."""
    machine: str | None = None
    """The machine's name in the fleet file, or null."""
    part: str = ""
    """What was tested, where it was no cylinder: ``crankcase`` for example."""
    verdict: str = ""
    """``pass``, ``fail`` or ``open``, which is not certain."""
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
    ended_at: Stamp | None = None
    """When it ended, where that is not when this message was made."""
    heard: tuple[Heard, ...] = ()
    """Where the air of a cylinder was heard, or seen, to go."""
    found: str = ""
    """Where the leak was found, in a person's words."""
