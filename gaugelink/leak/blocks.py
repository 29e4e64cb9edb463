"""Thins hours of samples to at most a few hundred blocks, each with a mean, a time and an honest uncertainty."""

import numpy as np

from gaugelink.leak.flow import FloatArray

MOST_BLOCKS = 160
_LEAST_BLOCKS = 5


def blocks(
    time_s: FloatArray, pressure_kpa: FloatArray, noise_kpa: float, resolution_kpa: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Group samples into blocks; return their mean times, mean pressures and standard uncertainties, shapes (m,).

    Blocks grow with the time since the start, because everything changes most at the beginning. A gauge whose steps
    are coarser than its noise shows the same value for a while: within such a plateau the rounding error is one and
    the same and does not average out, so a block holds at least one change of value before its rounding counts as
    averaged (rectangular distribution, JCGM 100:2008, 4.3.7).
    """
    n = len(time_s)
    if n == 0:
        return time_s, pressure_kpa, np.empty(0)
    # A block of a few samples of a steep fall would lie off the curve; where there are few, each stands for itself.
    edges = n * np.linspace(0.0, 1.0, MOST_BLOCKS + 1) ** 1.5 if n > MOST_BLOCKS else np.arange(n + 1)
    wanted = np.unique(np.round(edges).astype(int))
    coarse = resolution_kpa > 2.0 * noise_kpa > 0 or (noise_kpa <= 0 < resolution_kpa)
    if coarse:
        changes = np.flatnonzero(np.abs(np.diff(pressure_kpa)) > 0.5 * resolution_kpa) + 1
        # A border is moved to the next change of value, so that every block but the last ends with one.
        places = np.searchsorted(changes, wanted[1:-1])
        moved = changes[places[places < len(changes)]]
        borders = np.concatenate([[0], moved, [n]])
        if len(np.unique(borders)) <= _LEAST_BLOCKS:
            # That a coarse gauge does not move says something as well: how little can have been lost.
            borders = np.concatenate([borders, np.linspace(0, n, _LEAST_BLOCKS + 1).astype(int)])
        wanted = np.unique(borders)
    starts, ends = wanted[:-1], wanted[1:]
    count = (ends - starts).astype(np.float64)
    sums = np.concatenate([[0.0], np.cumsum(pressure_kpa)])
    times = np.concatenate([[0.0], np.cumsum(time_s)])
    mean_kpa = (sums[ends] - sums[starts]) / count
    mean_s = (times[ends] - times[starts]) / count
    rounding = resolution_kpa / np.sqrt(12.0)
    if coarse:
        steps = np.abs(np.diff(pressure_kpa, prepend=pressure_kpa[0])) > 0.5 * resolution_kpa
        levels = np.minimum(np.add.reduceat(steps.astype(np.float64), starts) + 1.0, count)
        u = np.sqrt(noise_kpa**2 / count + rounding**2 / levels)
    else:
        u = np.sqrt((noise_kpa**2 + rounding**2) / count)
    return mean_s, mean_kpa, np.maximum(u, 1e-4)
