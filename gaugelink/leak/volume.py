"""The volume under test, where nobody knows it: from air that is put in, or from a hole of known size.

Both take the air at the wall's temperature: wait until it has settled.
"""

from dataclasses import dataclass
from math import hypot, sqrt

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError, SettingsError
from gaugelink.leak.flow import R_AIR, hole_area_m2, hole_flow_kg_s

ROOM_K = 293.15


@dataclass(frozen=True, slots=True)
class Volume:
    """A volume with its doubt."""

    cm3: float
    u_cm3: float
    """Standard uncertainty."""

    @property
    def u_percent(self) -> float:
        """Standard uncertainty in percent, as `DecayLimit` takes it."""
        return 100.0 * self.u_cm3 / self.cm3


def volume_from_injection(
    injected_cm3: float,
    before_kpa: float,
    after_kpa: float,
    *,
    ambient_abs_kpa: float = 101.325,
    injected_u_cm3: float = 0.0,
    pressure_u_kpa: float = 0.0,
    unit: PressureUnit = PressureUnit.KPA,
) -> Volume:
    """Volume from air at ambient pressure that is pushed in, with a syringe for example: ``V = v p0 / (p2 - p1)``.

    Boyle's law; the temperature before and after is the same, so both pressures are read after settling.

    Args:
        injected_cm3: volume of the air before it was pushed in, at ambient pressure.
        before_kpa: gauge pressure before.
        after_kpa: gauge pressure after, settled.
        ambient_abs_kpa: ambient pressure.
        injected_u_cm3: standard uncertainty of the injected volume.
        pressure_u_kpa: standard uncertainty of each reading.
        unit: what errors tell pressures in.

    Raises:
        SettingsError: the injected volume or the ambient pressure is not above zero.
        RecordingError: the pressure did not rise by more than its uncertainty.
    """
    if not injected_cm3 > 0:
        raise SettingsError(f"The injected volume is {injected_cm3:g} cm3; it must be above zero.")
    if not ambient_abs_kpa > 0:
        raise SettingsError(f"The ambient pressure is {ambient_abs_kpa:g} kPa; an absolute pressure is above zero.")
    rise = after_kpa - before_kpa
    rise_u = sqrt(2.0) * pressure_u_kpa
    if rise <= 2.0 * rise_u or rise <= 0:
        before, after = unit.texts_apart(before_kpa, after_kpa, fine=True)
        raise RecordingError(
            f"The pressure went from {before} to {after}; it has to rise by clearly more than the gauge's uncertainty: "
            "inject more air, or look for an open hose."
        )
    cm3 = injected_cm3 * ambient_abs_kpa / rise
    return Volume(cm3, cm3 * hypot(injected_u_cm3 / injected_cm3, rise_u / rise))


def volume_from_known_leak(
    hole_mm: float,
    at_kpa: float,
    rate_with_kpa_per_min: float,
    rate_without_kpa_per_min: float = 0.0,
    *,
    ambient_abs_kpa: float = 101.325,
    room_k: float = ROOM_K,
    hole_u_mm: float = 0.0,
    rate_u_kpa_per_min: float = 0.0,
) -> Volume:
    """Volume from how much quicker the pressure falls with a hole of known size open: ``V = m' R T / (dP/dt)``.

    Args:
        hole_mm: diameter of the known hole, an ideal nozzle.
        at_kpa: gauge pressure that both rates are told at.
        rate_with_kpa_per_min: fall with the hole open.
        rate_without_kpa_per_min: fall without it.
        ambient_abs_kpa: ambient pressure.
        room_k: temperature of the air.
        hole_u_mm: standard uncertainty of the diameter.
        rate_u_kpa_per_min: standard uncertainty of each rate.

    Raises:
        SettingsError: the hole or the pressure is not above zero.
        RecordingError: the hole makes no difference that can be seen.
    """
    if not hole_mm > 0:
        raise SettingsError(f"The known hole is {hole_mm:g} mm; it must be above zero.")
    if not at_kpa > 0:
        raise SettingsError(f"The pressure is {at_kpa:g} kPa above ambient; it must be above zero.")
    more = rate_with_kpa_per_min - rate_without_kpa_per_min
    more_u = sqrt(2.0) * rate_u_kpa_per_min
    if more <= 2.0 * more_u or more <= 0:
        raise RecordingError(
            f"The pressure falls by {rate_with_kpa_per_min:g} kPa/min with the known hole and "
            f"{rate_without_kpa_per_min:g} without it: the difference has to be clearly above its uncertainty. "
            "Take a larger hole."
        )
    flow = float(hole_flow_kg_s(hole_area_m2(hole_mm), ambient_abs_kpa + at_kpa, ambient_abs_kpa, room_k))
    cm3 = 1e6 * flow * R_AIR * room_k / (more * 1000.0 / 60.0)
    return Volume(cm3, cm3 * hypot(2.0 * hole_u_mm / hole_mm, more_u / more))
