"""The air that the engine breathes: standard atmosphere, barometer, and what altitude does to a cranking pressure."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from gaugelink.errors import SettingsError

# ISO 2533:1975, clause 2.1 and table 1 (the same values as ICAO Doc 7488/3, part 1).
SEA_LEVEL_KPA: Final = 101.325
SEA_LEVEL_K: Final = 288.15
GRAVITY_M_S2: Final = 9.80665
GAS_CONSTANT_J_KG_K: Final = 287.05287
LAPSE_K_M: Final = -0.0065
EARTH_RADIUS_M: Final = 6_356_766.0

LOWEST_M: Final = -2000.0
HIGHEST_M: Final = 11_000.0

# What may be said of the air at an engine that is tested: no shop is deeper or higher, and no weather goes beyond.
SHOP_M: Final = (-500.0, 9000.0)
SHOP_AMBIENT_KPA: Final = (30.0, 110.0)

FOOT_M: Final = 0.3048

# Factors printed beside compression figures, common service-manual practice: they are the standard's density
# ratio at whole thousands of feet.
DENSITY_TABLE_FT: Final = (0.0, 1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0)
DENSITY_TABLE: Final = (1.0, 0.971, 0.943, 0.915, 0.888, 0.862, 0.836)

# Day-to-day weather around the standard atmosphere at one place, from memory: about 1 kPa.
WEATHER_U_KPA: Final = 1.0
# A shop barometer or a telephone's pressure cell, from memory.
BAROMETER_U_KPA: Final = 0.2


class AltitudeMethod(StrEnum):
    """How a pressure is carried from one ambient to another."""

    PRESSURE = "pressure"
    """By the ratio of ambient pressures: what compression of a trapped gas follows."""
    DENSITY_TABLE = "density_table"
    """By the density ratio that many service manuals print."""


class AmbientSource(StrEnum):
    """Where the ambient pressure comes from."""

    ALTITUDE = "altitude"
    """The standard atmosphere at a stated altitude; the day's weather is unknown."""
    BAROMETER = "barometer"
    """A station-pressure reading taken at the engine."""
    ASSUMED = "assumed"
    """Nothing was given: sea level is assumed."""


@dataclass(frozen=True, slots=True)
class Ambient:
    """The pressure around the engine."""

    abs_kpa: float
    """Absolute pressure."""
    u_kpa: float
    """Standard uncertainty."""
    source: AmbientSource
    altitude_m: float | None = None
    """Geometric altitude, where it was given."""


def geopotential_m(altitude_m: float) -> float:
    """Geopotential altitude from geometric altitude (ISO 2533:1975, clause 2.3)."""
    return EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)


def standard_temperature_k(altitude_m: float) -> float:
    """Temperature of the standard atmosphere at a geometric altitude, -2,000 to 11,000 m.

    Raises SettingsError for an altitude outside that range. Source: ISO 2533:1975, clause 2.4.
    """
    _refuse_out_of_range(altitude_m)
    return SEA_LEVEL_K + LAPSE_K_M * geopotential_m(altitude_m)


def standard_pressure_kpa(altitude_m: float) -> float:
    """Absolute pressure of the standard atmosphere at a geometric altitude, -2,000 to 11,000 m.

    Raises SettingsError for an altitude outside that range. Source: ISO 2533:1975, clause 2.6.
    """
    temperature_ratio = standard_temperature_k(altitude_m) / SEA_LEVEL_K
    return float(SEA_LEVEL_KPA * temperature_ratio ** (-GRAVITY_M_S2 / (LAPSE_K_M * GAS_CONSTANT_J_KG_K)))


def standard_density_kg_m3(altitude_m: float) -> float:
    """Density of the standard atmosphere at a geometric altitude, -2,000 to 11,000 m (perfect gas)."""
    return standard_pressure_kpa(altitude_m) * 1000.0 / (GAS_CONSTANT_J_KG_K * standard_temperature_k(altitude_m))


def altitude_of_pressure_m(ambient_abs_kpa: float) -> float:
    """Geometric altitude at which the standard atmosphere has a pressure: the pressure altitude.

    Raises SettingsError when no altitude from -2,000 to 11,000 m has it.
    """
    if not standard_pressure_kpa(HIGHEST_M) <= ambient_abs_kpa <= standard_pressure_kpa(LOWEST_M):
        raise SettingsError(
            f"An ambient pressure of {ambient_abs_kpa:g} kPa is outside {standard_pressure_kpa(HIGHEST_M):.1f} to "
            f"{standard_pressure_kpa(LOWEST_M):.1f} kPa; give the absolute pressure at the engine in kPa."
        )
    exponent = -LAPSE_K_M * GAS_CONSTANT_J_KG_K / GRAVITY_M_S2
    geopotential = SEA_LEVEL_K / LAPSE_K_M * ((ambient_abs_kpa / SEA_LEVEL_KPA) ** exponent - 1.0)
    return float(EARTH_RADIUS_M * geopotential / (EARTH_RADIUS_M - geopotential))


def density_table_factor(altitude_m: float) -> float:
    """Printed altitude factor, interpolated; above 6,000 ft and below sea level the density ratio it comes from."""
    feet = altitude_m / FOOT_M
    if DENSITY_TABLE_FT[0] <= feet <= DENSITY_TABLE_FT[-1]:
        return float(np.interp(feet, DENSITY_TABLE_FT, DENSITY_TABLE))
    return standard_density_kg_m3(altitude_m) / standard_density_kg_m3(0.0)


def ambient_at_altitude(altitude_m: float) -> Ambient:
    """Ambient of the standard atmosphere at an altitude, as uncertain as the weather."""
    return Ambient(standard_pressure_kpa(altitude_m), WEATHER_U_KPA, AmbientSource.ALTITUDE, altitude_m)


def ambient_from_barometer(station_abs_kpa: float, u_kpa: float = BAROMETER_U_KPA) -> Ambient:
    """Ambient from a barometer that stands beside the engine.

    Raises SettingsError when the reading cannot be an ambient pressure.
    """
    altitude_of_pressure_m(station_abs_kpa)
    return Ambient(station_abs_kpa, u_kpa, AmbientSource.BAROMETER)


def assumed_ambient() -> Ambient:
    """Sea level, when nothing is known; its expanded uncertainty reaches shops up to about 700 m."""
    return Ambient(SEA_LEVEL_KPA, 4.0, AmbientSource.ASSUMED)


def ambient_factor(
    ambient_abs_kpa: float,
    reference_abs_kpa: float = SEA_LEVEL_KPA,
    method: AltitudeMethod = AltitudeMethod.PRESSURE,
) -> float:
    """What a cranking pressure (gauge) at the reference ambient is multiplied by to be expected at this ambient.

    A trapped gas is compressed to a fixed multiple f of its absolute starting pressure, so the gauge shows
    ambient * (f - 1): gauge pressure follows the ratio of ambient pressures. The density table instead uses the
    density ratio at the pressure altitude.
    """
    if method is AltitudeMethod.PRESSURE:
        return ambient_abs_kpa / reference_abs_kpa
    here = density_table_factor(altitude_of_pressure_m(ambient_abs_kpa))
    return here / density_table_factor(altitude_of_pressure_m(reference_abs_kpa))


def _refuse_out_of_range(altitude_m: float) -> None:
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise SettingsError(
            f"An altitude of {altitude_m:g} m is outside {LOWEST_M:g} to {HIGHEST_M:g} m; give metres above sea level."
        )
