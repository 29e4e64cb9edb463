"""Least squares for a whole event: damped Gauss-Newton on the arrow-shaped system of strokes and shared shape."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from gaugelink.peak.events import BoolArray, FloatArray
from gaugelink.peak.fit_arrow import Arrow, Factored
from gaugelink.peak.fit_model import LOCAL, SHARED, Seen, Strokes, see
from gaugelink.peak.fit_prior import held_at, terms
from gaugelink.peak.pulse import IndexArray
from gaugelink.peak.response import Response

_TAIL = 8.0
"""Degrees of freedom of the Student-t distribution of the residuals: an outlier counts little. With fewer, a fit that
is wrong can call the samples outliers that speak against it."""

_AS_TOLD, _LESS = 0.75, 0.5
"""Shares of the gain that the equations promise: above the one a step may be freer, below the other it went too far
along a valley that bends (Madsen, Nielsen and Tingleff, Methods for Non-linear Least Squares Problems, 2004)."""
_DONE = 0.02
"""Gain in the cost, a log probability, below which no more steps are made."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Standard deviations of what keeps a sample from the model, in units of the typical height."""

    floor: float
    """Noise of the gauge, resolution included."""
    time_s: float
    """Error of the sample's time, or of the pulse's: counts with the slope."""
    foot: float
    """What the model does not know away from the peak: pumping, exhaust, leak."""
    top: float
    """What the model does not know at the peak, as a share of the height."""
    strange: tuple[float, ...] = ()
    """Of each stroke, by how much its misfit's variance exceeds the others'; empty for not at all."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Samples of an event, zero taken off, in units of the typical height."""

    time_s: FloatArray
    """Shape (n,), rising."""
    pressure: FloatArray
    """Shape (n,)."""
    censored: BoolArray
    """Shape (n,). True where the gauge could only say "at least this"."""
    rod_ratio: float
    response: Response
    gain_mean: float
    gain_sd: float
    from_rest: bool = False
    """Whether the crank stood still before the first stroke."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The fitted event."""

    strokes: Strokes
    seen: Seen
    residual: FloatArray
    """Shape (n,): sample less model; 0 where censored and the model is above."""
    variance: FloatArray
    """Shape (n,): expected square of the residual."""
    weight: FloatArray
    """Shape (n,): 1 for a good sample, towards 0 for an outlier."""
    equations: Factored
    """Of the Gaussian around the strokes."""
    cost: float
    """Negative log posterior, up to a constant."""
    evidence: float
    """Negative log evidence, Laplace's approximation (MacKay, Information Theory, Inference and Learning Algorithms,
    chapter 27), up to a constant: compares fits of the same samples, with other strokes too."""


def variance(seen: Seen, peaks: FloatArray, doubt: Doubt, per_length: FloatArray) -> FloatArray:
    """Expected squared residual, shape (n,). `per_length` is the samples in a stretch over which a misfit holds."""
    away = (1.0 - seen.height) ** 2
    misfit = (doubt.time_s * seen.slope) ** 2 + (doubt.foot * away) ** 2 + (doubt.top * peaks * seen.height) ** 2
    if doubt.strange:
        misfit = misfit * np.repeat(doubt.strange, np.diff(seen.starts))
    return doubt.floor**2 + misfit * per_length


def _stretch(problem: Problem, strokes: Strokes, starts: IndexArray) -> FloatArray:
    """Samples within half a pulse's half-height width, for each sample; at least 1."""
    spacing = float(np.median(np.diff(problem.time_s))) if len(problem.time_s) > 1 else 1.0
    length = 0.55 / np.exp(strokes.log_speed)
    return np.repeat(np.maximum(length / max(spacing, 1e-6), 1.0), np.diff(starts))


def _evaluate(problem: Problem, strokes: Strokes) -> tuple[Seen, FloatArray]:
    seen = see(problem.time_s, strokes, problem.rod_ratio, problem.response)
    residual = problem.pressure - seen.value
    return seen, np.where(problem.censored & (residual < 0.0), 0.0, residual)


def _cost(residual: FloatArray, var: FloatArray) -> float:
    return float((0.5 * (_TAIL + 1.0) * np.log1p(residual**2 / (_TAIL * var)) + 0.5 * np.log(var)).sum())


def solve(problem: Problem, strokes: Strokes, doubt: Doubt, rounds: int = 4, steps: int = 8) -> Fit | None:
    """Most probable strokes near `strokes`, with their covariance; None where prior and samples leave them open.

    The variances of the samples depend on the strokes, but are held while steps are made: else a fit could win by
    widening its own doubts. They are brought up to date in each of `rounds`.
    """
    count = len(strokes.time_s)
    damping = 1e-3
    seen, residual = _evaluate(problem, strokes)
    for turn in range(rounds):
        var = variance(seen, _peaks(seen, strokes), doubt, _stretch(problem, strokes, seen.starts))
        held = held_at(strokes, problem.from_rest)
        prior = terms(strokes, held, problem.gain_mean, problem.gain_sd)
        cost = _cost(residual, var) + prior.cost
        started = cost
        for _ in range(steps):
            normal = prior.arrow()
            weight = (_TAIL + 1.0) / (_TAIL + residual**2 / var)
            _gather(normal, seen, residual, weight / var, problem.censored)
            gained = 0.0
            for _ in range(6):
                step = _step(normal, damping)
                trial = None if step is None else strokes.moved(step[0])
                if step is not None and trial is not None and _possible(strokes, trial):
                    t_seen, t_residual = _evaluate(problem, trial)
                    t_prior = terms(trial, held, problem.gain_mean, problem.gain_sd)
                    t_cost = _cost(t_residual, var) + t_prior.cost
                    if t_cost <= cost:
                        gained = cost - t_cost
                        strokes, seen, residual, prior, cost = trial, t_seen, t_residual, t_prior, t_cost
                        share = gained / max(step[1], 1e-12)
                        damping *= 1.0 / 6.0 if share > _AS_TOLD else 3.0 if share < _LESS else 1.0
                        break
                    if step[1] < 0.5 * _DONE:
                        break
                damping *= 6.0
            damping = float(np.clip(damping, 1e-9, 1e3))
            if gained < _DONE:
                break
        if turn and started - cost < 0.05:
            break
    var = variance(seen, _peaks(seen, strokes), doubt, _stretch(problem, strokes, seen.starts))
    weight = np.minimum((_TAIL + 1.0) / (_TAIL + residual**2 / var), 1.0)
    normal = prior.arrow()
    loose = np.zeros((count, LOCAL))
    loose[:, 0], loose[:, 1], loose[:, 2] = 1.0, np.exp(2.0 * strokes.log_speed), 4.0
    try:
        before = normal.factored(loose).log_determinant()
        _gather(normal, seen, residual, weight / var, problem.censored)
        factored = normal.factored()
        known = factored.log_determinant()
    except np.linalg.LinAlgError:
        # Pulses that no sample lies on, or of which most samples are outliers: there is no maximum, and no width of it.
        return None
    cost = _cost(residual, var) + prior.cost
    return Fit(strokes, seen, residual, var, weight, factored, cost, cost + 0.5 * (known - before))


def _step(normal: Arrow, damping: float) -> tuple[FloatArray, float] | None:
    """A damped step and by how much it should lower the cost; None where it takes more damping."""
    try:
        step = normal.solved(damping)
    except np.linalg.LinAlgError:
        return None
    return step, 0.5 * float(normal.gradient() @ step)


def _peaks(seen: Seen, strokes: Strokes) -> FloatArray:
    return np.repeat(strokes.peak, np.diff(seen.starts))


def _gather(normal: Arrow, seen: Seen, residual: FloatArray, weight: FloatArray, censored: BoolArray) -> None:
    """Add the samples to the normal equations, stroke by stroke: only a stroke's own columns and the shared ones."""
    use = weight * ~(censored & (residual == 0.0))
    weighted = np.empty((len(seen.slopes) + 1, len(use)))
    np.multiply(seen.slopes, use, out=weighted[:-1])
    np.multiply(residual, use, out=weighted[-1])
    products = np.empty((len(seen.starts) - 1, len(seen.slopes), len(weighted)))
    for k, (a, b) in enumerate(pairwise(seen.starts.tolist())):
        np.matmul(seen.slopes[:, a:b], weighted[:, a:b].T, out=products[k])
    normal.add(products[:, :, :-1], products[:, :, -1])


def _possible(before: Strokes, after: Strokes) -> bool:
    """Whether a step keeps the strokes in order and what an engine can be."""
    clearance, exponent, opening = after.shape[:3]
    return bool(
        np.all(np.diff(after.time_s) > 0.0)
        and np.all(np.abs(after.log_speed - before.log_speed) < 0.7)
        and np.all(np.abs(after.lean) < 0.45)
        and -0.3 < after.dwell < 1.5
        and 0.3 < clearance < 3.2
        and 1.0 < exponent < 1.7
        and 0.005 < opening < 0.4
    )


def leverage(fit: Fit) -> FloatArray:
    """Share of each sample's variance that the fit can follow, shape (n,), 0 to 1."""
    covariance = fit.equations.covariance()
    out = np.empty(len(fit.residual))
    for k in range(len(fit.strokes.peak)):
        part = slice(fit.seen.starts[k], fit.seen.starts[k + 1])
        local, shared = fit.seen.slopes[:LOCAL, part].T, fit.seen.slopes[LOCAL:, part].T
        by_shape = local @ covariance.across[k, :, :SHARED]
        own = ((local @ covariance.own[k]) * local).sum(axis=1)
        shape = ((shared @ covariance.border[:SHARED, :SHARED]) * shared).sum(axis=1)
        out[part] = own + 2.0 * (by_shape * shared).sum(axis=1) + shape
    return np.clip(out * fit.weight / fit.variance, 0.0, 0.98)


_TUNED = ("floor", "foot", "time_s", "top")
_FACTORS = (0.4, 0.6, 0.8, 1.25, 1.6, 2.5)
_FOOT_DENSE, _FOOT_PER_SAMPLE, _FOOT_FREE = 0.02, 0.0045, 1.5
"""Least doubt of the foot where samples are many, and for each sample within half a pulse's width beyond so few. What
the model does not know of the foot is alike in all strokes, so it hides from their residuals: the more samples, the
further the shared shape bends to follow pumping and exhaust, and the tops go with it. A slow gauge's tops hang on it.
"""
_STRANGE = 3.0
"""Excess of a stroke's mean squared misfit over the others' that is taken for chance."""


def tuned(problem: Problem, fit: Fit, doubt: Doubt, floor: float) -> Doubt:
    """Doubts that make the fit's residuals likely, pulled towards the present ones; none below `floor` of noise.

    A sample that the fit follows wholly says nothing about the doubts: each counts by what its leverage leaves.
    """
    free = 1.0 - leverage(fit)
    peaks = _peaks(fit.seen, fit.strokes)
    stretch = _stretch(problem, fit.strokes, fit.seen.starts)
    doubt = replace(doubt, strange=_strange(fit, replace(doubt, strange=()), free, peaks, stretch))
    owners = np.repeat(np.arange(len(doubt.strange)), np.diff(fit.seen.starts))
    take = np.flatnonzero(np.array(doubt.strange)[owners] == 1.0)
    take = take[:: max(1, len(take) // 1500)]
    least_foot = min(_FOOT_DENSE, _FOOT_PER_SAMPLE * max(float(np.median(stretch)) - _FOOT_FREE, 0.0))
    usual = replace(doubt, strange=(), foot=max(doubt.foot, least_foot))
    slim = replace(fit.seen, value=fit.seen.value[take], slope=fit.seen.slope[take], height=fit.seen.height[take])
    square, left, peaks, stretch = fit.residual[take] ** 2, free[take], peaks[take], stretch[take]

    def cost(trial: Doubt) -> float:
        var = variance(slim, peaks, trial, stretch)
        data = 0.5 * (_TAIL + 1.0) * np.log1p(square / (left * _TAIL * var)) + 0.5 * np.log(var)
        pull = sum((np.log(getattr(trial, key) / getattr(usual, key)) / 0.7) ** 2 for key in _TUNED)
        return float((left * data).sum() + 0.5 * pull)

    chosen, best = usual, cost(usual)
    for name in _TUNED * 2:
        trials = [replace(chosen, **{name: getattr(chosen, name) * factor}) for factor in _FACTORS]
        costs = [cost(trial) if trial.floor >= floor and trial.foot >= least_foot else np.inf for trial in trials]
        if min(costs) < best:
            best = min(costs)
            chosen = trials[int(np.argmin(costs))]
    return replace(chosen, strange=doubt.strange)


def _strange(fit: Fit, usual: Doubt, free: FloatArray, peaks: FloatArray, stretch: FloatArray) -> tuple[float, ...]:
    """How far the residuals of each stroke exceed those of the better half; 1 for a stroke like the others."""
    var = variance(fit.seen, peaks, usual, stretch)
    ratio = fit.residual**2 / var
    on_pulse = fit.seen.height > 0.03
    count = len(fit.strokes.peak)
    means = np.full(count, np.nan)
    for k in range(count):
        part = slice(fit.seen.starts[k], fit.seen.starts[k + 1])
        weight = free[part] * on_pulse[part]
        if weight.sum() > 1.5:
            means[k] = float((ratio[part] * on_pulse[part]).sum() / weight.sum())
    if np.isnan(means).all():
        return (1.0,) * count
    common = float(np.nanpercentile(means, 30))
    excess = means / max(_STRANGE * common, 1e-12)
    return tuple(float(e) if e > 1.0 else 1.0 for e in excess)
