"""Times of a recording that somebody rounded, put back on the steady clock that they were rounded from.

A logger that samples 450 times a second and writes milliseconds gives 0.002, 0.004, 0.007 s. A stroke is 20 ms wide: a
third of a millisecond moves a sample on its flank by several percent of the peak, and such errors do not average out,
they repeat. The clock behind them is known to a small part of a tick from all samples together.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import minimize_scalar

from gaugelink.gauge.samples import FloatArray

FEWEST: Final = 12
"""Times below which a steady clock is not told from chance."""
SLIGHT: Final = 0.002
"""Ticks shorter than this share of the time between samples are left as they are: they do not show in a peak."""
FEWEST_LONG: Final = 8
"""Moves of either length, of one and of two ticks, that a clock must show which ticks more often than every second
sample: fewer doubles may as well be samples that are missing."""
_WITHIN: Final = 1.01
"""A tick, and what the search for the line leaves."""
_RESOLVED_S: Final = 1e-7
"""Differences that differ by less are the same, but for the rounding of binary numbers: seconds since 1970 have a
quarter of a microsecond."""


@dataclass(frozen=True, slots=True)
class Straightened:
    """Times on the steady clock that they were rounded from."""

    time_s: FloatArray
    """Shape (n,), strictly rising."""
    tick_s: float
    """What they had been rounded or cut to."""
    spacing_s: float
    """Time from one sample to the next."""


def straightened(time_s: FloatArray) -> Straightened | None:
    """Times of shape (n,) without their rounding; None when they are not those of a steady clock cut to ticks.

    The times may repeat, where a tick is longer than the time between samples, and samples may be missing. There must
    be a line that every time is within half a tick of; no time is moved by more.
    """
    moves = np.diff(time_s)
    if len(time_s) < FEWEST or not (np.isfinite(moves).all() and (moves >= 0.0).all()):
        return None
    resolved = max(_RESOLVED_S, 4.0 * float(np.spacing(np.abs(time_s).max())))
    ticks = np.round(moves / resolved)
    kinds, many = np.unique(ticks, return_counts=True)
    if len(kinds) < 2:
        return None
    tick = float(np.diff(kinds).min()) * resolved
    spacing = float(moves[moves <= float(np.median(moves)) + 1.01 * tick].mean())
    if spacing <= 0.0 or tick < SLIGHT * spacing:
        return None
    if tick > 0.5 * spacing and kinds[0] > 0 and min(many[:2]) < FEWEST_LONG:
        return None
    # A move of up to a tick more than the spacing may still be a single step; a longer one has samples missing in it.
    steps = np.where(moves <= spacing + 1.01 * tick, 1.0, np.round(moves / spacing))
    missing = int((steps > 1.0).sum())
    if missing >= FEWEST_LONG and (evenly := _on_a_line(time_s, np.arange(float(len(time_s))), spacing + tick)):
        # Samples that are missing so regularly are not missing: a radio that takes turns held each back to its next.
        return evenly
    return _on_a_line(time_s, np.concatenate(([0.0], np.cumsum(steps))), tick)


def _on_a_line(time_s: FloatArray, number: FloatArray, tick: float) -> Straightened | None:
    """Times of the samples `number`, both of shape (n,), that a line goes through within half a tick, on that line."""
    spacing = float(np.polyfit(number, time_s - time_s[0], 1)[0])
    reach = 2.0 * tick / number[-1]
    found = minimize_scalar(
        lambda each: float(np.ptp(time_s - each * number)),
        bounds=(spacing - reach, spacing + reach),
        method="bounded",
        options={"xatol": 1e-4 * reach},
    )
    spacing = float(found.x)
    apart = time_s - spacing * number
    if float(np.ptp(apart)) > _WITHIN * tick:
        return None
    return Straightened(0.5 * float(apart.min() + apart.max()) + spacing * number, tick, spacing)
