"""The zero of an absolute gauge is what it reads in quiet air, and nothing else is taken for that."""

import numpy as np
import pytest

from gaugelink.gauge.ambient import STANDARD_KPA, AmbientZero


def seen(
    pressure_kpa: object, hz: float = 50.0, start_s: float = 0.0, resolution_kpa: float | None = None
) -> AmbientZero:
    """A zero that has seen these pressures, evenly in time."""
    zero = AmbientZero(None, resolution_kpa)
    pressures = np.asarray(pressure_kpa, dtype=np.float64)
    zero.see(start_s + np.arange(len(pressures)) / hz, pressures)
    return zero


@pytest.mark.parametrize("start_s", [0.0, 1000.0])
def test_half_a_second_and_ten_samples_of_quiet_air_settle_it_and_less_of_either_does_not(start_s: float) -> None:
    assert not seen([97.0] * 25, start_s=start_s).settled
    assert seen([97.0] * 26, start_s=start_s).settled
    assert not seen([97.0] * 9, hz=2.0, start_s=start_s).settled
    assert seen([97.0] * 10, hz=2.0, start_s=start_s).settled


@pytest.mark.parametrize("slope_kpa", [0.4, -0.4])
def test_air_that_comes_or_goes_is_not_quiet(slope_kpa: float) -> None:
    assert not seen(80.0 + slope_kpa * np.arange(60)).settled


def test_quiet_air_on_both_sides_of_a_pull_is_not_one_quiet_time() -> None:
    pulled = [97.0] * 20 + [800.0] + [97.0] * 20
    assert not seen(pulled).settled
    assert seen(pulled + [97.0] * 6).zero_kpa == 97.0


def test_until_it_is_settled_the_first_reading_that_can_be_air_stands_in() -> None:
    # ISO 2533: 101.325 kPa at sea level, 84.56 kPa at 1500 m.
    assert seen([800.0, 20.0]).zero_kpa == STANDARD_KPA == 101.325
    assert seen([800.0, 84.5, 84.9, 300.0]).zero_kpa == 84.5


def test_once_it_is_settled_no_other_air_moves_it() -> None:
    zero = seen([97.0] * 30 + [98.0] * 60)
    assert (zero.settled, zero.zero_kpa) == (True, 97.0)
    zero.see(10.0 + np.arange(60) / 50.0, np.full(60, 96.0))
    assert zero.zero_kpa == 97.0


def test_a_gauge_of_coarse_steps_is_quiet_between_two_of_them() -> None:
    between = [97.0, 98.0] * 20
    assert not seen(between).settled
    assert not seen(between, resolution_kpa=0.1).settled
    assert seen(between, resolution_kpa=1.0).settled
