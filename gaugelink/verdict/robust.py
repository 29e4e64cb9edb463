"""One robust linear fit for everything that is asked of a machine's history."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri, stdtrit

from gaugelink.bench.repeats import COVERAGE_FACTOR

FloatArray = NDArray[np.float64]

HUBER_K = 1.345
"""Huber's tuning constant: 95 % efficient when errors are normal (Huber and Ronchetti, Robust Statistics, 2009)."""
MAD_NORMAL = 1.4826
"""Standard deviation over median absolute deviation for normal errors."""
CHANCE = 0.1
"""Scatter that chance exceeds more often than this is taken for chance."""
MOST_ROUNDS = 50
CLOSE_ENOUGH = 1e-6


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and its standard uncertainty."""

    value: float
    u: float
    factor: float = COVERAGE_FACTOR
    """Expanded over standard uncertainty, coverage about 95 %: more than usual where `u` rests on few readings."""

    @property
    def expanded_u(self) -> float:
        """Expanded uncertainty, coverage about 95 %."""
        return self.factor * self.u

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
    freedom: float
    """Degrees of freedom that the residuals have left."""
    weights: FloatArray
    """Shape (n,): 1 for an observation that counts in full, less for one that stands out."""
    stated_freedom: float = inf
    """Degrees of freedom behind the stated uncertainties; infinite where they were known beforehand."""

    def critical(self, tail: float) -> float:
        """How many standard uncertainties chance exceeds with this probability, on one side.

        Where the scatter was taken from the residuals it is known as well as they are many, and where it was taken from
        the pulls, as these are: Student's t (JCGM 100:2008, G.3).
        """
        freedom = self.stated_freedom if self.scale <= 1.0 else max(1.0, self.freedom)
        return -float(ndtri(tail) if freedom == inf else stdtrit(freedom, tail))

    @property
    def factor(self) -> float:
        """Coverage factor for about 95 %, never below the usual one (JCGM 100:2008, 6.3.3 and G.3)."""
        return max(COVERAGE_FACTOR, self.critical(0.025))

    def combined(self, coefficients: Mapping[str, float]) -> Estimate:
        """A linear combination of parameters, correlations counted (JCGM 100:2008, equation 13)."""
        c = np.zeros(self.values.size)
        for name, coefficient in coefficients.items():
            c[self.names[name]] += coefficient
        return Estimate(float(c @ self.values), sqrt(max(0.0, float(c @ self.covariance @ c))), self.factor)


def fit_huber(
    names: Mapping[str, int],
    design: FloatArray,
    observed: FloatArray,
    u: FloatArray,
    prior_u: FloatArray,
    robust: NDArray[np.bool_],
    *,
    stated_freedom: float = inf,
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
        stated_freedom: degrees of freedom behind `u`.

    Iteratively reweighted least squares; the scale is the stated uncertainty, raised to the scatter that is seen.
    """
    white_design, white_observed = design / u[:, None], observed / u
    known = np.isfinite(prior_u)
    penalty = np.where(known, 1.0 / np.where(known, prior_u, 1.0), 0.0) ** 2
    weights: FloatArray = np.ones(observed.size, dtype=np.float64)
    values: FloatArray = np.zeros(design.shape[1], dtype=np.float64)
    inverse: FloatArray = np.zeros((values.size, values.size), dtype=np.float64)
    scale, freedom = 1.0, 0.0
    for _ in range(MOST_ROUNDS):
        weighted = weights[:, None] * white_design
        inverse = np.asarray(np.linalg.inv(white_design.T @ weighted + np.diag(penalty)), dtype=np.float64)
        updated = inverse @ (weighted.T @ white_observed)
        residual = white_observed - white_design @ updated
        # Observations less the trace of the smoother: a parameter with a prior takes less than one of them.
        freedom = observed.size - (values.size - float(np.sum(np.diag(inverse) * penalty)))
        scale = _scale(residual, weights, freedom)
        size = np.abs(residual) / scale
        weights = np.where(robust & (size > HUBER_K), HUBER_K / np.maximum(size, HUBER_K), 1.0).astype(np.float64)
        moved = float(np.max(np.abs(updated - values), initial=0.0))
        values = updated
        if moved < CLOSE_ENOUGH:
            break
    return Fit(names, values, scale**2 * inverse, scale, freedom, weights, stated_freedom)


def _scale(residual: FloatArray, weights: FloatArray, freedom: float) -> float:
    """Scatter over what was stated, at least 1.

    The mean square is drawn up by a few bad readings and the median is unsteady over few readings; scatter that is
    really larger than stated shows in both, so the smaller of them counts. What chance explains well is left alone.
    """
    if freedom < 1.0:
        return 1.0
    mean_square = sqrt(float(np.sum(weights * residual**2)) / freedom)
    if mean_square <= 1.0:
        return 1.0
    median = MAD_NORMAL * float(np.median(np.abs(residual))) * sqrt(residual.size / freedom)
    if mean_square**2 <= float(chdtri(freedom, CHANCE)) / freedom:
        return 1.0
    return max(1.0, min(mean_square, median))
