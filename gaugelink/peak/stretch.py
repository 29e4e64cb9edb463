"""Quick looks at a stretch of samples that moves, before it is worth describing in full."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.burst import HELD_RUN_S, RISE_SHARE, rising, samples_back, top_of
from gaugelink.peak.events import FloatArray
from gaugelink.peak.order import highest, lowest


@dataclass(frozen=True, slots=True)
class Fall:
    """A level that dropped and stayed down: a held gauge that was bled."""

    rest_kpa: float
    """Where it came to."""
    begin: int
    """Index of the first sample near the new level."""


def last_rise(p: FloatArray, top_kpa: float, wake_kpa: float, dt_s: float) -> int | None:
    """Index of the last large rise in `p`, shape (n,), at a fraction of the cost of a description."""
    places = _large_rises(p, top_kpa, wake_kpa, dt_s)
    return top_of(p, int(places[-1]), dt_s) if len(places) else None


def last_pulse_in_a_row(
    t: FloatArray, x: FloatArray, wake_kpa: float, dt_s: float, *, begun_s: float, gap_s: float
) -> int | None:
    """Index of the top of the last pulse before the first pause in `x`, or None when that is none: a step, or nothing.

    Args:
        t: shape (n,).
        x: shape (n,), over the resting level.
        wake_kpa: movement that is more than noise.
        dt_s: usual time between samples.
        begun_s: the first pulse is no later than this.
        gap_s: a pause is longer than this.
    """
    back = samples_back(dt_s)
    top_kpa = highest(x)
    places = _large_rises(x, top_kpa, wake_kpa, dt_s)
    places = places[places.searchsorted(back) :]
    if not len(places) or t[places[0]] > begun_s:
        return None
    # The top that a rise belongs to may be as far before its place.
    pauses = (t[places[1:]] - t[places[:-1] - back] > gap_s).nonzero()[0]
    last = top_of(x, int(places[pauses[0] if len(pauses) else -1]), dt_s)
    return last if lowest(x[last : last + 1 + int(HELD_RUN_S / dt_s)]) < top_kpa / 2 else None


def _large_rises(p: FloatArray, top_kpa: float, wake_kpa: float, dt_s: float) -> np.ndarray:
    # Half as much again as the wake threshold: the lowest of many samples lies well below their mean.
    return rising(p, max(1.5 * wake_kpa, RISE_SHARE * top_kpa), dt_s)


def find_fall(p: FloatArray, rest_kpa: float, wake_kpa: float) -> Fall | None:
    """Find a fall that comes before any rise.

    Args:
        p: shape (n,).
        rest_kpa: level before.
        wake_kpa: movement that is more than noise.
    """
    if len(p) == 0 or lowest(p) >= rest_kpa - wake_kpa:
        return None
    low = p < rest_kpa - wake_kpa
    # Three in a row: a wild sample or two are no fall.
    low[2:] &= low[1:-1] & low[:-2]
    low[:2] = False
    if not low.any():
        return None
    high = p > rest_kpa + wake_kpa
    if high.any() and high.argmax() < low.argmax():
        return None
    end = int(high.argmax()) if high.any() else len(p)
    settled = np.sort(p[:end][low[:end]])
    bottom = float(settled[len(settled) // 10])
    first = int(low.argmax()) - 2
    return Fall(bottom, first + int((p[first:end] <= bottom + wake_kpa).argmax()))


def is_flat(p: FloatArray, wake_kpa: float) -> bool:
    """Whether samples, shape (n,), stay within the wake threshold of each other."""
    return len(p) > 1 and float(np.ptp(p)) <= wake_kpa


def was_vented(held_kpa: float, after_kpa: float, zero_kpa: float, least_kpa: float) -> bool:
    """Whether more than half of what a held gauge held is gone. A slow leak goes unseen: nothing moves.

    Args:
        held_kpa: level that was held.
        after_kpa: level now.
        zero_kpa: the gauge's reading at ambient.
        least_kpa: a smaller fall is none.
    """
    return after_kpa - zero_kpa < (held_kpa - zero_kpa) / 2 and held_kpa - after_kpa > least_kpa
