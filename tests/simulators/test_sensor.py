"""Gauges in front of the simulated engine: lag, steps, range, rate, losses, and the truth that goes with them."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from simulators.cranking import CheckValve, Cranking, CylinderTrace
from simulators.engine import EngineSpec
from simulators.integrator import Turn, crank_many
from simulators.sensor import HeldGauge, LiveGauge, SampledTrace, lagged, sample, seen_pressure_kpa

QUIET = LiveGauge(noise_kpa=0.0, resolution_kpa=0.0)
PRESS = Cranking(duration_s=0.8, free_rpm=420.0, stall_nm=70.0)


@pytest.fixture(scope="module")
def traces() -> tuple[CylinderTrace, CylinderTrace]:
    spec = EngineSpec()
    live, held = crank_many([Turn(spec, PRESS), Turn(spec, PRESS, CheckValve(leak_per_s=0.01))])
    return live, held


@pytest.fixture(scope="module")
def live(traces: tuple[CylinderTrace, CylinderTrace]) -> CylinderTrace:
    return traces[0]


@pytest.fixture(scope="module")
def held(traces: tuple[CylinderTrace, CylinderTrace]) -> CylinderTrace:
    return traces[1]


def test_lag_follows_the_step_response_of_a_first_order_lag() -> None:
    # 1 - exp(-t/tau) after a step (any control textbook), here a ramp of one step of 0.1 ms
    step = np.concatenate([np.zeros(100), np.ones(2000)])
    seen = lagged(step, 1e-4, 0.02)
    at = np.arange(len(step)) * 1e-4 - 0.00995
    expected = np.where(at > 0.0, 1.0 - np.exp(-np.maximum(at, 0.0) / 0.02), 0.0)
    assert seen == pytest.approx(expected, abs=3e-5)
    assert lagged(np.full(50, 3.0), 1e-4, 0.02) == pytest.approx(np.full(50, 3.0))


def test_an_averaging_gauge_shows_the_mean_up_to_each_sample(live: CylinderTrace) -> None:
    # Outside reference: scipy's adaptive quadrature over what the same gauge shows without averaging.
    averaging = replace(QUIET, averaging_s=0.01)
    at = np.linspace(0.05, float(live.time_s[-1]) - 0.05, 15)

    def inside(time_s: float) -> float:
        return float(seen_pressure_kpa(live, QUIET, np.array([time_s]))[0])

    means = [quad(inside, end - 0.01, end, limit=100)[0] / 0.01 for end in at.tolist()]
    assert seen_pressure_kpa(live, averaging, at) == pytest.approx(np.array(means), rel=1e-4, abs=0.01)
    whole = seen_pressure_kpa(live, averaging, live.time_s).max()
    assert whole < 0.98 * live.pressure_kpa.max()


def test_a_held_gauge_falls_by_what_was_warm_and_no_further() -> None:
    press = replace(PRESS, duration_s=0.5)
    (trace,) = crank_many([Turn(EngineSpec(), press, CheckValve(cooling_s=0.2))])
    assert trace.held_kpa is not None
    shown = sample(trace, HeldGauge(noise_kpa=0.0, resolution_kpa=0.0), 100.0, 1, after_s=3.0)
    assert trace.warm_kpa > 1.0
    assert shown.pressure_kpa[-1] == pytest.approx(trace.held_kpa[-1] - trace.warm_kpa, rel=1e-4)


def test_an_ideal_fast_gauge_sees_every_peak(live: CylinderTrace) -> None:
    shown = sample(live, QUIET, 20000.0, 1)
    for stroke in shown.strokes:
        near = np.abs(shown.time_s - stroke.time_s) < 2e-3
        assert shown.pressure_kpa[near].max() == pytest.approx(stroke.peak_kpa, rel=2e-4)


def test_a_slow_gauge_misses_the_peaks(live: CylinderTrace) -> None:
    shown = sample(live, QUIET, 50.0, 2)
    low = [
        1.0 - shown.pressure_kpa[np.abs(shown.time_s - s.time_s) < 0.02].max() / s.peak_kpa
        for s in shown.strokes
        if s.passed_top
    ]
    assert max(low) > 0.1


def test_zero_resolution_and_range_are_the_gauge_s_own(live: CylinderTrace) -> None:
    gauge = LiveGauge(noise_kpa=0.0, resolution_kpa=7.0, zero_kpa=14.0, range_kpa=500.0)
    shown = sample(live, gauge, 1000.0, 3)
    assert np.all(np.abs(shown.pressure_kpa / 7.0 - np.round(shown.pressure_kpa / 7.0)) < 1e-9)
    assert np.all(shown.pressure_kpa[:1000] == 14.0)
    assert shown.over_range.any()
    assert shown.pressure_kpa.max() <= 500.0 + 3.5
    assert shown.cylinder_peak_kpa > 800.0


def test_noise_has_the_stated_deviation(live: CylinderTrace) -> None:
    shown = sample(live, LiveGauge(noise_kpa=2.0, resolution_kpa=0.0), 1000.0, 4, before_s=10.0)
    assert np.std(shown.pressure_kpa[shown.time_s < 9.9]) == pytest.approx(2.0, rel=0.05)


def test_the_rate_error_and_the_clock_error_are_what_was_asked_for(live: CylinderTrace) -> None:
    exact = sample(live, replace(QUIET, rate_error=0.005), 100.0, 5)
    assert np.median(np.diff(exact.time_s)) == pytest.approx(0.01 / 1.005, rel=1e-9)
    shaken = sample(live, replace(QUIET, rate_error=0.005, clock_error_s=1e-3), 100.0, 5)
    error = shaken.time_s - exact.time_s
    assert 3e-4 < np.abs(error).max() <= 1e-3
    for rate in (100.0, 1000.0):
        assert np.all(np.diff(sample(live, replace(QUIET, clock_error_s=1e-3), rate, 6).time_s) > 0.0)


def test_lost_samples_are_counted_where_they_are_missing(live: CylinderTrace) -> None:
    whole = sample(live, QUIET, 500.0, 7)
    shown = sample(live, replace(QUIET, loss=0.05, frame_samples=4), 500.0, 7)
    assert 0.02 < 1.0 - len(shown.time_s) / len(whole.time_s) < 0.09
    gaps = np.round(np.diff(shown.time_s) * 500.0).astype(int) - 1
    assert np.array_equal(gaps, shown.lost_before[1:])
    assert np.all(gaps % 4 == 0)


def test_samples_are_drawn_again_from_the_same_seed(live: CylinderTrace) -> None:
    gauge = LiveGauge(loss=0.05, clock_error_s=1e-3)
    first, second, third = (sample(live, gauge, 100.0, seed) for seed in (8, 8, 9))
    assert np.array_equal(first.pressure_kpa, second.pressure_kpa)
    assert not np.array_equal(first.pressure_kpa[:100], third.pressure_kpa[:100])


def settled(shown: SampledTrace, after_s: float) -> float:
    return float(np.interp(shown.end_s + after_s, shown.time_s, shown.pressure_kpa))


def test_a_held_gauge_keeps_the_pressure_but_for_its_own_leak_until_it_is_bled(held: CylinderTrace) -> None:
    kept = sample(held, HeldGauge(noise_kpa=0.0, resolution_kpa=0.0), 50.0, 10, after_s=10.0)
    assert kept.held
    assert kept.final_kpa == pytest.approx(held.final_held_kpa)
    assert settled(kept, 0.3) == pytest.approx(kept.final_kpa, rel=0.01)
    assert settled(kept, 8.0) / settled(kept, 2.0) == pytest.approx(np.exp(-0.06), rel=1e-3)
    bled = sample(held, HeldGauge(noise_kpa=0.0, resolution_kpa=0.0, bleed_after_s=3.0), 50.0, 11, after_s=10.0)
    assert abs(bled.pressure_kpa[-1]) < 0.01


def test_a_held_gauge_needs_a_check_valve(live: CylinderTrace) -> None:
    with pytest.raises(ValueError, match="check valve"):
        sample(live, HeldGauge(), 10.0, 12)
