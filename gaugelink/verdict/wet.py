"""Wet against dry: what a little oil in the cylinder tells of rings and of everything else."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot, inf, isinf, log

import numpy as np

from gaugelink.bench.repeats import COVERAGE_FACTOR, Repeat
from gaugelink.engine.air import AmbientSource, ambient_factor
from gaugelink.engine.geometry import CylinderGeometry, oil_factor
from gaugelink.verdict.adapters import CARRIED_U_SHARE, OTHER_ADAPTER_U, carrying_factor
from gaugelink.verdict.case import Case
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions, Finding, RuleName, Severity
from gaugelink.verdict.other_conditions import noted_or_not_u

# How much of the oil stays on the crown while cranking is not known: anything from none to all of it, so half with a
# rectangular distribution (JCGM 100:2008, clause 4.3.7).
STAYING_SHARE = 0.5
STAYING_U = 0.5 / 3.0**0.5

SOURCE = (
    "common practice, no source: oil seals rings and bore for a moment and seals nothing else; its volume is taken "
    "out where the amount and the dimensions are known"
)


@dataclass(frozen=True, slots=True)
class _Rise:
    kpa: float
    """As measured."""
    u_alone_kpa: float
    """Expanded uncertainty of `kpa` without what the rises of all cylinders share."""
    ambient_u_kpa: float
    """Expanded uncertainty from carrying one ambient to the other: the same fraction of every cylinder's reading."""
    adapter_u_kpa: float
    """The same from carrying one adapter to the other; 0 where both tests were read through the same."""
    dry_kpa: float
    most_by_volume_kpa: float
    """What the oil's own volume does if all of it stays on the crown; infinite where it fills the chamber and where the
    amount or the dimensions are not known: it may then be all of the rise."""

    @property
    def by_volume_kpa(self) -> float:
        """What the oil's own volume is taken to do: no more than the rise, because oil makes nothing leak more."""
        return STAYING_SHARE * min(self.most_by_volume_kpa, max(0.0, self.kpa))

    @property
    def by_volume_u_kpa(self) -> float:
        """Expanded uncertainty of `by_volume_kpa`."""
        return COVERAGE_FACTOR * STAYING_U * min(self.most_by_volume_kpa, max(0.0, self.kpa))

    @property
    def u_kpa(self) -> float:
        """Expanded uncertainty of `kpa`."""
        return hypot(self.u_alone_kpa, self.ambient_u_kpa, self.adapter_u_kpa)

    @property
    def percent(self) -> float:
        return 100.0 * self.kpa / self.dry_kpa

    @property
    def sealing_percent(self) -> float:
        """Rise without the oil's own volume."""
        return 100.0 * (self.kpa - self.by_volume_kpa) / self.dry_kpa

    @property
    def sealing_u_percent(self) -> float:
        return 100.0 * hypot(self.u_kpa, self.by_volume_u_kpa) / self.dry_kpa

    @property
    def u_percent(self) -> float:
        return 100.0 * self.u_kpa / self.dry_kpa

    @property
    def u_alone_percent(self) -> float:
        return 100.0 * self.u_alone_kpa / self.dry_kpa


def wet_findings(wet: Case, dry: Case) -> list[Finding]:
    """Findings of a wet test held against the dry test of the same engine, one for each cylinder in both.

    The same oil in each cylinder takes up the same volume, so between cylinders that part cancels, and so does what is
    uncertain of the air's pressure; a rise on its own has the volume taken out, as uncertain as the share of the oil
    that stays on the crown.
    """
    rises = {
        name: _rise(wet, dry, name) for name in wet.readings if name in dry.readings and dry.readings[name].peak_kpa > 0
    }
    low = dry.low_cylinders()
    return [_finding(wet, dry, name, rises, name in low) for name in rises]


def unheld_finding(wet: Case) -> Finding:
    """What to say of a wet test that no dry one is held against: oil seals worn rings, so it clears nobody."""
    return Finding(
        RuleName.WET_DRY,
        Severity.RETEST,
        "These are wet readings, held against no dry test: what the oil did cannot be told.",
        numbers={"cylinders_read": float(len(wet.readings))},
        cylinders=tuple(wet.readings),
        next_tests=("read every cylinder dry, then wet again with the same oil in each",),
        source=SOURCE,
    )


def _rise(wet: Case, dry: Case, name: str) -> _Rise:
    before = dry.readings[name]
    # The two tests may be days apart: the wet reading is carried to the ambient and the adapter of the dry one.
    air, air_u = _air(wet.conditions, dry.conditions)
    adapter, adapter_u = _adapter(wet, dry, name)
    after = _carried(wet.readings[name], air * adapter)
    rise = wet.between(after, before)
    adapter_u_kpa = COVERAGE_FACTOR * adapter_u * after.peak_kpa
    ambient_u_kpa = COVERAGE_FACTOR * air_u * after.peak_kpa
    most_kpa = before.peak_kpa * _most_by_volume(wet, name)
    return _Rise(rise.kpa, rise.u_kpa, ambient_u_kpa, adapter_u_kpa, before.peak_kpa, most_kpa)


def _most_by_volume(wet: Case, name: str) -> float:
    """By what share a cylinder reads higher if all of its oil stays on the crown.

    Infinite where that is not known, and for oil that fills the chamber: most of it did not stay then, or the engine
    would have locked.
    """
    geometry, oil_cm3 = wet.engine.geometry(name), wet.conditions.oil_ml
    if geometry is None or oil_cm3 is None or oil_cm3 >= _chamber_cm3(geometry, wet):
        return inf
    return oil_factor(geometry, wet.cranking_rpm, oil_cm3, wet.conditions.adapter_cm3) - 1.0


def _chamber_cm3(geometry: CylinderGeometry, wet: Case) -> float:
    return geometry.clearance_cm3 + wet.conditions.adapter_cm3


def _adapter(wet: Case, dry: Case, name: str) -> tuple[float, float]:
    """The factor that carries a cylinder's wet reading to the adapter of the dry test, and its standard uncertainty."""
    to_cm3, from_cm3 = dry.conditions.adapter_noted_cm3, wet.conditions.adapter_noted_cm3
    if to_cm3 == from_cm3:
        return 1.0, 0.0
    geometry = wet.engine.geometry(name)
    if geometry is None or to_cm3 is None or from_cm3 is None:
        return 1.0, OTHER_ADAPTER_U
    factor = carrying_factor(geometry, wet.cranking_rpm, from_cm3, to_cm3)
    return factor, CARRIED_U_SHARE * abs(log(factor))


def _air(wet: Conditions, dry: Conditions) -> tuple[float, float]:
    """The factor that carries a wet reading to the ambient of the dry test, and its standard uncertainty as a fraction.

    A quotient of two (JCGM 100:2008, 5.1.6). Where both come from one source and are the same, it is the same place
    and the same error: it cancels. Where one of them was assumed and the other noted, the same place is likelier than
    the assumption: nothing is carried.
    """
    noted = [one for one in (wet, dry) if one.ambient_source is not AmbientSource.ASSUMED]
    if len(noted) == 1:
        (one,) = noted
        return 1.0, hypot(noted_or_not_u(one.ambient_abs_kpa), one.ambient_u_kpa / one.ambient_abs_kpa)
    if (wet.ambient_source, wet.ambient_abs_kpa) == (dry.ambient_source, dry.ambient_abs_kpa):
        return 1.0, 0.0
    factor = ambient_factor(dry.ambient_abs_kpa, wet.ambient_abs_kpa)
    return factor, hypot(*(air.ambient_u_kpa / air.ambient_abs_kpa for air in (wet, dry)))


def _carried(reading: ReadingValue, factor: float) -> ReadingValue:
    return replace(
        reading,
        peak_kpa=factor * reading.peak_kpa,
        peak_u_kpa=factor * reading.peak_u_kpa,
        u_random_kpa=factor * reading.u_random_kpa,
        repeats=tuple(factor * value for value in reading.repeats),
        pulls=tuple(
            replace(one, repeat=Repeat(factor * one.repeat.peak_kpa, factor * one.repeat.u_own_kpa))
            for one in reading.pulls
        ),
    )


def _finding(wet: Case, dry: Case, name: str, rises: Mapping[str, _Rise], is_low: bool) -> Finding:
    rise = rises[name]
    limit = wet.rules.wet_rise_percent
    others = [other for key, other in rises.items() if key != name]
    usual = float(np.median([other.percent for other in others])) if others else None
    clear = rise.sealing_percent > max(limit, rise.sealing_u_percent)
    text = f"{name} {_moved(wet.fine_text(rise.kpa))} with oil, {abs(rise.percent):.0f} %"
    numbers = {
        "dry_kpa": rise.dry_kpa,
        "wet_kpa": wet.readings[name].peak_kpa,
        "rise_kpa": rise.kpa,
        "rise_percent": rise.percent,
        "ambient_u_kpa": rise.ambient_u_kpa,
        "by_volume_kpa": rise.by_volume_kpa,
        "by_volume_u_kpa": rise.by_volume_u_kpa,
        "sealing_percent": rise.sealing_percent,
        "limit_percent": limit,
    }
    if rise.by_volume_kpa > 0:
        text += _volumes_text(wet, name, rise)
    if rise.adapter_u_kpa > 0:
        text += _adapters_text(wet, dry)
    # Too little is what stays below the limit with its whole uncertainty, even if none of the oil stayed on the crown.
    sharp, little = rise.sealing_u_percent < limit, rise.percent + rise.u_percent < limit
    if usual is not None:
        excess = rise.percent - usual
        u_excess = hypot(rise.u_alone_percent, max(other.u_alone_percent for other in others))
        clear = clear or excess > max(limit, u_excess)
        sharp, little = sharp or u_excess < limit, little or excess + u_excess < limit
        numbers |= {"others_rise_percent": usual, "excess_percent": excess, "excess_u_percent": u_excess}
        text += f"; the others {_moved(f'{usual:z.0f} %')}"
    numbers["rings_likely"] = float(clear)
    doubt = (
        f"what is a clear rise, {limit:g} %"
        if sharp
        else "what another adapter does"
        if rise.adapter_u_kpa > max(rise.by_volume_u_kpa, rise.ambient_u_kpa)
        else "what other air does"
        if rise.ambient_u_kpa > rise.by_volume_u_kpa
        else "what the oil's volume does"
    )
    severity, closing, causes, next_tests = _meaning(wet, clear=clear, is_low=is_low, little=little, doubt=doubt)
    return Finding(
        RuleName.WET_DRY,
        severity,
        f"{text}: {closing}.",
        numbers=numbers,
        u_kpa=rise.u_kpa,
        cylinders=(name,),
        causes=causes,
        next_tests=next_tests,
        source=SOURCE,
        firm=wet.firm(name) and dry.firm(name),
    )


def _moved(by: str) -> str:
    """Say a rise, or a fall where its text has a minus."""
    return f"fell by {by.removeprefix('-')}" if by.startswith("-") else f"rose by {by}"


def _volumes_text(wet: Case, name: str, rise: _Rise) -> str:
    """What to say of the oil's own volume."""
    geometry, oil_ml = wet.engine.geometry(name), wet.conditions.oil_ml
    if geometry is None or oil_ml is None:
        return ", and how much of it by the oil's own volume is not known"
    told = f", about {wet.fine_text(rise.by_volume_kpa)} of it by the oil's own volume"
    if not isinf(rise.most_by_volume_kpa):
        return told
    return (
        f"{told} ({oil_ml:g} ml would fill its chamber of {_chamber_cm3(geometry, wet):.0f} cm3 and lock the engine: "
        "check the amount and the engine's record)"
    )


def _adapters_text(wet: Case, dry: Case) -> str:
    """What to say of two tests that were read through different adapters."""
    volumes = [one.conditions.adapter_noted_cm3 for one in (dry, wet)]
    before, after = (
        "an adapter that was not noted" if cm3 is None else f"an adapter of {cm3:g} cm3" for cm3 in volumes
    )
    return f" (the dry test was read through {before}, the wet one through {after})"


def _meaning(
    wet: Case, *, clear: bool, is_low: bool, little: bool, doubt: str
) -> tuple[Severity, str, tuple[str, ...], tuple[str, ...]]:
    four = wet.engine.cycle == 4
    if clear:
        inside = (
            "listening at the breather" if four else "listening at the crankcase, and a look through the exhaust port"
        )
        return (
            Severity.INVESTIGATE if is_low else Severity.WATCH,
            "that points to rings, piston or bore",
            ("worn or stuck rings", "scored piston or cylinder"),
            (f"leak-down test, {inside}",),
        )
    if not is_low:
        return Severity.NOTE, "no more than a sound cylinder does", (), ()
    if not little:
        return (
            Severity.WATCH,
            f"that cannot be told from {doubt}",
            (),
            ("put the same small amount of oil in every cylinder and read them all",),
        )
    return (
        Severity.INVESTIGATE,
        "too little for rings, so look to "
        + ("valves, head gasket or piston crown" if four else "head gasket, O-ring or piston crown"),
        ("valve leaking or its clearance too tight", "head gasket leaking", "hole in the piston crown")
        if four
        else ("head gasket or head O-ring leaking", "hole in the piston crown", "decompression valve leaking"),
        ("leak-down test, listening where the air goes",),
    )
