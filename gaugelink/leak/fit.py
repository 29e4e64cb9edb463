"""Fits the leaking, cooling volume to a decay: the leak rate with its uncertainty, as a mixture over what is unknown.

How fast the air settles (s) and how it gets out (hole or seep) are not known beforehand, and a linearised
uncertainty would say nothing of them. So the model is fitted for a ladder of s and for both regimes; each fit is
Gaussian in the rest (start, leak, heat, drift; with priors on heat and drift), and its weight is its evidence:
the likelihood of the best fit times the volume of its posterior (Laplace's approximation; for example MacKay,
Information Theory, Inference and Learning Algorithms, chapter 27).
"""

from dataclasses import dataclass, replace
from itertools import product
from math import sqrt

import numpy as np

from gaugelink.leak.flow import FloatArray
from gaugelink.leak.posterior import COOLED_SD, Fits, LeakPosterior, combine
from gaugelink.leak.vessel import Regime, VesselStates, leak_function, pressures

LADDERS_S = (np.geomspace(4.0, 25.0, 5), np.geomspace(33.0, 250.0, 5))
"""Ladders of settling times: a small crankcase settles in some ten seconds, a cooling system in minutes.

There are two, because a decay can be read in two ways that lie far apart: air that settles quickly and a larger
hole, or air that settles slowly, cools as it expands, and a smaller one."""
SETTLING_MEDIAN_S, SETTLING_LOG_SD = 40.0, 1.1
HEATED_SHARE = 0.10
"""Standard deviation of the heat that pumping leaves, relative to absolute temperature, as a share of the gauge
pressure over the absolute one. Without any cooling it would be (gamma - 1)/gamma, 0.29; pumping takes longer than
that lasts (from memory)."""

_STEPS = (1e-6, 1e-4, 1e-6, 1e-9, 1e-6)
_ROUGH, _ITERATIONS, _FINISH = 8, 8, 8
_FINE = np.array([-2.4, -1.2, 0.0, 1.2, 2.4])
_WIDEST_LOG_SD = 0.5
_NARROWEST_LOG_S = 1e-9
_LEAST_LOG_SD = 1e-5
_MODES = 3
_MOVES = 6
_HOPELESS = 60.0
_NEAR = 60.0
_STUCK = 1e3
_LOWEST_LEAK, _LEAST_S = -2.0, 200.0
"""A leak below zero blows up with time: no more than so much of it over the whole decay."""
_VAGUE_W = 0.1
"""Start and leak are as good as free, but where the samples say nothing of them the fit must stay defined."""
_MISFIT = 1.2
"""Above this the uncertainties are widened by what the best fit misses (Birge ratio)."""
_SETTLES_S = (1.0, 1000.0)
_RUNGS_SHARING = 2.0


@dataclass(frozen=True, slots=True)
class _Data:
    """What is fitted, and what is known beforehand."""

    time_s: FloatArray
    x: FloatArray
    """Absolute pressure over ambient, shape (m,)."""
    w: FloatArray
    """One over the standard uncertainty of `x`, shape (m,)."""
    heat_w: float
    """One over the standard deviation of the heat."""
    drift_w: float
    """One over the standard deviation of the drift."""
    coarse_w: FloatArray
    """As `w`, with the rounding error of a single sample in every block; shape (m,)."""


@dataclass(frozen=True, slots=True)
class _Ladder:
    """One regime, fitted for each settling time of a ladder."""

    regime: Regime
    settling_s: FloatArray
    """Shape (s,)."""
    theta: FloatArray
    """Start, leak, heat, drift and the logarithm of the settling time, shape (5, s)."""
    misfit: FloatArray
    """Weighted squares of the residuals, shape (s,)."""
    coarse_misfit: FloatArray
    """The same by `coarse_w`, shape (s,)."""
    centre: FloatArray
    """Where the Gaussian has its centre when nothing cuts the heat, shape (4, s)."""
    covariance: FloatArray
    """Shape (s, 4, 4)."""
    log_evidence: FloatArray
    """Without the cuts, shape (s,)."""
    score: FloatArray
    """Log of prior times likelihood at the best fit, shape (s,)."""
    settling_sd: FloatArray
    """Standard deviation of the logarithm of the settling time, where it was fitted; shape (s,)."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    """One regime to be fitted on a ladder of settling times."""

    regime: Regime
    settling_s: FloatArray
    start: FloatArray | None = None
    """Parameters to begin from, shape (5, s)."""

    def begin(self, data: _Data) -> FloatArray:
        """Where the fit begins, shape (5, s)."""
        n = len(self.settling_s)
        theta = np.repeat(_guess(data, self.regime)[:, None], n, axis=1) if self.start is None else self.start.copy()
        theta[4] = np.log(self.settling_s)
        return theta


def fit_leak(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    u_kpa: FloatArray,
    *,
    ambient_abs_kpa: float,
    drift_sd_per_s: float,
    at_kpa: float,
    step_kpa: float = 0.0,
) -> LeakPosterior:
    """Fit the blocks of a decay; times from the moment at which the valve closed.

    Args:
        time_s: shape (m,), rising.
        pressure_kpa: shape (m,), gauge pressure.
        u_kpa: shape (m,), standard uncertainties.
        ambient_abs_kpa: ambient pressure.
        drift_sd_per_s: standard uncertainty of the relative drift of the wall's temperature, 1/s.
        at_kpa: gauge pressure that the rate is told at.
        step_kpa: the gauge's resolution.
    """
    x = 1.0 + pressure_kpa / ambient_abs_kpa
    heat_sd = HEATED_SHARE * max(float(x[0]) - 1.0, 1e-3) / float(x[0])
    coarse_w = ambient_abs_kpa / np.hypot(u_kpa, step_kpa / sqrt(12.0))
    data = _Data(time_s, x, ambient_abs_kpa / u_kpa, 1.0 / heat_sd, 1.0 / max(drift_sd_per_s, 1e-12), coarse_w)
    at_x = 1.0 + at_kpa / ambient_abs_kpa
    ladders = _climb(data)
    degrees = max(1, len(time_s) - 4)
    misfit, coarse = (
        min(float(squares.min()) for squares in of) / degrees
        for of in ([ladder.misfit for ladder in ladders], [ladder.coarse_misfit for ladder in ladders])
    )
    if misfit > _MISFIT:
        ladders = _climb(replace(data, w=data.w / sqrt(misfit)))
    parts = [_rates(ladder, at_x, ambient_abs_kpa) for ladder in ladders]
    fits = Fits(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    return combine(fits, misfit, coarse)


def _rates(ladder: _Ladder, at_x: float, ambient_abs_kpa: float) -> tuple[FloatArray, ...]:
    """The columns of `Fits` for one ladder."""
    per_k = at_x * float(leak_function(np.array([at_x]), ladder.regime)[0]) * ambient_abs_kpa * 60.0
    cov = ladder.covariance
    leak_sd, heat_sd = np.sqrt(cov[:, 1, 1]), np.sqrt(cov[:, 2, 2])
    n = len(ladder.settling_s)
    return (
        # Rate, not k, has the flat prior, so that hole and seep are weighed on the same scale.
        ladder.log_evidence + np.log(per_k),
        per_k * ladder.centre[1],
        np.maximum(per_k * leak_sd, 1e-9),
        ladder.centre[2],
        heat_sd,
        np.clip(cov[:, 1, 2] / (leak_sd * heat_sd), -0.999999, 0.999999),
        ladder.theta[0] * ambient_abs_kpa,
        np.log(ladder.settling_s),
        np.full(n, 1.0 if ladder.regime is Regime.HOLE else 0.0),
    )


def _climb(data: _Data) -> list[_Ladder]:
    """Fit on the ladders; where one rung stands out, find the settling time itself and lay a fine ladder around it."""
    coarse = _fit(data, [_Wanted(regime, ladder) for regime, ladder in product(Regime, LADDERS_S)], _ROUGH)
    done: list[_Ladder] = []
    narrow: list[_Ladder] = []
    for ladder in coarse:
        share = np.exp(ladder.log_evidence - ladder.log_evidence.max())
        (done if share.sum() ** 2 / np.sum(share**2) >= _RUNGS_SHARING else narrow).append(ladder)
    if not narrow:
        return done
    # There may be two best settling times far apart, and which of them a rung leads to is not known beforehand.
    modes = _fit(data, [_Wanted(one.regime, one.settling_s, one.theta) for one in narrow], _ITERATIONS, free=True)
    fine = []
    for regime in Regime:
        own = [mode for mode in modes if mode.regime is regime]
        if own:
            fine += [_around(regime, *mode) for mode in _distinct(own)]
    return done + _centred(data, fine)


def _centred(data: _Data, fine: list[_Wanted]) -> list[_Ladder]:
    """Fit fine ladders, and move or narrow those whose evidence is not spread over their rungs."""
    done: list[_Ladder] = []
    for _ in range(_MOVES):
        fitted = _fit(data, fine, _FINISH)
        highest = max(float(ladder.log_evidence.max()) for ladder in (*fitted, *done))
        fine = []
        for ladder in fitted:
            evidence, log_s = ladder.log_evidence, ladder.theta[4]
            best, last = int(np.argmax(evidence)), len(log_s) - 1
            share = np.exp(evidence - evidence.max())
            sharing = share.sum() ** 2 / np.sum(share**2) >= _RUNGS_SHARING
            at_end = best in (0, last) and _SETTLES_S[0] * 1.01 < ladder.settling_s[best] < _SETTLES_S[1] / 1.01
            if (
                evidence[best] < highest - _HOPELESS
                or last < 2
                or np.min(np.diff(log_s)) < _NARROWEST_LOG_S
                or (sharing and not at_end)
            ):
                done.append(ladder)
                continue
            # A parabola through the best rung and its neighbours tells where the top is and how wide.
            middle = min(max(best, 1), last - 1)
            bend, tilt = _parabola(log_s[middle - 1 : middle + 2], evidence[middle - 1 : middle + 2])
            sd = float(log_s[-1] - log_s[0]) / 4.8
            if bend < 0:
                move, sd = -tilt / (2.0 * bend), min(sd * 3.0, float(1.0 / np.sqrt(-2.0 * bend)))
            else:
                move = float(np.sign(tilt)) * sd * 4.0
            theta = ladder.theta[:, best].copy()
            theta[4] = log_s[middle] + np.clip(move, -10.0 * sd, 10.0 * sd)
            fine.append(_around(ladder.regime, theta, sd))
        if not fine:
            return done
    return done + [ladder for ladder in fitted if not any(ladder is one for one in done)]


def _parabola(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Half the curvature and the slope, at the middle one, of the parabola through three points."""
    left, right = float(x[0] - x[1]), float(x[2] - x[1])
    fall, rise = float(y[0] - y[1]) / left, float(y[2] - y[1]) / right
    bend = (rise - fall) / (right - left)
    return bend, fall - bend * left


def _distinct(modes: list[_Ladder]) -> list[tuple[FloatArray, float]]:
    """The modes that differ, best first, at most `_MODES`: parameters and spread of the settling time."""
    theta = np.concatenate([mode.theta for mode in modes], axis=1)
    score = np.concatenate([mode.score for mode in modes])
    sd = np.concatenate([mode.settling_sd for mode in modes])
    found: list[tuple[FloatArray, float]] = []
    for best in np.argsort(-score):
        near = [abs(theta[4, best] - other[4]) < max(4.0 * spread, 0.05) for other, spread in found]
        if not any(near) and len(found) < _MODES:
            found.append((theta[:, best], float(sd[best])))
    return found


def _around(regime: Regime, theta: FloatArray, sd: float) -> _Wanted:
    """A fine ladder around a mode."""
    spread = float(np.clip(sd, _LEAST_LOG_SD, _WIDEST_LOG_SD))
    settling_s = np.unique(np.clip(np.exp(theta[4] + spread * _FINE), *_SETTLES_S))
    return _Wanted(regime, settling_s, np.repeat(theta[:, None], len(settling_s), axis=1))


def _fit(data: _Data, wanted: list[_Wanted], iterations: int, *, free: bool = False) -> list[_Ladder]:
    """Gauss-Newton with damping for every settling time of every ladder side by side; `free` fits these as well."""
    wanted = sorted(wanted, key=lambda one: one.regime is not Regime.HOLE)
    holes = sum(len(one.settling_s) for one in wanted if one.regime is Regime.HOLE)
    theta = np.concatenate([one.begin(data) for one in wanted], axis=1)
    damping = np.full(theta.shape[1], 1e-4)
    settled = np.zeros(theta.shape[1], dtype=np.bool_)
    prior_w = _prior_weights(theta, data)
    model, jacobian = _model_and_jacobian(theta, data, holes, free)
    cost = _cost(model, data, theta, prior_w)
    for _ in range(iterations):
        normal, gradient = _normal(model, jacobian, data, theta, prior_w)
        damped = normal * (1.0 + damping[:, None, None] * np.eye(5))
        change = np.linalg.solve(damped, gradient[..., None])[..., 0].T
        if not free:
            change[4] = 0.0
        trial = theta + change
        trial[0] = np.clip(trial[0], 1.0 + 1e-6, 20.0)
        # The leak may come out a little below zero: a tight volume must be free to look tight on both sides.
        lowest = np.maximum(-0.2 * np.abs(theta[1]) - 1e-4, _LOWEST_LEAK / max(float(data.time_s[-1]), _LEAST_S))
        trial[1] = np.clip(trial[1], lowest, 10.0 * np.abs(theta[1]) + 1e-3)
        trial[2] = np.clip(trial[2], -0.15, 0.25)
        trial[4] = np.clip(trial[4], *np.log(_SETTLES_S))
        new_model, new_jacobian = _model_and_jacobian(trial, data, holes, free)
        new_prior_w = _prior_weights(trial, data)
        new_cost = _cost(new_model, data, trial, new_prior_w)
        better = new_cost < cost
        gained = np.where(better, cost - new_cost, 0.0)
        # Fits far from the best one need only go on while they come closer by much.
        enough = np.where(cost < cost.min() + _NEAR, 1e-2, 0.05 * cost)
        theta = np.where(better, trial, theta)
        model = np.where(better, new_model, model)
        jacobian = np.where(better[None, None, :], new_jacobian, jacobian)
        prior_w = np.where(better, new_prior_w, prior_w)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, damping * 0.1, damping * 10.0)
        settled = (better & (gained < enough)) | (damping > _STUCK) | (settled & ~better)
        if bool(settled.all()):
            break
    return _ladders(wanted, data, theta, model, jacobian)


def _ladders(
    wanted: list[_Wanted], data: _Data, theta: FloatArray, model: FloatArray, jacobian: FloatArray
) -> list[_Ladder]:
    """Read the Gaussians off the fits, the narrow side of the heat's prior put aside: the cut comes later."""
    wide = _prior_weights(np.abs(theta), data)
    normal, gradient = _normal(model, jacobian, data, theta, wide)
    variance = np.nan_to_num(np.linalg.inv(normal)[:, 4, 4], nan=1.0)
    settling_sd: FloatArray = np.sqrt(np.maximum(variance, _LEAST_LOG_SD**2)).astype(np.float64)
    score = -0.5 * _cost(model, data, theta, _prior_weights(theta, data))
    normal, gradient = normal[:, :4, :4], gradient[:, :4]
    covariance: FloatArray = np.linalg.inv(normal).astype(np.float64)
    move = np.einsum("sab,sb->as", covariance, gradient)
    misfit, coarse = (np.sum(((data.x - model.T) * w) ** 2, axis=1) for w in (data.w, data.coarse_w))
    cost = _cost(model, data, theta, wide) - np.einsum("sa,as->s", gradient, move)
    log_det: FloatArray = np.linalg.slogdet(covariance)[1]
    found, first = [], 0
    for one in wanted:
        rungs = slice(first, first + len(one.settling_s))
        first += len(one.settling_s)
        log_s = theta[4, rungs]
        width = np.gradient(log_s) if len(log_s) > 1 else np.ones(1)
        found.append(
            _Ladder(
                one.regime,
                np.exp(log_s),
                theta[:, rungs],
                misfit[rungs],
                coarse[rungs],
                theta[:4, rungs] + move[:, rungs],
                covariance[rungs],
                -0.5 * cost[rungs] + 0.5 * log_det[rungs] + np.log(np.maximum(width, 1e-9)),
                score[rungs],
                settling_sd[rungs],
            )
        )
    return found


def _guess(data: _Data, regime: Regime) -> FloatArray:
    """Half of the fall taken for leak, none for heat."""
    span = max(float(data.time_s[-1] - data.time_s[0]), 1e-3)
    rough = max(1e-7, float(np.log(data.x[0] / max(data.x[-1], 1.0))) / span)
    scale = max(float(leak_function(data.x[:1], regime)[0]), 1e-3)
    return np.array([data.x[0], 0.5 * rough / scale, 0.0, 0.0, 0.0])


def _prior_weights(theta: FloatArray, data: _Data) -> FloatArray:
    """One over the prior's standard deviations, shape (5, s); heat has a narrow side and a wide one."""
    n = theta.shape[1]
    heat = np.where(theta[2] < 0.0, 1.0 / COOLED_SD, data.heat_w)
    rest = (np.full(n, _VAGUE_W), np.full(n, _VAGUE_W))
    return np.stack([*rest, heat, np.full(n, data.drift_w), np.full(n, 1.0 / SETTLING_LOG_SD)])


def _off(theta: FloatArray) -> FloatArray:
    """By how much the parameters are off what is expected beforehand, shape (5, s)."""
    off = theta.copy()
    off[4] -= np.log(SETTLING_MEDIAN_S)
    return off


def _normal(
    model: FloatArray, jacobian: FloatArray, data: _Data, theta: FloatArray, prior_w: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Normal matrix (s, 5, 5) and downhill gradient (s, 5)."""
    weighted = np.ascontiguousarray((jacobian * data.w[:, None, None]).transpose(2, 1, 0))
    residual = ((data.x[:, None] - model) * data.w[:, None]).T
    normal = weighted @ weighted.transpose(0, 2, 1) + (prior_w**2).T[:, :, None] * np.eye(5)
    return normal, (weighted @ residual[..., None])[..., 0] - (prior_w**2 * _off(theta)).T


def _cost(model: FloatArray, data: _Data, theta: FloatArray, prior_w: FloatArray) -> FloatArray:
    misfit = np.sum(((data.x[:, None] - model) * data.w[:, None]) ** 2, axis=0)
    return np.asarray(misfit + np.sum((prior_w * _off(theta)) ** 2, axis=0))


def _model_and_jacobian(theta: FloatArray, data: _Data, holes: int, free: bool) -> tuple[FloatArray, FloatArray]:
    """Model (m, s) and its derivatives (m, 5, s) by forward differences, all in one integration.

    The derivative by the settling time stays zero where it is not free.
    """
    n, m, moves = theta.shape[1], len(data.time_s), 5 if free else 4
    steps = np.tile(np.array(_STEPS)[:, None], (1, n))
    steps[1] = np.maximum(1e-5 * np.abs(theta[1]), 1e-9)
    moved = np.stack([theta] + [theta + np.eye(5)[:, [a]] * steps for a in range(moves)], axis=1)
    sets = np.concatenate([moved[:, :, :holes].reshape(5, -1), moved[:, :, holes:].reshape(5, -1)], axis=1)
    border = (1 + moves) * holes
    out = pressures(VesselStates(sets[0], sets[1], sets[2], sets[3], np.exp(sets[4]), border), data.time_s)
    parts = np.concatenate(
        [out[:, :border].reshape(m, 1 + moves, holes), out[:, border:].reshape(m, 1 + moves, n - holes)], axis=2
    )
    jacobian = np.zeros((m, 5, n))
    jacobian[:, :moves] = (parts[:, 1:] - parts[:, :1]) / steps[None, :moves]
    return parts[:, 0], jacobian
