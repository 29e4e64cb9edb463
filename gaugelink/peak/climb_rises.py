"""Finds the rises of a staircase that a gauge's lag, or too few samples, have run into each other.

Which rises, none of them negative, at which times of a fine raster explain the samples through the lag? Non-negative
least squares answers with a few isolated ones where the lag is right, and with many small ones where it is taken too
small: so the lag is the one that needs the fewest.
"""

import numpy as np
from scipy.optimize import nnls

from gaugelink.peak.climb_steps import averaged, through_lag
from gaugelink.peak.events import FloatArray

LAGS_S = (0.002, 0.007, 0.013, 0.02, 0.03, 0.045)
_FILL_S = 0.015
_RASTER_S = 0.005
_MOST_SAMPLES = 120
_SHAPE = 0.004
"""What the shape of a rise is off by, as a share of the climb."""
_PRICE = 4.0
"""What a rise must save in squared residuals over the noise."""
_NEXT = 1.2
"""Rises within so many samples of each other may be one stroke's."""
_HASTE = 0.55
"""Two rises closer than this share of the usual gap are one."""
_MOST_GAP_S, _MOST_GAP = 0.3, 6.0
"""Seconds, and usual spacings: when in a longer silence something rose nothing tells; it needs no more places."""


def find_rises(time_s: FloatArray, x: FloatArray, noise_kpa: float, begin_s: float, last_s: float) -> FloatArray:
    """Times of the rises, shape (k,).

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        noise_kpa: standard deviation of a sample, rounding counted.
        begin_s: the climb begins here.
        last_s: and has ended here.
    """
    dt = float(np.median(np.diff(time_s)))
    inside = slice(*np.searchsorted(time_s, [begin_s - max(0.15, 2.5 * dt), last_s + max(0.25, 2.5 * dt)]))
    t, y = time_s[inside], x[inside]
    if len(t) < 4:
        return np.empty(0)
    t, y, _ = averaged(t, y, dt * -(-len(t) // _MOST_SAMPLES))
    gaps = np.diff(t)
    dt = float(np.median(gaps))
    seen_s, t = t, t[0] + np.append(0.0, np.cumsum(np.minimum(gaps, max(_MOST_GAP * dt, _MOST_GAP_S))))
    begin_s, last_s = np.interp([begin_s, last_s], seen_s, t)
    raster = np.arange(begin_s - dt, last_s + dt, max(dt / 2, _RASTER_S))
    top = float(y.max())
    if top <= 0:
        return np.empty(0)
    sigma = float(np.hypot(noise_kpa, _SHAPE * top))
    least = max(3 * noise_kpa, _SHAPE * top)
    best_cost, best = np.inf, np.zeros(len(raster))
    for lag_s in LAGS_S:
        rise, _ = through_lag(t[:, None] - raster, lag_s, _FILL_S)
        level = np.ones((len(t), 1))
        try:
            height, norm = nnls(np.hstack([level, -level, rise]) / sigma, y / sigma)
        except RuntimeError:
            # It found no end: samples that no rises through this lag explain. The other lags decide.
            continue
        cost = norm**2 + _PRICE * float(np.count_nonzero(height[2:] > 0.7 * least))
        if cost < best_cost:
            best_cost, best = cost, height[2:]
    where = np.flatnonzero(best > 1e-6 * top)
    if not len(where):
        return np.empty(0)
    groups = np.split(where, np.flatnonzero(np.diff(where) > 1) + 1)
    rises = [(float(raster[g] @ best[g] / best[g].sum()), float(best[g].sum())) for g in groups]
    return np.interp(_apart([rise for rise in _peaks(rises, _NEXT * dt) if rise[1] > least]), t, seen_s)


def _peaks(rises: list[tuple[float, float]], reach_s: float) -> list[tuple[float, float]]:
    """Rises that stand out from those beside them; the others, smallest first, are part of the higher neighbour."""
    rises = list(rises)
    while True:
        minor = []
        for k, (at, height) in enumerate(rises):
            beside = [n for n in (k - 1, k + 1) if 0 <= n < len(rises) and abs(rises[n][0] - at) < reach_s]
            higher = max(beside, key=lambda n: rises[n][1], default=k)
            if rises[higher][1] > height:
                minor.append((height, k, higher))
        if not minor:
            return rises
        _, k, higher = min(minor)
        rises[min(k, higher) : max(k, higher) + 1] = [_together(rises[k], rises[higher])]


def _together(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    height = one[1] + other[1]
    return (one[0] * one[1] + other[0] * other[1]) / height, height


def _apart(rises: list[tuple[float, float]]) -> FloatArray:
    while len(rises) > 2:
        gaps = np.diff([at for at, _ in rises])
        place = int(np.argmin(gaps))
        if gaps[place] >= _HASTE * float(np.median(gaps)):
            break
        rises[place : place + 2] = [_together(rises[place], rises[place + 1])]
    return np.array([at for at, _ in rises])
