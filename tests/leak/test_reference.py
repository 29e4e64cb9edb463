"""A reference reading takes the weather and the sun out of a long decay."""

import numpy as np
import pytest

from gaugelink.errors import RecordingError
from gaugelink.leak.decay import analyse
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.reference import Reference, referred
from simulators.vessel import Vessel, watch


def test_a_falling_barometer_does_not_fill_a_volume() -> None:
    time_s = np.array([0.0, 3600.0])
    # The gas inside keeps 140 kPa absolute while the barometer falls from 100 to 98 kPa: the gauge rises by 2 kPa.
    shown = np.array([40.0, 42.0])
    found = referred(time_s, shown, Reference(time_s, ambient_abs_kpa=np.array([100.0, 98.0])))
    assert np.allclose(found, 40.0)


def test_a_cooling_wall_takes_its_share_by_charles_law() -> None:
    time_s = np.array([0.0, 3600.0])
    # 141.325 kPa at 20 degrees Celsius are 141.325 x 283.15 / 293.15 at 10.
    shown = np.array([40.0, 141.325 * 283.15 / 293.15 - 101.325])
    found = referred(time_s, shown, Reference(time_s, temperature_c=np.array([20.0, 10.0])))
    assert np.allclose(found, 40.0)


def test_a_night_in_falling_frost_is_told_from_a_leak_with_a_reference_alone() -> None:
    limit = DecayLimit(loss_kpa=2.0, minutes=120.0, test_kpa=90.0, highest_kpa=110.0, drift_k_per_h=0.2)
    vessel = Vessel(volume_cm3=7000.0, hole_mm=0.0, heated=0.0, drift_k_per_h=-3.0)
    record = watch(vessel, 90.0, 7200.0, rate_hz=1.0, resolution_kpa=0.1, noise_kpa=0.05)
    held = record.time_s >= record.closed_s
    time_s, pressure_kpa = record.time_s[held], record.pressure_kpa[held]
    hours = (time_s - time_s[0]) / 3600.0
    reference = Reference(time_s, temperature_c=20.0 - 3.0 * hours)
    blind = analyse(time_s, pressure_kpa, limit)
    seeing = analyse(time_s, referred(time_s, pressure_kpa, reference), limit)
    assert blind.leak_kpa_per_min.low > 0.0
    assert seeing.leak_kpa_per_min.low == 0.0
    assert seeing.leak_kpa_per_min.high < 0.2 * blind.leak_kpa_per_min.value


@pytest.mark.parametrize(
    ("how", "told"),
    [
        ({"ambient_abs_kpa": np.array([1.0, 1.0])}, "absolute"),
        ({"temperature_c": np.array([290.0, 291.0])}, "Celsius"),
        # A barometer in hectopascal or psi, a dropped reading, a sensor that is not there.
        ({"ambient_abs_kpa": np.array([100.0, 1013.0])}, "absolute"),
        ({"ambient_abs_kpa": np.array([101.0, 14.7])}, "absolute"),
        ({"temperature_c": np.array([20.0, 200.0])}, "Celsius"),
        ({"temperature_c": np.array([-127.0, 20.0])}, "Celsius"),
        ({"time_s": np.array([1.0])}, "two readings or more"),
        ({"time_s": np.array([1.0, 1.0])}, "rising"),
    ],
)
def test_a_reference_that_cannot_be_is_refused(how: dict[str, np.ndarray], told: str) -> None:
    with pytest.raises(RecordingError, match=told):
        Reference(**({"time_s": np.array([0.0, 1.0])} | how))


def test_what_a_place_on_land_has_is_taken() -> None:
    # 5,500 m: 50.5 kPa (ICAO Doc 7488/3); a winter's high of 108 kPa, and from a cold night to an engine that has run.
    reference = Reference(
        np.array([0.0, 60.0]), ambient_abs_kpa=np.array([50.5, 108.0]), temperature_c=np.array([-45.0, 120.0])
    )
    assert len(referred(np.array([0.0, 30.0]), np.array([40.0, 40.0]), reference)) == 2
