"""The gauge's reading at ambient, taken from quiet time, or from between the pulses where there was none."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from gaugelink.peak.burst import background
from gaugelink.peak.events import FloatArray
from gaugelink.peak.order import percentile_of

_total = np.add.reduce
_OWN_ZERO_U, _OWN_ZERO_SURE, _OWN_ZERO_OFF = 0.001, 0.005, 0.04
"""Standard uncertainty of the gauge's own zero where a record shows no quiet, and how far all that lies between the
pulses may be off it before it is doubted wholly and before it is not believed; as shares of the highest sample."""
_BETWEEN = 5.0, 50.0, 60.0
"""Percentiles of what lies between the pulses, their flanks on its upper side: where it begins, is and ends."""
_BETWEEN_U = 0.0125
"""Standard uncertainty, as such a share, of a zero that is read between the pulses instead: the cylinder pumps."""


@dataclass(frozen=True, slots=True)
class Zero:
    """A zero and how well it is known."""

    level_kpa: float
    u_kpa: float
    """Standard uncertainty."""
    noise_kpa: float
    """Standard deviation of one quiet sample, resolution included."""
    resolution_kpa: float

    def significant_change_kpa(self, before: "Zero") -> float:
        """Change since `before` beyond which resolution and noise no longer explain it (three sigma)."""
        return max(3 * float(np.hypot(self.u_kpa, before.u_kpa)), 1.5 * self.resolution_kpa, self.noise_kpa)


def take_zero(time_s: FloatArray, pressure_kpa: FloatArray, resolution_kpa: float | None) -> Zero | None:
    """Zero from quiet samples, or None when there are too few to tell (fewer than 4, or less than 0.2 s).

    Args:
        time_s: shape (n,).
        pressure_kpa: shape (n,), as the gauge gave it.
        resolution_kpa: where it is known.
    """
    n = len(time_s)
    if n < 4 or time_s[-1] - time_s[0] < 0.2:
        return None
    ground = background(pressure_kpa, resolution_kpa)
    # Noise below half a step does not carry the mean from one step to the next: rounding then stays in it whole.
    rounding = ground.resolution_kpa / sqrt(12) if ground.noise_kpa < 0.6 * ground.resolution_kpa else 0.0
    middle = n // 2
    # A drifting zero is read half a window before the event that it is for.
    wander = float(_total(pressure_kpa[middle:]) / (n - middle) - _total(pressure_kpa[:middle]) / middle)
    u = sqrt(ground.noise_kpa**2 / n + rounding**2 + wander**2 / 3)
    return Zero(ground.rest_kpa, u, ground.noise_kpa, ground.resolution_kpa)


def between_pulses(pressure: FloatArray) -> FloatArray:
    """What of an event's samples, shape (n,), lies between its pulses, in rising order.

    The beginnings of their flanks are included.
    """
    ordered = np.sort(pressure)
    return ordered[: ordered.searchsorted(0.12 * float(ordered[-1]) + 0.88 * percentile_of(ordered, 10.0))]


def own_zero(pressure: FloatArray) -> tuple[float, float]:
    """Zero of a record without quiet, and its standard uncertainty, in the unit of `pressure` (shape (n,)).

    It is the gauge's own, unless what lies between the pulses contradicts it. Where all of that is a little off, nobody
    knows whether the gauge's zero is or the cylinder's pressure: the uncertainty then is that of even odds for either.
    """
    top = float(pressure.max())
    rest = between_pulses(pressure)
    if top <= 0.0 or not len(rest):
        return 0.0, _OWN_ZERO_U * abs(top)
    low, middle, high = (percentile_of(rest, q) for q in _BETWEEN)
    off = max(low, -high, 0.0) / top
    if off > _OWN_ZERO_OFF:
        return middle, _BETWEEN_U * top
    either = abs(middle) / float(np.sqrt(2.0)) * min(off / _OWN_ZERO_SURE, 1.0)
    return 0.0, float(np.hypot(_OWN_ZERO_U * top, either))
