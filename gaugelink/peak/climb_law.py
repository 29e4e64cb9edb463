"""How likely the levels of a staircase are for every goal, by a law for the share that each stroke takes.

For a supposed goal every step tells the share k of what was left that its stroke took. Shares of neighbouring strokes
are nearly alike, so only some goals make sense of all steps. The share is followed from stroke to stroke together
with the true level by an extended Kalman filter, for every goal and first share of a raster at once; what the filter
did not expect is the likelihood. The numbers are measured on simulated engines.
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray

LOG_SHARES = np.linspace(np.log(0.06), np.log(0.92), 46)
LOG_PRIOR = -0.5 * ((LOG_SHARES + 1.02) / 0.42) ** 2
"""Prior of the logarithm of the first share, for hoses of a fifth to four fifths of the clearance volume."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How steady the cranking is."""

    prior: float
    scatter: float
    """Factor on the scatter of the shares."""
    wander: float
    """Factor on how far the share moves from one stroke to the next."""
    top: float
    """Scatter of the pressure that the cylinder reaches, as a share of it."""
    slows: float = 0.0
    """By how much the logarithm of the share falls from an empty hose to a full one, because gas stays warm."""


MANNERS = (Manner(0.7, 1.3, 1.6, 0.0015), Manner(0.3, 3.0, 3.0, 0.015))
"""A starter, and an arm."""
WARM_MANNERS = tuple(
    Manner(manner.prior / 3, manner.scatter, 3.0 * manner.wander, manner.top, slows)
    for manner in MANNERS
    for slows in (0.25, 0.6, 0.95)
)
"""The same where gas stays warm in the hose. An empty hose cools what comes in while it comes; the fuller it is, the
less of that its walls take, by density and by flow, down to nothing. Then a rise to the same pressure leaves Tw over
gamma T of itself when it has cooled, T being the 500 to 550 K of cranked gas: the logarithm of the share falls by 1 at
most. By how much, and how little a spring-loaded valve opens when little pushes it, moves it about more."""
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
_UNSEEN_PRIOR, _UNSEEN_SCATTER = 0.5, 0.3
"""Chance that strokes too small to be seen followed the last that was, and the scatter of what they added together:
nobody knows how many there were."""


@dataclass(frozen=True, slots=True)
class Levels:
    """What is known of a staircase."""

    level_kpa: FloatArray
    """Shape (n + 1,), from before the first step to after the last that was seen."""
    u_kpa: FloatArray
    """Shape (n + 1,), standard uncertainties."""
    strokes: tuple[int, ...]
    """n numbers: how many strokes each step may hold."""
    plateau_kpa: float
    u_plateau_kpa: float
    unseen: int
    """How many strokes there was time for after the last that was seen; at least 1."""


class _Course:
    """True level and share of every goal and first share, followed from stroke to stroke; arrays of both axes."""

    def __init__(self, level_kpa: float, u_kpa: float, goal: FloatArray) -> None:
        shape = (len(LOG_SHARES), len(goal))
        self.goal = goal
        self.level = np.full(shape, level_kpa)
        self.log_share = np.repeat(LOG_SHARES[:, None], len(goal), axis=1)
        self.v_level, self.both, self.v_share = np.full(shape, u_kpa**2), np.zeros(shape), np.zeros(shape)

    def expect(self, strokes: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The next step, and the variance of the level and covariance with the share after it, no scatter counted."""
        share = np.exp(np.minimum(self.log_share, -0.02))
        kept_before = (1 - share) ** (strokes - 1)
        kept = kept_before * (1 - share)
        room = np.maximum(self.goal - self.level, 1e-6)
        step = (1 - kept) * room
        # Change of the step with the logarithm of the share of one stroke.
        by_share = strokes * kept_before * share * room
        v = kept**2 * self.v_level + 2 * kept * by_share * self.both + by_share**2 * self.v_share
        return step, v, kept * self.both + by_share * self.v_share

    def expect_either(self, strokes: int, level_kpa: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The next step if it is one stroke's after a pause, or that of several, whichever comes closer to a level."""
        one = self.expect(1)
        if strokes == 1:
            return one
        several = self.expect(strokes)
        rise = level_kpa - self.level
        closer = np.abs(rise - several[0]) < np.abs(rise - one[0])
        step, v, both = (np.where(closer, b, a) for a, b in zip(one, several, strict=True))
        return step, v, both

    def take(self, step: FloatArray, miss: FloatArray, v_level: FloatArray, both: FloatArray, v: FloatArray) -> None:
        """Believe a level that is off what was expected by `miss`, whose variance is `v`."""
        trust = v_level / v
        self.level = self.level + step + trust * miss
        self.log_share = self.log_share + both / v * miss
        self.v_share = self.v_share - both**2 / v
        self.v_level, self.both = v_level * (1 - trust), both * (1 - trust)

    def move(self, n: int, wander: float, slower: FloatArray | float) -> None:
        """What becomes of the share after stroke `n`, which `slower` takes off its logarithm.

        A valve too narrow to fill the hose in one stroke passes a larger share the less is left.
        """
        share = np.exp(np.minimum(self.log_share, -0.02))
        late = (0.036 - 0.085 * share) * _EARLY[min(n, 3)]
        self.log_share = self.log_share + (late if n else -0.015 - 0.036 * share) - slower
        self.v_share = self.v_share + wander**2


def log_likelihood(seen: Levels, left_kpa: FloatArray, manner: Manner) -> FloatArray:
    """Log likelihood of the levels, shape (first shares, goals).

    Args:
        seen: the levels.
        left_kpa: shape (goals,), what is left above the plateau.
        manner: how steady the cranking is.
    """
    goal = seen.plateau_kpa + left_kpa
    level, u = seen.level_kpa, seen.u_kpa
    course = _Course(float(level[0]), float(u[0]), goal)
    log = np.zeros_like(course.level)
    steps = np.diff(level)
    last = len(steps) - 1
    for n, strokes in enumerate(seen.strokes):
        scatter = manner.scatter * _SCATTER[min(n, 3)]
        if n == 0 and last > 0 and steps[0] < _PARTIAL * steps[1]:
            scatter = _PARTIAL_SCATTER
        step, v_level, both = course.expect_either(strokes, float(level[n + 1]))
        v_level = v_level + (step * manner.top * (goal - level[0]) / np.maximum(goal - course.level, 1e-6)) ** 2
        if n == last:
            ended = _ended(seen, course.level + step, step, v_level, scatter if n else _PARTIAL_SCATTER)
        v_level = v_level + (scatter * step) ** 2
        v = v_level + u[n + 1] ** 2
        miss = level[n + 1] - course.level - step
        before, below = log, course.level
        log = log - 0.5 * (_DEGREES + 1) * np.log1p(miss**2 / (v * _DEGREES)) - 0.5 * np.log(v)
        course.take(step, miss, v_level, both, v)
        slower = manner.slows * (course.level - below) / (goal - level[0]) if manner.slows else 0.0
        course.move(n, manner.wander * _WANDER[min(n, 3)], slower)
        if n == last:
            ended = before + ended + np.log(1 - _UNSEEN_PRIOR)
            log = np.logaddexp(ended, log + np.log(_UNSEEN_PRIOR) + _went_on(seen, course))
    return log


def _ended(seen: Levels, expected: FloatArray, step: FloatArray, v_level: FloatArray, scatter: float) -> FloatArray:
    """Log likelihood of the last step and the plateau, if nothing came after, whichever way the last stroke went."""
    u2, v2 = float(seen.u_kpa[-1]) ** 2, seen.u_plateau_kpa**2
    # The level after the step and the plateau are two readings of one level.
    level = (seen.level_kpa[-1] * v2 + seen.plateau_kpa * u2) / (u2 + v2)
    apart = seen.plateau_kpa - float(seen.level_kpa[-1])
    same = -0.5 * apart**2 / (u2 + v2) - 0.5 * np.log(u2 + v2)
    like = np.full(step.shape, 1e-300)
    for weight, spread, shift in _LAST:
        v = v_level + u2 * v2 / (u2 + v2) + (step * np.hypot(spread, scatter)) ** 2
        off = level - expected - step * np.expm1(shift)
        like += weight * np.exp(-0.5 * off**2 / v) / np.sqrt(v)
    return np.asarray(np.log(like) + same)


def _went_on(seen: Levels, course: _Course) -> FloatArray:
    """Log likelihood of the plateau, if strokes too small to be seen led to it."""
    step, v_level, _ = course.expect(seen.unseen)
    v = v_level + (_UNSEEN_SCATTER * step) ** 2 + seen.u_plateau_kpa**2
    return np.asarray(-0.5 * (seen.plateau_kpa - course.level - step) ** 2 / v - 0.5 * np.log(v))
