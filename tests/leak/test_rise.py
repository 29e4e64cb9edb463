"""Air that comes into a hold is told from a wall that warms, from cold air, and from a coarse gauge."""

import numpy as np
import pytest

from gaugelink.leak.limits import Practice, practice_limit
from gaugelink.leak.rise import still_rises, was_fed

LIMIT = practice_limit(Practice.USUAL).model_copy(update={"test_kpa": 40.0})
NOISE_KPA = 0.05


def hold(duration_s: float, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, a level of 40 kPa with noise, and its uncertainties."""
    time_s = np.linspace(0.5, duration_s, 120)
    noise = np.random.default_rng(seed).normal(0.0, NOISE_KPA, len(time_s))
    return time_s, 40.0 + noise, np.full(len(time_s), NOISE_KPA)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("duration_s", [6.0, 60.0, 36000.0])
def test_a_tight_volume_and_a_wall_that_warms_are_not_fed(duration_s: float, seed: int) -> None:
    time_s, level, u = hold(duration_s, seed)
    # p goes with T at constant volume: 3 K/h are 1.02 % of 141 kPa an hour at 293 K.
    warmed = level + 141.3 * 3.0 / 293.15 / 3600.0 * time_s
    for shown in (level, warmed):
        assert not was_fed(time_s, shown, u, LIMIT)
        assert not still_rises(time_s, shown, u, LIMIT)


def test_cold_air_rises_and_comes_to_rest() -> None:
    for duration_s, rises in ((20.0, True), (200.0, False)):
        time_s, level, u = hold(duration_s)
        shown = level + 0.6 * (1.0 - np.exp(-time_s / 15.0))
        assert not was_fed(time_s, shown, u, LIMIT)
        assert still_rises(time_s, shown, u, LIMIT) is rises


def test_a_rise_after_a_fall_is_no_cold_air() -> None:
    time_s, level, u = hold(60.0)
    fallen = level - np.minimum(time_s, 30.0) / 20.0
    assert not was_fed(time_s, fallen, u, LIMIT)
    assert was_fed(time_s, fallen + np.where(time_s > 40.0, 0.8, 0.0), u, LIMIT)


def test_what_feeds_a_volume_on_and_on_is_told() -> None:
    time_s, level, u = hold(120.0)
    assert was_fed(time_s, level + time_s / 60.0, u, LIMIT)
    assert still_rises(time_s, level + time_s / 60.0, u, LIMIT)


def test_one_step_of_a_coarse_gauge_says_nothing() -> None:
    time_s, _, u = hold(60.0)
    fallen = np.where(time_s < 20.0, 41.4, 40.0)
    up = np.where(time_s > 40.0, 0.7, 0.0)
    assert not was_fed(time_s, fallen + up, u, LIMIT, step_kpa=0.7)
    assert was_fed(time_s, fallen + 3.0 * up, u, LIMIT, step_kpa=0.7)
