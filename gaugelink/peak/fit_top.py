"""The top of a single stroke by itself: for a stroke that does not share the others' shape.

A crank that stops short of top dead centre and is thrown back squeezes the gas at its own time law; with enough
samples on its top, a polynomial tells its height without any model.
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.response import Response

LEAST_SAMPLES = 5
_KNOWN = 10.0
"""Most variance of a top, in that of a sample: across a lost frame, or between times that are not a clock's, a
polynomial goes anywhere."""
_HIGHEST = 1.1
"""Of the highest sample, the most that a top can be: with that many samples on it, one lies closer."""
_MOST_AVERAGED = 0.25
"""Of the stretch, the most that an average may last: what its second order leaves is then below a thousandth."""


@dataclass(frozen=True, slots=True)
class Window:
    """A polynomial through the upper part of a stroke."""

    degree: int
    share: float
    """Share of the height above which samples belong to the top."""
    least: int
    """Fewest samples."""
    cut: float
    """What the polynomial cannot follow of a pulse, as a share of its peak: a fourth degree through the upper half of a
    stroke tells it a sixth of a percent too low. Root mean square over the pulses that are expected."""


WINDOWS = (
    Window(6, 0.55, 16, 0.0003),
    Window(6, 0.4, 10, 0.001),
    Window(4, 0.7, 6, 0.0005),
    Window(4, 0.55, 6, 0.0017),
    Window(3, 0.55, LEAST_SAMPLES, 0.012),
)
"""The first for which there are samples is taken."""
NARROW = (Window(4, 0.8, 9, 0.0005), Window(4, 0.9, 9, 0.0005), Window(4, 0.97, 9, 0.0005))
"""What is tried besides where that one's residuals are no noise: a hand that pauses on the compression and a crank that
crawls over the top make humps that no polynomial follows down to half their height."""
_STRANGE = 4.0
"""Scatter about a polynomial, in that of a sample, from which it does not follow the top."""


@dataclass(frozen=True, slots=True)
class Top:
    """The highest point of one stroke."""

    time_s: float
    peak: float
    """In the unit of the samples."""
    standard_u: float
    degrees: float
    """Degrees of freedom of `standard_u`."""
    cut: float
    """See `Window`."""
    scatter: float
    """Standard deviation of the samples about the polynomial; not below that of a sample."""

    @property
    def whole_u(self) -> float:
        """Standard uncertainty with what the polynomial cannot follow of a pulse."""
        return float(np.hypot(self.standard_u, self.cut * self.peak))


def lone_top(time_s: FloatArray, pressure: FloatArray, noise: float, response: Response) -> Top | None:
    """Highest point of a polynomial through the samples of one stroke's top, or None where they are too few.

    `time_s` and `pressure` have shape (n,) and hold one stroke; `noise` is the standard deviation of a sample. A lag
    of the gauge is taken off with the polynomial's own slope: before the lag the pressure was p + lag dp/dt. An average
    over the time w lies below the pressure at its middle by w^2 / 24 times the second derivative.
    """
    if len(pressure) < LEAST_SAMPLES:
        return None
    usual = next((window for window in WINDOWS if _stretch(pressure, window) is not None), None)
    top = None if usual is None else _top(time_s, pressure, noise, response, usual)
    if top is None or top.scatter <= _STRANGE * noise:
        return top
    others = [_top(time_s, pressure, noise, response, window) for window in NARROW]
    return min([top, *(other for other in others if other is not None)], key=lambda each: each.whole_u)


def _top(time_s: FloatArray, pressure: FloatArray, noise: float, response: Response, window: Window) -> Top | None:
    """The top by one window, or None where it has too few samples or they leave it open."""
    stretch = _stretch(pressure, window)
    if stretch is None:
        return None
    degree, count = window.degree, stretch.stop - stretch.start
    t, y = time_s[stretch], pressure[stretch]
    if response.averaging_s > _MOST_AVERAGED * (t[-1] - t[0]):
        return None
    middle, half = 0.5 * (t[0] + t[-1]), 0.5 * (t[-1] - t[0])
    x = (t - middle) / half
    design = np.vander(x, degree + 1)
    coefficients, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    degrees = float(count - rank)
    rest = y - design @ coefficients
    scatter = max(float(np.sqrt((rest**2).sum() / degrees)), noise)
    grid = np.linspace(-1.0, 1.0, 801)
    value, slope, bend = _rows(grid, degree)
    rows = value + response.lag_s / half * slope
    top = int(np.argmax(rows @ coefficients))
    if value[top] @ coefficients > _HIGHEST * y.max():
        return None
    row = rows[top] - (response.averaging_s / half) ** 2 / 24.0 * bend[top]
    known = float(row @ np.linalg.pinv(design.T @ design) @ row)
    if known > _KNOWN:
        return None
    spread = scatter * float(np.sqrt(known))
    at_s = float(middle + half * grid[top]) - 0.5 * response.averaging_s
    return Top(at_s, float(row @ coefficients), spread, degrees, window.cut, scatter)


def _stretch(pressure: FloatArray, window: Window) -> slice | None:
    """The samples of a window around the highest one; None where they are too few."""
    at = int(np.argmax(pressure))
    high = pressure > window.share * pressure[at]
    # only the stretch around the highest sample: another hump of the same record is none of this top
    left = at - int(np.argmin(np.concatenate((high[at::-1], [False])))) + 1
    right = at + int(np.argmin(np.concatenate((high[at:], [False]))))
    return slice(left, right) if right - left >= window.least and left > 0 and right < len(pressure) else None


def _rows(x: FloatArray, degree: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Powers degree, ..., 1, 0 of x, shape (n,), and their first and second derivatives, each (n, degree + 1)."""
    powers = np.arange(degree, -1, -1, dtype=np.float64)
    value = np.vander(x, degree + 1)
    slope, bend = np.zeros_like(value), np.zeros_like(value)
    slope[:, :-1] = powers[:-1] * value[:, 1:]
    bend[:, :-2] = powers[:-2] * powers[1:-1] * value[:, 2:]
    return value, slope, bend
