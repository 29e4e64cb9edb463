"""The top of a single stroke by itself: for a stroke that does not share the others' shape.

A crank that stops short of top dead centre and is thrown back squeezes the gas at its own time law; with enough
samples on its top, a polynomial tells its height without any model.
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray

LEAST_SAMPLES = 5
_TOP = 0.55
"""Share of the height above which samples belong to the top."""


@dataclass(frozen=True, slots=True)
class Top:
    """The highest point of one stroke."""

    time_s: float
    peak: float
    """In the unit of the samples."""
    standard_u: float
    degrees: float
    """Degrees of freedom of `standard_u`."""


def lone_top(time_s: FloatArray, pressure: FloatArray, noise: float, lag_s: float) -> Top | None:
    """Highest point of a polynomial through the samples of one stroke's top, or None where they are too few.

    `time_s` and `pressure` have shape (n,) and hold one stroke; `noise` is the standard deviation of a sample. A lag
    of the gauge is taken off with the polynomial's own slope: before the lag the pressure was p + lag dp/dt.
    """
    if len(pressure) < LEAST_SAMPLES:
        return None
    at = int(np.argmax(pressure))
    high = pressure > _TOP * pressure[at]
    # only the stretch around the highest sample: another hump of the same record is none of this top
    left = at - int(np.argmin(np.concatenate((high[at::-1], [False])))) + 1
    right = at + int(np.argmin(np.concatenate((high[at:], [False]))))
    count = right - left
    if count < LEAST_SAMPLES or left == 0 or right == len(time_s):
        return None
    t, y = time_s[left:right], pressure[left:right]
    middle, half = 0.5 * (t[0] + t[-1]), 0.5 * (t[-1] - t[0])
    x = (t - middle) / half
    degree = min(6, count - 2) if count >= 16 else min(4, count - 2)
    design = np.vander(x, degree + 1)
    coefficients, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    degrees = float(count - rank)
    rest = y - design @ coefficients
    scatter = max(float(np.sqrt((rest**2).sum() / degrees)), noise)
    grid = np.linspace(-1.0, 1.0, 801)
    before = np.polyval(coefficients, grid) + lag_s / half * np.polyval(np.polyder(coefficients), grid)
    top = int(np.argmax(before))
    row = np.vander(grid[top : top + 1], degree + 1)[0]
    row = row + lag_s / half * _slope_row(float(grid[top]), degree)
    spread = scatter * float(np.sqrt(row @ np.linalg.pinv(design.T @ design) @ row))
    return Top(float(middle + half * grid[top]), float(before[top]), spread, degrees)


def _slope_row(x: float, degree: int) -> FloatArray:
    """Derivatives of x^degree, ..., x, 1, shape (degree + 1,)."""
    powers = np.arange(degree, -1, -1, dtype=np.float64)
    return powers * np.power(x, np.maximum(powers - 1.0, 0.0))
