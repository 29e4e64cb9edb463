"""What is known of a leak: the cut of a Gaussian, the mixture of fits and its shortest interval, by integration."""

from collections.abc import Sequence
from math import exp, log

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from gaugelink.leak.posterior import COOLED_SD, Fits, LeakPosterior, combine

Fit = tuple[float, float, float, float, float, float, float, float, float]
"""Log evidence, rate, its standard deviation, heat, its standard deviation, correlation, pressure of a unit of heat,
logarithm of the settling time, hole."""

ONE: Fit = (0.0, 1.0, 0.15, 0.004, 0.005, 0.6, 140.0, log(40.0), 1.0)


def posterior(*fits: Fit) -> LeakPosterior:
    return combine(Fits(*(np.array(column) for column in zip(*fits, strict=True))), 1.0, 1.0)


def integrated(fits: Sequence[Fit]) -> tuple[np.ndarray, np.ndarray, list[float], float, float]:
    """Rates, their cumulative probability, weight of each fit, mean and standard deviation of the heat's pressure.

    By summing over a fine grid: normal in rate and heat, air leaks out alone, and it is no colder than the wall but for
    `COOLED_SD`.
    """
    rate = np.linspace(0.0, max(f[1] + 8.0 * f[2] for f in fits), 1501)
    density, weights, means, squares = np.zeros_like(rate), [], [], []
    for evidence, centre, rate_sd, heat, heat_sd, correlation, kpa, _, _ in fits:
        heats = np.linspace(heat - 8.0 * heat_sd, heat + 8.0 * heat_sd, 801)
        covariance = [
            [rate_sd**2, correlation * rate_sd * heat_sd],
            [correlation * rate_sd * heat_sd, heat_sd**2],
        ]
        at = np.stack(np.meshgrid(rate, heats, indexing="ij"), axis=-1)
        joint = exp(evidence) * multivariate_normal([centre, heat], covariance).pdf(at) * norm.cdf(heats / COOLED_SD)
        density += np.trapezoid(joint, heats, axis=1)
        of_heat = np.trapezoid(joint, rate, axis=0)
        weights.append(float(np.trapezoid(of_heat, heats)))
        means.append(kpa * float(np.trapezoid(of_heat * heats, heats)) / weights[-1])
        squares.append(kpa**2 * float(np.trapezoid(of_heat * heats**2, heats)) / weights[-1])
    cumulative = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(rate))])
    shares = [weight / sum(weights) for weight in weights]
    mean = float(np.dot(shares, means))
    return rate, cumulative / cumulative[-1], shares, mean, float(np.dot(shares, squares) - mean**2) ** 0.5


@pytest.mark.parametrize("heat", [-0.008, -0.002, 0.0, 0.004, 0.02])
@pytest.mark.parametrize("correlation", [-0.9, 0.0, 0.6])
@pytest.mark.parametrize("rate", [0.02, 1.0])
def test_a_cut_gaussian_is_what_integration_makes_of_it(heat: float, correlation: float, rate: float) -> None:
    fit = (*ONE[:1], rate, *ONE[2:3], heat, *ONE[4:5], correlation, *ONE[6:])
    found = posterior(fit)
    rates, cumulative, _, mean, sd = integrated([fit])
    for share in (0.025, 0.25, 0.5, 0.75, 0.975):
        assert found.quantile(share) == pytest.approx(float(np.interp(share, cumulative, rates)), abs=0.03 * ONE[2])
    for at in (0.5, 1.0, 1.2):
        assert found.below(at) == pytest.approx(float(np.interp(at, rates, cumulative)), abs=0.005)
    assert found.below(100.0) == 1.0
    if rate > 6.0 * ONE[2]:
        # The heat is told as if air might leak in; where it cannot be told from none that makes a difference.
        assert found.heated_kpa == pytest.approx(mean, rel=1e-6)
        assert found.heated_u_kpa == pytest.approx(sd, rel=1e-6)


def test_fits_are_added_by_what_the_cuts_leave_of_their_evidence() -> None:
    """The likelier fit has air that came colder than the wall: the cut leaves little of it."""
    cold = (1.0, 1.4, 0.1, -0.009, 0.004, 0.3, 150.0, log(10.0), 0.0)
    seep = (-0.5, 0.8, 0.2, 0.006, 0.003, -0.4, 130.0, log(90.0), 0.0)
    fits = (ONE, cold, seep)
    found = posterior(*fits)
    rates, cumulative, shares, mean, sd = integrated(fits)
    assert found.hole_share == pytest.approx(shares[0], abs=2e-3)
    assert found.settling_s == pytest.approx(exp(np.dot(shares, [fit[7] for fit in fits])), rel=2e-3)
    assert found.heated_kpa == pytest.approx(mean, rel=5e-3)
    assert found.heated_u_kpa == pytest.approx(sd, rel=1e-2)
    for share in (0.025, 0.5, 0.975):
        assert found.quantile(share) == pytest.approx(float(np.interp(share, cumulative, rates)), abs=2e-3)


def test_fits_that_nothing_speaks_for_count_for_nothing() -> None:
    hopeless = (-60.0, 30.0, 0.1, 0.01, 0.001, 0.0, 140.0, log(300.0), 0.0)
    alone, beside = posterior(ONE), posterior(ONE, hopeless)
    assert beside.hole_share == pytest.approx(1.0)
    assert beside.shortest() == pytest.approx(alone.shortest())
    assert beside.settling_s == pytest.approx(40.0)


def known(rate: np.ndarray, cumulative: np.ndarray) -> LeakPosterior:
    return LeakPosterior(rate, cumulative, 1.0, 0.0, 0.0, 40.0, 1.0, 1.0)


def test_the_shortest_interval_is_even_where_the_leak_is_clear_and_begins_at_none_where_it_is_not() -> None:
    rate = np.linspace(0.0, 20.0, 20_001)
    clear = known(rate, norm.cdf(rate, 10.0, 1.0)).shortest()
    assert clear == pytest.approx((10.0 - 1.96, 10.0 + 1.96), abs=0.01)
    # Of an exponential the shortest 95 % go from 0 to ln(20) times its mean.
    assert known(rate, 1.0 - np.exp(-rate)).shortest() == pytest.approx((0.0, log(20.0)), abs=0.01)
    assert known(rate, norm.cdf(rate, 10.0, 1.0)).shortest(0.5) == pytest.approx((10.0 - 0.674, 10.0 + 0.674), abs=0.02)
