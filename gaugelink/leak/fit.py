"""Fits the leaking, cooling volume to a decay: the leak rate with its uncertainty, as a mixture over what is unknown.

How fast the air settles (s) and how it gets out (hole or seep) are not known beforehand, and a linearised
uncertainty would say nothing of them. So the model is fitted for a ladder of s and for both regimes; each fit is
Gaussian in the rest (start, leak, heat, drift; with priors on heat and drift), and its weight is its evidence:
the likelihood of the best fit times the volume of its posterior (Laplace's approximation; for example MacKay,
Information Theory, Inference and Learning Algorithms, chapter 27).
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import ndtr

from gaugelink.leak.flow import FloatArray
from gaugelink.leak.vessel import Regime, VesselStates, leak_function, pressures

LADDERS_S = (np.geomspace(4.0, 25.0, 5), np.geomspace(33.0, 250.0, 5))
"""Ladders of settling times: a small crankcase settles in some ten seconds, a cooling system in minutes.

There are two, because a decay can be read in two ways that lie far apart: air that settles quickly and a larger
hole, or air that settles slowly, cools as it expands, and a smaller one."""
SETTLING_MEDIAN_S, SETTLING_LOG_SD = 40.0, 1.1
HEATED_SD = 0.03
"""How much warmer than the wall, relative to absolute temperature, pumped air may be: 9 K. From memory."""
COOLED_SD = 0.002
"""How much colder it may be: compression warms, so hardly at all. This tells the two readings of a decay apart."""

_STEPS = (1e-5, 1e-4, 1e-4, 1e-7)
_ITERATIONS = 8
_LADDERS = 6
_RUNGS_SHARING = 2.0


@dataclass(frozen=True, slots=True)
class LeakPosterior:
    """What is known of the fall of pressure by the leak alone at the test's start: a mixture of normals, cut at 0."""

    weight: FloatArray
    """Shape (c,), sums to 1."""
    mean: FloatArray
    """Shape (c,), kPa/min."""
    sd: FloatArray
    """Shape (c,), kPa/min."""
    hole_share: float
    """Weight of the fits with a hole; the rest is a seep."""
    heated_kpa: float
    """Pressure at the start that is due to warm air, weighted over the fits."""
    heated_u_kpa: float
    """Its standard uncertainty."""
    settling_s: float
    """Settling time, weighted geometric mean."""
    chi2_per_point: float
    """Misfit of the best fit; near 1 when the model says it all."""

    def below(self, rate: float) -> float:
        """Probability that the leak rate is below `rate`, in kPa/min."""
        at_zero = ndtr(-self.mean / self.sd)
        upto = ndtr((rate - self.mean) / self.sd)
        # What a fit puts below zero is taken off it: air does not leak in.
        mass = float(np.sum(self.weight * (1.0 - at_zero)))
        if mass < 1e-12:
            return 1.0 if rate > 0 else 0.0
        return float(np.clip(np.sum(self.weight * np.maximum(upto - at_zero, 0.0)) / mass, 0.0, 1.0))

    def quantile(self, share: float) -> float:
        """Leak rate in kPa/min below which it lies with probability `share`."""
        low, high = 0.0, float(np.max(self.mean + 8.0 * self.sd).clip(1e-9))
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.below(middle) < share else (low, middle)
        return 0.5 * (low + high)


def fit_leak(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    u_kpa: FloatArray,
    *,
    ambient_abs_kpa: float,
    drift_sd_per_s: float,
    at_kpa: float | None = None,
) -> LeakPosterior:
    """Fit the blocks of a decay; times from the moment at which the valve closed.

    Args:
        time_s: shape (m,), rising.
        pressure_kpa: shape (m,), gauge pressure.
        u_kpa: shape (m,), standard uncertainties.
        ambient_abs_kpa: ambient pressure.
        drift_sd_per_s: standard uncertainty of the relative drift of the wall's temperature, 1/s.
        at_kpa: gauge pressure that the rate is told at; the fitted start when not given.
    """
    x = 1.0 + pressure_kpa / ambient_abs_kpa
    w = ambient_abs_kpa / u_kpa
    weights, means, sds, heats, heat_vars, settlings, chis, holes = [], [], [], [], [], [], [], []
    for regime, first in product(Regime, LADDERS_S):
        ladder, best, cost, cov = _climb(time_s, x, w, drift_sd_per_s, regime, first)
        at_x = best[0] if at_kpa is None else np.full_like(best[0], 1.0 + at_kpa / ambient_abs_kpa)
        per_k = at_x * leak_function(at_x, regime) * ambient_abs_kpa * 60.0
        # Rate, not k, has the flat prior, so that hole and seep are weighed on the same scale.
        weights.append(_log_evidence(ladder, cost, cov) + np.log(per_k))
        means.append(per_k * best[1])
        sds.append(per_k * np.sqrt(cov[:, 1, 1]))
        heats.append(best[2] * best[0] * ambient_abs_kpa)
        heat_vars.append(cov[:, 2, 2] * (best[0] * ambient_abs_kpa) ** 2)
        settlings.append(np.log(ladder))
        chis.append(cost)
        holes.append(np.full(len(ladder), regime is Regime.HOLE))
    log_w = np.concatenate(weights)
    weight = np.exp(log_w - log_w.max())
    weight /= weight.sum()
    heat, heat_var = np.concatenate(heats), np.concatenate(heat_vars)
    mean_heat = float(np.sum(weight * heat))
    return LeakPosterior(
        weight=weight,
        mean=np.concatenate(means),
        sd=np.maximum(np.concatenate(sds), 1e-9),
        hole_share=float(np.sum(weight[np.concatenate(holes)])),
        heated_kpa=mean_heat,
        heated_u_kpa=float(np.sqrt(np.sum(weight * (heat_var + (heat - mean_heat) ** 2)))),
        settling_s=float(np.exp(np.sum(weight * np.concatenate(settlings)))),
        chi2_per_point=float(np.concatenate(chis).min() / max(1, len(time_s) - 4)),
    )


def _log_evidence(ladder: FloatArray, cost: FloatArray, cov: FloatArray) -> FloatArray:
    """Log of prior times likelihood times posterior volume times the rung's width, for each rung; shape (s,)."""
    log_s = np.log(ladder)
    prior = -0.5 * ((log_s - np.log(SETTLING_MEDIAN_S)) / SETTLING_LOG_SD) ** 2
    log_det: FloatArray = np.linalg.slogdet(cov)[1]
    return np.asarray(prior - 0.5 * cost + 0.5 * log_det + np.log(np.gradient(log_s)))


def _climb(
    time_s: FloatArray, x: FloatArray, w: FloatArray, drift_sd: float, regime: Regime, ladder: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Fit on a ladder of settling times, and on finer ladders around the best rung until several rungs share."""
    start = None
    for _ in range(_LADDERS):
        theta, cost, cov = _fit_regime(time_s, x, w, drift_sd, regime, ladder, start)
        log_w = _log_evidence(ladder, cost, cov)
        share = np.exp(log_w - log_w.max())
        if share.sum() ** 2 / np.sum(share**2) >= _RUNGS_SHARING:
            break
        best = int(np.argmax(log_w))
        low, high = ladder[max(best - 1, 0)], ladder[min(best + 1, len(ladder) - 1)]
        spread = ladder[1] / ladder[0]
        if best in (0, len(ladder) - 1):
            low, high = ladder[best] / spread, ladder[best] * spread
        ladder = np.geomspace(max(low, 1.0), min(high, 1000.0), len(ladder))
        start = theta[:, best]
    return ladder, theta, cost, cov


def _fit_regime(
    time_s: FloatArray,
    x: FloatArray,
    w: FloatArray,
    drift_sd: float,
    regime: Regime,
    ladder: FloatArray,
    start: FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauss-Newton for every settling time side by side: parameters (4, s), cost (s,), covariance (s, 4, 4)."""
    n = len(ladder)
    rough = max(1e-7, float(np.log((x[0] - 0.0) / max(x[-1], 1.0)) / max(time_s[-1] - time_s[0], 1e-3)))
    scale = max(float(leak_function(np.array([x[0]]), regime)[0]), 1e-3)
    guess = np.array([x[0], 0.5 * rough / scale, 0.0, 0.0]) if start is None else start
    theta = np.repeat(guess[:, None], n, axis=1)
    drift_w = 1.0 / max(drift_sd, 1e-12)
    prior_w = _prior_weights(theta, drift_w)
    cost = np.full(n, np.inf)
    damping = np.full(n, 1e-4)
    model, jacobian = _model_and_jacobian(theta, time_s, regime, ladder)
    cost = _cost(model, x, w, theta, prior_w)
    normal = np.zeros((n, 4, 4))
    for _ in range(_ITERATIONS):
        weighted = jacobian * w[:, None, None]
        normal = np.einsum("mia,mib->iab", weighted, weighted) + _diagonal(prior_w**2)
        residual = (x[:, None] - model) * w[:, None]
        gradient = np.einsum("mia,mi->ia", weighted, residual) - (prior_w**2 * theta).T
        diagonal = np.einsum("iaa->ia", normal)
        damped = normal + damping[:, None, None] * np.einsum("ia,ab->iab", diagonal, np.eye(4))
        change = np.linalg.solve(damped, gradient[..., None])[..., 0].T
        trial = theta + change
        trial[0] = np.clip(trial[0], 1.0 + 1e-6, 20.0)
        # The leak may come out a little below zero: a tight volume must be free to look tight on both sides.
        trial[1] = np.clip(trial[1], -0.2 * np.abs(theta[1]) - 1e-4, 10.0 * np.abs(theta[1]) + 1e-3)
        trial[2] = np.clip(trial[2], -0.15, 0.15)
        new_model, new_jacobian = _model_and_jacobian(trial, time_s, regime, ladder)
        new_prior_w = _prior_weights(trial, drift_w)
        new_cost = _cost(new_model, x, w, trial, new_prior_w)
        better = new_cost < cost
        gained = float(np.max(np.where(better, cost - new_cost, 0.0)))
        theta = np.where(better, trial, theta)
        model = np.where(better, new_model, model)
        jacobian = np.where(better[None, :, None], new_jacobian, jacobian)
        prior_w = np.where(better, new_prior_w, prior_w)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, damping * 0.1, damping * 10.0)
        if gained < 1e-3 and bool(better.any()):
            break
    weighted = jacobian * w[:, None, None]
    normal = np.einsum("mia,mib->iab", weighted, weighted) + _diagonal(prior_w**2)
    return theta, cost, np.linalg.inv(normal)


def _prior_weights(theta: FloatArray, drift_w: float) -> FloatArray:
    """One over the prior's standard deviations, shape (4, s); heat has a narrow side and a wide one."""
    none = np.zeros(theta.shape[1])
    heat = np.where(theta[2] < 0.0, 1.0 / COOLED_SD, 1.0 / HEATED_SD)
    return np.stack([none, none, heat, np.full(theta.shape[1], drift_w)])


def _diagonal(weights: FloatArray) -> FloatArray:
    """Weights of shape (4, s) as s diagonal matrices."""
    return np.asarray(np.einsum("as,ab->sab", weights, np.eye(len(weights))))


def _cost(model: FloatArray, x: FloatArray, w: FloatArray, theta: FloatArray, prior_w: FloatArray) -> FloatArray:
    misfit = np.sum(((x[:, None] - model) * w[:, None]) ** 2, axis=0)
    return np.asarray(misfit + np.sum((prior_w * theta) ** 2, axis=0))


def _model_and_jacobian(
    theta: FloatArray, time_s: FloatArray, regime: Regime, ladder: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Model (m, s) and its derivatives (m, s, 4) by forward differences, all in one integration."""
    n = theta.shape[1]
    steps = np.tile(np.array(_STEPS)[:, None], (1, n))
    steps[1] = np.maximum(1e-3 * np.abs(theta[1]), 1e-8)
    all_sets = np.concatenate([theta] + [theta + np.eye(4)[:, [a]] * steps for a in range(4)], axis=1)
    states = VesselStates(all_sets[0], all_sets[1], all_sets[2], all_sets[3], np.tile(ladder, 5))
    out = pressures(states, time_s, regime)
    model = out[:, :n]
    moved = out[:, n:].reshape(len(time_s), 4, n)
    return model, np.moveaxis((moved - model[:, None, :]) / steps[None], 1, 2)
