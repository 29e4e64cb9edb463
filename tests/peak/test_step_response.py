"""How quick a gauge is, from sudden falls: what is found, and what is left open."""

import numpy as np
import pytest
from scipy.signal import StateSpace, lsim

from gaugelink.app.quickness import not_shown
from gaugelink.peak.response import Response
from gaugelink.peak.step_response import FEWEST_FALLS, StepResponse, _shown, step_response
from gaugelink.peak.sudden import sudden_falls
from simulators.release import released
from simulators.sensor import LiveGauge


def _found(seed: int, gauge: LiveGauge, rate_hz: float, times: int = 16) -> StepResponse:
    record = released(np.random.default_rng(seed), gauge, rate_hz, times=times)
    quick, _ = sudden_falls(record.time_s, record.pressure_kpa)
    return step_response(quick, 1.0 / rate_hz)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("rate_hz", "averaging_s"), [(100.0, 0.01), (200.0, 0.005), (1000.0, 0.008)])
def test_the_time_over_which_a_gauge_averages_is_found(seed: int, rate_hz: float, averaging_s: float) -> None:
    found = _found(seed, LiveGauge(averaging_s=averaging_s), rate_hz)
    low_s, high_s = found.averaging_interval_s
    assert low_s <= averaging_s <= high_s
    assert found.averaging_s == pytest.approx(averaging_s, rel=0.25)
    assert found.probability.shape == (len(found.averages_s), len(found.lags_s))
    assert found.probability.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
def test_a_gauge_that_takes_samples_in_an_instant_is_told_from_one_that_averages(rate_hz: float) -> None:
    found = _found(1, LiveGauge(), rate_hz)
    assert found.averaging_interval_s[1] < 0.7 / rate_hz + 0.001
    assert found.lag_s < 0.001


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
def test_a_lag_is_told_from_an_average(seed: int, rate_hz: float) -> None:
    found = _found(seed, LiveGauge(lag_s=0.005), rate_hz)
    low_s, high_s = found.lag_interval_s
    assert low_s - 5e-4 <= 0.005 <= high_s + 5e-4
    assert found.lag_s == pytest.approx(0.005, rel=0.2)
    # an average of 2 ms beside it, which is as long as the openings, is hardly told from none and takes 0.6 % more off
    lost, true = (not_shown(each, 600.0) for each in (Response(found.lag_s, found.averaging_s), Response(0.005)))
    assert lost == pytest.approx(true, abs=0.015)


def test_too_few_falls_are_refused() -> None:
    with pytest.raises(ValueError, match=f"{FEWEST_FALLS} are needed"):
        _found(1, LiveGauge(), 100.0, times=FEWEST_FALLS - 1)


@pytest.mark.parametrize("lag_s", [0.0005, 0.003])
def test_the_lag_of_a_step_is_that_of_a_reference_library(lag_s: float) -> None:
    # scipy.signal.lsim, first-order hold, of y' = (x - y) / lag: exact for what is straight between the points.
    step_s = 1e-4
    time_s = step_s * np.arange(400)
    gone = np.clip(time_s / 0.002, 0.0, 1.0)
    _, expected, _ = lsim(StateSpace([[-1.0 / lag_s]], [[1.0 / lag_s]], [[1.0]], [[0.0]]), gone, time_s)
    assert _shown(gone, step_s, 0.0, lag_s) == pytest.approx(expected, abs=1e-9)


def test_the_average_of_a_step_is_a_ramp_as_long() -> None:
    step_s = 1e-4
    time_s = step_s * np.arange(400)
    shown = _shown(np.ones(400), step_s, 0.01, 0.0)
    assert shown == pytest.approx(np.minimum(time_s / 0.01, 1.0), abs=1e-9)
