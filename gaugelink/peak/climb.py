"""Where a staircase was going: the geometric law, weighed over every share it can have."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.staircase import Plateau, Staircase

_RATIOS = np.linspace(0.02, 0.95, 94)
"""1 - k: what one stroke leaves of the distance."""
_PRIOR_MEAN, _PRIOR_SD = 0.45, 0.18
"""Prior of the ratio: hoses of a fifth to the whole of the clearance volume, valves that take their time."""
_MODEL_SHARE = 0.004
"""Scatter of the levels about the geometric law, as a share of the level: the speed is never quite steady."""


@dataclass(frozen=True, slots=True)
class Climb:
    """The law of the climb."""

    goal_kpa: float
    """Level that the climb approaches."""
    u_kpa: float
    """Standard uncertainty of the goal."""
    share: float
    """Share of the remaining rise that each stroke takes."""
    distance_kpa: float
    """Distance to the goal after the first stroke."""

    def level_kpa(self, number: int) -> float:
        """Level after stroke `number`, counted from 0."""
        return self.goal_kpa - self.distance_kpa * (1 - self.share) ** number


def project(stairs: Staircase, plateau: Plateau, noise_kpa: float, resolution_kpa: float) -> Climb | None:
    """Fit the geometric law to the levels, or to the samples when single strokes cannot be told.

    Returns:
        None when there is nothing to fit.
    """
    if stairs.resolved and len(stairs.steps) >= 2:
        level = np.array([*(s.level_kpa for s in stairs.steps[:-1]), plateau.level_kpa])
        u = np.array([*(s.u_kpa for s in stairs.steps[:-1]), plateau.u_level_kpa])
        number = np.arange(len(level), dtype=np.float64)
    elif not stairs.resolved and len(stairs.time_s) >= 3:
        # One unit of "number" is a tenth of the climb's duration: the share is turned into time below.
        level = np.append(stairs.level_kpa, plateau.level_kpa)
        t = np.append(stairs.time_s, stairs.last_rise_s)
        number = (t - t[0]) / max(t[-1] - t[0], 1e-6) * max(2.0, len(level) / 2)
        u = np.full(len(level), float(np.hypot(noise_kpa, resolution_kpa / np.sqrt(12))))
        u = np.hypot(u, 0.15 * np.abs(np.gradient(level)))
    else:
        return None
    sigma = np.hypot(u, _MODEL_SHARE * np.abs(level))
    # The first stroke starts from a standstill, half way up its compression or before it.
    sigma[0] = np.hypot(sigma[0], 0.03 * level[0])
    # Seen from the last level: goal = last + distance r^N, so the last level is met and the rest decide r.
    weight = 1 / sigma**2
    power = _RATIOS[:, None] ** number[None, :]
    sw = weight.sum()
    sx = (weight * power).sum(axis=1)
    sxx = (weight * power**2).sum(axis=1)
    sy = (weight * level).sum()
    sxy = (weight * power * level).sum(axis=1)
    det = sw * sxx - sx**2
    slope = (sw * sxy - sx * sy) / det
    goal = (sy - slope * sx) / sw
    var = sxx / det
    miss = level[None, :] - goal[:, None] - slope[:, None] * power
    chi2 = (weight * miss**2).sum(axis=1)
    fits = (slope < 0) & (det > 0)
    if not fits.any():
        return Climb(float(level[-1]), float(sigma[-1]), 1.0, 0.0)
    log = np.where(
        fits,
        -0.5 * chi2 - 0.5 * ((_RATIOS - _PRIOR_MEAN) / _PRIOR_SD) ** 2 + 0.5 * np.log(1 / np.maximum(det, 1e-12)),
        -np.inf,
    )
    p = np.exp(log - log.max())
    p /= p.sum()
    mean = float(p @ goal)
    spread = float(p @ (var + (goal - mean) ** 2))
    ratio = float(p @ _RATIOS)
    return Climb(max(mean, float(level[-1])), float(np.sqrt(spread)), 1 - ratio, -float(p @ slope))
