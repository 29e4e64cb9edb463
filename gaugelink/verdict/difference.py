"""Readings of one test and the arithmetic of their differences: what the gauge shares between them cancels."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import hypot, inf, sqrt

import numpy as np

from gaugelink.bench.repeats import (
    COVERAGE_FACTOR,
    Repeat,
    Scatter,
    cranking_of_picked_kpa,
    cranking_u_kpa,
    effective_freedom,
    telling,
)
from gaugelink.peak.events import Flag

ALL_PAIRS = 0.95
"""Share of tests of alike cylinders in which no two of them are to be told apart."""


UNSTATED_GAUGE_U = 0.03
"""Standard uncertainty, as a fraction, of a gauge whose accuracy nobody stated: an uncalibrated shop gauge, judged
from memory (JCGM 100:2008, 4.3.1). Not to know an error is not to have none."""
LEAST_GAUGE_U = 1e-4
"""No gauge of a shop is better: where less is left for it, nothing was stated but rounding."""


@dataclass(frozen=True, slots=True)
class PullValue:
    """One pull on a cylinder."""

    repeat: Repeat
    counted: bool = True
    """Whether the reading rests on it; False for one that agreed with nothing, was poor, or fell short of the top."""
    event_id: str = ""
    whole: bool = True
    """Whether its top was seen."""


def telling_pulls(
    peak_kpa: float, pulls: Sequence[PullValue], repeats: Sequence[float], share: float
) -> tuple[float, ...]:
    """Peaks of a cylinder that tell how its cranking scatters, kPa, beside its reading `peak_kpa`.

    `repeats` where the pulls are not known one by one; else all whose top was seen, see `telling`.
    """
    if not pulls:
        return tuple(repeats)
    return telling(peak_kpa, [pull.repeat for pull in pulls if pull.whole], share)


@dataclass(frozen=True, slots=True)
class ReadingValue:
    """The pressure of one cylinder of a test, dry or wet."""

    cylinder: str
    peak_kpa: float
    """Gauge pressure: the mean of the repeats where there are several."""
    peak_u_kpa: float
    """Expanded uncertainty of `peak_kpa` as measured, coverage about 95 %: gauge and sampling, without the scatter of
    cranking."""
    u_random_kpa: float
    """Standard uncertainty of the part of it that no other reading of the same gauge shares."""
    flags: frozenset[Flag] = frozenset()
    event_ids: tuple[str, ...] = ()
    repeats: tuple[float, ...] = ()
    """Peaks of the single events in kPa, when there was more than one."""
    cranking_rpm: float | None = None
    first_stroke_kpa: float | None = None
    """Pressure after the first stroke."""
    climb_per_stroke: float | None = None
    """Share of the remaining rise that each further stroke takes, 0 to 1."""
    gauge: str = ""
    """Which gauge read it. Readings whose gauge is not named count as read by one gauge."""
    pulls: tuple[PullValue, ...] = ()
    """Every pull on the cylinder in the order in which they were made, where that is known; without those that a person
    struck out."""
    agreed: bool | None = None
    """Whether as many pulls agree as the plan asked for; None where no plan asked, or too few were made to tell."""

    @property
    def counted(self) -> tuple[Repeat, ...]:
        """The pulls behind `peak_kpa`: as they are known one by one, else alike."""
        known = tuple(pull.repeat for pull in self.pulls if pull.counted)
        peaks = self.repeats or (self.peak_kpa,)
        return known or tuple(Repeat(peak, self.u_random_kpa * sqrt(len(peaks))) for peak in peaks)

    def same_gauge(self, other: "ReadingValue") -> bool:
        """Whether two readings share the errors of a gauge."""
        return not (self.gauge and other.gauge) or self.gauge == other.gauge

    @property
    def u_common_kpa(self) -> float:
        """Standard uncertainty of the part that all readings of the gauge share."""
        whole = self.peak_u_kpa / COVERAGE_FACTOR
        return sqrt(max(0.0, whole**2 - self.u_random_kpa**2))

    @property
    def is_gauge_stated(self) -> bool:
        """Whether anything is known of the gauge's own errors."""
        return self.u_common_kpa > LEAST_GAUGE_U * abs(self.peak_kpa)

    @property
    def u_gauge_kpa(self) -> float:
        """Standard uncertainty of the gauge where its errors do not cancel: what is known, else what is usual."""
        return self.u_common_kpa if self.is_gauge_stated else UNSTATED_GAUGE_U * abs(self.peak_kpa)


@dataclass(frozen=True, slots=True)
class Difference:
    """One reading less another."""

    kpa: float
    u_kpa: float
    """Expanded uncertainty, what one gauge shares between the two taken out; coverage about 95 % for all differences
    that it was picked from."""

    @property
    def is_real(self) -> bool:
        """True when the difference is larger than its uncertainty."""
        return abs(self.kpa) > self.u_kpa


@dataclass(frozen=True, slots=True)
class SharedError:
    """Standard uncertainty that all readings of one gauge share."""

    offset_kpa: float = 0.0
    """The same pressure on each reading."""
    gain: float = 0.0
    """The same fraction of each reading."""


def u_of_combination(
    coefficients: Sequence[float], values: Sequence[float], u_random: Sequence[float], shared: SharedError
) -> float:
    """Standard uncertainty of sum(c_i * y_i) for readings y_i = x_i * (1 + gain) + offset + random_i.

    Law of propagation with the shared errors as inputs of their own (JCGM 100:2008, F.1.2.3), which is the same
    as full correlation of the shared part (5.2.2, equation 13).
    """
    c, y, u = (np.asarray(items, dtype=np.float64) for items in (coefficients, values, u_random))
    independent = float(np.sqrt(np.sum((c * u) ** 2)))
    return hypot(independent, float(np.sum(c)) * shared.offset_kpa, float(np.sum(c * y)) * shared.gain)


@cache
def factor_among(count: int, freedom: float = inf) -> float:
    """Expanded over standard uncertainty of a difference of two readings that were picked out of `count`.

    The highest of many alike readings less the lowest is large by the picking alone. Tukey's studentized range q with
    5 % for all pairs together; a pair is held against q/sqrt(2) times the standard uncertainty of its own difference
    (Tukey and Kramer; NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.7.1). Of two it is Student's t.
    `freedom` is how many degrees of freedom are behind the standard uncertainty: infinite where the scatter of cranking
    is assumed beforehand. Never below `COVERAGE_FACTOR`, which two readings need. What all readings share is not in the
    standard uncertainty of a difference, and so not in its product with the factor.
    """
    if count < 2 or (count == 2 and freedom == inf):
        return COVERAGE_FACTOR
    # all of these distributions take half a second to load, for which every short command would wait
    from scipy.stats import studentized_range

    return max(COVERAGE_FACTOR, float(studentized_range.ppf(ALL_PAIRS, count, freedom)) / sqrt(2.0))


def difference(a: ReadingValue, b: ReadingValue, scatter: Scatter | None = None, among: int = 2) -> Difference:
    """Reading a less reading b.

    `scatter` is that of cranking itself, none if not given. `among` is how many readings the two were picked from, see
    `factor_among`.
    """
    return distance((1.0, a), (-1.0, b), scatter, among)


def distance(
    a: tuple[float, ReadingValue], b: tuple[float, ReadingValue], scatter: Scatter | None = None, among: int = 2
) -> Difference:
    """The sum of two readings, each multiplied by a factor: how far one is from a share of the other, for example.

    `scatter` and `among` are those of `difference`.
    """
    of_cranking = Scatter(0.0) if scatter is None else scatter
    cranking = [u_of_cranking_kpa(reading, of_cranking.share) for _, reading in (a, b)]
    alone = [hypot(reading.u_random_kpa, u) for (_, reading), u in zip((a, b), cranking, strict=True)]
    u = u_of_pair_kpa(a, b, alone)
    freedom = effective_freedom(of_cranking, u, hypot(a[0] * cranking[0], b[0] * cranking[1]))
    kpa = a[0] * a[1].peak_kpa + b[0] * b[1].peak_kpa
    return Difference(kpa, factor_among(among, freedom) * u)


def u_of_cranking_kpa(reading: ReadingValue, share: float) -> float:
    """Standard uncertainty of a reading that comes from cranking, by this scatter or that of all pulls on its cylinder
    where that is more."""
    return cranking_of_picked_kpa(
        lambda larger: telling_pulls(reading.peak_kpa, reading.pulls, reading.repeats, larger),
        reading.repeats or (reading.peak_kpa,),
        share,
    )


def u_of_pair_kpa(a: tuple[float, ReadingValue], b: tuple[float, ReadingValue], alone_kpa: Sequence[float]) -> float:
    """Standard uncertainty of the sum of two readings, each multiplied by a factor; `alone_kpa` is that of each that it
    does not share.

    What one gauge adds to both alike cancels in a difference. How much of it is a fraction of the reading and how
    much a plain offset is not recorded, so it is taken as the one that leaves most behind: a fraction in a plain
    difference; an offset where a reading is held against a share of another. Two gauges share nothing, so nothing
    cancels.
    """
    factors, readings = (a[0], b[0]), (a[1], b[1])
    values = [reading.peak_kpa for reading in readings]
    if not readings[0].same_gauge(readings[1]):
        whole = [hypot(u, reading.u_gauge_kpa) for u, reading in zip(alone_kpa, readings, strict=True)]
        return u_of_combination(factors, values, whole, SharedError())
    fraction = max((r.u_common_kpa / r.peak_kpa for r in readings if r.peak_kpa > 0), default=0.0)
    offset_kpa = max(r.u_common_kpa for r in readings)
    # A mixture of the two leaves no more than the worse of them.
    cases = (SharedError(gain=fraction), SharedError(offset_kpa=offset_kpa))
    return max(u_of_combination(factors, values, alone_kpa, shared) for shared in cases)


def u_of_one_kpa(reading: ReadingValue, repeatability: float) -> float:
    """Standard uncertainty of a reading that it does not share: measurement and the scatter of cranking."""
    return hypot(reading.u_random_kpa, cranking_u_kpa(reading.repeats or (reading.peak_kpa,), repeatability))
