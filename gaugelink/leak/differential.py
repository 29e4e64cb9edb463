"""Differential leak-down: regulated air through a known orifice into a cylinder at top dead centre.

Whatever goes through the orifice goes out through the leak. Equating both flows gives the leak's equivalent area,

    A_leak = A_orifice p1 f(p2 / p1) / (p2 f(p0 / p2)),

with p1 the regulated, p2 the cylinder's and p0 the ambient absolute pressure, and f the nozzle's flow function, either
of them choked or not. Unlike the loss in percent, this area does not depend on the regulated pressure.
"""

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import hypot, sqrt
from typing import Annotated, Self

from pydantic import Field, model_validator

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError, SettingsError
from gaugelink.leak.decay import DecayVerdict, Interval
from gaugelink.leak.flow import flow_function, hole_area_m2, hole_diameter_mm
from gaugelink.leak.limits import PRACTICE, source_words
from gaugelink.settings import Settings

_PSI = PressureUnit.PSI.kpa
_INCH_MM = 25.4

FAA = "FAA AC 43.13-1B, chapter 8, 8-14"
FAA_SUPPLY_KPA = 80.0 * _PSI
FAA_LOWEST = 60.0 / 80.0
"""Cylinder pressure over regulated pressure below which action is called for on a hot engine."""
FAA_BORE_MM = 5.00 * _INCH_MM
"""From this bore on the larger orifice is used."""


class Orifice(Settings):
    """The restriction between regulator and cylinder."""

    diameter_mm: Annotated[float, Field(gt=0, le=10)]
    diameter_u_mm: Annotated[float, Field(ge=0, le=1)] = 0.01
    """Standard uncertainty."""
    discharge: Annotated[float, Field(gt=0.3, le=1)] = 0.9
    """Discharge coefficient: effective over geometric area. A hole with a tapered approach lies near 0.9 (from
    memory); `calibrated` measures it."""
    discharge_u: Annotated[float, Field(ge=0, le=0.3)] = 0.05
    """Standard uncertainty."""

    @property
    def area_m2(self) -> float:
        """Effective area."""
        return self.discharge * hole_area_m2(self.diameter_mm)

    @property
    def area_u_m2(self) -> float:
        """Standard uncertainty of the effective area."""
        share = hypot(2.0 * self.diameter_u_mm / self.diameter_mm, self.discharge_u / self.discharge)
        return self.area_m2 * share

    def for_bore(self, bore_mm: float) -> Self:
        """Return itself where it fits the bore.

        Raises:
            SettingsError: the bore is not above zero, or the orifice is larger.
        """
        if not bore_mm > 0:
            raise SettingsError(f"The bore is {bore_mm:g} mm; it must be above zero.")
        if self.diameter_mm >= bore_mm:
            raise SettingsError(
                f"The orifice is {self.diameter_mm:g} mm and the bore {bore_mm:g} mm: an orifice larger than the bore "
                "measures nothing. Give the orifice's diameter in millimetres."
            )
        return self


def faa_orifice(bore_mm: float) -> Orifice:
    """The orifice of the aviation reference for a bore: 0.040 in below 5.00 in, 0.060 in from there on.

    Each is 0.250 in long with an approach of 60 degrees (FAA AC 43.13-1B, chapter 8, 8-14, as revised in 2001).

    Raises:
        SettingsError: the bore is not above the orifice.
    """
    inch = 0.040 if bore_mm < FAA_BORE_MM - 1e-9 else 0.060
    return Orifice(diameter_mm=inch * _INCH_MM).for_bore(bore_mm)


class Band(Settings):
    """One step of a scale of losses."""

    upto_percent: Annotated[float, Field(gt=0, le=100)]
    word: Annotated[str, Field(min_length=1, max_length=40)]
    acts: bool = False
    """Whether it calls for action."""


class LossScale(Settings):
    """What a loss in percent is called. Scales differ between trades and engines; the maker's goes first."""

    bands: Annotated[tuple[Band, ...], Field(min_length=1)] = (
        Band(upto_percent=10.0, word="good"),
        Band(upto_percent=20.0, word="usable"),
        Band(upto_percent=30.0, word="worn", acts=True),
        Band(upto_percent=100.0, word="bad", acts=True),
    )
    source: str = PRACTICE

    @model_validator(mode="after")
    def _rises(self) -> Self:
        upto = [band.upto_percent for band in self.bands]
        if any(b <= a for a, b in pairwise(upto)) or upto[-1] < 100.0:
            raise ValueError("bands must rise and end at 100 percent")
        return self

    def band(self, loss_percent: float) -> Band:
        """The band of a loss."""
        return next((band for band in self.bands if loss_percent <= band.upto_percent), self.bands[-1])


FAA_SCALE = LossScale(
    bands=(
        Band(upto_percent=100.0 * (1.0 - FAA_LOWEST), word="within 60/80"),
        Band(upto_percent=100.0, word="below 60/80", acts=True),
    ),
    source=FAA,
)


class DifferentialLimit(Settings):
    """How a differential test is run and judged. Pressures are gauge pressures."""

    orifice: Orifice = Orifice(diameter_mm=0.040 * _INCH_MM)
    bore_mm: Annotated[float, Field(gt=0, le=1000)] | None = None
    supply_kpa: Annotated[float, Field(gt=0, le=1000)] = FAA_SUPPLY_KPA
    """Regulated pressure; believed where no second gauge reads it."""
    supply_u_kpa: Annotated[float, Field(ge=0, le=100)] = 5.0
    """Standard uncertainty of the stated regulated pressure."""
    gauge_u_kpa: Annotated[float, Field(ge=0, le=100)] = 2.0
    """Standard uncertainty of a gauge's reading."""
    highest_kpa: Annotated[float, Field(gt=0, le=1500)] = 100.0 * _PSI
    """Never more than this into a cylinder (common practice, no source)."""
    scale: LossScale = LossScale()
    hot: bool = False
    """The engine is at its working temperature, as the aviation reference asks."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.supply_kpa > self.highest_kpa:
            raise ValueError(f"supply_kpa {self.supply_kpa:g} is above highest_kpa {self.highest_kpa:g}")
        if self.bore_mm is not None:
            self.orifice.for_bore(self.bore_mm)
        return self


class DifferentialFlag(StrEnum):
    """Why a differential result may be doubted."""

    COLD = "cold"
    """The engine is cold; the reference speaks of a hot one."""
    SUPPLY_STATED = "supply_stated"
    """No gauge read the regulated pressure."""
    NO_LOSS_SEEN = "no_loss_seen"
    """The loss is within the gauges' uncertainty."""
    NOT_STEADY = "not_steady"
    """The pressures had not come to rest."""
    PISTON_MOVED = "piston_moved"
    """The pressure changed all at once: the piston has moved off top dead centre."""
    ZERO_MOVING = "zero_moving"
    """The gauge was not at rest before the air came in, so its zero is less certain."""


@dataclass(frozen=True, slots=True)
class DifferentialResult:
    """A differential leak-down, judged."""

    verdict: DecayVerdict
    word: str
    """What the scale calls it."""
    reason: str
    supply_kpa: float
    cylinder_kpa: float
    loss_percent: Interval
    leak_mm2: Interval
    """Effective area of the leak."""
    leak_mm: Interval
    """Diameter of the round hole (ideal nozzle) of that area."""
    flags: frozenset[DifferentialFlag]


def leak_area_m2(
    orifice_area_m2: float,
    supply_kpa: float,
    cylinder_kpa: float,
    *,
    ambient_abs_kpa: float = 101.325,
    unit: PressureUnit = PressureUnit.KPA,
) -> float:
    """Effective area of the leak from the gauge pressures on both sides of the orifice.

    Raises:
        RecordingError: a pressure is negative, or the cylinder's is above the supply's; told in `unit`.
    """
    if supply_kpa <= 0 or cylinder_kpa <= 0:
        raise RecordingError(
            f"The supply reads {unit.fine_text(supply_kpa)} and the cylinder {unit.fine_text(cylinder_kpa)}; both must "
            "be above ambient. Check the gauges' zero and the hose."
        )
    if cylinder_kpa > supply_kpa:
        cylinder, supply = unit.texts_apart(cylinder_kpa, supply_kpa, fine=True)
        raise RecordingError(
            f"The cylinder reads {cylinder}, more than the supply's {supply}. "
            "Exchange the gauges or take their zeros anew."
        )
    p1, p2 = ambient_abs_kpa + supply_kpa, ambient_abs_kpa + cylinder_kpa
    into = p1 * float(flow_function(p2 / p1))
    out = p2 * float(flow_function(ambient_abs_kpa / p2))
    return orifice_area_m2 * into / out


_LEAST_KPA = 1e-3
"""A pressure that is doubted to nothing or less is taken to be so much: no leak is larger."""


def _around(
    supply_kpa: float, cylinder_kpa: float, supply_u_kpa: float, cylinder_u_kpa: float
) -> tuple[tuple[float, float], ...]:
    """Supply and cylinder pressure with one of them off by its uncertainty: supply up, down, cylinder down, up.

    In the order of more leak, less leak for each: both errors are their own, and each has an effect of its own.
    """
    return (
        (supply_kpa + supply_u_kpa, cylinder_kpa),
        (max(supply_kpa - supply_u_kpa, _LEAST_KPA), cylinder_kpa),
        (supply_kpa, cylinder_kpa - cylinder_u_kpa),
        (supply_kpa, cylinder_kpa + cylinder_u_kpa),
    )


def calibrated(
    master_mm: float,
    supply_kpa: float,
    cylinder_kpa: float,
    *,
    diameter_mm: float,
    ambient_abs_kpa: float = 101.325,
    master_u_mm: float = 0.005,
    pressure_u_kpa: float = 1.0,
    unit: PressureUnit = PressureUnit.KPA,
) -> Orifice:
    """Calibrate an orifice by a master orifice in the place of the cylinder: the flow through both is the same.

    Args:
        master_mm: diameter of the master orifice, taken as an ideal nozzle.
        supply_kpa: regulated gauge pressure.
        cylinder_kpa: gauge pressure between the orifices.
        diameter_mm: nominal diameter of the orifice that is calibrated.
        ambient_abs_kpa: ambient pressure.
        master_u_mm: standard uncertainty of the master.
        pressure_u_kpa: standard uncertainty of each reading.
        unit: what errors tell pressures in.

    Raises:
        RecordingError: the pressures cannot be those of two orifices in series.
        SettingsError: what they say does not fit the nominal diameter.
    """
    one = leak_area_m2(1.0, supply_kpa, cylinder_kpa, ambient_abs_kpa=ambient_abs_kpa, unit=unit)
    if one <= 0:
        raise RecordingError("The pressures on both sides of the orifice are the same: no air goes through the master.")
    area = hole_area_m2(master_mm) / one
    discharge = area / hole_area_m2(diameter_mm)
    if not 0.3 < discharge <= 1.0:
        raise SettingsError(
            f"By the master orifice the area is {discharge:.2f} of that of a hole of {diameter_mm:g} mm; between 0.3 "
            "and 1 can be. Check both diameters and look for a leak beside the master."
        )
    ends = [
        leak_area_m2(1.0, supply, min(max(cylinder, _LEAST_KPA), supply), ambient_abs_kpa=ambient_abs_kpa)
        for supply, cylinder in _around(supply_kpa, cylinder_kpa, pressure_u_kpa, pressure_u_kpa)
    ]
    by_supply, by_cylinder = 0.5 * abs(ends[0] - ends[1]) / one, 0.5 * abs(ends[2] - ends[3]) / one
    share = hypot(2.0 * master_u_mm / master_mm, by_supply, by_cylinder)
    return Orifice(
        diameter_mm=diameter_mm, diameter_u_mm=0.0, discharge=discharge, discharge_u=min(discharge * share, 0.3)
    )


def judge_differential(
    supply_kpa: float | None,
    cylinder_kpa: float,
    limit: DifferentialLimit,
    *,
    ambient_abs_kpa: float = 101.325,
    noise_u_kpa: float = 0.0,
    flags: frozenset[DifferentialFlag] = frozenset(),
    unit: PressureUnit = PressureUnit.KPA,
) -> DifferentialResult:
    """Judge steady pressures.

    Args:
        supply_kpa: regulated gauge pressure as read; None to believe the limit's.
        cylinder_kpa: gauge pressure behind the orifice.
        limit: orifice, uncertainties and scale.
        ambient_abs_kpa: ambient pressure.
        noise_u_kpa: standard uncertainty of the mean that `cylinder_kpa` is.
        flags: what is already doubtful.
        unit: what errors tell pressures in.

    Raises:
        RecordingError: the pressures cannot be: one is negative, or the cylinder is well above the supply.
    """
    found = set(flags)
    supply, supply_u = supply_kpa, limit.gauge_u_kpa
    if supply is None:
        supply, supply_u = limit.supply_kpa, limit.supply_u_kpa
        found.add(DifferentialFlag.SUPPLY_STATED)
    if limit.scale.source == FAA and not limit.hot:
        found.add(DifferentialFlag.COLD)
    both = 2.0 * sqrt(supply_u**2 + limit.gauge_u_kpa**2 + noise_u_kpa**2)
    cylinder = cylinder_kpa
    if supply < cylinder <= supply + both:
        cylinder = supply
    if supply - cylinder < both:
        found.add(DifferentialFlag.NO_LOSS_SEEN)

    def area(up_kpa: float, at_kpa: float) -> float:
        inside = min(max(at_kpa, _LEAST_KPA), up_kpa)
        return 1e6 * leak_area_m2(limit.orifice.area_m2, up_kpa, inside, ambient_abs_kpa=ambient_abs_kpa)

    leak_area_m2(limit.orifice.area_m2, supply, cylinder, ambient_abs_kpa=ambient_abs_kpa, unit=unit)
    cylinder_u = sqrt(limit.gauge_u_kpa**2 + noise_u_kpa**2)
    value = area(supply, cylinder)
    more_1, less_1, more_2, less_2 = (
        area(*pair) for pair in _around(supply, cylinder, 2.0 * supply_u, 2.0 * cylinder_u)
    )
    own = 2.0 * limit.orifice.area_u_m2 / limit.orifice.area_m2 * value
    leak = Interval(
        value,
        max(0.0, value - hypot(value - less_1, value - less_2, own)),
        value + hypot(more_1 - value, more_2 - value, own),
    )
    loss = 100.0 * (1.0 - cylinder / supply)
    # What the supply is off counts the less the more is lost (JCGM 100:2008, 5.1.2).
    loss_u = 2.0 * 100.0 * hypot(cylinder_u, cylinder / supply * supply_u) / supply
    percent = Interval(loss, max(0.0, loss - loss_u), min(100.0, loss + loss_u))
    band = limit.scale.band(loss)
    verdict = DecayVerdict.FAIL if band.acts else DecayVerdict.PASS
    if limit.scale.band(percent.low).acts != limit.scale.band(percent.high).acts:
        verdict = DecayVerdict.OPEN
    mm = Interval(*(hole_diameter_mm(max(a, 0.0) * 1e-6) for a in (leak.value, leak.low, leak.high)))
    sure = "" if verdict is not DecayVerdict.OPEN else "; the gauges cannot tell it from the limit"
    return DifferentialResult(
        verdict=verdict,
        word=band.word,
        reason=(
            f"{loss:.0f} ± {loss_u:.0f} % is lost, {band.word} ({source_words(limit.scale.source)}){sure}. "
            f"It leaks like a hole of {mm.value:.2f} mm ({mm.low:.2f} to {mm.high:.2f})."
        ),
        supply_kpa=supply,
        cylinder_kpa=cylinder_kpa,
        loss_percent=percent,
        leak_mm2=leak,
        leak_mm=mm,
        flags=frozenset(found),
    )
