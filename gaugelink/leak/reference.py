"""Takes out of a decay what a reference reading says of the air around it: the barometer, the temperature of the wall.

A gauge shows pressure above ambient, so a falling barometer looks like a filling volume; a wall that cools by one
kelvin takes a three-hundredth of the absolute pressure, which no model can tell from a leak over a whole night.
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.errors import RecordingError
from gaugelink.leak.flow import FloatArray

ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True)
class Reference:
    """What was read beside a decay, on its clock."""

    time_s: FloatArray
    """Shape (n,), rising."""
    ambient_abs_kpa: FloatArray | None = None
    """Shape (n,), barometer."""
    temperature_c: FloatArray | None = None
    """Shape (n,), temperature of the volume's wall."""

    def __post_init__(self) -> None:
        """Refuse what cannot be.

        Raises:
            RecordingError: times that do not rise, an ambient pressure or a temperature that no place on land has.
        """
        if len(self.time_s) < 2 or np.any(np.diff(self.time_s) <= 0):
            raise RecordingError("A reference needs two readings or more, with rising times.")
        ambient = self.ambient_abs_kpa
        if ambient is not None and (np.min(ambient) < 30.0 or np.max(ambient) > 115.0):
            raise RecordingError(
                f"The reference has {np.min(ambient):g} to {np.max(ambient):g} kPa as ambient pressure; between 30 and "
                "115 kPa, absolute, can be."
            )
        degrees = self.temperature_c
        if degrees is not None and (np.min(degrees) < -60.0 or np.max(degrees) > 150.0):
            raise RecordingError(
                f"The reference has {np.min(degrees):g} to {np.max(degrees):g} degrees Celsius; -60 to 150 can be."
            )


def referred(
    time_s: FloatArray, pressure_kpa: FloatArray, reference: Reference, *, ambient_abs_kpa: float = 101.325
) -> FloatArray:
    """Gauge pressures as they would be had barometer and wall stayed as they were at the first sample; shape (n,).

    The ideal gas law at constant mass: ``(p + p0(t)) T(0) / T(t) - p0(0)``. Outside the reference's times its first
    or last reading stands.

    Args:
        time_s: shape (n,), on the reference's clock.
        pressure_kpa: shape (n,), gauge pressure, zero taken off.
        reference: what was read beside it.
        ambient_abs_kpa: ambient pressure, where the reference has no barometer.
    """
    ambient = np.full(len(time_s), ambient_abs_kpa)
    if reference.ambient_abs_kpa is not None:
        ambient = np.interp(time_s, reference.time_s, reference.ambient_abs_kpa)
    ratio = np.ones(len(time_s))
    if reference.temperature_c is not None:
        kelvin = np.interp(time_s, reference.time_s, reference.temperature_c) + ZERO_CELSIUS_K
        ratio = kelvin[0] / kelvin
    return np.asarray((pressure_kpa + ambient) * ratio - ambient[0], dtype=np.float64)
