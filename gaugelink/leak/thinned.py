"""The earlier part of a decay of hours: blocks, merged two by two whenever there are too many."""

import numpy as np

from gaugelink.leak.flow import FloatArray

MOST = 160


class Thinned:
    """Blocks of a decay; at most `MOST` after every `add`, and those of the beginning stay the finest."""

    def __init__(self) -> None:
        self._time_s: FloatArray = np.empty(0)
        self._mean_kpa: FloatArray = np.empty(0)
        self._u_kpa: FloatArray = np.empty(0)
        self._weight: FloatArray = np.empty(0)

    def __len__(self) -> int:
        return len(self._time_s)

    def add(self, time_s: FloatArray, mean_kpa: FloatArray, u_kpa: FloatArray, step_kpa: float) -> None:
        """Add blocks that follow the ones before; shapes (m,). `step_kpa` is the gauge's resolution."""
        self._time_s = np.concatenate([self._time_s, time_s])
        self._mean_kpa = np.concatenate([self._mean_kpa, mean_kpa])
        self._u_kpa = np.concatenate([self._u_kpa, u_kpa])
        self._weight = np.concatenate([self._weight, np.ones(len(time_s))])
        while len(self._time_s) > MOST:
            self._merge(step_kpa)

    def arrays(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Seconds since the valve closed, means and standard uncertainties; shapes (m,)."""
        return self._time_s, self._mean_kpa, self._u_kpa

    def _merge(self, step_kpa: float) -> None:
        """Merge neighbours, from the quarter of the blocks on that is oldest: there everything changes most."""
        keep = MOST // 4
        n = (len(self._time_s) - keep) // 2 * 2
        a, b = slice(keep, keep + n, 2), slice(keep + 1, keep + n, 2)
        wa, wb = self._weight[a], self._weight[b]
        whole = wa + wb
        apart = np.abs(self._mean_kpa[a] - self._mean_kpa[b]) > 0.5 * step_kpa
        # On one plateau of a coarse gauge the rounding is one and the same, and does not average out.
        alone = np.hypot(wa * self._u_kpa[a], wb * self._u_kpa[b]) / whole
        shared = (wa * self._u_kpa[a] + wb * self._u_kpa[b]) / whole
        merged = np.where(apart, alone, shared)

        def joined(values: FloatArray, middle: FloatArray) -> FloatArray:
            return np.concatenate([values[:keep], middle, values[keep + n :]])

        self._mean_kpa = joined(self._mean_kpa, (wa * self._mean_kpa[a] + wb * self._mean_kpa[b]) / whole)
        self._time_s = joined(self._time_s, (wa * self._time_s[a] + wb * self._time_s[b]) / whole)
        self._u_kpa = joined(self._u_kpa, merged)
        self._weight = joined(self._weight, whole)
