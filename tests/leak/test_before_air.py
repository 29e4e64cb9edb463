"""What a gauge shows before air comes in: at rest, still leaving, or drifting."""

import numpy as np
import pytest

from gaugelink.leak.before_air import BeforeAir, Rest

SUPPLY_KPA = 551.6


def told(shown_kpa: np.ndarray, rate_hz: float = 10.0) -> Rest:
    before = BeforeAir(SUPPLY_KPA)
    before.take(np.arange(len(shown_kpa)) / rate_hz, shown_kpa)
    stands = before.rest()
    assert stands is not None
    return stands


@pytest.mark.parametrize("rate_hz", [1.0, 4.0, 10.0, 100.0])
@pytest.mark.parametrize(("noise_kpa", "step_kpa"), [(0.05, 0.0), (1.0, 0.1), (1.0, 0.7), (0.5, 7.0), (3.0, 0.7)])
def test_a_gauge_that_stands_is_at_rest_whatever_its_noise_and_its_steps(
    rate_hz: float, noise_kpa: float, step_kpa: float
) -> None:
    for seed in range(10):
        shown = np.random.default_rng(seed).normal(3.6, noise_kpa, int(20 * rate_hz))
        shown = np.round(shown / step_kpa) * step_kpa if step_kpa else shown
        stands = told(shown, rate_hz)
        assert stands.rests
        assert not stands.falls
        assert stands.left_kpa == 0.0


@pytest.mark.parametrize("noise_kpa", [0.0, 0.3])
@pytest.mark.parametrize(("left_kpa", "tau_s"), [(20.0, 30.0), (20.0, 15.0), (12.0, 8.0), (25.0, 60.0)])
def test_air_that_leaves_slowly_is_no_rest_and_what_is_left_of_it_is_about_right(
    left_kpa: float, tau_s: float, noise_kpa: float
) -> None:
    time_s = np.arange(150) / 10.0
    shown = left_kpa * np.exp(-(time_s - time_s[-1]) / tau_s) + np.random.default_rng(1).normal(0.0, noise_kpa, 150)
    stands = told(shown)
    assert not stands.rests
    assert stands.falls
    if noise_kpa == 0.0:
        assert stands.left_kpa == pytest.approx(left_kpa, rel=0.15)


def test_what_was_let_off_at_once_leaves_a_rest_within_three_seconds() -> None:
    stands = told(np.concatenate((np.full(100, 390.0), np.linspace(390.0, 0.0, 10), np.zeros(27))))
    assert stands.rests
    assert stands.is_sure


def test_what_was_heard_for_a_short_time_is_not_sure_to_rest() -> None:
    assert not told(np.zeros(30)).is_sure
    assert told(np.zeros(70)).is_sure


def test_too_few_samples_tell_nothing() -> None:
    before = BeforeAir(SUPPLY_KPA)
    assert before.rest() is None
    before.take(np.arange(10) / 10.0, np.zeros(10))
    assert before.rest() is None


def test_air_that_comes_in_is_no_rest_and_no_fall() -> None:
    stands = told(np.concatenate((np.zeros(100), np.linspace(0.0, 20.0, 10))))
    assert not stands.rests
    assert not stands.falls
    assert stands.pace_kpa_per_s > 1.0
