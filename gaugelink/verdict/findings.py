"""The words of this room: a rule, a finding, a verdict, and the table that makes one word of many findings."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from pydantic import Field

from gaugelink.bench.agree import SHORT_OF_THE_TOP
from gaugelink.bench.repeats import CRANKING_SCATTER
from gaugelink.engine.air import SEA_LEVEL_KPA, AltitudeMethod, Ambient, AmbientSource
from gaugelink.peak.events import Flag
from gaugelink.settings import Settings
from gaugelink.verdict.difference import PullValue

COMMON_PRACTICE = "common practice, no source"


class RuleName(StrEnum):
    """What a finding was found by."""

    INCOMPLETE = "incomplete"
    DOUBTED = "doubted"
    """A reading carries a flag."""
    REPEATABILITY = "repeatability"
    CRANKING_SLOW = "cranking_slow"
    CRANKING_UNEVEN = "cranking_uneven"
    SPREAD = "spread"
    """Highest less lowest, against the uncertainty of a difference."""
    LOWEST_OF_HIGHEST = "lowest_of_highest"
    ODD_CYLINDER = "odd_cylinder"
    NEIGHBOURS_LOW = "neighbours_low"
    FIRST_STROKE = "first_stroke"
    BAND = "band"
    """The maker's range, carried to this ambient."""
    CONDITIONS = "conditions"
    """The test was not done as the maker's range asks for."""
    HIGH_READING = "high_reading"
    EXPECTED = "expected"
    """The estimate from geometry."""
    ALTITUDE_METHOD = "altitude_method"
    """Pressure and density ratio lead to different words."""
    WET_DRY = "wet_dry"
    LEAK_DOWN = "leak_down"
    TREND = "trend"
    """The machine's earlier tests."""
    TOP_END = "top_end"


class Severity(StrEnum):
    """How much a finding asks for, least first."""

    NOTE = "note"
    WATCH = "watch"
    RETEST = "retest"
    """The readings cannot carry a judgement; read again."""
    INVESTIGATE = "investigate"


class VerdictWord(StrEnum):
    """The engine in one word."""

    CONSISTENT = "consistent"
    WATCH = "watch"
    INVESTIGATE = "investigate"
    RETEST = "retest"


class TopEnd(StrEnum):
    """Whether the top end has to come off, as far as cranking pressures can tell."""

    LEAVE = "leave"
    """Nothing here asks for it."""
    TEST_FIRST = "test_first"
    """A test that tells the causes apart comes first."""
    LIKELY = "likely"
    """Likely; the maker's manual and a look inside decide."""
    UNKNOWN = "unknown"
    """The readings cannot tell."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the numbers say."""

    rule: RuleName
    severity: Severity
    text: str
    """One or two sentences for a mechanic."""
    numbers: Mapping[str, float] = field(default_factory=dict)
    """The numbers behind it; each name ends in its unit."""
    u_kpa: float | None = None
    """Expanded uncertainty of the pressure that the finding rests on, coverage about 95 %."""
    cylinders: tuple[str, ...] = ()
    """Cylinders that it speaks of."""
    causes: tuple[str, ...] = ()
    """Likely causes, likeliest first."""
    next_tests: tuple[str, ...] = ()
    """What would tell the causes apart."""
    source: str = COMMON_PRACTICE
    """Where the rule comes from."""
    firm: bool = True
    """False when it rests on a reading that asks to be taken again."""

    @property
    def asks(self) -> Severity:
        """What it asks for as it stands: a grave one that is not firm asks for the reading again, not for a look."""
        return Severity.RETEST if self.severity is Severity.INVESTIGATE and not self.firm else self.severity

    @property
    def against(self) -> tuple[str, ...]:
        """Cylinders that it holds something against, without the one that they are compared with."""
        if self.rule is RuleName.SPREAD:
            return self.cylinders[-1:]
        compared = (RuleName.LOWEST_OF_HIGHEST, RuleName.CRANKING_UNEVEN)
        return self.cylinders[:1] if self.rule in compared else self.cylinders


# One word for the engine. The first line that fits a finding decides. A firm finding that asks for a look is not
# hidden by a doubtful reading elsewhere; one that rests on a doubtful reading asks for that reading again.
VERDICT_TABLE: tuple[tuple[Severity, bool | None, VerdictWord], ...] = (
    (Severity.INVESTIGATE, True, VerdictWord.INVESTIGATE),
    (Severity.INVESTIGATE, False, VerdictWord.RETEST),
    (Severity.RETEST, None, VerdictWord.RETEST),
    (Severity.WATCH, None, VerdictWord.WATCH),
    (Severity.NOTE, None, VerdictWord.CONSISTENT),
)


def verdict_word(findings: Iterable[Finding]) -> VerdictWord:
    """One word from the findings, by `VERDICT_TABLE`."""
    listed = tuple(findings)
    for severity, firm, word in VERDICT_TABLE:
        if any(f.severity is severity and (firm is None or f.firm is firm) for f in listed):
            return word
    return VerdictWord.CONSISTENT


def gathered(groups: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    """All items once, those that stand early in many groups first."""
    rank: dict[str, float] = {}
    for group in groups:
        for place, item in enumerate(group):
            rank[item] = rank.get(item, 0.0) + 1.0 / (1.0 + place)
    return tuple(sorted(rank, key=lambda item: -rank[item]))


# What each flag of a reading asks for, and what to tell the mechanic.
FLAG_TABLE: Mapping[Flag, tuple[Severity, str, str]] = {
    Flag.STILL_RISING: (
        Severity.RETEST,
        "cranking stopped before the pressure stopped climbing",
        "crank longer, until the pressure stops climbing",
    ),
    Flag.OVER_RANGE: (
        Severity.RETEST,
        "the pressure went past what the gauge can show",
        "use a gauge with a wider range",
    ),
    Flag.FEW_STROKES: (Severity.RETEST, "there were too few strokes", "crank through at least six strokes"),
    Flag.SHORT_RECORD: (
        Severity.RETEST,
        "the record began or ended inside the cranking",
        "wait for the gauge to settle, then crank again",
    ),
    Flag.POOR_FIT: (
        Severity.RETEST,
        "the trace does not look like a cranked cylinder",
        "check the hose, the seal at the plug hole and the throttle, then crank again",
    ),
    Flag.VALVE_LEAK: (
        Severity.NOTE,
        "the gauge's own valve loses pressure",
        "replace the valve core at the gauge's end",
    ),
    Flag.LOST_SAMPLES: (Severity.NOTE, "the radio lost samples", "bring the receiver closer to the gauge"),
    Flag.UNDER_SAMPLED: (Severity.NOTE, "the gauge is slow for these pulses, so the uncertainty is wide", ""),
    Flag.ZERO_UNKNOWN: (Severity.NOTE, "the gauge's zero was not seen before cranking", "vent the gauge first"),
    Flag.ZERO_DRIFT: (Severity.NOTE, "the gauge's zero moved", "vent the gauge and look at its zero"),
    Flag.INTERRUPTED: (Severity.NOTE, "cranking paused on the way", ""),
    Flag.TRIMMED: (
        Severity.NOTE,
        "the record was longer than is kept or judged, and part of it was left out",
        "let go of the starter as soon as the pressure stops climbing",
    ),
    Flag.CALIBRATION_OVERDUE: (
        Severity.NOTE,
        "the gauge's calibration is overdue: doubt the band, not the comparison between cylinders",
        "have the gauge calibrated",
    ),
}


class Rules(Settings):
    """The limits that a shop may set. Where the engine's maker gives a figure, the maker's figure goes first."""

    two_stroke_lowest_percent: float = Field(default=90.0, gt=30, lt=100)
    """Lowest cylinder over highest. Common practice, no source: not more than 10 % below."""
    two_stroke_watch_percent: float = Field(default=94.0, gt=30, lt=100)
    """Below this, and real, it is worth watching. Common practice, no source."""
    four_stroke_lowest_percent: float = Field(default=75.0, gt=30, lt=100)
    """Lowest cylinder over highest. Service-manual practice: 70 to 75 %."""
    four_stroke_watch_percent: float = Field(default=82.0, gt=30, lt=100)
    """Below this, and real, it is worth watching. Common practice, no source."""
    repeatability_fraction: float = Field(default=CRANKING_SCATTER, ge=0, lt=0.2)
    """Standard scatter of one cylinder's pressure from one cranking to the next, as a fraction. From memory."""
    repeats_percent: float = Field(default=3.0, gt=0, le=50)
    """Repeats of one cylinder further apart than this, and than their uncertainty, are not one reading: the share that
    a test's plan asks for. Common practice, no source."""
    slow_cranking_fraction: float = Field(default=0.8, gt=0, lt=1)
    """Share of the record's cranking speed below which cranking is slow. Common practice, no source."""
    two_stroke_slow_rpm: float = Field(default=200.0, gt=0)
    """Slow, when the record gives no cranking speed. Common practice, no source."""
    four_stroke_slow_rpm: float = Field(default=120.0, gt=0)
    """Slow, when the record gives no cranking speed. Common practice, no source."""
    uneven_cranking_percent: float = Field(default=15.0, gt=0, lt=100)
    """Cylinders cranked at speeds further apart than this compare badly. Common practice, no source."""
    wet_rise_percent: float = Field(default=8.0, gt=0, lt=100)
    """Rise with oil, its volume taken out, that counts as clear. Common practice, no source."""
    first_stroke_share: float = Field(default=0.88, gt=0, lt=1)
    """First stroke over the end, relative to the other cylinders, below which a cylinder is climbing. From memory."""
    leak_watch_percent: float = Field(default=15.0, gt=0, lt=100)
    """Differential leak-down loss above which a cylinder is worth watching. Common practice, no source."""
    leak_limit_percent: float = Field(default=25.0, gt=0, lt=100)
    """Loss above which it asks for a look: 60 of 80 psi, FAA AC 43.13-1B, chapter 8 (from memory)."""
    odd_times: float = Field(default=3.0, gt=1)
    """How many times the others' own spread a cylinder has to be off to be the odd one. Common practice, no source."""
    altitude_method: AltitudeMethod = AltitudeMethod.PRESSURE
    """How the maker's band is carried to this ambient."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a test was done under."""

    ambient_abs_kpa: float = SEA_LEVEL_KPA
    ambient_source: AmbientSource = AmbientSource.ASSUMED
    ambient_u_kpa: float = 4.0
    """Standard uncertainty of the ambient pressure."""
    altitude_m: float | None = None
    wet: bool = False
    """Oil was put into the cylinders."""
    oil_ml: float | None = None
    """Oil in each cylinder."""
    warm: bool | None = None
    throttle_open: bool | None = None
    adapter_noted_cm3: float | None = None
    """Volume that the gauge's adapter adds to the chamber, up to the gauge's valve; None where it was not noted."""
    note: str = ""

    @property
    def adapter_cm3(self) -> float:
        """The adapter's volume in an estimate, which does without one that was not noted."""
        return self.adapter_noted_cm3 or 0.0

    @classmethod
    def of_ambient(cls, ambient: Ambient) -> "Conditions":
        """Conditions with nothing known but the ambient."""
        return cls(ambient.abs_kpa, ambient.source, ambient.u_kpa, ambient.altitude_m)


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """A reading as the verdict sees it."""

    cylinder: str
    peak_kpa: float
    """Gauge pressure as measured."""
    peak_u_kpa: float
    """Expanded uncertainty of `peak_kpa`, everything in it, the scatter of cranking too."""
    sea_level_kpa: float
    """What it would be at 101.325 kPa, by the rules' altitude method."""
    sea_level_u_kpa: float
    u_random_kpa: float
    """Standard uncertainty that it does not share with the other readings, the scatter of cranking in it."""
    percent_of_highest: float
    flags: frozenset[Flag]
    event_ids: tuple[str, ...]
    repeats: tuple[float, ...]
    cranking_rpm: float | None
    first_stroke_kpa: float | None
    gauge: str = ""
    """Which gauge read it; empty when it is not named."""
    pulls: tuple[PullValue, ...] = ()
    """Every pull on the cylinder in the order in which they were made, where that is known."""

    @property
    def at_least(self) -> bool:
        """Whether no more is known than that the cylinder's pressure is at least so high: its top was not seen."""
        return bool(self.flags & SHORT_OF_THE_TOP)


def gap_bound(high: frozenset[Flag], low: frozenset[Flag]) -> str:
    """What goes before the difference of two readings with these flags, of which one is at least what it shows.

    Empty where both were seen to their tops, and where neither was: then it may be more or less.
    """
    cut = [bool(flags & SHORT_OF_THE_TOP) for flags in (high, low)]
    return {(True, False): "at least ", (False, True): "at most "}.get((cut[0], cut[1]), "")


@dataclass(frozen=True, slots=True)
class BandHere:
    """The maker's range carried to the ambient of the test."""

    low_kpa: float
    high_kpa: float | None
    u_kpa: float
    """Expanded uncertainty of `low_kpa` from the ambient pressure."""
    factor: float
    """What the stated range was multiplied by."""
    method: AltitudeMethod
    source: str

    @property
    def high_u_kpa(self) -> float:
        """The same of `high_kpa`, 0 without one: the ambient's uncertainty is a fraction of either end."""
        return 0.0 if self.high_kpa is None else self.u_kpa * self.high_kpa / self.low_kpa


@dataclass(frozen=True, slots=True)
class TestVerdict:
    """What a test says of an engine."""

    __test__ = False

    word: VerdictWord
    findings: tuple[Finding, ...]
    """What asks for most comes first."""
    readings: tuple[JudgedReading, ...]
    """In the engine's physical order."""
    complete: bool
    """Every cylinder of the engine has a reading."""
    spread_kpa: float | None
    """Highest less lowest; None below two readings."""
    spread_u_kpa: float | None
    """Expanded uncertainty of that difference, the gauge's common error taken out: what as many alike cylinders show at
    most, in about 95 % of tests."""
    spread_percent: float | None
    """Spread in percent of the highest."""
    spread_is_real: bool | None
    """More than chance, and no less than it shows: the top of the lowest was seen."""
    band: BandHere | None
    expected_kpa: Mapping[str, tuple[float, float]]
    """By cylinder: estimate from geometry and its expanded uncertainty."""
    conditions: Conditions
    top_end: TopEnd
    summary: str
    """One or two sentences: the word, why, and what to do next."""
    causes: tuple[str, ...]
    """Likely causes over all findings, likeliest first."""
    next_tests: tuple[str, ...]

    @property
    def spread_bound(self) -> str:
        """What goes before the spread: ``at most`` where the top of the lowest was not seen; see `gap_bound`."""
        if len(self.readings) < 2:
            return ""
        by_peak = sorted(self.readings, key=lambda reading: reading.peak_kpa)
        return gap_bound(by_peak[-1].flags, by_peak[0].flags)
