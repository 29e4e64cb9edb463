"""Air: against the standard's tables, two independent libraries, and the factors that manuals print."""

import numpy as np
import pytest
from ambiance import Atmosphere
from fluids.atmosphere import ATMOSPHERE_1976

from gaugelink.engine.air import (
    DENSITY_TABLE,
    DENSITY_TABLE_FT,
    FOOT_M,
    SHOP_M,
    AltitudeMethod,
    altitude_of_pressure_m,
    ambient_at_altitude,
    ambient_factor,
    ambient_from_barometer,
    assumed_ambient,
    density_table_factor,
    standard_density_kg_m3,
    standard_pressure_kpa,
    standard_temperature_k,
)
from gaugelink.errors import SettingsError

ALTITUDES_M = np.array([SHOP_M[0], -100.0, *np.arange(0.0, 5001.0, 250.0), SHOP_M[1]])

# ICAO Doc 7488/3, table 1 (geometric altitude in m: temperature K, pressure hPa, density kg/m3); from memory.
ICAO_TABLE = {
    0.0: (288.150, 1013.250, 1.22500),
    1000.0: (281.651, 898.763, 1.11166),
    2000.0: (275.154, 795.014, 1.00655),
    3000.0: (268.659, 701.212, 0.909254),
    4000.0: (262.166, 616.604, 0.819347),
}


@pytest.mark.parametrize("altitude_m", ALTITUDES_M)
def test_the_standard_atmosphere_agrees_with_ambiance(altitude_m: float) -> None:
    reference = Atmosphere(altitude_m)  # ambiance: ICAO standard atmosphere 1993
    assert standard_temperature_k(altitude_m) == pytest.approx(reference.temperature[0], rel=1e-9)
    # Below the sea its layer begins 5 km down, with a pressure that is rounded there: 0.03 Pa.
    assert standard_pressure_kpa(altitude_m) == pytest.approx(reference.pressure[0] / 1000.0, rel=3e-7)
    assert standard_density_kg_m3(altitude_m) == pytest.approx(reference.density[0], rel=3e-7)


@pytest.mark.parametrize("altitude_m", ALTITUDES_M)
def test_the_standard_atmosphere_agrees_with_fluids(altitude_m: float) -> None:
    reference = ATMOSPHERE_1976(altitude_m)  # fluids: US standard atmosphere 1976, the same below 32 km
    assert standard_pressure_kpa(altitude_m) == pytest.approx(reference.P / 1000.0, rel=2e-5)
    assert standard_density_kg_m3(altitude_m) == pytest.approx(reference.rho, rel=2e-5)


@pytest.mark.parametrize("altitude_m", ICAO_TABLE)
def test_the_standard_atmosphere_has_the_printed_values(altitude_m: float) -> None:
    temperature_k, pressure_hpa, density = ICAO_TABLE[altitude_m]
    assert standard_temperature_k(altitude_m) == pytest.approx(temperature_k, abs=0.0006)
    assert standard_pressure_kpa(altitude_m) * 10.0 == pytest.approx(pressure_hpa, abs=0.006)
    assert standard_density_kg_m3(altitude_m) == pytest.approx(density, rel=6e-6)


@pytest.mark.parametrize(("feet", "factor"), list(zip(DENSITY_TABLE_FT, DENSITY_TABLE, strict=True)))
def test_the_printed_factors_are_density_ratios_of_the_standard(feet: float, factor: float) -> None:
    reference = Atmosphere(feet * FOOT_M).density[0] / Atmosphere(0.0).density[0]
    assert factor == pytest.approx(reference, abs=0.0005)
    assert density_table_factor(feet * FOOT_M) == factor


def test_the_density_table_goes_on_above_its_last_line_without_a_step() -> None:
    last = 6000.0 * FOOT_M
    assert density_table_factor(last + 1.0) == pytest.approx(density_table_factor(last), abs=0.0006)
    assert density_table_factor(3000.0) < density_table_factor(last)


def test_pressure_and_density_differ_most_where_it_is_high_and_cold() -> None:
    at_2000 = standard_pressure_kpa(2000.0)
    by_pressure = ambient_factor(at_2000)
    by_density = ambient_factor(at_2000, method=AltitudeMethod.DENSITY_TABLE)
    assert by_pressure == pytest.approx(0.7846, abs=1e-4)  # 795.01 / 1013.25
    # ICAO Doc 7488/3 at 1,500 m: 845.56 hPa.
    assert ambient_factor(standard_pressure_kpa(1500.0)) == pytest.approx(84.556 / 101.325, rel=1e-4)
    assert by_density == pytest.approx(0.8217, abs=0.001)  # 1.00655 / 1.22500
    assert ambient_factor(101.325, method=AltitudeMethod.DENSITY_TABLE) == pytest.approx(1.0)


def test_pressure_altitude_is_the_inverse_of_the_standard() -> None:
    for altitude_m in ALTITUDES_M:
        assert altitude_of_pressure_m(standard_pressure_kpa(altitude_m)) == pytest.approx(altitude_m, abs=1e-6)


def test_ambients_know_how_sure_they_are() -> None:
    assert ambient_at_altitude(500.0).u_kpa > ambient_from_barometer(95.0).u_kpa


def test_what_is_assumed_of_the_air_holds_from_the_sea_to_seven_hundred_metres() -> None:
    assumed = assumed_ambient()
    lowest_kpa = assumed.abs_kpa - 2.0 * assumed.u_kpa
    assert altitude_of_pressure_m(lowest_kpa) == pytest.approx(700.0, abs=30.0)
    # An autumn storm, 960 hPa, and a winter's high, 1045 hPa, reduced to the sea; both from memory.
    assert lowest_kpa < 96.0 < 104.5 < assumed.abs_kpa + 2.0 * assumed.u_kpa


def test_a_gauge_pressure_or_psi_given_as_ambient_is_refused() -> None:
    for wrong in (0.0, 14.7, 1013.25, -5.0):
        with pytest.raises(SettingsError, match="absolute"):
            ambient_from_barometer(wrong)


def test_an_altitude_that_no_shop_has_is_refused() -> None:
    with pytest.raises(SettingsError, match="metres"):
        standard_pressure_kpa(30_000.0)
