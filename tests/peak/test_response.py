"""What a gauge blurs, against integrators that know none of the formulas; and its derivative by the speed."""

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN, pulse
from gaugelink.peak.response import BlurredPulse, Response

ROD = 3.5
SPEED = 100.0
"""Radians of the crank per second."""


def shape_at(angle: float) -> float:
    return float(pulse(np.array([angle]), SHAPE_PRIOR_MEAN, ROD).value[0])


def blurred(response: Response, at: np.ndarray, speed: float = SPEED) -> np.ndarray:
    one = BlurredPulse(SHAPE_PRIOR_MEAN, ROD, np.array([speed]), response)
    return one.at(at, np.zeros(len(at), dtype=np.intp))[0].value


@pytest.mark.parametrize("lag", [0.03, 0.2])
def test_a_lagged_pulse_solves_the_gauges_own_equation(lag: float) -> None:
    # Outside reference: scipy's integrator on lag dy/da = s(a) - y.
    def slope(angle: float, y: np.ndarray) -> np.ndarray:
        return (pulse(np.array([angle]), SHAPE_PRIOR_MEAN, ROD).value - y) / lag

    at = np.linspace(-1.0, 2.0, 40)
    solved = solve_ivp(slope, (-np.pi, 2.0), [0.0], t_eval=at, rtol=1e-8, atol=1e-10, max_step=0.02).y[0]
    assert blurred(Response(lag_s=lag / SPEED), at) == pytest.approx(solved, abs=2e-4)
    # a crank that slows down: the same lag is another angle at every stroke
    many = BlurredPulse(SHAPE_PRIOR_MEAN, ROD, SPEED * np.array([0.6, 1.0, 1.7]), Response(lag_s=lag / SPEED))
    seen, _ = many.at(at, np.ones(len(at), dtype=np.intp))
    assert seen.value == pytest.approx(solved, abs=4e-4)


@pytest.mark.parametrize("averaging", [0.05, 0.5, 1.5])
def test_an_averaged_pulse_is_the_mean_up_to_the_sample(averaging: float) -> None:
    # Outside reference: scipy's adaptive quadrature.
    at = np.linspace(-1.0, 2.4, 35)
    means = [quad(shape_at, angle - averaging, angle, limit=200)[0] / averaging for angle in at]
    assert blurred(Response(averaging_s=averaging / SPEED), at) == pytest.approx(np.array(means), abs=2e-4)


def test_tops_are_what_is_left_of_the_height() -> None:
    many = BlurredPulse(SHAPE_PRIOR_MEAN, ROD, SPEED * np.array([0.6, 1.0, 1.7]), Response(averaging_s=0.004))
    fine = np.linspace(-1.0, 1.5, 4001)
    for k, top in enumerate(many.tops):
        assert top == pytest.approx(many.at(fine, np.full(4001, k))[0].value.max(), abs=1e-4)
    assert np.all(np.diff(many.tops) < 0)


@pytest.mark.parametrize("response", [Response(lag_s=0.002), Response(averaging_s=0.006), Response(0.001, 0.004)])
def test_the_derivative_by_the_speed(response: Response) -> None:
    at, step = np.linspace(-2.0, 2.4, 90), 1e-4
    up, down = (blurred(response, at, SPEED * np.exp(way * step)) for way in (1.0, -1.0))
    one = BlurredPulse(SHAPE_PRIOR_MEAN, ROD, np.array([SPEED]), response)
    _, by_speed = one.at(at, np.zeros(len(at), dtype=np.intp))
    wanted = (up - down) / (2.0 * step)
    assert np.abs(wanted).max() > 0.05
    assert by_speed == pytest.approx(wanted, abs=5e-4)
