"""Cranking speed from the fitted strokes of a live gauge: how long the usual turn took."""

import numpy as np
from numpy.typing import NDArray

from gaugelink.peak.events import BoolArray, FloatArray
from gaugelink.peak.fit_model import Strokes

_NO_TURN = 0.5
"""A stroke below this share of the usual height is no turn: a crank that rocks, exhaust, or an invention of the fit."""
_NOT_OVER_THE_TOP = 0.8
"""A last stroke below this share of those before it may have been thrown back. Measured on simulated engines: below
0.6 hardly any went over the top, above 0.9 hardly any did not, and between them no pulse tells which it was."""
_TWO_TURNS = (1.8, 2.2)
"""Periods, in units of the usual one, with a missed stroke inside."""
_AT_SPEED = -0.25
"""Logarithm of a pulse's own speed over the usual one from which the crank was not about to stop: after a crawl a long
period is long, and not two."""


def pulse_rate(strokes: Strokes, known: BoolArray) -> float | None:
    """Pulses per second at the usual speed of the event: the middle one of its periods, each counted once.

    A mean would hang on the last turn, which runs down after the cord has come to its end or the starter was let go,
    and on a pause of the hand. It would also hang on whether the last stroke went over the top: a crank that barely
    gets over makes the same pulse as one that is barely thrown back.

    Args:
        strokes: the fitted event with K strokes.
        known: shape (K,), False where the samples say next to nothing about a stroke.

    Returns:
        None with fewer than two strokes that went over the top.
    """
    if not known.any():
        return None
    turned = strokes.peak >= _NO_TURN * float(np.median(strokes.peak[known]))
    over = np.flatnonzero(turned & known)
    while len(over) > 1 and strokes.peak[over[-1]] < _NOT_OVER_THE_TOP * float(np.median(strokes.peak[over[:-1]])):
        over = over[:-1]
    if len(over) < 2:
        return None
    turns = np.diff(np.cumsum(turned)[over])
    gaps = np.diff(strokes.time_s[over])
    slower = strokes.log_speed[over] - float(np.median(strokes.log_speed[over])) < _AT_SPEED
    return 1.0 / float(np.median(_periods(gaps, turns, slower[1:] | slower[:-1])))


def _periods(gaps_s: FloatArray, turns: NDArray[np.intp], slow: BoolArray) -> FloatArray:
    """Length of every turn, those with a missed stroke between them taken apart."""
    periods = np.repeat(gaps_s / turns, turns)
    usual = float(np.percentile(periods, 50, method="lower"))
    missed = (periods > _TWO_TURNS[0] * usual) & (periods < _TWO_TURNS[1] * usual) & ~np.repeat(slow, turns)
    count = np.where(missed, 2, 1)
    return np.repeat(periods / count, count)
