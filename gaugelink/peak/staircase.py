"""Steps and plateau of a held gauge's samples."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray

RISE_S = 0.02
"""Rises are looked for as differences over this time: about what a stroke takes to fill the hose."""
LONGEST_RISE_S = 0.14
"""One stroke fills the hose within a quarter turn and the gauge's lag; a longer rise is several strokes."""
LAG_S = 0.12
"""A plateau is read this long after the last step, when valve and gauge have come to rest."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stroke's step."""

    time_s: float
    """When the rise was steepest."""
    level_kpa: float
    """Level after it, the zero taken off."""
    u_kpa: float
    """Standard uncertainty of the level from noise and rounding."""


@dataclass(frozen=True, slots=True)
class Staircase:
    """The climb as it was seen."""

    steps: tuple[Step, ...]
    resolved: bool
    """False when the gauge is too slow to tell one stroke from the next."""
    begin_s: float
    last_rise_s: float
    time_s: FloatArray
    """Shape (n,), the samples of the climb."""
    level_kpa: FloatArray
    """Shape (n,)."""


@dataclass(frozen=True, slots=True)
class Plateau:
    """Where the climb came to rest."""

    begin_s: float
    level_kpa: float
    """Level when the plateau began, the leak since then given back."""
    leak_kpa_per_s: float
    """Loss through the gauge's own valve; 0 when none can be told."""
    u_level_kpa: float
    u_leak_kpa: float
    u_model_kpa: float
    samples: int


def find_steps(time_s: FloatArray, x: FloatArray, noise_kpa: float, resolution_kpa: float) -> Staircase:
    """Find the steps of a climb.

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
    """
    n = len(x)
    dt = float(np.median(np.diff(time_s)))
    top = float(np.max(x))
    w = min(max(1, round(RISE_S / max(dt, 1e-6))), max(1, n // 4))
    total = np.concatenate(([0.0], np.cumsum(x)))
    mean = (total[w:] - total[:-w]) / w
    rise = mean[w:] - mean[:-w]
    """rise[i] compares x[i : i + w] with x[i + w : i + 2 w]"""
    grain = resolution_kpa * (0.6 if w >= 5 else 1.1)
    limit = max(4.5 * noise_kpa * float(np.sqrt(2 / w)), 0.002 * top, grain)
    mask = np.concatenate(([0], (rise > limit).astype(np.int8), [0]))
    edges = np.diff(mask)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(starts):
        first = int(np.argmax(x > top / 2))
        return Staircase((), False, float(time_s[first]), float(time_s[first]), time_s[first:], x[first:])
    at = [s + int(np.argmax(rise[s:e])) + w for s, e in zip(starts, ends, strict=True)]
    longest = float(np.max(time_s[np.minimum(ends + w - 1, n - 1)] - time_s[starts + w]))
    resolved = longest <= LONGEST_RISE_S + 2 * dt
    begin_s = float(time_s[starts[0] + w - 1])
    last_rise = float(time_s[min(ends[-1] + w - 1, n - 1)])
    steps = []
    for number, place in enumerate(at):
        upto = at[number + 1] - w if number + 1 < len(at) else min(n, place + max(3, round(0.4 / dt)))
        lo = min(max(int(ends[number]) + w - 1, place), n - 1)
        lo = max(lo, upto - max(1, round(0.1 / dt)))
        window = x[lo : max(upto, lo + 1)]
        level = float(np.median(window))
        u = float(np.hypot(noise_kpa / np.sqrt(len(window)), resolution_kpa / np.sqrt(12)))
        steps.append(Step(float(time_s[place]), level, u))
    first = int(starts[0] + w)
    last = int(np.searchsorted(time_s, last_rise)) + 1
    return Staircase(tuple(steps), resolved, begin_s, last_rise, time_s[first:last], x[first:last])


def find_plateau(
    time_s: FloatArray, x: FloatArray, climb: Staircase, noise_kpa: float, resolution_kpa: float
) -> Plateau:
    """Read the plateau after the last step and give back what leaked since.

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        climb: the steps.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
    """
    n = len(x)
    dt = float(np.median(np.diff(time_s)))
    first = int(np.searchsorted(time_s, climb.last_rise_s + LAG_S))
    first = min(first, n - 1)
    level = float(np.median(x[first : first + max(2, round(0.3 / dt))]))
    # Bled: from here on it is the hand on the vent, not the plateau.
    low = np.flatnonzero(x[first:] < 0.97 * level - 5 * noise_kpa - resolution_kpa)
    last = first + int(low[0]) if len(low) else n
    last = max(last - (1 if len(low) else 0), first + 1)
    t = time_s[first:last] - climb.last_rise_s
    y = x[first:last]
    m = len(y)
    leak = u_leak = 0.0
    value = float(np.mean(y))
    u = float(max(noise_kpa, np.std(y)) / np.sqrt(m))
    if m >= 5:
        middle = t - t.mean()
        spread = float(middle @ middle)
        slope = float(middle @ y) / spread
        scatter = max(float(np.std(y - value - slope * middle)), noise_kpa)
        u_slope = float(np.hypot(scatter / np.sqrt(spread), resolution_kpa / 2 / (t[-1] - t[0]) if m else 0.0))
        if slope < -3 * u_slope:
            leak = -slope
            u_leak = u_slope * float(t.mean())
            value = value - slope * float(t.mean())
        else:
            u_leak = min(u_slope, 0.01 * abs(value)) * float(t.mean()) / 3
    return Plateau(climb.last_rise_s, value, leak, u, u_leak, 0.0003 * abs(value), m)
