"""Sudden falls in a record: which are found, and which are left out."""

import numpy as np
import pytest

from gaugelink.peak.sudden import sudden_falls
from simulators.release import released
from simulators.scenarios import random_live_event
from simulators.sensor import LiveGauge


@pytest.mark.parametrize("rate_hz", [50.0, 200.0, 1000.0])
def test_every_fall_is_found_where_the_gauge_was_let_go(rate_hz: float) -> None:
    record = released(np.random.default_rng(2), LiveGauge(), rate_hz, slow=0.0)
    quick, unusable = sudden_falls(record.time_s, record.pressure_kpa)
    assert not unusable
    late_s = np.array([fall.at_s for fall in quick]) - record.let_go_s
    assert np.all((late_s > -1e-9) & (late_s < 0.005 + 1.0 / rate_hz))


@pytest.mark.parametrize("lag_s", [0.0, 0.02])
def test_a_fall_goes_from_one_to_nothing(lag_s: float) -> None:
    record = released(np.random.default_rng(3), LiveGauge(lag_s=lag_s), 1000.0, slow=0.0)
    quick, _ = sudden_falls(record.time_s, record.pressure_kpa)
    assert len(quick) == len(record.let_go_s)
    for fall in quick:
        assert abs(fall.share[0] - 1.0) < fall.slack
        assert abs(fall.share[-1]) < 2.0 * fall.slack
        assert fall.share[fall.time_s >= 0.0][0] < 0.52
        assert fall.share[fall.time_s < 0.0][-1] > 0.48


def test_what_is_let_out_by_a_valve_is_left_out() -> None:
    time_s = np.arange(0.0, 6.0, 0.01)
    pressure = 200.0 * np.clip(time_s - 0.5, 0.0, 1.0) * np.exp(-np.maximum(time_s - 3.0, 0.0) / 0.08)
    quick, unusable = sudden_falls(time_s, pressure, 0.5)
    assert not quick
    assert [fall.why for fall in unusable] == ["the pressure went slowly, or came back"]


def test_pumping_is_no_fall() -> None:
    time_s = np.arange(0.0, 6.0, 0.01)
    pressure = np.where(time_s < 3.0, 0.0, 200.0)
    assert sudden_falls(time_s, pressure, 0.5) == ([], [])


def test_the_strokes_of_an_engine_are_no_falls() -> None:
    trace = random_live_event(np.random.default_rng(5), rate_hz=200.0)
    quick, unusable = sudden_falls(trace.time_s, trace.pressure_kpa)
    assert not quick
    assert unusable


def test_a_record_that_ends_on_a_fall_says_so() -> None:
    record = released(np.random.default_rng(2), LiveGauge(), 200.0, times=3, slow=0.0)
    upto = record.time_s < record.let_go_s[-1] + 0.1
    quick, unusable = sudden_falls(record.time_s[upto], record.pressure_kpa[upto])
    assert len(quick) == 2
    assert [fall.why for fall in unusable] == ["the record has no samples behind it"]


@pytest.mark.parametrize("seed", range(8))
def test_records_of_any_kind_give_falls_whose_levels_are_in_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(25):
        gauge = LiveGauge(noise_kpa=float(rng.choice([0.1, 1.0, 5.0])), loss=0.1, lag_s=float(rng.choice([0.0, 0.02])))
        rate_hz = float(rng.choice([20.0, 50.0, 100.0, 200.0]))
        record = released(rng, gauge, rate_hz, times=2, slow=0.5, highest_kpa=float(rng.choice([20.0, 200.0])))
        quick, _ = sudden_falls(record.time_s, record.pressure_kpa)
        for fall in quick:
            high_s, low_s = fall.levels_s
            assert high_s < low_s
            assert np.all(np.diff(fall.time_s) > 0.0)
