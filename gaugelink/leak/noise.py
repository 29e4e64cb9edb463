"""How much a gauge's samples scatter and how coarse they are, from the samples themselves."""

from math import sqrt

import numpy as np

from gaugelink.leak.flow import FloatArray


def noise_and_resolution(pressure_kpa: FloatArray, resolution_kpa: float | None) -> tuple[float, float]:
    """Standard deviation of the noise and the smallest step, from the samples themselves; shape (n,)."""
    steps = np.diff(pressure_kpa)
    moved = np.abs(steps[np.abs(steps) > 1e-9])
    step = resolution_kpa if resolution_kpa is not None else (float(moved.min()) if moved.size else 0.0)
    if len(steps) < 2:
        return 0.0, step
    # Second differences are blind to a steady fall. What lies far outside their median spread is a bump, not noise;
    # 1.4826 makes the median of deviations a standard deviation.
    second = np.diff(pressure_kpa, 2)
    bump = 6.0 * max(1.4826 * float(np.median(np.abs(second))), step)
    noise = float(np.sqrt(np.mean(np.minimum(second**2, bump**2)) / 6.0))
    # Rounding is counted by itself, for it does not average out as noise does.
    return sqrt(max(noise**2 - step**2 / 12.0, 0.0)), step
