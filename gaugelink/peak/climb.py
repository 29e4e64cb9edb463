"""Where a staircase was going, from its steps: a law for the share that each stroke takes, weighed over all goals.

For a supposed goal every step tells the share k of what was left that its stroke took. Shares of neighbouring strokes
are nearly alike, so only some goals make sense of all steps. The share is followed from stroke to stroke together
with the true level by an extended Kalman filter, for every goal and first share of a raster at once; what the filter
did not expect is the likelihood.
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.staircase import Plateau, Staircase

_LOG_SHARES = np.linspace(np.log(0.06), np.log(0.92), 46)
_PRIOR_MEAN, _PRIOR_SD = -1.02, 0.42
"""Prior of the logarithm of the first share, for hoses of a fifth to four fifths of the clearance volume. Measured on
simulated engines, as all numbers below."""
_MOST_LEFT, _LEAST_LEFT, _GOALS = 6.0, 1e-4, 140
"""What may be left, as shares of the climb so far."""


@dataclass(frozen=True, slots=True)
class _Manner:
    """How steady the cranking is."""

    prior: float
    scatter: float
    """Factor on the scatter of the shares."""
    wander: float
    """Factor on how far the share moves from one stroke to the next."""
    top: float
    """Scatter of the pressure that the cylinder reaches, as a share of it."""


_MANNERS = (_Manner(0.7, 1.3, 1.6, 0.0015), _Manner(0.3, 3.0, 3.0, 0.015))
"""A starter, and an arm."""
_SCATTER = (0.03, 0.008, 0.006, 0.005)
_WANDER = (0.045, 0.025, 0.018, 0.013)
"""Of the logarithm of the share, for the first stroke, the second and so on."""
_EARLY = (1.0, 1.6, 1.3, 1.1)
"""How much faster the share moves at first: rings seat and the crank gathers speed."""
_DEGREES = 4.0
"""Degrees of freedom of the Student distribution of what is not expected."""
_PARTIAL, _PARTIAL_SCATTER = 0.85, 0.6
"""A first step lower than this share of the second began half way up a compression and says little."""
_LAST = ((0.70, 0.02, 0.0), (0.16, 0.25, 0.05), (0.14, 1.0, -0.8))
"""The last stroke: as all others, or lingering at the top, or not reaching it. Weight, scatter and shift of log k."""
_UNSEEN_SCATTER = 0.3
"""Of what strokes too small to be seen have added: nobody knows how many there were."""
_PLACES = np.array([0.025, 0.5, 0.975])


@dataclass(frozen=True, slots=True)
class Climb:
    """Where the climb was going."""

    goal_kpa: float
    """Level that the climb approaches: median of what it may be."""
    low_kpa: float
    high_kpa: float
    """Between these it lies in 95 % of cases."""
    share: float
    """Share of the remaining rise that each stroke takes."""
    left_kpa: FloatArray
    """Shape (n,), what may be left to climb, rising."""
    weight: FloatArray
    """Shape (n,), how probable each is; they add up to 1."""

    @property
    def expanded_u_kpa(self) -> float:
        """Half-width of an interval about the goal that holds the 95 % interval."""
        return max(self.high_kpa - self.goal_kpa, self.goal_kpa - self.low_kpa)

    def chance_of_more(self, left_kpa: float) -> float:
        """Probability that more than `left_kpa` is left to climb."""
        return 1.0 - float(np.interp(left_kpa, self.left_kpa, np.cumsum(self.weight) - 0.5 * self.weight))


def weighed(level_kpa: float, left_kpa: FloatArray, weight: FloatArray, share: float) -> Climb:
    """Median and 95 % interval of what is left above `level_kpa`; arrays of shape (n,), `left_kpa` rising."""
    weight = weight / weight.sum()
    low, middle, high = np.interp(_PLACES, np.cumsum(weight) - 0.5 * weight, left_kpa).tolist()
    return Climb(level_kpa + middle, level_kpa + low, level_kpa + high, share, left_kpa, weight)


def project(stairs: Staircase, plateau: Plateau, noise_kpa: float) -> Climb | None:
    """Where the climb was going; None without steps.

    Args:
        stairs: the steps, each of one stroke.
        plateau: where they led.
        noise_kpa: standard deviation of a sample.
    """
    if not stairs.steps:
        return None
    level = np.array([stairs.start_kpa, *(s.level_kpa for s in stairs.steps)])
    u = np.array([stairs.u_start_kpa, *(max(s.u_kpa, 0.1 * noise_kpa) for s in stairs.steps)])
    unseen = _unseen(stairs, plateau, float(u[-1]))
    if unseen:
        level, u = np.append(level, plateau.level_kpa), np.append(u, np.hypot(plateau.u_level_kpa, 0.1 * noise_kpa))
    height = max(float(level[-1] - level[0]), 1e-3)
    left = height * np.geomspace(_LEAST_LEFT, _MOST_LEFT, _GOALS)
    # Any goal is as probable as any other of its order of magnitude; the raster is even in log(left).
    prior = np.log(left) - np.log(height + left)
    log = prior - 0.5 * ((_LOG_SHARES[:, None] - _PRIOR_MEAN) / _PRIOR_SD) ** 2
    log = log + np.logaddexp.reduce([np.log(m.prior) + _followed(level, u, left, m, unseen) for m in _MANNERS])
    p = np.exp(log - log.max())
    share = float(p.sum(axis=1) @ np.exp(_LOG_SHARES) / p.sum())
    return weighed(float(level[-1]), left, p.sum(axis=0), share)


def _unseen(stairs: Staircase, plateau: Plateau, u_kpa: float) -> int:
    """How many strokes may have come after the last that was seen, if the level rose after it; else none."""
    if len(stairs.steps) < 3 or plateau.level_kpa - stairs.steps[-1].level_kpa < 3 * u_kpa:
        return 0
    at = [s.time_s for s in stairs.steps]
    return max(1, round((stairs.last_rise_s - at[-1]) / float(np.median(np.diff(at)))))


def _followed(level: FloatArray, u: FloatArray, left: FloatArray, manner: _Manner, unseen: int) -> FloatArray:
    """Log likelihood of the levels, shape (first shares, goals).

    Args:
        level: shape (n,), from before the first step.
        u: shape (n,), standard uncertainties.
        left: shape (goals,), what is left above the last level.
        manner: how steady the cranking is.
        unseen: strokes that the last step is made of, where they could not be told apart; else 0.
    """
    goal = level[-1] + left
    height = goal - level[0]
    shape = (len(_LOG_SHARES), len(left))
    true = np.full(shape, level[0])
    log_share = np.repeat(_LOG_SHARES[:, None], len(left), axis=1)
    # Covariance of the true level and of the logarithm of the share.
    v_level, both, v_share = np.full(shape, u[0] ** 2), np.zeros(shape), np.zeros(shape)
    log = np.zeros(shape)
    steps = np.diff(level)
    last = len(steps) - 1
    for n in range(last + 1):
        early = min(n, 3)
        share = np.exp(np.minimum(log_share, -0.02))
        gain = share * np.maximum(goal - true, 1e-6)
        kept = 1 - share
        scatter = manner.scatter * _SCATTER[early]
        if n == 0 and last > 0 and steps[0] < _PARTIAL * steps[1]:
            scatter = _PARTIAL_SCATTER
        v_next = kept**2 * v_level + 2 * kept * gain * both + gain**2 * v_share + (share * manner.top * height) ** 2
        both = kept * both + gain * v_share
        miss = level[n + 1] - true - gain
        if n == last and unseen:
            gain = (1 - kept**unseen) * (goal - true)
            v = v_next + u[n + 1] ** 2 + (_UNSEEN_SCATTER * gain) ** 2
            return np.asarray(log - 0.5 * (level[n + 1] - true - gain) ** 2 / v - 0.5 * np.log(v))
        if n == last and last > 0:
            return log + _ended(miss, gain, v_next + u[n + 1] ** 2, scatter)
        v_next = v_next + (scatter * gain) ** 2
        v = v_next + u[n + 1] ** 2
        log = log - 0.5 * (_DEGREES + 1) * np.log1p(miss**2 / (v * _DEGREES)) - 0.5 * np.log(v)
        trust = v_next / v
        true = true + gain + trust * miss
        log_share = log_share + both / v * miss + _moves(share, n)
        v_share = v_share - both**2 / v + (manner.wander * _WANDER[early]) ** 2
        v_level, both = v_next * (1 - trust), both * (1 - trust)
    return log


def _moves(share: FloatArray, n: int) -> FloatArray:
    """How the logarithm of the share is expected to move after stroke `n`.

    A valve too narrow to fill the hose in one stroke passes a larger share the less is left.
    """
    if n == 0:
        return -0.015 - 0.036 * share
    return (0.036 - 0.085 * share) * _EARLY[min(n, 3)]


def _ended(miss: FloatArray, gain: FloatArray, v: FloatArray, scatter: float) -> FloatArray:
    """Log likelihood of the last step, whichever way the last stroke went."""
    like = np.full(miss.shape, 1e-300)
    for weight, spread, shift in _LAST:
        var = v + (gain * np.hypot(spread, scatter)) ** 2
        off = miss - gain * np.expm1(shift)
        like += weight * np.exp(-0.5 * off**2 / var) / np.sqrt(var)
    return np.asarray(np.log(like))
