"""Where a staircase was going: the geometric law, weighed over every share that a stroke can take."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from gaugelink.peak.events import FloatArray
from gaugelink.peak.staircase import SAMPLES_PER_STROKE, Plateau, Staircase, rounding_u_kpa

_SHARES = np.linspace(0.04, 0.96, 93)
_PRIOR_MEAN, _PRIOR_SD = 0.38, 0.11
"""Prior of the share, for hoses of a fifth to four fifths of the clearance volume: measured on simulated engines.
It matters for fewer than four strokes only."""
_EARLY_SCATTER = (0.2, 0.08, 0.05)
"""Scatter of the first steps about the law, as shares of them: the crank starts from a standstill, somewhere in a
compression. Measured on simulated engines, as those below."""
_STEP_SCATTER = 0.03
_DRIFT = 0.03
"""How far the share moves from stroke to stroke, as a share of it."""
_LAST_SCATTER = 0.12
"""The last stroke may linger at the top, or not get there."""
_PARTIAL = 0.6
"""A last step below this share of what the law expects was a stroke that did not get over the top."""
_MOST_STEPS = 16
_FASTEST_S = 0.066
"""Time between strokes of a two-stroke at 900 rev/min."""
_RATE_SPREAD = 0.6
_SLACK = 0.4


@dataclass(frozen=True, slots=True)
class Climb:
    """The law of the climb."""

    goal_kpa: float
    """Level that the climb approaches."""
    u_kpa: float
    """Standard uncertainty of the goal: half of what covers it in 95 % of cases."""
    share: float
    """Share of the remaining rise that each stroke takes."""


def project(stairs: Staircase, plateau: Plateau, noise_kpa: float, resolution_kpa: float) -> Climb | None:
    """Fit the geometric law to the levels, or to the samples when single strokes cannot be told.

    Returns:
        None when there is nothing to fit.
    """
    rounding = rounding_u_kpa(noise_kpa, resolution_kpa)
    if stairs.resolved and stairs.steps:
        level = np.array([stairs.start_kpa, *(s.level_kpa for s in stairs.steps)])
        u = np.array([float(np.hypot(noise_kpa, rounding)), *(s.u_kpa for s in stairs.steps)])
        if len(level) > 3:
            whole = _law(level[:-1], u[:-1], stopped=False)
            if level[-1] - level[-2] < _PARTIAL * whole.share * (whole.goal_kpa - level[-2]):
                return whole
        return _law(level, u, stopped=True)
    if len(stairs.time_s) >= 4:
        return _smooth(stairs, plateau, float(np.hypot(noise_kpa, rounding)))
    return None


def _law(level: FloatArray, u: FloatArray, stopped: bool) -> Climb:
    """Weigh the law L[n] = L[n-1] + k (goal - L[n-1]) over k.

    Args:
        level: shape (n,), from before the first step.
        u: shape (n,), standard uncertainties.
        stopped: the last step was the last stroke of the cranking.
    """
    scatter = np.full(len(level) - 1, _STEP_SCATTER)
    early = _EARLY_SCATTER[: len(scatter)]
    scatter[: len(early)] = early
    # The share itself moves with the cranking speed: what is long past counts less.
    scatter = np.hypot(scatter, _DRIFT * np.arange(len(scatter))[::-1])
    if stopped:
        scatter[-1] = max(float(scatter[-1]), _LAST_SCATTER)
    # A first stroke that began half way up its compression says nothing about the law.
    skip = len(level) > 4 or (len(level) > 2 and level[1] - level[0] < 0.8 * (level[2] - level[1]))
    first = max(int(skip), len(level) - _MOST_STEPS)
    level, u, scatter = level[first:], u[first:], scatter[first:]
    n = len(level) - 1
    step = np.diff(level)
    inverse = 1 / _SHARES[:, None]
    goals = level[:-1] + step * inverse
    # Errors of the levels are shared by neighbouring steps: generalized least squares for every share.
    spread = np.zeros((len(_SHARES), n, n + 1))
    place = np.arange(n)
    spread[:, place, place] = 1 - inverse
    spread[:, place, place + 1] = inverse
    cov = np.einsum("aij,j,akj->aik", spread, u**2, spread)
    own = scatter * np.maximum(np.abs(step), 2 * u[1:])
    cov[:, place, place] += (own * inverse) ** 2
    weights = np.linalg.solve(cov, np.ones((len(_SHARES), n, 1)))[..., 0]
    total = weights.sum(axis=1)
    goal = (weights * goals).sum(axis=1) / total
    miss = goals - goal[:, None]
    chi2 = np.einsum("ai,ai->a", miss, np.linalg.solve(cov, miss[..., None])[..., 0])
    log = (
        -0.5 * chi2
        - 0.5 * np.linalg.slogdet(cov)[1]
        - 0.5 * np.log(total)
        - n * np.log(_SHARES)
        - 0.5 * ((_SHARES - _PRIOR_MEAN) / _PRIOR_SD) ** 2
    )
    worse = max(1.0, float(chi2.min()) / max(n - 1, 1))
    return _weigh(log, goal, worse / total, _SHARES, float(level[-1]))


def _weigh(log: FloatArray, goal: FloatArray, var: FloatArray, shares: FloatArray, last: float) -> Climb:
    """Median and 95 % interval of the goal; its distribution has a long tail towards slow climbs."""
    p = np.exp(log - log.max())
    # Each share stands for a normal distribution of goals, taken at 21 places that are equally probable.
    places = norm.ppf((np.arange(21) + 0.5) / 21)
    goals = np.maximum((goal[:, None] + np.sqrt(var)[:, None] * places).ravel(), last)
    order = np.argsort(goals)
    share_of = np.repeat(p, 21)[order]
    below = (np.cumsum(share_of) - 0.5 * share_of) / share_of.sum()
    low, middle, high = np.interp([0.025, 0.5, 0.975], below, goals[order])
    return Climb(float(middle), float(max(high - middle, middle - low)) / 2, float(p @ shares / p.sum()))


def _smooth(stairs: Staircase, plateau: Plateau, u_kpa: float) -> Climb:
    """The law in time instead of strokes: an exponential through samples that lie anywhere on their steps."""
    t = np.append(stairs.time_s[1:-1], stairs.last_rise_s)
    level = np.append(stairs.level_kpa[1:-1], plateau.level_kpa)
    dt = float(np.median(np.diff(stairs.time_s)))
    t = t - t[0]
    # A sample lies anywhere between the levels before and after the strokes around it.
    slack = _SLACK * np.maximum(np.abs(np.gradient(level)), 0.1 * np.ptp(level) / len(level))
    sigma = np.hypot(u_kpa, slack)
    rates = np.geomspace(0.2, 30.0, 120)
    # Strokes that cannot be told apart come faster than the samples allow: a prior of the time constant.
    period = float(np.sqrt(_FASTEST_S * max(2 * _FASTEST_S, SAMPLES_PER_STROKE * dt)))
    usual = -float(np.log(1 - _PRIOR_MEAN)) / period
    prior = -0.5 * (np.log(rates / usual) / _RATE_SPREAD) ** 2
    power = np.exp(-rates[:, None] * t[None, :])
    weight = 1 / sigma**2
    sw = weight.sum()
    sx = power @ weight
    sxx = power**2 @ weight
    sy = weight @ level
    sxy = power @ (weight * level)
    det = np.maximum(sw * sxx - sx**2, 1e-300)
    slope = (sw * sxy - sx * sy) / det
    goal = (sy - slope * sx) / sw
    miss = level[None, :] - goal[:, None] - slope[:, None] * power
    chi2 = miss**2 @ weight
    log = np.where(slope < 0, -0.5 * chi2 - 0.5 * np.log(det) + np.log(rates) + prior, -np.inf)
    if not np.isfinite(log).any():
        return Climb(float(level[-1]), float(sigma[-1]), 1.0)
    worse = max(1.0, float(chi2.min()) / max(len(t) - 2, 1))
    return _weigh(log, goal, worse * sxx / det, 1 - np.exp(-rates * period), float(level[-1]))
