"""The plateau that a held gauge's climb leads to: its level, and what the gauge's own valve loses of it."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray

SETTLE_S = 0.25
"""A plateau is read this long after the last step, when valve and gauge have come to rest."""
LEAKS_PER_S = np.geomspace(1e-4, 0.5, 38)
"""What a valve or a fitting that leaks may lose in a second, as a share of the level: up to one that is heard to hiss.
Any order of magnitude is as likely."""
DRIFT_KPA_PER_S = 0.02
"""Drift of a gauge's zero as it warms up, which looks like a leak; standard deviation. Common practice, no source."""
COOLING_S = np.geomspace(0.06, 0.4, 14)
"""Time constants with which gas may cool in a gauge: by conduction, up to a bore of some 5 mm at 10 bar."""
COOLED, FEWEST_COOLING = 4.0, 8
"""Time constants that a plateau must last, and samples that it must have, to tell cooling from a leak."""
CLEAR = 4.0
"""Standard deviations by which cooling must explain a plateau better than a leak alone."""
UNNOTICED = 0.4
"""Least uncertainty of the plateau's slope, as a share of what its samples alone leave open."""


@dataclass(frozen=True, slots=True)
class Plateau:
    """Where the climb came to rest."""

    begin_s: float
    end_s: float
    """Last sample before the gauge was bled, or of the record."""
    level_kpa: float
    """Level when the plateau began, the leak since then given back."""
    leak_kpa_per_s: float
    """Loss through the gauge's own valve that is to be expected."""
    leaks: bool
    """Whether the loss can be told from noise."""
    u_level_kpa: float
    u_leak_kpa: float
    samples: int


def rounding_u_kpa(noise_kpa: float, resolution_kpa: float) -> float:
    """Standard uncertainty that rounding leaves in a mean: none when the noise dithers it away."""
    return resolution_kpa / float(np.sqrt(12)) if noise_kpa < 0.6 * resolution_kpa else 0.0


def _leak(fall_kpa_per_s: float, u_kpa_per_s: float, level_kpa: float) -> tuple[float, float]:
    """Leak of the gauge's own valve to be expected from how the plateau falls, and its standard uncertainty.

    A short plateau does not show a small leak. Half of all valves are taken to be tight.
    """
    rates = np.concatenate(([0.0], LEAKS_PER_S)) * max(level_kpa, 0.0)
    weight = np.concatenate(([1.0], np.full(len(LEAKS_PER_S), 1 / len(LEAKS_PER_S))))
    off = (fall_kpa_per_s - rates) / np.hypot(u_kpa_per_s, DRIFT_KPA_PER_S)
    weight *= np.exp(-0.5 * (off**2 - np.min(off**2)))
    weight /= weight.sum()
    mean = float(weight @ rates)
    return mean, float(np.sqrt(weight @ (rates - mean) ** 2))


def _warmth(t: FloatArray, y: FloatArray, noise_kpa: float, resolution_kpa: float) -> tuple[FloatArray, float, float]:
    """What of a plateau, shape (n,), is there only until the gas in the gauge has cooled.

    Beside it the standard uncertainties that it brings to the plateau's level and to its slope.

    Compressed gas is hot. In a wide gauge it takes the walls' temperature within some tenths of a second, and the
    pressure falls with it; a leak goes on. Zeros where no such fall can be told: not in one or two steps of the output.
    """
    none = np.zeros(len(t)), 0.0, 0.0
    if len(t) < FEWEST_COOLING:
        return none
    straight = np.column_stack((np.ones(len(t)), t - t.mean()))
    left = y - straight @ np.linalg.lstsq(straight, y, rcond=None)[0]
    best, found = float(left @ left), none
    needed = best
    for cooling_s in COOLING_S:
        if t[-1] - t[0] < COOLED * cooling_s:
            continue
        bent = np.exp(-t / cooling_s)
        design = np.column_stack((straight, bent))
        solved, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
        rest = y - design @ solved
        square = float(rest @ rest)
        scatter = max(square / max(len(t) - 4, 1), noise_kpa**2)
        fall_kpa = float(solved[2] * (bent[0] - bent[-1]))
        if rank < 3 or fall_kpa <= 2.0 * resolution_kpa:
            continue
        if square < best and needed - square > CLEAR**2 * scatter:
            covariance = scatter * np.linalg.inv(design.T @ design)
            u_level, u_slope = float(np.sqrt(covariance[2, 2])) * bent.mean(), float(np.sqrt(covariance[1, 1]))
            best, found = square, (solved[2] * bent, u_level, u_slope)
    return found


def find_plateau(
    time_s: FloatArray, x: FloatArray, last_rise_s: float, noise_kpa: float, resolution_kpa: float
) -> Plateau:
    """Read the plateau after the last step and give back what leaked since.

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        last_rise_s: when the climb ended.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
    """
    n = len(x)
    dt = float(np.median(np.diff(time_s)))
    first = min(int(np.searchsorted(time_s, last_rise_s)), n - 1)
    level = float(np.median(x[first : first + max(3, round(0.5 / dt))]))
    # Bled: from here on it is the hand on the vent, not the plateau.
    reached = np.maximum.accumulate(np.minimum(x[first:], level))
    low = np.flatnonzero(x[first:] < 0.97 * reached - 5 * noise_kpa - resolution_kpa)
    last = first + int(low[0]) - 1 if len(low) else n
    settled = int(np.searchsorted(time_s, last_rise_s + SETTLE_S))
    first = max(first, min(settled, last - 3))
    last = max(last, first + 1)
    t = time_s[first:last] - last_rise_s
    y = x[first:last]
    m = len(y)
    leak = u_leak = 0.0
    leaks = False
    warm, u_warm, u_bent = _warmth(t, y, noise_kpa, resolution_kpa)
    y = y - warm
    value = float(np.mean(y))
    u = float(np.hypot(max(noise_kpa, np.std(y)) / np.sqrt(m), u_warm))
    if m >= 5:
        middle = t - t.mean()
        spread = float(middle @ middle)
        slope = float(middle @ y) / spread
        scatter = max(float(np.std(y - value - slope * middle)), noise_kpa)
        # Rounding without noise to dither it can feign or hide a slope of a step over the plateau.
        rounding = rounding_u_kpa(noise_kpa, resolution_kpa) * float(np.sqrt(3)) / max(float(t[-1] - t[0]), dt)
        u_slope = float(np.hypot(max(scatter / np.sqrt(spread), u_bent), rounding))
        leak, u_rate = _leak(-slope, u_slope, value)
        leaks = slope < -3 * u_slope
        # Late strokes too small to be seen lift a plateau as unnoticed as a leak lowers it.
        u_leak = max(u_rate, UNNOTICED * u_slope) * float(t.mean())
        # What leaked since the last rise is given back, but no more than the highest that was ever seen.
        w = min(max(2, round(0.1 / dt)), n)
        seen = np.convolve(x, np.full(w, 1 / w), mode="valid").max() + leak * w * dt / 2
        value = max(value, min(value + leak * float(t.mean()), float(seen)))
    return Plateau(last_rise_s, float(time_s[last - 1]), value, leak, leaks, u, u_leak, m)
