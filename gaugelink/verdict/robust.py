"""One robust linear fit for everything that is asked of a machine's history."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

FloatArray = NDArray[np.float64]

HUBER_K = 1.345
"""Huber's tuning constant: 95 % efficient when errors are normal (Huber and Ronchetti, Robust Statistics, 2009)."""
HUBER_BETA = float(2.0 * (norm.cdf(HUBER_K) - 0.5 - HUBER_K * norm.pdf(HUBER_K)) + 2.0 * HUBER_K**2 * norm.sf(HUBER_K))
"""Mean square of normal residuals cut off at HUBER_K, which makes the scale right for normal errors."""
MOST_ROUNDS = 50
CLOSE_ENOUGH = 1e-9


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and its standard uncertainty."""

    value: float
    u: float

    @property
    def z(self) -> float:
        """How many standard uncertainties it is from zero."""
        return self.value / self.u if self.u > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Fit:
    """Fitted parameters with their covariance."""

    names: Mapping[str, int]
    """Place of each parameter."""
    values: FloatArray
    """Shape (p,)."""
    covariance: FloatArray
    """Shape (p, p), scatter that was seen beyond what was stated already in it."""
    scale: float
    """Scatter of the residuals over what was stated; never below 1."""
    weights: FloatArray
    """Shape (n,): 1 for an observation that counts in full, less for one that stands out."""

    def combined(self, coefficients: Mapping[str, float]) -> Estimate:
        """A linear combination of parameters, correlations counted (JCGM 100:2008, equation 13)."""
        c = np.zeros(self.values.size)
        for name, coefficient in coefficients.items():
            c[self.names[name]] += coefficient
        return Estimate(float(c @ self.values), sqrt(max(0.0, float(c @ self.covariance @ c))))


def fit_huber(
    names: Mapping[str, int],
    design: FloatArray,
    observed: FloatArray,
    u: FloatArray,
    prior_u: FloatArray,
    robust: NDArray[np.bool_],
) -> Fit:
    """Fit observations that are linear in parameters, some of which are known beforehand to be small.

    Args:
        names: place of each parameter.
        design: shape (n, p).
        observed: shape (n,).
        u: shape (n,), standard uncertainty of each observation.
        prior_u: shape (p,), standard uncertainty of each parameter around zero before anything is seen; infinite for
            one that is free. A shared error (of a test, of a gauge) is such a parameter: so its correlation
            between readings is counted, which is what makes it cancel in their differences.
        robust: shape (n,), where an observation may be a mistake and is weighed by Huber's rule.

    Iteratively reweighted least squares; the scale is the stated uncertainty, raised to the scatter that is seen.
    """
    white_design, white_observed = design / u[:, None], observed / u
    known = np.isfinite(prior_u)
    penalty = np.diag(np.where(known, 1.0 / np.where(known, prior_u, 1.0), 0.0) ** 2)
    weights: FloatArray = np.ones(observed.size, dtype=np.float64)
    values: FloatArray = np.zeros(design.shape[1])
    scale = 1.0
    for _ in range(MOST_ROUNDS):
        information = white_design.T @ (weights[:, None] * white_design) + penalty
        updated = np.asarray(np.linalg.solve(information, white_design.T @ (weights * white_observed)), np.float64)
        residual = white_observed - white_design @ updated
        scale = _scale(residual, weights, white_design, information)
        size = np.abs(residual) / scale
        weights = np.where(robust & (size > HUBER_K), HUBER_K / np.maximum(size, HUBER_K), 1.0).astype(np.float64)
        moved = float(np.max(np.abs(updated - values), initial=0.0))
        values = updated
        if moved < CLOSE_ENOUGH:
            break
    information = white_design.T @ (weights[:, None] * white_design) + penalty
    covariance = np.asarray(scale**2 * np.linalg.inv(information), dtype=np.float64)
    return Fit(names, values, covariance, scale, weights)


def _scale(residual: FloatArray, weights: FloatArray, design: FloatArray, information: FloatArray) -> float:
    """Scatter over what was stated, at least 1, by Huber's second proposal: what stands out counts no further than
    where it begins to stand out.

    The degrees of freedom are the observations less the trace of the smoother, because a parameter with a prior
    takes less than one.
    """
    used = float(np.trace(np.linalg.solve(information, design.T @ (weights[:, None] * design))))
    freedom = residual.size - used
    if freedom < 1.0:
        return 1.0
    return max(1.0, sqrt(float(np.sum((weights * residual) ** 2)) / (freedom * HUBER_BETA)))
