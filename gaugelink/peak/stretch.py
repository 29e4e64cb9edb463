"""Quick looks at a stretch of samples that moves, before it is worth describing in full."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.burst import RISE_SHARE, rising, top_of
from gaugelink.peak.events import FloatArray
from gaugelink.peak.order import lowest


@dataclass(frozen=True, slots=True)
class Fall:
    """A level that dropped and stayed down: a held gauge that was bled."""

    rest_kpa: float
    """Where it came to."""
    begin: int
    """Index of the first sample near the new level."""


def last_rise(p: FloatArray, top_kpa: float, wake_kpa: float, dt_s: float) -> int | None:
    """Index of the last large rise in `p`, shape (n,), at a fraction of the cost of a description."""
    # Half as much again as the wake threshold: the lowest of many samples lies well below their mean.
    limit_kpa = max(1.5 * wake_kpa, RISE_SHARE * top_kpa)
    places = rising(p, limit_kpa, dt_s)
    return top_of(p, int(places[-1]), dt_s) if len(places) else None


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
