"""The gauge's reading at ambient, taken from quiet time."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from gaugelink.peak.burst import background
from gaugelink.peak.events import FloatArray

_total = np.add.reduce


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
