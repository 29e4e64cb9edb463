"""Judges a hold, and one that has a gap: what came after it has to back the verdict, and to be as long as the gap.

A volume that was touched while nobody looked can lie where an untouched one may lie. The samples after the gap are a
decay of their own, of a volume as closed as before; a rate that they contradict rests on what was done in the gap.
"""

from dataclasses import dataclass, replace

from gaugelink.leak.decay import LEAST_S, DecayFlag, DecayResult, DecayVerdict, Interval, analyse
from gaugelink.leak.hold import Evidence
from gaugelink.leak.limits import DecayLimit

_EVEN = 0.5
_LOOK_AGAIN_S = 5.0
_STRETCH = 2.0
"""Intervals of 95 % of one truth miss each other now and then, and there are many looks: twice as wide they do not."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of a hold without samples."""

    length_s: float
    end_s: float
    """When the first sample after it was taken, on the gauge's clock."""

    @property
    def looked_after_s(self) -> float:
        """So long a volume is looked at after the gap before anything is believed."""
        return max(LEAST_S, self.length_s)


def analyse_hold(evidence: Evidence, limit: DecayLimit, *, ambient_abs_kpa: float = 101.325) -> DecayResult:
    """Judge a hold by all that there is of it; see `analyse`, also for what it raises."""
    return analyse(
        evidence.time_s,
        evidence.pressure_kpa,
        limit,
        ambient_abs_kpa=ambient_abs_kpa,
        rest_kpa=evidence.rest_kpa,
        thinned=evidence.thinned,
        closed_s=evidence.closed_s,
    )


def analyse_over(gap: Gap, evidence: Evidence, limit: DecayLimit, *, ambient_abs_kpa: float = 101.325) -> DecayResult:
    """Judge a hold with a gap; `evidence` has what came before it as blocks, and after it as samples.

    The verdict stays open while the part after the gap is shorter than the gap, leans to the other side of the limit,
    or has an interval that misses that of the whole. `DecayFlag.POOR_FIT` says that it misses by so much that waiting
    will not mend it. A fixed-time test compares two pressures: leaning and missing by a little say nothing of it.

    Raises:
        ValueError: fewer than five samples after the gap.
    """
    whole = analyse_hold(evidence, limit, ambient_abs_kpa=ambient_abs_kpa)
    after = analyse(evidence.time_s, evidence.pressure_kpa, limit, ambient_abs_kpa=ambient_abs_kpa)
    flags = whole.flags | {DecayFlag.GAPS}
    if not _meet(whole.leak_kpa_per_min, after.leak_kpa_per_min, _STRETCH):
        flags |= {DecayFlag.POOR_FIT}
    looked_s = float(evidence.time_s[-1]) - gap.end_s
    if looked_s >= gap.looked_after_s and DecayFlag.POOR_FIT not in flags and _backed(whole, after):
        return replace(whole, flags=flags)
    more_s = max(gap.looked_after_s - looked_s, whole.more_s or 0.0, _LOOK_AGAIN_S)
    return replace(whole, flags=flags, verdict=DecayVerdict.OPEN, more_s=more_s)


def _backed(whole: DecayResult, after: DecayResult) -> bool:
    """Whether the part after the gap does not speak against the verdict."""
    if whole.verdict is DecayVerdict.OPEN or whole.limit.fixed_time:
        return True
    same_side = (after.probability_pass >= _EVEN) == (whole.verdict is DecayVerdict.PASS)
    return same_side and _meet(whole.leak_kpa_per_min, after.leak_kpa_per_min, 1.0)


def _meet(a: Interval, b: Interval, stretch: float) -> bool:
    """Whether two intervals, each made wider by a factor about its value, have something in common."""
    below, above = (a, b) if a.value < b.value else (b, a)
    return below.value + stretch * (below.high - below.value) >= above.value - stretch * (above.value - above.low)
