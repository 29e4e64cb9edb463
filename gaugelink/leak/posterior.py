"""What is known of a leak after a fit: a density of the leak rate, put together from many Gaussian fits.

Each fit (one settling time, one way out) is Gaussian in leak and heat as far as the samples go. Two things are known
besides: air does not leak in, and compressing air warms it. Both cut the Gaussian; the cut is exact here, because in
the first seconds the cut is all that tells leak and cooling apart.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from gaugelink.leak.flow import FloatArray

COOLED_SD = 0.002
"""How much colder than the wall, relative to absolute temperature, the air may be at the start all the same."""
_NODES = np.linspace(-7.0, 7.0, 57)
_LEAST_WEIGHT = 1e-7


@dataclass(frozen=True, slots=True)
class Fits:
    """Gaussian fits side by side, each field of shape (c,)."""

    log_evidence: FloatArray
    """Before the cuts."""
    rate: FloatArray
    """Centre of the leak rate, kPa/min; may be below zero."""
    rate_sd: FloatArray
    heat: FloatArray
    """Centre of the heat, relative to absolute temperature; may be below zero."""
    heat_sd: FloatArray
    correlation: FloatArray
    """Of rate and heat."""
    heat_kpa: FloatArray
    """Pressure of a unit of heat."""
    log_settling: FloatArray
    hole: FloatArray
    """1 for a hole, 0 for a seep."""


@dataclass(frozen=True, slots=True)
class LeakPosterior:
    """What is known of the fall of pressure by the leak alone at the test's pressure."""

    rate: FloatArray
    """Shape (g,), kPa/min, rising from 0."""
    cumulative: FloatArray
    """Shape (g,), probability that the leak is below `rate`, 0 to 1."""
    hole_share: float
    """Weight of the fits with a hole; the rest is a seep."""
    heated_kpa: float
    """Pressure at the start that is due to warm air, weighted over the fits."""
    heated_u_kpa: float
    """Its standard uncertainty."""
    settling_s: float
    """Settling time, weighted geometric mean."""
    chi2_per_point: float
    """Misfit of the best fit; near 1 when the model says it all. Where the gauge's noise is small against its step,
    rounding errors hang together and make it a few times as much."""
    chi2_beyond_rounding: float
    """The same with the rounding error of a single sample in every block: below 1 where rounding explains the rest."""

    def below(self, rate: float) -> float:
        """Probability that the leak rate is below `rate`, in kPa/min."""
        return float(np.interp(rate, self.rate, self.cumulative, left=0.0, right=1.0))

    def quantile(self, share: float) -> float:
        """Leak rate in kPa/min below which it lies with probability `share`."""
        return float(np.interp(share, self.cumulative, self.rate))

    def shortest(self, share: float = 0.95) -> tuple[float, float]:
        """The shortest interval that holds the leak rate with probability `share`.

        Where the leak cannot be told from none, it begins at 0, as an interval between two equal tails never does.
        """
        tails = np.linspace(0.0, 1.0 - share, 101)
        low = np.interp(tails, self.cumulative, self.rate)
        low[0] = self.rate[0]
        high = np.interp(tails + share, self.cumulative, self.rate)
        best = int(np.argmin(high - low))
        return float(low[best]), float(high[best])


def combine(fits: Fits, chi2_per_point: float, chi2_beyond_rounding: float) -> LeakPosterior:
    """Cut each fit and add them up by their evidence."""
    soft = np.sqrt(fits.heat_sd**2 + COOLED_SD**2)
    alpha = fits.heat / soft
    # Moments of a normal distribution under a probit cut: for example Rasmussen and Williams, Gaussian Processes for
    # Machine Learning, 3.9.
    lean = np.exp(-0.5 * alpha**2 - 0.5 * np.log(2.0 * np.pi) - log_ndtr(alpha))
    heat = fits.heat + fits.heat_sd**2 / soft * lean
    heat_var = np.maximum(fits.heat_sd**2 - fits.heat_sd**4 / soft**2 * lean * (lean + alpha), 1e-14)
    slope = fits.correlation * fits.rate_sd / fits.heat_sd
    mean = fits.rate + slope * (heat - fits.heat)
    sd = np.sqrt(np.maximum(fits.rate_sd**2 - slope**2 * (fits.heat_sd**2 - heat_var), 1e-4 * fits.rate_sd**2))
    log_w = fits.log_evidence + log_ndtr(alpha) + log_ndtr(mean / sd)
    weight = np.exp(log_w - log_w.max())
    kept = weight > _LEAST_WEIGHT
    rate = np.unique(np.maximum((mean[kept] + _NODES[:, None] * sd[kept]).ravel(), 0.0))
    rate = np.unique(np.concatenate([[0.0], rate, rate[-1:] * 1.001 + 1e-9]))
    z = (rate[:, None] - fits.rate[kept]) / fits.rate_sd[kept]
    across = fits.heat_sd[kept] * np.sqrt(np.maximum(1.0 - fits.correlation[kept] ** 2, 0.0))
    toward = fits.heat[kept] + fits.correlation[kept] * fits.heat_sd[kept] * z
    log_density = (
        fits.log_evidence[kept]
        - 0.5 * z**2
        - np.log(fits.rate_sd[kept])
        + log_ndtr(toward / np.sqrt(across**2 + COOLED_SD**2))
    )
    density = np.exp(log_density - log_density.max())
    steps = np.diff(rate)[:, None]
    pieces = 0.5 * (density[1:] + density[:-1]) * steps
    shares = pieces.sum(axis=0)
    cumulative = np.concatenate([[0.0], np.cumsum(pieces.sum(axis=1))])
    shares = shares / shares.sum()
    heat_kpa = heat[kept] * fits.heat_kpa[kept]
    mean_heat = float(np.sum(shares * heat_kpa))
    spread = shares * (heat_var[kept] * fits.heat_kpa[kept] ** 2 + (heat_kpa - mean_heat) ** 2)
    return LeakPosterior(
        rate=rate,
        cumulative=cumulative / cumulative[-1],
        hole_share=float(np.sum(shares * fits.hole[kept])),
        heated_kpa=mean_heat,
        heated_u_kpa=float(np.sqrt(np.sum(spread))),
        settling_s=float(np.exp(np.sum(shares * fits.log_settling[kept]))),
        chi2_per_point=chi2_per_point,
        chi2_beyond_rounding=chi2_beyond_rounding,
    )
