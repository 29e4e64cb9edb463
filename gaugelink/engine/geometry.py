"""What geometry alone says of a cranking pressure: trapped volumes, a polytropic estimate, and how far to trust it."""

from dataclasses import dataclass
from math import cos, hypot, log, pi, radians, sin, sqrt
from typing import Final

from gaugelink.errors import SettingsError

GAMMA_AIR: Final = 1.4
"""Ratio of specific heats of air near room temperature (ISO 2533:1975, table 1)."""

# Heat and leakage keep the exponent of a cranked cylinder below gamma, and both take time: the loss goes with the
# duration of a turn. Its size at the reference speed was chosen within what is remembered of cranked engines (exponents
# of about 1.2 to 1.35) so that the simulated engines agree; how much a sound engine leaks is not known beforehand, so
# two fifths of the loss are in doubt.
LOSS_AT_REFERENCE: Final = 0.11
REFERENCE_RPM: Final = 400.0
LOSS_U_SHARE: Final = 0.4
EXPONENT_U: Final = 0.03
LOWEST_EXPONENT: Final = 1.05

# How well a shop knows the trapped ratio (gasket, squish, port edge), and the pressure at which the port closes.
RATIO_U_FRACTION: Final = 0.03
START_U_FRACTION: Final = 0.02


@dataclass(frozen=True, slots=True)
class CylinderGeometry:
    """The dimensions that fix a cylinder's volumes."""

    bore_mm: float
    stroke_mm: float
    rod_mm: float
    """Connecting-rod length between centres."""
    clearance_cm3: float
    """Volume above the piston at top dead centre, the plug in place."""
    closing_deg_btdc: float
    """Crank angle before top dead centre at which the last port or valve closes; 180 is bottom dead centre."""

    def swept_above_cm3(self, deg_from_tdc: float) -> float:
        """Volume that the piston has opened at a crank angle from top dead centre (slider-crank, no pin offset)."""
        crank = self.stroke_mm / 2.0
        angle = radians(deg_from_tdc)
        travel = crank * (1.0 - cos(angle)) + self.rod_mm - sqrt(self.rod_mm**2 - (crank * sin(angle)) ** 2)
        return pi / 4.0 * self.bore_mm**2 * travel / 1000.0

    def ratio(self, added_cm3: float = 0.0) -> float:
        """Trapped compression ratio with a volume added to the chamber (negative: oil takes some up).

        Raises SettingsError when the volume taken up leaves no chamber.
        """
        clearance = self.clearance_cm3 + added_cm3
        if clearance <= 0.0:
            raise SettingsError(
                f"{-added_cm3:g} cm3 of oil fills the whole chamber of {self.clearance_cm3:.1f} cm3: "
                "the engine would lock; check the amount and the chamber volume."
            )
        return (clearance + self.swept_above_cm3(self.closing_deg_btdc)) / clearance


@dataclass(frozen=True, slots=True)
class ExpectedPressure:
    """An estimate of the cranking pressure from geometry. It is an estimate and never a limit."""

    kpa: float
    """Gauge pressure."""
    u_kpa: float
    """Expanded uncertainty, coverage about 95 %."""
    ratio: float
    """Trapped compression ratio, the adapter's volume in it."""
    exponent: float
    """Polytropic exponent, heat and leakage in it."""
    isentropic_kpa: float
    """Gauge pressure of a compression without any loss."""
    isentropic_u_kpa: float
    """Expanded uncertainty of `isentropic_kpa`: beyond both the reading or the record is wrong."""


def clearance_from_ratio_cm3(bore_mm: float, stroke_mm: float, geometric_ratio: float) -> float:
    """Chamber volume from the full-stroke compression ratio."""
    return pi / 4.0 * bore_mm**2 * stroke_mm / 1000.0 / (geometric_ratio - 1.0)


def polytropic_exponent(cranking_rpm: float) -> tuple[float, float]:
    """Exponent of a cranked compression and its standard uncertainty, from the cranking speed (see the constants)."""
    loss = LOSS_AT_REFERENCE * REFERENCE_RPM / cranking_rpm
    exponent = max(LOWEST_EXPONENT, GAMMA_AIR - loss)
    return exponent, hypot(EXPONENT_U, LOSS_U_SHARE * (GAMMA_AIR - exponent))


def polytropic_gauge_kpa(ambient_abs_kpa: float, ratio: float, exponent: float) -> float:
    """Gauge pressure after a polytropic compression that starts at ambient: p * (r**n - 1)."""
    return float(ambient_abs_kpa * (ratio**exponent - 1.0))


def expected_pressure(
    geometry: CylinderGeometry,
    cranking_rpm: float,
    ambient_abs_kpa: float,
    *,
    ambient_u_kpa: float = 0.0,
    added_cm3: float = 0.0,
) -> ExpectedPressure:
    """Cranking pressure that geometry lets expect, with its uncertainty.

    `added_cm3` is the adapter's volume on the cylinder's side of the gauge's valve; oil in the cylinder counts as
    negative. The uncertainty is propagated to first order (JCGM 100:2008, clause 5.1.2) from the exponent, the
    trapped ratio and the starting pressure.
    """
    ratio = geometry.ratio(added_cm3)
    exponent, exponent_u = polytropic_exponent(cranking_rpm)
    absolute = ambient_abs_kpa * ratio**exponent
    gauge = polytropic_gauge_kpa(ambient_abs_kpa, ratio, exponent)
    u_exponent = absolute * log(ratio) * exponent_u
    u_ratio = absolute * exponent * RATIO_U_FRACTION
    # The gauge shows the end less the ambient: a start off it moves the absolute end, another ambient the whole.
    u_start = hypot(absolute * START_U_FRACTION, gauge * ambient_u_kpa / ambient_abs_kpa)
    loss_free_kpa = polytropic_gauge_kpa(ambient_abs_kpa, ratio, GAMMA_AIR)
    u_end = (loss_free_kpa + ambient_abs_kpa) * hypot(GAMMA_AIR * RATIO_U_FRACTION, START_U_FRACTION)
    return ExpectedPressure(
        kpa=gauge,
        u_kpa=2.0 * hypot(u_exponent, u_ratio, u_start),
        ratio=ratio,
        exponent=exponent,
        isentropic_kpa=loss_free_kpa,
        isentropic_u_kpa=2.0 * hypot(u_end, loss_free_kpa * ambient_u_kpa / ambient_abs_kpa),
    )


def adapter_factor(geometry: CylinderGeometry, cranking_rpm: float, adapter_cm3: float) -> float:
    """How much an adapter lowers a cranking pressure by the volume that it adds to the chamber: a factor of at most 1.

    Polytropic compression as in `expected_pressure`; of the quotient, the exponent and the ambient all but cancel.
    """
    exponent, _ = polytropic_exponent(cranking_rpm)
    return float((geometry.ratio(adapter_cm3) ** exponent - 1.0) / (geometry.ratio() ** exponent - 1.0))


def oil_factor(geometry: CylinderGeometry, cranking_rpm: float, oil_cm3: float, added_cm3: float = 0.0) -> float:
    """How much oil raises a cranking pressure by its volume alone, as a factor of at least 1.

    Oil that seals nothing still fills a part of the chamber. What of it stays on the crown is not known; the
    caller takes the whole of it as the most it can do.
    """
    exponent, _ = polytropic_exponent(cranking_rpm)
    with_oil = geometry.ratio(added_cm3 - oil_cm3) ** exponent - 1.0
    return float(with_oil / (geometry.ratio(added_cm3) ** exponent - 1.0))
