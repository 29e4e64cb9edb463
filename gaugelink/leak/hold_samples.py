"""The samples of a hold: the last ones as they came, the earlier ones as blocks, so that hours of it fit in memory."""

from math import sqrt

import numpy as np

from gaugelink.leak.blocks import blocks
from gaugelink.leak.flow import FloatArray
from gaugelink.leak.hold import LiveRate
from gaugelink.leak.noise import noise_and_resolution
from gaugelink.leak.thinned import Thinned

LIVE_S = 20.0
"""The rate that is followed by ear is taken over so long."""
RAW_MOST = 12_000
"""Samples of a hold that are kept as they came."""


class HoldSamples:
    """Times and pressures as the gauge gave them, on its clock and with its zero."""

    def __init__(self, resolution_kpa: float | None) -> None:
        """Begin with none; `resolution_kpa` is the gauge's smallest step, from the samples when not given."""
        self.blocks = Thinned()
        """The earlier part, in seconds since the valve closed, zero taken off."""
        self._resolution_kpa = resolution_kpa
        self._times: list[float] = []
        self._shown: list[float] = []

    def __len__(self) -> int:
        return len(self._times)

    @property
    def last_s(self) -> float:
        """When the last sample was taken."""
        return self._times[-1]

    def add(self, time_s: float, shown_kpa: float) -> None:
        """Take one sample, later than those before."""
        self._times.append(time_s)
        self._shown.append(shown_kpa)

    def arrays(self) -> tuple[FloatArray, FloatArray]:
        """Times and pressures as they came, without the blocks; shapes (n,)."""
        return np.array(self._times), np.array(self._shown)

    def latest(self, count: int) -> FloatArray:
        """The pressures of the last samples, so many at the most."""
        return np.array(self._shown[-count:])

    def cut_before(self, time_s: float) -> None:
        """Drop the samples before a time."""
        first = self._index(time_s)
        del self._times[:first], self._shown[:first]

    def cut_from(self, time_s: float) -> None:
        """Drop the samples from a time on, unless too few would be left to be judged."""
        keep = self._index(time_s)
        if keep >= 5:
            del self._times[keep:], self._shown[keep:]

    def thin(self, closed_s: float | None, zero_kpa: float) -> None:
        """Where there are too many, turn the older half into blocks, or drop it before the valve has closed."""
        if len(self._times) <= RAW_MOST:
            return
        half = RAW_MOST // 2
        if closed_s is not None:
            t, p = np.array(self._times[:half]), np.array(self._shown[:half]) - zero_kpa
            self._add_blocks(self.blocks, t - t[0], p, t[0] - closed_s)
        del self._times[:half], self._shown[:half]

    def as_blocks(self, closed_s: float, zero_kpa: float, step_kpa: float) -> Thinned:
        """All of the hold as blocks. `step_kpa` is the gauge's resolution as it is known by now."""
        whole = Thinned()
        if self.blocks:
            whole.add(*self.blocks.arrays(), step_kpa)
        t, p = self.arrays()
        self._add_blocks(whole, t - closed_s, p - zero_kpa, 0.0)
        return whole

    def forget_blocks(self) -> None:
        """Drop the earlier part: another hold begins."""
        self.blocks = Thinned()

    def rate(self, noise_kpa: float, step_kpa: float) -> LiveRate | None:
        """Loss over the last `LIVE_S` by a straight line; None while it is too short."""
        if len(self._times) < 4:
            return None
        first = int(np.searchsorted(self._times, self._times[-1] - LIVE_S))
        t, p = np.array(self._times[first:]), np.array(self._shown[first:])
        if len(t) < 4 or t[-1] - t[0] < 2.0:
            return None
        t = t - t.mean()
        spread = float(t @ t)
        slope = float(t @ p) / spread
        residual = p - p.mean() - slope * t
        noise = max(float(np.std(residual)), noise_kpa, 1e-5)
        # Rounding moves both ends of the line by up to a third of a step and does not average out on a plateau.
        u = sqrt(noise**2 / spread + (step_kpa / sqrt(12.0) / (t[-1] - t[0])) ** 2)
        return LiveRate(-60.0 * slope, 120.0 * u)

    def _index(self, time_s: float) -> int:
        return int(np.searchsorted(self._times, time_s - 1e-9))

    def _add_blocks(self, to: Thinned, time_s: FloatArray, pressure_kpa: FloatArray, later_s: float) -> None:
        """Group samples and add them `later_s` later than their times say."""
        noise, step = noise_and_resolution(pressure_kpa, self._resolution_kpa)
        mean_s, mean_kpa, u_kpa = blocks(time_s, pressure_kpa, noise, step)
        to.add(mean_s + later_s, mean_kpa, u_kpa, step)
