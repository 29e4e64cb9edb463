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
_RATE_SPREAD = 0.8
"""Spread of the slope's prior, as a share of the usual slope."""
_SLACK = 0.16
"""Share of the remaining climb by which a sample that lies anywhere on a step is off the smooth law: a step in
logarithm, ln(1 - share), over the square root of 12."""
_STEP_MODEL, _SMOOTH_MODEL = 0.15, 0.4
"""What the law itself is off by, as shares of what is left to climb, from steps and from time alone: measured on
simulated engines, whose speed and valve keep to no law."""
_LEFT_SPREAD = 1.0
"""Spread of the logarithm of what the last step leaves."""
_BLUR = 0.08


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
    if stairs.steps and (stairs.resolved or _regular(stairs)):
        level = np.array([stairs.start_kpa, *(s.level_kpa for s in stairs.steps)])
        u = np.array([float(np.hypot(noise_kpa, rounding)), *(s.u_kpa for s in stairs.steps)])
        blur = 0.0 if stairs.resolved else _BLUR
        if len(level) > 3:
            whole = _law(level[:-1], u[:-1], blur, stopped=False)
            if level[-1] - level[-2] < _PARTIAL * whole.share * (whole.goal_kpa - level[-2]):
                return _law(level[:-1], u[:-1], blur, stopped=True)
        return _law(level, u, blur, stopped=True)
    if len(stairs.time_s) >= 4:
        return _smooth(stairs, plateau, float(np.hypot(noise_kpa, rounding)))
    return None


def _regular(stairs: Staircase) -> bool:
    """Whether steps that may hold a stroke or two each come evenly enough to obey the same law."""
    if len(stairs.steps) < 4:
        return False
    gaps = np.diff([s.time_s for s in stairs.steps])
    usual = float(np.median(gaps))
    return bool(np.all(np.abs(gaps - usual) < 0.4 * usual))


def _law(level: FloatArray, u: FloatArray, blur: float, stopped: bool) -> Climb:
    """Weigh the law L[n] = L[n-1] + k (goal - L[n-1]) over k.

    Args:
        level: shape (n,), from before the first step.
        u: shape (n,), standard uncertainties.
        blur: scatter of the steps for the samples that they fall between, as a share of them.
        stopped: the last step was the last stroke of the cranking.
    """
    scatter = np.full(len(level) - 1, float(np.hypot(_STEP_SCATTER, blur)))
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
    u = float(np.hypot(max(high - middle, middle - low) / 2, _STEP_MODEL * (middle - last)))
    return Climb(float(middle), u, float(p @ shares / p.sum()))


def _smooth(stairs: Staircase, plateau: Plateau, u_kpa: float) -> Climb:
    """The law in time instead of strokes, for samples that lie anywhere on their steps.

    For every goal the logarithm of what is left falls along a straight line, off it by where on its step a sample
    lies; the line and its slope are integrated out (a normal prior of the slope), and the goals are weighed.
    """
    t = np.append(stairs.time_s[1:-1], stairs.last_rise_s)
    level = np.append(stairs.level_kpa[1:-1], plateau.level_kpa)
    dt = float(np.median(np.diff(stairs.time_s)))
    t = t - t[0]
    last = float(level[-1])
    span = max(float(np.ptp(level)), u_kpa, 1e-3)
    goals = last + np.geomspace(max(0.3 * u_kpa, 3e-4 * span), 3 * span, 200)
    left = np.maximum(goals[:, None] - level[None, :], 0.5 * u_kpa + 1e-9)
    sigma = np.hypot(_SLACK, u_kpa / left)
    # Strokes that cannot be told apart come faster than the samples allow.
    period = float(np.sqrt(_FASTEST_S * max(2 * _FASTEST_S, SAMPLES_PER_STROKE * dt)))
    usual = -float(np.log(1 - _PRIOR_MEAN)) / period
    weight = sigma**-2
    y = np.log(left) + usual * t
    # Unknowns: the height of the line, free, and its slope beyond the usual one, held by the prior.
    a11, a12 = weight.sum(axis=1), -(weight @ t)
    a22 = weight @ t**2 + 1 / (_RATE_SPREAD * usual) ** 2
    b1, b2 = (weight * y).sum(axis=1), -(weight * y) @ t
    det = a11 * a22 - a12**2
    height, extra = (a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det
    chi2 = (weight * y**2).sum(axis=1) - height * b1 - extra * b2
    # One stroke took the last step: it left about (1 - share) / share of it, less when more followed unseen.
    step = max(last - float(np.interp(t[-1] - period, t, level)), u_kpa)
    usually_left = step * (1 - _PRIOR_MEAN) / _PRIOR_MEAN
    prior = -0.5 * (np.log((goals - last) / usually_left) / _LEFT_SPREAD) ** 2
    log = prior - 0.5 * chi2 - 0.5 * np.log(det) - np.log(sigma * left).sum(axis=1)
    p = np.exp(log - log.max())
    below = (np.cumsum(p) - 0.5 * p) / p.sum()
    low, centre, high = np.interp([0.025, 0.5, 0.975], below, goals)
    rate = float(p @ (usual + extra) / p.sum())
    share = 1 - float(np.exp(-max(rate, 0.0) * period))
    # A climb of three strokes or so is over before its law shows.
    model = _SMOOTH_MODEL * (2.0 if t[-1] < 4 * period else 1.0)
    u = float(np.hypot(max(high - centre, centre - low) / 2, model * (centre - last)))
    return Climb(float(centre), u, share)
