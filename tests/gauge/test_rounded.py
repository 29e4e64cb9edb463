"""Times that a logger rounded come back to the steady clock they were rounded from, or are left as they are."""

import numpy as np
import pytest

from gaugelink.gauge.rounded import FEWEST, straightened

RATES_HZ = [60.0, 128.0, 140.0, 300.0, 450.0, 1024.0]


def times(rate_hz: float, count: int = 3000) -> np.ndarray:
    return 12.3456 + np.arange(count) / rate_hz


def rounded(time_s: np.ndarray, tick_s: float) -> np.ndarray:
    return np.round(time_s / tick_s) * tick_s


def off_s(found: np.ndarray, truth: np.ndarray) -> float:
    """Largest error of a time after one offset, which no event can feel, is taken off."""
    error = found - truth
    return float(np.abs(error - error.mean()).max())


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("tick_s", [0.001, 0.01])
@pytest.mark.parametrize("cut", [False, True])
def test_a_steady_clock_is_found_behind_its_ticks(rate_hz: float, tick_s: float, cut: bool) -> None:
    truth = times(rate_hz)
    told = np.floor(truth / tick_s) * tick_s if cut else rounded(truth, tick_s)
    found = straightened(told)
    assert found is not None
    assert found.tick_s == pytest.approx(tick_s, rel=1e-4)
    assert found.spacing_s * rate_hz == pytest.approx(1.0, rel=1e-5)
    assert off_s(found.time_s, truth) < 0.05 * off_s(told, truth)
    assert np.all(np.diff(found.time_s) > 0)
    assert np.abs(found.time_s - told).max() < 0.51 * tick_s


@pytest.mark.parametrize("start_s", [1.75e9, -1.75e9])
def test_seconds_since_1970_and_to_another_day_are_told_in_milliseconds_too(start_s: float) -> None:
    truth = start_s + times(450.0)
    found = straightened(rounded(truth, 0.001))
    assert found is not None
    assert found.tick_s == pytest.approx(0.001, rel=1e-3)
    assert off_s(found.time_s, truth) < 0.00003


def test_samples_that_are_missing_leave_their_places_empty() -> None:
    kept = np.random.default_rng(2).random(3000) > 0.05
    truth = times(140.0)[kept]
    found = straightened(rounded(truth, 0.001))
    assert found is not None
    assert off_s(found.time_s, truth) < 0.0001


@pytest.mark.parametrize("seed", range(20))
def test_missing_samples_of_an_exact_clock_are_not_taken_for_ticks(seed: int) -> None:
    """Every time is a multiple of 10 ms already: some are simply not there."""
    kept = np.random.default_rng(seed).random(60) > 0.15
    assert straightened(0.01 * np.flatnonzero(kept)) is None


@pytest.mark.parametrize("gone", [[20], [20, 21], [9, 31, 50]])
def test_a_few_samples_that_are_missing_do_not_make_an_exact_clock_slower(gone: list[int]) -> None:
    assert straightened(np.delete(0.01 * np.arange(60), gone)) is None


def test_a_clock_that_is_hardly_off_its_ticks_is_found_by_the_few_moves_that_show_it() -> None:
    truth = np.arange(400) * 0.00301
    found = straightened(rounded(truth, 0.001))
    assert found is not None
    assert found.spacing_s == pytest.approx(0.00301, rel=1e-4)
    assert off_s(found.time_s, truth) < 0.0002


def test_few_times_are_enough_where_some_repeat() -> None:
    told = rounded(times(128.0, 30), 0.01)
    assert np.count_nonzero(np.diff(told) < 0.005) < 8
    found = straightened(told)
    assert found is not None
    assert found.spacing_s * 128.0 == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("seed", range(20))
def test_a_clock_that_is_not_steady_is_left_as_it_is(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unsteady = np.cumsum(rng.uniform(0.002, 0.018, 400))
    assert straightened(rounded(unsteady, 0.001)) is None


def test_another_rate_half_way_is_no_steady_clock() -> None:
    first = np.arange(500) / 300.0
    assert straightened(rounded(np.concatenate((first, 2.0 + np.arange(500) / 450.0)), 0.001)) is None


def test_times_that_need_nothing_are_left_alone() -> None:
    assert straightened(np.arange(1000) * 0.01) is None
    assert straightened(rounded(times(100.0), 1e-6)) is None
    # A microsecond beside three milliseconds.
    assert straightened(rounded(times(300.0), 1e-6)) is None
    assert straightened(np.array([0.0, 0.003, 0.007])) is None
    assert straightened(np.array([0.0, 0.1, 0.05] * 20)) is None
    assert straightened(np.concatenate((rounded(times(450.0), 0.001), [np.inf]))) is None


def test_times_that_stand_still_but_for_some_jumps_are_no_clock() -> None:
    assert straightened(np.repeat([0.0, 0.5, 1.01, 1.51, 2.02], 20)) is None


def test_a_dozen_times_show_a_clock_and_fewer_do_not() -> None:
    told = rounded(times(450.0), 0.001)
    assert straightened(told[:FEWEST]) is not None
    assert straightened(told[: FEWEST - 1]) is None
