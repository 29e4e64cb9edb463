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
    """Frames that were understood whole."""
    malformed: int = 0
    """Frames whose content made no sense."""
    short: int = 0
    """Frames that were too short."""
    long: int = 0
    """Frames that were longer than the gauge's layout."""
    duplicated: int = 0
    """Frames that came twice."""
    out_of_order: int = 0
    """Frames that came after a later one."""
    lost_samples: int = 0
    """Samples that never came, by the gauge's own sequence numbers."""
    reconnects: int = 0
    """Times that the link was lost and found again."""


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
    """The name that the gauge gives itself on the radio."""
    rssi_dbm: int | None = None
    """Received signal strength in dBm."""
    battery_percent: float | None = None
    """Charge of the gauge's battery, 0 to 100; null when the gauge does not tell."""
    rate_hz: float | None = None
    """Samples per second as measured, or null before it is known."""
    last_sample_at: Stamp | None = None
    """Wall time of the last sample."""
    last_sample_s: float | None = None
    """The last sample on the gauge's own clock, in seconds."""
    zero_kpa: float | None = None
    """The gauge's reading at ambient, which is taken off its pressures; null where a bench does not tell it."""
    zero_u_kpa: float | None = None
    """Standard uncertainty of the zero."""
    calibration_due: str | None = None
    """Date (RFC 3339 full-date) on which the calibration falls due."""
    display_unit: str | None = None
    """The unit that the shop reads in; pressures here stay kPa. Null from a bench that does not say."""
    counts: FrameCounts = FrameCounts()
    faults: tuple[str, ...] = ()
    """What is wrong, each one sentence for a person."""


class StrokePart(Part):
    """One compression pulse."""

    time_s: float
    """Time of the peak on the gauge's sample clock, in seconds."""
    peak_kpa: float
    """Gauge pressure at the peak (live gauge) or the level after the step (held gauge), zero taken off."""
    peak_u_kpa: float
    """Expanded uncertainty, coverage about 95 %."""


class BudgetPart(Part):
    """One line of the uncertainty budget (JCGM 100:2008, clause 5)."""

    source: str
    """What it comes from, for example ``sampling and noise``, ``zero`` or ``calibration``."""
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
    """The gauge's name in the shop file."""
    test_id: str | None = None
    """The test that was under way, or null."""
    kind: GaugeKind
    start_s: float
    """On the gauge's sample clock, in seconds."""
    end_s: float
    """On the gauge's sample clock, in seconds."""
    peak_kpa: float
    """Gauge pressure at the end of the rise, zero taken off. What was reached, never what was projected."""
    peak_u_kpa: float
    """Expanded uncertainty of `peak_kpa`, coverage about 95 %."""
    method: Method
    cranking_rpm: float | None = None
    """Crank revolutions per minute in the middle one of its turns, or null when there are too few strokes to tell."""
    strokes: tuple[StrokePart, ...] = ()
    """Every compression pulse that was found, in order."""
    flags: tuple[Flag, ...] = ()
    """Why the number may be doubted."""
    budget: tuple[BudgetPart, ...] = ()
    """What the uncertainty is made of."""
    zero_kpa: float = 0.0
    """The gauge's reading at ambient, already taken off."""
    zero_drift_kpa: float = 0.0
    """Change of the zero since the event before."""
    first_stroke_kpa: float | None = None
    """Pressure after the first stroke; low with a quick climb points elsewhere than low without one."""
    climb_per_stroke: float | None = None
    """Share of the remaining rise that each further stroke takes, 0 to 1."""
    projected_kpa: float | None = None
    """Where an event that was cut short was going; an estimate, never a reading."""
    projected_u_kpa: float | None = None
    """Expanded uncertainty of `projected_kpa`, coverage about 95 %."""


class Reading(Message):
    """An event given to a cylinder, moved to another, struck, or taken back."""

    TOPIC: ClassVar[str] = "reading"

    test_id: str
    """The test that the reading belongs to."""
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
    """Gauge pressure at the end of the event's rise, zero taken off; null when there is no number."""
    peak_u_kpa: float | None = None
    """Expanded uncertainty of `peak_kpa`, coverage about 95 %."""
    flags: tuple[Flag, ...] = ()
    """Why the number may be doubted."""
    note: str = ""
    """What was said about it."""


class ReadingPart(Part):
    """A reading inside the state of a test."""

    event_id: str | None = None
    """The event that the reading comes from; null when it was written by hand."""
    peak_kpa: float
    """Gauge pressure at the end of the event's rise, zero taken off."""
    peak_u_kpa: float
    """Expanded uncertainty, coverage about 95 %."""
    counted: bool = True
    """False when the cylinder's value does not rest on it. A reading that was struck is on no cylinder."""
    cranking_rpm: float | None = None
    """Crank revolutions per minute, or null when it cannot be told."""
    flags: tuple[Flag, ...] = ()
    """Why the number may be doubted."""
    ambient_abs_kpa: float | None = None
    """Absolute ambient pressure at this pull, where another one was told since the test began: what is said of the test
    as a whole is carried to the air of its beginning. Null where that of the test holds."""


class CylinderStatus(StrEnum):
    """Where a cylinder stands in its test."""

    WAITING = "waiting"
    IN_PROGRESS = "in_progress"
    AGREED = "agreed"
    """All readings that the plan asks for are there and agree."""
    ODD = "odd"
    """Its readings do not agree with each other, or it stands apart from the other cylinders."""
    UNSURE = "unsure"
    """No more pulls are to come, and they were cut short or too uncertain: nothing shows it to be odd, or sound."""
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
    """All of its readings, in the order in which they were made."""


class NotePart(Part):
    """What a person noted with a test."""

    at: Stamp
    """When, RFC 3339, UTC."""
    by: str = ""
    """Who."""
    text: str
    """In their own words."""


class FindingPart(Part):
    """One thing that the numbers say."""

    rule: str
    """Which rule found it, one word."""
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
    """The test's own id."""
    revision: int = 0
    """Counts up with every change of the test: a state with a lower revision is older."""
    machine: str
    """The machine's name in the fleet file."""
    engine: str = ""
    """The engine's name in the fleet file, or empty."""
    kind: str = "dry"
    """``dry`` or ``wet``."""
    began_at: Stamp
    """Wall time of its beginning, RFC 3339, UTC."""
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
    """Events that wait for a person to say which cylinder they belong to, the one that is answered next first."""
    held_pulls: tuple[int, ...] = ()
    """The number of the pull that each of `held_events` came from, in the same order; the first pull is 1."""
    cautions: tuple[str, ...] = ()
    """What a person has to acknowledge before anything is cranked, one sentence each; empty once that is done."""
    spread_kpa: float | None = None
    """Highest less lowest cylinder."""
    spread_u_kpa: float | None = None
    """Expanded uncertainty of `spread_kpa`, the gauge's common error left out, coverage about 95 %."""
    spread_percent: float | None = None
    """Spread in percent of the highest cylinder."""
    band_low_kpa: float | None = None
    """Lower end of the maker's range, carried to this ambient pressure; null when it is not known."""
    band_high_kpa: float | None = None
    """Upper end of the maker's range, carried to this ambient pressure; null when it is not known."""
    ambient_abs_kpa: float | None = None
    """Absolute ambient pressure."""
    conditions: dict[str, str] = Field(default_factory=dict)
    """What was noted, for example ``throttle`` = ``open``."""
    notes: tuple[NotePart, ...] = ()
    """What people noted with it, oldest first."""
    odometer: float | None = None
    """The machine's own count at it, in the unit that its fleet entry states; null when it was not noted."""
    verdict: VerdictWord | None = None
    """The engine in one word; null before anything can be said."""
    summary: str = ""
    """The verdict in one or two sentences."""
    findings: tuple[FindingPart, ...] = ()
    """What the numbers say, most important first."""
    prompt: str = ""
    """The prompt that stood when this was sent, for whoever joins in the middle."""
    display_unit: str = "psi"
    """The unit that the shop reads in. Pressures here stay kPa."""


class ClosedTest(TestState):
    """A test of the record, whole, that was given up after it was closed, or counts again; not the current one."""

    TOPIC: ClassVar[str] = "test/closed"
    RETAIN: ClassVar[bool] = False


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
    """Whether it is worth speaking: not where it comes late, and another one has taken its place already."""
    test_id: str | None = None
    """The test that it belongs to, or null."""
    cylinder: str | None = None
    """The cylinder that it speaks of, or null."""


class CommandResult(Message):
    """The answer to a command. A command that is sent again with the same id gets the same answer and acts once."""

    TOPIC: ClassVar[str] = "command/result"

    command_id: str
    """The id of the command that is answered."""
    ok: bool
    """Whether it was carried out."""
    text: str
    """What was done, or why not and what to do: one sentence."""
    test_id: str | None = None
    """The test that it changed or began, or null."""
