"""When pulls on one cylinder are one reading, and how certain that reading is: bench and verdict both ask here."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import floor, hypot, inf, sqrt

from gaugelink.peak.events import CrankingEvent

COVERAGE_FACTOR = 2.0
"""Expanded over standard uncertainty, coverage about 95 % (JCGM 100:2008, clause 6.3.3)."""
POOR_SHARE = 0.06
"""Own expanded uncertainty, as a share of the peak, above which a pull confirms nothing: it could not tell a cylinder
that is worth watching from a sound one. Common practice, no source; what it costs in pulls is in DEVELOPERS.md."""
CRANKING_SCATTER = 0.01
"""Standard scatter of one cylinder's pressure from one cranking to the next, as a fraction of it. From memory."""
MISTAKE_SHARE, MISTAKE_TIMES = 0.12, 7.0
"""A pull further from its cylinder's reading than this, or than so many times the scatter that the others show, is a
mistake (a loose gauge, a slipped hand) and no scatter of cranking. No source."""
ASSUMED_FREEDOM = 3.0
"""Degrees of freedom that `CRANKING_SCATTER` counts for beside those of the pulls: two pulls alone have one, and what
is usual of all engines is known better than that. No source; what it does to the coverage is in DEVELOPERS.md."""
MANY = 200
"""Degrees of freedom above which the factor is that of infinitely many, within 1 %."""


@dataclass(frozen=True, slots=True)
class Repeat:
    """The peak of one pull and what is uncertain of it alone."""

    peak_kpa: float
    """Gauge pressure."""
    u_own_kpa: float
    """Standard uncertainty, without what all pulls by the gauge share."""

    @property
    def is_poor(self) -> bool:
        """Whether it is too uncertain to confirm another pull, or to deny it."""
        return COVERAGE_FACTOR * self.u_own_kpa > POOR_SHARE * abs(self.peak_kpa)


def common_u_kpa(event: CrankingEvent) -> float:
    """Standard uncertainty of a peak that the event shares with every other of its gauge, kPa."""
    return sqrt(sum(line.u_kpa**2 for line in event.budget if line.common))


def own_u_kpa(event: CrankingEvent) -> float:
    """Standard uncertainty of a peak that no other event of its gauge shares, kPa.

    The root sum of squares of the budget's lines that are not common (JCGM 100:2008, equation 10). The event's expanded
    uncertainty may have been made with a larger factor than `COVERAGE_FACTOR`, where few degrees of freedom are behind
    it (Student's t, G.3.2). The common part is known beforehand and has many of them, so what the larger factor adds
    is the own part's. With a smaller factor there is nothing to add, and nothing may be taken away: half the
    expanded uncertainty may then be less than the common part alone. All of it is the event's own without a budget.
    """
    listed = sum(line.u_kpa**2 for line in event.budget if not line.common)
    left = (event.peak_u_kpa / COVERAGE_FACTOR) ** 2 - common_u_kpa(event) ** 2
    return sqrt(max(listed, left))


def tolerance_kpa(one: Repeat, other: Repeat, share: float) -> float:
    """Largest difference of two pulls that agree: a share of their mean, or the uncertainty of their difference.

    What both share (the gauge's calibration) cancels in the difference (JCGM 100:2008, 5.2).
    """
    u_kpa = COVERAGE_FACTOR * hypot(one.u_own_kpa, other.u_own_kpa)
    return max(share * (one.peak_kpa + other.peak_kpa) / 2, u_kpa)


def none_is_below(whole: Iterable[Repeat], every: Sequence[Repeat], share: float) -> bool:
    """Whether none of the pulls that were seen to their tops, `whole`, is lower than the highest of all of them.

    One that was cut short is a lower bound: that it is lower than another shows nothing.
    """
    top = max(every, key=lambda repeat: repeat.peak_kpa)
    return all(top.peak_kpa - repeat.peak_kpa <= tolerance_kpa(top, repeat, share) for repeat in whole)


def agree_with_highest(repeats: Sequence[Repeat], share: float) -> bool:
    """Whether every pull agrees with the highest of them, so that all of them are one reading."""
    return none_is_below(repeats, repeats, share)


def u_of_mean_kpa(repeats: Sequence[Repeat]) -> float:
    """Standard uncertainty of the mean of pulls, from what is uncertain of each alone (JCGM 100:2008, 5.1.2)."""
    return sqrt(sum(repeat.u_own_kpa**2 for repeat in repeats)) / len(repeats)


def cranking_u_kpa(peaks_kpa: Sequence[float], repeatability: float = CRANKING_SCATTER) -> float:
    """Standard uncertainty of the mean of pulls that comes from cranking: no two crankings give one pressure.

    The experimental standard deviation of the mean (JCGM 100:2008, 4.2.3), or what is assumed beforehand where that
    is more: `repeatability`, the standard scatter as a fraction of the pressure. Two or three pulls often agree by
    chance, so their own scatter alone would say too little.
    """
    count = len(peaks_kpa)
    mean = sum(peaks_kpa) / count
    seen = sqrt(sum((peak - mean) ** 2 for peak in peaks_kpa) / (count - 1)) if count > 1 else 0.0
    return max(repeatability * abs(mean), seen) / sqrt(count)


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard scatter of a cylinder's pressure from one cranking to the next, and how well it is known."""

    share: float
    """As a fraction of the pressure."""
    freedom: float = inf
    """Degrees of freedom behind it; infinite for what is assumed beforehand."""


def pooled_scatter(cylinders: Sequence[Sequence[float]], repeatability: float = CRANKING_SCATTER) -> Scatter:
    """Scatter of cranking over all cylinders of a test, from the peaks of each one's pulls, kPa.

    The pooled experimental standard deviation (JCGM 100:2008, 4.2.4), each cylinder's as a share of its own mean;
    `repeatability` where that is more. One cylinder's two pulls tell next to nothing of it, all together more.
    """
    squares, freedom = 0.0, 0
    for peaks in cylinders:
        mean = sum(peaks) / len(peaks)
        if len(peaks) > 1 and mean > 0:
            squares += sum((peak / mean - 1.0) ** 2 for peak in peaks)
            freedom += len(peaks) - 1
    if squares <= freedom * repeatability**2:
        return Scatter(repeatability)
    return Scatter(sqrt(squares / freedom), freedom)


def telling(value_kpa: float, pulls: Iterable[Repeat], share: float) -> tuple[float, ...]:
    """Peaks of a cylinder that tell how its cranking scatters, kPa, beside its reading `value_kpa`.

    `pulls` are all whose top was seen. Those that a reading rests on were picked for being alike, so they say too
    little without those that were left out. One that is too uncertain says nothing, nor one so far off that it is a
    mistake where cranking scatters by `share`.
    """
    limit_kpa = min(MISTAKE_SHARE, MISTAKE_TIMES * max(share, CRANKING_SCATTER)) * value_kpa
    return tuple(pull.peak_kpa for pull in pulls if not pull.is_poor and abs(pull.peak_kpa - value_kpa) <= limit_kpa)


def grown_scatter(
    told: Callable[[float], Sequence[Sequence[float]]], repeatability: float = CRANKING_SCATTER
) -> Scatter:
    """Scatter of cranking over all cylinders of a test.

    `told` gives the peaks of each cylinder that tell it, kPa, if it is so large (`telling`). From what is assumed
    beforehand it grows as long as that lets more pulls in: one far off alone does not make itself usual.
    """
    scatter = Scatter(repeatability)
    while True:
        found = pooled_scatter([peaks for peaks in told(scatter.share) if peaks], repeatability)
        if found.share <= scatter.share:
            return found
        scatter = found


def cranking_of_picked_kpa(
    told: Callable[[float], Sequence[float]], behind_kpa: Sequence[float], share: float
) -> float:
    """Standard uncertainty that cranking adds to the mean of the pulls `behind_kpa`, kPa.

    By a scatter, as a fraction, or by that of all pulls on the cylinder where that is more. `told` gives the peaks of
    those that tell it, as for `grown_scatter`.
    """
    own = grown_scatter(lambda larger: [told(max(share, larger))], share)
    peaks = told(own.share) or behind_kpa
    return cranking_u_kpa(peaks, share) * sqrt(len(peaks) / len(behind_kpa))


def effective_freedom(scatter: Scatter, u_kpa: float, cranking_kpa: float) -> float:
    """Degrees of freedom of a standard uncertainty that has `cranking_kpa` in it, cut to a whole number.

    Of its parts only the scatter that was seen has few of them (Welch-Satterthwaite; JCGM 100:2008, G.4). What reads
    nothing has none.
    """
    if scatter.freedom == inf or cranking_kpa == 0.0:
        return inf
    effective = floor(scatter.freedom * (u_kpa / cranking_kpa) ** 4)
    return inf if effective > MANY else float(effective)


def expanded_kpa(measured_kpa: float, cranking_kpa: float, scatter: Scatter) -> float:
    """Expanded uncertainty of a reading, coverage about 95 %, from the standard uncertainties of gauge and sampling and
    of cranking: with Student's t where the scatter was seen in few pulls, never less than `COVERAGE_FACTOR`."""
    u_kpa = hypot(measured_kpa, cranking_kpa)
    known = Scatter(scatter.share, scatter.freedom + ASSUMED_FREEDOM)
    freedom = effective_freedom(known, u_kpa, cranking_kpa)
    if freedom == inf:
        return COVERAGE_FACTOR * u_kpa
    # loaded when it is needed: short commands would wait for it
    from scipy.special import stdtrit

    return max(COVERAGE_FACTOR, float(stdtrit(freedom, 0.975))) * u_kpa
