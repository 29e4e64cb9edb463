"""Where a staircase was going: what the law of its steps leaves probable, weighed over all goals."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr

from gaugelink.peak.climb_law import LOG_PRIOR, LOG_SHARES, MANNERS, WARM_MANNERS, Levels, Manner, log_likelihood
from gaugelink.peak.climb_warmth import Shown
from gaugelink.peak.events import FloatArray
from gaugelink.peak.held_plateau import Plateau
from gaugelink.peak.staircase import Staircase

_MOST_LEFT, _LEAST_LEFT, _GOALS = 6.0, 1e-4, 140
"""What may be left, as shares of the climb so far."""
_SEVERAL = 1.6
"""A step after this many usual times between steps may hold several strokes, or come after a hand that slipped."""
_COVERAGE = 0.95
_NOTHING_KPA = 1e-6
_LAW = 1.1
"""How much wider the interval is than the law alone makes it. Measured on simulated engines."""


@dataclass(frozen=True, slots=True)
class Climb:
    """Where the climb was going."""

    goal_kpa: float
    """Level that the climb approaches: median of what it may be."""
    expanded_u_kpa: float
    """Half-width of the interval about it that holds 95 % of what it may be."""
    share: float
    """Share of the remaining rise that each stroke takes."""
    left_kpa: FloatArray
    """Shape (n,), what may be left to climb, rising."""
    weight: FloatArray
    """Shape (n,), how probable each is; they add up to 1."""

    def chance_of_more(self, left_kpa: float) -> float:
        """Probability that more than `left_kpa` is left to climb."""
        return 1.0 - float(np.interp(left_kpa, self.left_kpa, np.cumsum(self.weight) - 0.5 * self.weight))


def weighed(level_kpa: float, left_kpa: FloatArray, weight: FloatArray, share: float) -> Climb:
    """Median and 95 % interval of what is left above `level_kpa`; arrays of shape (n,), `left_kpa` rising."""
    weight = weight / weight.sum()
    middle = _quantile(left_kpa, weight, 0.5)
    away = np.abs(left_kpa - middle)
    order = np.argsort(away)
    u = _quantile(away[order], weight[order], _COVERAGE)
    return Climb(level_kpa + middle, u, share, left_kpa, weight)


def _quantile(values: FloatArray, weight: FloatArray, place: float) -> float:
    return float(np.interp(place, np.cumsum(weight) - 0.5 * weight, values))


def reachable(left_kpa: FloatArray, plateau: Plateau, shown: Shown | None) -> FloatArray:
    """Log probability, same shape as `left_kpa`, that the gauge showed no more than the cylinder reaches."""
    if shown is None:
        return np.zeros_like(left_kpa)
    return np.asarray(log_ndtr((plateau.level_kpa + left_kpa - shown.highest_kpa) / max(shown.u_kpa, _NOTHING_KPA)))


def project(stairs: Staircase, plateau: Plateau, noise_kpa: float) -> Climb | None:
    """Where the climb was going; None without steps.

    Args:
        stairs: the steps, each of one stroke.
        plateau: where they led.
        noise_kpa: standard deviation of a sample.
    """
    if not stairs.steps:
        return None
    at = np.array([s.time_s for s in stairs.steps])
    usual = float(np.median(np.diff(at))) if len(at) > 1 else 0.0
    height = max(plateau.level_kpa - stairs.start_kpa, 1e-3)
    least = max(0.1 * noise_kpa, 1e-5 * height)
    seen = Levels(
        level_kpa=np.array([stairs.start_kpa, *(s.level_kpa for s in stairs.steps)]),
        u_kpa=np.array([stairs.u_start_kpa, *(max(s.u_kpa, least) for s in stairs.steps)]),
        strokes=_strokes(stairs, usual),
        plateau_kpa=plateau.level_kpa,
        u_plateau_kpa=float(np.hypot(plateau.u_level_kpa, max(least, stairs.rounding_kpa))),
        unseen=max(1, round((stairs.last_rise_s - float(at[-1])) / usual)) if usual else 1,
    )
    left = height * np.geomspace(_LEAST_LEFT, _MOST_LEFT, _GOALS)
    # Any goal is as probable as any other of its order of magnitude; the raster is even in log(left).
    prior = LOG_PRIOR[:, None] + np.log(left) - np.log(height + left)
    prior = prior + reachable(left, plateau, stairs.shown)
    manners = _manners(stairs.shown)
    log = prior + np.logaddexp.reduce([np.log(m.prior) + log_likelihood(seen, left, m) for m in manners])
    p = np.exp(log - log.max())
    share = float(p.sum(axis=1) @ np.exp(LOG_SHARES) / p.sum())
    climb = weighed(plateau.level_kpa, left, p.sum(axis=0), share)
    return replace(climb, expanded_u_kpa=_LAW * climb.expanded_u_kpa)


def _manners(shown: Shown | None) -> tuple[Manner, ...]:
    """Ways in which the climb may have gone on."""
    if shown is None or not (shown.warm or shown.hidden):
        return MANNERS
    return WARM_MANNERS if shown.warm else MANNERS + WARM_MANNERS


def _strokes(stairs: Staircase, usual_s: float) -> tuple[int, ...]:
    """How many strokes each step may hold: late ones are too small for all of them to be told apart."""
    gaps = np.diff([s.time_s for s in stairs.steps])
    return (1, *(max(1, round(gap / usual_s)) if gap > _SEVERAL * usual_s else 1 for gap in gaps.tolist()))
