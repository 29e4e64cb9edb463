"""The volume under test, where nobody knows it: from air that is put in.

That takes the air at the wall's temperature: wait until it has settled.
"""

from dataclasses import dataclass
from math import hypot, sqrt

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError, SettingsError


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
