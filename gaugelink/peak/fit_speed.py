"""Cranking speed from the fitted strokes of a live gauge: which of them went over the top, and how fast they came."""

import numpy as np

from gaugelink.peak.events import BoolArray, FloatArray
from gaugelink.peak.fit_model import Strokes

_NOT_OVER_THE_TOP = 0.7
"""A last stroke below this share of the usual height did not go over the top: its time tells no speed."""
_NOT_LIKE_THE_OTHERS = 10.0
"""Excess of squared misfit from which a slow last stroke did not go over the top, however high: a crank that turns
back makes another pulse than one that crawls over."""


def pulse_rate(strokes: Strokes, known: BoolArray, strange: FloatArray) -> float | None:
    """Pulses per second, or None with fewer than two strokes that went over the top.

    Args:
        strokes: the fitted event with K strokes.
        known: shape (K,), False where the samples say next to nothing about a stroke.
        strange: shape (K,), excess of each stroke's squared misfit over that of the others.
    """
    over = np.flatnonzero(known)
    if len(over) < 2:
        return None
    usual = float(np.median(strokes.peak[over]))
    slow = strokes.log_speed - float(np.median(strokes.log_speed[over])) < -0.5
    thrown_back = (strokes.peak < _NOT_OVER_THE_TOP * usual) | (slow & (strange > _NOT_LIKE_THE_OTHERS))
    while len(over) > 1 and thrown_back[over[-1]]:
        over = over[:-1]
    if len(over) < 2:
        return None
    return float((over[-1] - over[0]) / (strokes.time_s[over[-1]] - strokes.time_s[over[0]]))
