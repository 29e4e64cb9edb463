"""The published contract: one model for each topic. Pressures are gauge pressure in kPa, or the name says otherwise."""

from enum import StrEnum
from typing import ClassVar

from pydantic import Field

from gaugelink.broker.message import Message, Name, Part, Stamp, Uuid
from gaugelink.gauge.samples import LinkPhase
from gaugelink.journal.entries import Action
from gaugelink.peak.events import Flag, GaugeKind, Method
from gaugelink.verdict.findings import Severity, VerdictWord


class Availability(StrEnum):
    """Whether the bench is there. The payload is the bare word, so that any tool can use it; it is also the last will.

    Topic ``availability``, QoS 1, retained.
    """

    ONLINE = "online"
    OFFLINE = "offline"


class FrameCounts(Part):
    """Frames since the service started. None of the bad ones became pressure."""

    good: int = 0
    malformed: int = 0
    short: int = 0
    long: int = 0
    duplicated: int = 0
    out_of_order: int = 0
    lost_samples: int = 0
    reconnects: int = 0


class GaugeState(Message):
    """How one gauge stands, whole, whenever something in it changed."""

    TOPIC: ClassVar[str] = "gauge/{gauge}/state"
    RETAIN: ClassVar[bool] = True

    gauge: Name
    """The gauge's name in the shop file."""
    phase: LinkPhase
    address: str | None = None
    """Bluetooth address, or what the radio uses in its place."""
    advertised_name: str | None = None
    rssi_dbm: int | None = None
    """Received signal strength in dBm."""
    battery_percent: float | None = None
    rate_hz: float | None = None
    """Samples per second as measured, or null before it is known."""
    last_sample_at: Stamp | None = None
    """Wall time of the last sample."""
    last_sample_s: float | None = None
    """The last sample on the gauge's own clock, in seconds."""
    zero_kpa: float | None = None
    """The gauge's reading at ambient, which is taken off its pressures; null before it is known."""
    zero_u_kpa: float | None = None
    """Standard uncertainty of the zero."""
    calibration_due: str | None = None
    """Date (RFC 3339 full-date) on which the calibration falls due."""
    counts: FrameCounts = FrameCounts()
    faults: tuple[str, ...] = ()
    """What is wrong, each one sentence for a person."""


class StrokePart(Part):
    """One compression pulse."""

    time_s: float
    """Time of the peak on the gauge's sample clock, in seconds."""
    peak_kpa: float
    peak_u_kpa: float
    """Expanded uncertainty, coverage about 95 %."""


class BudgetPart(Part):
    """One line of the uncertainty budget (JCGM 100:2008, clause 5)."""

    source: str
    u_kpa: float
    """Standard uncertainty, already multiplied by its sensitivity."""
    common: bool = False
    """True when every reading of the same gauge shares this error, so that it cancels between cylinders."""


class Cranking(Message):
    """A cranking event: a burst of strokes and the cylinder's pressure at its end."""

    TOPIC: ClassVar[str] = "cranking"

    event_id: Uuid
    """The event's own id, by which readings refer to it."""
    gauge: Name
    test_id: str | None = None
    """The test that was under way, or null."""
    kind: GaugeKind
    start_s: float
    """On the gauge's sample clock, in seconds, as is `end_s`."""
    end_s: float
    peak_kpa: float
    """Gauge pressure at the end of the rise, zero taken off. What was reached, never what was projected."""
    peak_u_kpa: float
    """Expanded uncertainty of `peak_kpa`, coverage about 95 %."""
    method: Method
    cranking_rpm: float | None = None
    """Crank revolutions per minute, or null when there are too few strokes to tell."""
    strokes: tuple[StrokePart, ...] = ()
    flags: tuple[Flag, ...] = ()
    """Why the number may be doubted."""
    budget: tuple[BudgetPart, ...] = ()
    zero_kpa: float = 0.0
    """The gauge's reading at ambient, already taken off."""
    zero_drift_kpa: float = 0.0
    first_stroke_kpa: float | None = None
    climb_per_stroke: float | None = None
    """Share of the remaining rise that each further stroke takes, 0 to 1."""
    projected_kpa: float | None = None
    """Where an event that was cut short was going; an estimate, never a reading."""
    projected_u_kpa: float | None = None


class Reading(Message):
    """An event given to a cylinder, moved to another, struck, or taken back."""

    TOPIC: ClassVar[str] = "reading"

    test_id: str
    event_id: str | None = None
    """The event that the reading comes from; null when it was written by hand."""
    cylinder: str
    """The cylinder's name in the engine record, for example ``PTO``; with `held`, the likeliest one."""
    action: Action
    moved_from: str | None = None
    """With `moved`: the cylinder that had it before."""
    by: str = ""
    """Who did it: a person, a tool, or ``rule`` for the assignment rules."""
    confidence: float | None = None
    """Probability that the cylinder is right, 0 to 1."""
    peak_kpa: float | None = None
    peak_u_kpa: float | None = None
    """Expanded uncertainty of `peak_kpa`, coverage about 95 %."""
    flags: tuple[Flag, ...] = ()
    note: str = ""


class ReadingPart(Part):
    """A reading inside the state of a test."""

    event_id: str | None = None
    peak_kpa: float
    peak_u_kpa: float
    """Expanded uncertainty, coverage about 95 %."""
    counted: bool = True
    """False when it was struck."""
    cranking_rpm: float | None = None
    flags: tuple[Flag, ...] = ()


class CylinderStatus(StrEnum):
    """Where a cylinder stands in its test."""

    WAITING = "waiting"
    IN_PROGRESS = "in_progress"
    AGREED = "agreed"
    """All readings that the plan asks for are there and agree."""
    ODD = "odd"
    """Its readings do not agree with each other, or it stands apart from the other cylinders."""
    SKIPPED = "skipped"


class CylinderPart(Part):
    """One cylinder of a test."""

    name: str
    """For example ``PTO``, ``middle``, ``MAG``, or a number."""
    place: int
    """Physical place in the engine, counted from 1, for drawing."""
    status: CylinderStatus = CylinderStatus.WAITING
    pressure_kpa: float | None = None
    """The cylinder's value from its counted readings."""
    pressure_u_kpa: float | None = None
    """Expanded uncertainty of `pressure_kpa`, coverage about 95 %."""
    readings: tuple[ReadingPart, ...] = ()


class FindingPart(Part):
    """One thing that the numbers say."""

    rule: str
    severity: Severity
    text: str
    """One or two sentences for a mechanic."""
    numbers: dict[str, float] = Field(default_factory=dict)
    """The numbers behind it; each name ends in its unit."""
    u_kpa: float | None = None
    """Expanded uncertainty of the pressure that the finding rests on, coverage about 95 %."""
    cylinders: tuple[str, ...] = ()
    """Cylinders that it speaks of."""
    causes: tuple[str, ...] = ()
    """Likely causes, likeliest first; never a certainty."""
    next_tests: tuple[str, ...] = ()
    """What would tell the causes apart."""
    source: str = ""
    """Where the rule comes from."""


class TestState(Message):
    """The whole current test: plan, readings, verdict so far."""

    __test__: ClassVar[bool] = False  # the name begins with Test, and pytest would try to collect it

    TOPIC: ClassVar[str] = "test"
    RETAIN: ClassVar[bool] = True

    test_id: str
    revision: int = 0
    """Counts up with every change of the test: a state with a lower revision is older."""
    machine: str
    engine: str = ""
    kind: str = "dry"
    """``dry``, ``wet``, or a name of the shop's own."""
    began_at: Stamp
    phase: str = ""
    """``cautions``, ``measuring``, ``done`` (every cylinder is settled, all can still be put right), ``finished`` or
    ``abandoned``."""
    closed: bool = False
    """True when the test is finished or was given up."""
    repeats: int = 1
    """Readings that the plan asks for from each cylinder."""
    cylinders: tuple[CylinderPart, ...]
    """In the order in which they are to be tested."""
    next_cylinder: str | None = None
    """The cylinder whose turn it is, or null when none is left."""
    held_events: tuple[str, ...] = ()
    """Events that wait for a person to say which cylinder they belong to."""
    spread_kpa: float | None = None
    """Highest less lowest cylinder."""
    spread_u_kpa: float | None = None
    """Expanded uncertainty of `spread_kpa`, the gauge's common error left out, coverage about 95 %."""
    spread_percent: float | None = None
    """Spread in percent of the highest cylinder."""
    band_low_kpa: float | None = None
    """Lower end of the maker's range, carried to this ambient pressure; null when it is not known."""
    band_high_kpa: float | None = None
    ambient_abs_kpa: float | None = None
    """Absolute ambient pressure."""
    conditions: dict[str, str] = Field(default_factory=dict)
    """What was noted, for example ``throttle`` = ``open``."""
    verdict: VerdictWord | None = None
    summary: str = ""
    """The verdict in one or two sentences."""
    findings: tuple[FindingPart, ...] = ()
    prompt: str = ""
    """The prompt that stood when this was sent, for whoever joins in the middle."""
    display_unit: str = "psi"
    """The unit that the shop reads in. Pressures here stay kPa."""


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
    gauge: Name
    cylinder: str | None = None
    elapsed_s: float
    remaining_s: float | None = None
    pressure_kpa: float
    rate_kpa_per_s: float | None = None
    """Loss of pressure with time so far; positive when pressure is lost."""
    rate_u_kpa_per_s: float | None = None
    note: str = ""
    """What is seen or to be done, one sentence."""


class Decay(Message):
    """A leak-down result."""

    TOPIC: ClassVar[str] = "decay"

    decay_id: str
    test_id: str | None = None
    gauge: Name
    cylinder: str | None = None
    kind: DecayKind
    duration_s: float
    start_kpa: float
    end_kpa: float
    rate_kpa_per_s: float | None = None
    """Loss of pressure with time; positive when pressure is lost."""
    rate_u_kpa_per_s: float | None = None
    """Expanded uncertainty of `rate_kpa_per_s`, coverage about 95 %."""
    time_constant_s: float | None = None
    leak_percent: float | None = None
    """With a differential test: loss in percent."""
    leak_u_percent: float | None = None
    numbers: dict[str, float] = Field(default_factory=dict)
    """Further results; each name ends in its unit."""
    flags: tuple[str, ...] = ()
    """Why the result may be doubted."""
    text: str = ""
    """What it means, one or two sentences."""


class Urgency(StrEnum):
    """How a prompt is to be shown."""

    DO = "do"
    """Something to do now."""
    KNOW = "know"
    CAUTION = "caution"
    """Someone could be hurt."""
    PROBLEM = "problem"
    """Something does not work."""


class Prompt(Message):
    """What the mechanic is to do or know now, as one short sentence."""

    TOPIC: ClassVar[str] = "prompt"

    text: str
    """To read."""
    key: str = ""
    """Which sentence it is: the same word for the same sentence in every language."""
    spoken: str = ""
    """To hear: the same with numbers and letters as words."""
    tone: str = "none"
    """The short sound that goes with it: ``none``, ``good``, ``again``, ``next``, ``done`` or ``trouble``."""
    urgency: Urgency = Urgency.DO
    say: bool = True
    """Whether it is worth speaking."""
    test_id: str | None = None
    cylinder: str | None = None


class CommandResult(Message):
    """The answer to a command. A command that is sent again with the same id gets the same answer and acts once."""

    TOPIC: ClassVar[str] = "command/result"

    command_id: str
    ok: bool
    text: str
    """What was done, or why not and what to do: one sentence."""
    test_id: str | None = None
