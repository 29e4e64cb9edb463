"""Cylinders against the maker's band, carried to the ambient of the test."""

from collections.abc import Mapping, Sequence
from math import hypot
from typing import Final

from gaugelink.bench.repeats import COVERAGE_FACTOR
from gaugelink.engine.air import AltitudeMethod, AmbientSource, ambient_factor
from gaugelink.engine.geometry import adapter_factor
from gaugelink.engine.units import barometer_text
from gaugelink.verdict.case import Case, low_causes, telling_tests
from gaugelink.verdict.difference import UNSTATED_GAUGE_U
from gaugelink.verdict.findings import BandHere, Finding, RuleName, Severity

ALL_LOW_CAUSES = (
    "throttle not fully open or air filter blocked",
    "cranking slow",
    "gauge, adapter or its seal",
    "all cylinders worn alike",
)
OUTSIDE = "check throttle, battery and the gauge's seal, then read again"
LOOK_AT_CROWN = "look at the crown through the plug hole"
OTHER_GAUGE = "check the gauge against another one"
BLOW_DRY = "crank with the plugs out to blow the cylinder dry, then read again"
ASSUMED_AIR = "less air pressure here than was assumed"
"""The first cause of low readings where neither altitude nor barometer was given."""
REDUCED_AIR = "a barometer reduced to sea level, as weather reports are"
LEAST_REDUCED_KPA: Final = 95.0
"""A pressure that is reduced to sea level is hardly ever lower, whatever the altitude. From memory."""
THICKER_AIR = "more air pressure here than was noted: feet taken for metres, or another place's barometer"
HIGH_CAUSES = (
    "carbon in the chamber",
    "oil or fuel in the cylinder",
    "thin or missing gasket, head cut down",
    "gauge reads high",
)


def band_here(case: Case, method: AltitudeMethod | None = None) -> BandHere | None:
    """The maker's band carried to the ambient of the test, or None when the record has no band."""
    band = case.engine.band
    if band is None:
        return None
    chosen = case.rules.altitude_method if method is None else method
    ambient = case.conditions.ambient_abs_kpa
    factor = ambient_factor(ambient, band.reference_abs_kpa, chosen)
    low = band.low_kpa * factor
    return BandHere(
        low_kpa=low,
        high_kpa=None if band.high_kpa is None else band.high_kpa * factor,
        u_kpa=COVERAGE_FACTOR * low * case.conditions.ambient_u_kpa / ambient,
        factor=factor,
        method=chosen,
        source=band.source or "the engine's record",
    )


def band_findings(case: Case, band: BandHere) -> list[Finding]:
    """What is below the band, what above it, and whether the altitude method changes that."""
    return [*_below(case, band), *_above(case, band), *_altitude_method(case, band)]


def _shortfalls(case: Case, band: BandHere) -> dict[Severity, list[str]]:
    """Cylinders below the band, by what that asks for.

    Below by more than the expanded uncertainty is below; by less than half of it cannot be told from the edge. What the
    gauge's adapter may have taken off is no shortfall of the cylinder: the maker's own tester had an adapter too, but
    nobody says which.
    """
    found: dict[Severity, list[str]] = {Severity.INVESTIGATE: [], Severity.WATCH: []}
    for name, reading in case.readings.items():
        short = band.low_kpa - reading.peak_kpa
        u = hypot(case.outside_u_kpa(reading), band.u_kpa)
        if short - _taken_off(case, name) > u:
            found[Severity.INVESTIGATE].append(name)
        elif short > u / 2.0:
            found[Severity.WATCH].append(name)
    return found


def _taken_off(case: Case, name: str) -> float:
    """What the volume of the gauge's adapter takes off a cylinder's reading, kPa; 0 where dimensions are not known."""
    geometry = case.engine.geometry(name)
    if geometry is None or not case.conditions.adapter_cm3:
        return 0.0
    factor = adapter_factor(geometry, case.cranking_rpm, case.conditions.adapter_cm3)
    return case.readings[name].peak_kpa * (1.0 / factor - 1.0)


def _by_the_adapter(case: Case, names: Sequence[str]) -> str:
    """What to say of the adapter beside cylinders that are below the band; empty where nothing is known of it."""
    off = [(_taken_off(case, name), case.readings[name].peak_kpa) for name in names]
    most, peak = max(off)
    if not most:
        return ""
    return (
        f" The gauge's adapter of {case.conditions.adapter_cm3:g} cm3 alone takes off about {case.text(most)}, "
        f"{100.0 * most / (peak + most):.0f} %."
    )


def _unseen_tops(case: Case, names: Sequence[str]) -> str:
    """What to say beside cylinders that are below the band and were not seen to their tops; empty where all were."""
    unseen = [name for name in names if case.at_least(case.readings[name])]
    return f" {', '.join(unseen)} may have more: the top was not seen." if unseen else ""


def _by_the_gauge(case: Case, names: Sequence[str]) -> str:
    """What to say of a gauge beside cylinders that are near the band; empty where its accuracy was stated."""
    if all(case.readings[name].is_gauge_stated for name in names):
        return ""
    percent = 100.0 * COVERAGE_FACTOR * UNSTATED_GAUGE_U
    return f" The gauge's accuracy is not stated; it was taken as good to {percent:.0f} %."


def _unlike_the_band(case: Case) -> tuple[str, ...]:
    """What was noted of the test that is otherwise than where the maker's range holds."""
    stated, conditions = case.engine.band, case.conditions
    unlike = ["the throttle was not open"] if conditions.throttle_open is False else []
    if stated is not None and stated.warm is not None and conditions.warm is (not stated.warm):
        was, wanted = ("warm", "cold") if conditions.warm else ("cold", "warm")
        unlike.append(f"the engine was {was}, and the range is for a {wanted} one")
    return tuple(unlike)


def _excused_by_cranking(case: Case, band: BandHere, name: str) -> bool:
    """Whether slow cranking by itself may put a cylinder as far below the band as it is."""
    reading = case.readings[name]
    if not case.is_slow(reading):
        return False
    share = case.share_by_cranking(reading, case.engine.cranking_rpm or case.slow_below_rpm)
    return reading.peak_kpa >= band.low_kpa * share - hypot(case.outside_u_kpa(reading), band.u_kpa)


def _conditions(case: Case, names: Sequence[str]) -> Finding:
    unlike = _unlike_the_band(case)
    return Finding(
        RuleName.CONDITIONS,
        Severity.RETEST,
        f"{', '.join(names)} cannot be held against the maker's range: {'; '.join(unlike)}.",
        numbers={"cylinders_short": float(len(names))},
        cylinders=tuple(names),
        causes=unlike,
        next_tests=("read again with the throttle wide open, and as warm as the maker asks for",),
        source="as it was noted of the test",
    )


def _low_causes(case: Case, band: BandHere) -> tuple[str, ...]:
    """Why cylinders are below the band: first what all of them share, where all are below or there is but one."""
    if not all(reading.peak_kpa < band.low_kpa for reading in case.readings.values()):
        return low_causes(case.engine.cycle)
    worn = ALL_LOW_CAUSES[-1:] if len(case.readings) > 1 else low_causes(case.engine.cycle)
    return shared_low_causes(case, worn)


def shared_low_causes(case: Case, worn: tuple[str, ...] = ALL_LOW_CAUSES[-1:]) -> tuple[str, ...]:
    """Why an engine reads low as a whole, likeliest first: the air that was taken for its, what is outside, `worn`."""
    assumed = (ASSUMED_AIR,) if case.conditions.ambient_source is AmbientSource.ASSUMED else ()
    reduced = (REDUCED_AIR,) if _may_be_reduced(case) else ()
    return (*assumed, *ALL_LOW_CAUSES[:-1], *reduced, *worn)


def low_checks(case: Case) -> tuple[str, ...]:
    """What to look at before the cylinders, where all of them read low."""
    if case.conditions.ambient_source is AmbientSource.ASSUMED:
        return "give the altitude or the barometer of the test", OUTSIDE
    if _may_be_reduced(case):
        return "see that the barometer tells the pressure here and not at sea level", OUTSIDE
    return (OUTSIDE,)


def _may_be_reduced(case: Case) -> bool:
    """Whether the barometer may have been reduced to sea level: high up it then hides how thin the air is."""
    conditions = case.conditions
    return conditions.ambient_source is AmbientSource.BAROMETER and conditions.ambient_abs_kpa >= LEAST_REDUCED_KPA


def _source(band: BandHere) -> str:
    return f"maker's range ({band.source}), carried to this ambient by the {band.method.value.replace('_', ' ')} ratio"


def _below(case: Case, band: BandHere) -> list[Finding]:
    upper = f" to {case.text(band.high_kpa)}" if band.high_kpa is not None else " and more"
    rest = f"{upper} at a barometer of {barometer_text(case.conditions.ambient_abs_kpa)}"
    assumed = case.conditions.ambient_source is AmbientSource.ASSUMED
    if assumed:
        rest += ", which was assumed"
    source = _source(band)
    numbers = {
        "band_low_kpa": band.low_kpa,
        "band_factor": band.factor,
        "ambient_abs_kpa": case.conditions.ambient_abs_kpa,
        "lowest_kpa": case.lowest.peak_kpa,
        "highest_kpa": case.highest.peak_kpa,
    }
    if band.high_kpa is not None:
        numbers["band_high_kpa"] = band.high_kpa
    u_kpa = hypot(case.outside_u_kpa(case.lowest), band.u_kpa)
    found: list[Finding] = []
    causes, unlike = _low_causes(case, band), _unlike_the_band(case)
    shared = causes != low_causes(case.engine.cycle)
    checks = low_checks(case) if shared else ()
    for severity, names in _shortfalls(case, band).items():
        if not names:
            continue
        every = len(names) == len(case.readings) and len(names) > 1
        lowest = min(case.readings[name].peak_kpa for name in names)
        edge, low_text = case.texts_apart(band.low_kpa, lowest)
        adapter = _by_the_adapter(case, names)
        how = "just below" if severity is Severity.WATCH and not adapter else "below"
        excused = bool(unlike) or any(_excused_by_cranking(case, band, name) for name in names)
        found.append(
            Finding(
                RuleName.BAND,
                severity,
                f"{'All cylinders are' if every else ', '.join(names) + (' is' if len(names) == 1 else ' are')} {how} "
                f"the maker's range of {edge}{rest}; the lowest is {low_text}.{_unseen_tops(case, names)}{adapter}"
                f"{_by_the_gauge(case, names)}",
                numbers,
                u_kpa,
                tuple(names),
                causes=causes,
                next_tests=checks
                if shared and len(case.readings) > 1
                else (*checks, *telling_tests(case.engine.cycle)),
                source=source,
                firm=case.firm(*names) and not excused,
            )
        )
        if severity is Severity.INVESTIGATE and unlike:
            found.append(_conditions(case, names))
    return found or [_no_shortfall(case, band, rest, numbers, u_kpa, source)]


def _no_shortfall(
    case: Case, band: BandHere, rest: str, numbers: Mapping[str, float], u_kpa: float, source: str
) -> Finding:
    """No cylinder is below the band, or none by as much as can be told."""
    under = tuple(name for name, reading in case.readings.items() if reading.peak_kpa < band.low_kpa)
    begins, lowest = case.texts_apart(band.low_kpa, case.lowest.peak_kpa)
    text = f"No cylinder is below the maker's range of {case.text(band.low_kpa)}{rest}."
    if under:
        text = (
            f"{', '.join(under)} {'is' if len(under) == 1 else 'are'} under the maker's range of {begins}{rest}, "
            f"but by less than the readings can tell; the lowest is {lowest}.{_by_the_gauge(case, under)}"
        )
    return Finding(
        RuleName.BAND,
        Severity.NOTE,
        text,
        numbers,
        u_kpa,
        under,
        source=source,
        firm=case.firm(case.lowest.cylinder),
    )


def over_band(case: Case, band: BandHere) -> tuple[str, ...]:
    """Cylinders above the band by more than the expanded uncertainty."""
    high_kpa = band.high_kpa
    if high_kpa is None:
        return ()
    return tuple(
        name
        for name, reading in case.readings.items()
        if reading.peak_kpa - high_kpa > hypot(case.outside_u_kpa(reading), band.high_u_kpa)
    )


def high_causes(case: Case, names: Sequence[str]) -> tuple[str, ...]:
    """Why cylinders read high, likeliest first: what all of them share goes first where all do."""
    return (THICKER_AIR, *HIGH_CAUSES) if _may_be_thicker(case, names) else HIGH_CAUSES


def high_checks(case: Case, names: Sequence[str]) -> tuple[str, ...]:
    """What to look at before the cylinders, where all of them read high."""
    return ("see that the altitude is in metres and the barometer in kPa",) if _may_be_thicker(case, names) else ()


def _may_be_thicker(case: Case, names: Sequence[str]) -> bool:
    """Whether the air that was noted is so thin that a mistake in it may be why all cylinders read high."""
    noted = case.conditions.ambient_source is not AmbientSource.ASSUMED
    return noted and case.conditions.ambient_abs_kpa < LEAST_REDUCED_KPA and len(names) == len(case.readings)


def _above(case: Case, band: BandHere) -> list[Finding]:
    """Cylinders above the band; those that make another look low beside them have to be read again first."""
    names = over_band(case, band)
    hiding = tuple(name for name in names if case.is_below_limit(case.readings[name], case.lowest))
    rest = tuple(name for name in names if name not in hiding)
    found = []
    for some, severity, closing in (
        (hiding, Severity.RETEST, "no measure for the others"),
        (rest, Severity.WATCH, "high is not always healthy"),
    ):
        if band.high_kpa is None or not some:
            continue
        top = max((case.readings[name] for name in some), key=lambda reading: reading.peak_kpa)
        over = top.peak_kpa - band.high_kpa
        found.append(
            Finding(
                RuleName.HIGH_READING,
                severity,
                f"{', '.join(some)} {'reads' if len(some) == 1 else 'read'} above the maker's range, by "
                f"{case.fine_text(over)}: {closing}.",
                numbers={"over_kpa": over, "band_high_kpa": band.high_kpa},
                u_kpa=hypot(case.outside_u_kpa(top), band.high_u_kpa),
                cylinders=some,
                causes=high_causes(case, names),
                next_tests=(
                    *high_checks(case, names),
                    LOOK_AT_CROWN,
                    *((BLOW_DRY,) if some is hiding else ()),
                    OTHER_GAUGE,
                ),
                source=_source(band),
                firm=case.firm(*some),
            )
        )
    return found


def _altitude_method(case: Case, band: BandHere) -> list[Finding]:
    other = AltitudeMethod.DENSITY_TABLE if band.method is AltitudeMethod.PRESSURE else AltitudeMethod.PRESSURE
    instead = band_here(case, other)
    if instead is None or _shortfalls(case, band) == _shortfalls(case, instead):
        return []
    names = {AltitudeMethod.PRESSURE: "pressure ratio", AltitudeMethod.DENSITY_TABLE: "printed density table"}
    begins, otherwise = case.texts_apart(band.low_kpa, instead.low_kpa)
    return [
        Finding(
            RuleName.ALTITUDE_METHOD,
            Severity.NOTE,
            f"The altitude method matters here: the range begins at {begins} by the "
            f"{names[band.method]} and at {otherwise} by the {names[other]}, with another judgement.",
            numbers={"band_low_kpa": band.low_kpa, "band_low_other_kpa": instead.low_kpa},
            source="gauge pressure of a trapped gas follows the ambient pressure ratio; many manuals print density",
        )
    ]
