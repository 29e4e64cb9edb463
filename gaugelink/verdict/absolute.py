"""Cylinders against something outside the test: the maker's band at this altitude, and the estimate from geometry."""

from collections.abc import Mapping, Sequence
from math import hypot

from gaugelink.bench.repeats import COVERAGE_FACTOR
from gaugelink.engine.air import AltitudeMethod, ambient_factor
from gaugelink.engine.geometry import ExpectedPressure, adapter_factor, expected_pressure
from gaugelink.engine.units import barometer_text
from gaugelink.verdict.case import Case, low_causes, telling_tests
from gaugelink.verdict.findings import COMMON_PRACTICE, BandHere, Finding, RuleName, Severity

ALL_LOW_CAUSES = (
    "throttle not fully open or air filter blocked",
    "cranking slow",
    "gauge, adapter or its seal",
    "all cylinders worn alike",
)
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


def expected_here(case: Case) -> dict[str, ExpectedPressure]:
    """Estimate from geometry for each cylinder whose dimensions are known, at the test's ambient and cranking."""
    estimates = {}
    for name in case.engine.cylinder_names:
        geometry = case.engine.geometry(name)
        if geometry is not None:
            estimates[name] = expected_pressure(
                geometry,
                case.cranking_rpm,
                case.conditions.ambient_abs_kpa,
                ambient_u_kpa=case.conditions.ambient_u_kpa,
                added_cm3=case.conditions.adapter_cm3,
            )
    return estimates


def absolute_findings(case: Case) -> list[Finding]:
    """Findings against the band and the estimate. Oil shifts both, so a wet test is not held against them."""
    if case.conditions.wet:
        return []
    band = band_here(case)
    found: list[Finding] = []
    if band is not None:
        found += [*_band(case, band), *_altitude_method(case, band)]
    expected = expected_here(case)
    found += _expected(case, expected, has_band=band is not None)
    found += _impossible(case, expected)
    return found


def _shortfalls(case: Case, band: BandHere) -> dict[Severity, list[str]]:
    """Cylinders below the band, by what that asks for.

    Below by more than the expanded uncertainty is below; by less than half of it cannot be told from the edge. What the
    gauge's adapter may have taken off is no shortfall of the cylinder: the maker's own tester had an adapter too, but
    nobody says which.
    """
    found: dict[Severity, list[str]] = {Severity.INVESTIGATE: [], Severity.WATCH: []}
    for name, reading in case.readings.items():
        short = band.low_kpa - reading.peak_kpa
        u = hypot(case.expanded_u_kpa(reading), band.u_kpa)
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


def _band(case: Case, band: BandHere) -> list[Finding]:
    upper = f" to {case.text(band.high_kpa)}" if band.high_kpa is not None else " and more"
    rest = f"{upper} at a barometer of {barometer_text(case.conditions.ambient_abs_kpa)}"
    source = (
        f"maker's range ({band.source}), carried to this ambient by the {band.method.value.replace('_', ' ')} ratio"
    )
    numbers = {
        "band_low_kpa": band.low_kpa,
        "band_factor": band.factor,
        "ambient_abs_kpa": case.conditions.ambient_abs_kpa,
        "lowest_kpa": case.lowest.peak_kpa,
        "highest_kpa": case.highest.peak_kpa,
    }
    if band.high_kpa is not None:
        numbers["band_high_kpa"] = band.high_kpa
    u_kpa = hypot(case.expanded_u_kpa(case.lowest), band.u_kpa)
    found: list[Finding] = []
    short = _shortfalls(case, band)
    for severity, names in short.items():
        if not names:
            continue
        every = len(names) == len(case.readings) and len(names) > 1
        lowest = min(case.readings[name].peak_kpa for name in names)
        edge, low_text = case.texts_apart(band.low_kpa, lowest)
        adapter = _by_the_adapter(case, names)
        how = "just below" if severity is Severity.WATCH and not adapter else "below"
        found.append(
            Finding(
                RuleName.BAND,
                severity,
                f"{'All cylinders are' if every else ', '.join(names) + (' is' if len(names) == 1 else ' are')} {how} "
                f"the maker's range of {edge}{rest}; the lowest is {low_text}.{adapter}",
                numbers,
                u_kpa,
                tuple(names),
                causes=ALL_LOW_CAUSES if every else low_causes(case.engine.cycle),
                next_tests=("check throttle, battery and the gauge's seal, then read again",)
                if every
                else telling_tests(case.engine.cycle),
                source=source,
                firm=case.firm(*names),
            )
        )
    return [*(found or [_no_shortfall(case, band, rest, numbers, u_kpa, source)]), *_high(case, band, source)]


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
            f"but by less than the readings can tell; the lowest is {lowest}."
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


def _high(case: Case, band: BandHere, source: str) -> list[Finding]:
    if band.high_kpa is None:
        return []
    names = tuple(
        name
        for name, reading in case.readings.items()
        if reading.peak_kpa - band.high_kpa > hypot(case.expanded_u_kpa(reading), band.u_kpa)
    )
    if not names:
        return []
    over = max(case.readings[name].peak_kpa for name in names) - band.high_kpa
    return [
        Finding(
            RuleName.HIGH_READING,
            Severity.WATCH,
            f"{', '.join(names)} {'reads' if len(names) == 1 else 'read'} above the maker's range, by "
            f"{case.fine_text(over)}: high is not always healthy.",
            numbers={"over_kpa": over, "band_high_kpa": band.high_kpa},
            u_kpa=hypot(case.expanded_u_kpa(case.highest), band.u_kpa),
            cylinders=names,
            causes=HIGH_CAUSES,
            next_tests=("look at the crown through the plug hole", "check the gauge against another one"),
            source=source,
            firm=case.firm(*names),
        )
    ]


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


def _expected(case: Case, expected: Mapping[str, ExpectedPressure], *, has_band: bool) -> list[Finding]:
    known = {name: estimate for name, estimate in expected.items() if name in case.readings}
    if not known:
        return []
    off = {
        name: case.readings[name].peak_kpa - estimate.kpa
        for name, estimate in known.items()
        if abs(case.readings[name].peak_kpa - estimate.kpa)
        > hypot(estimate.u_kpa, case.expanded_u_kpa(case.readings[name]))
    }
    name = min(off, key=lambda key: off[key]) if off else next(iter(known))
    estimate, reading = known[name], case.readings[name]
    about, doubt = case.unit.with_doubt(estimate.kpa, estimate.u_kpa)
    asks = bool(off) and not has_band
    if off:
        side = "below" if off[name] < 0 else "above"
        text = f"{', '.join(off)} {'lies' if len(off) == 1 else 'lie'} {side} what the engine's dimensions would give"
    else:
        text = "The readings lie where the engine's dimensions would put them"
    return [
        Finding(
            RuleName.EXPECTED,
            Severity.WATCH if asks else Severity.NOTE,
            f"{text}: about {about} {case.unit.value}, give or take {doubt}. It is an estimate.",
            numbers={
                "expected_kpa": estimate.kpa,
                "trapped_ratio": estimate.ratio,
                "exponent": estimate.exponent,
                "reading_kpa": reading.peak_kpa,
            },
            u_kpa=estimate.u_kpa,
            cylinders=tuple(off),
            causes=(ALL_LOW_CAUSES if min(off.values()) < 0 else HIGH_CAUSES) if asks else (),
            source="polytropic compression from port or valve closing; exponent with heat loss, from memory",
            firm=case.firm(name),
        )
    ]


def _impossible(case: Case, expected: Mapping[str, ExpectedPressure]) -> list[Finding]:
    names = tuple(
        name
        for name, estimate in expected.items()
        if name in case.readings
        and case.readings[name].peak_kpa - case.expanded_u_kpa(case.readings[name]) > estimate.isentropic_kpa
    )
    if not names:
        return []
    limit = min(expected[name].isentropic_kpa for name in names)
    return [
        Finding(
            RuleName.HIGH_READING,
            Severity.RETEST,
            f"{', '.join(names)} cannot be: even without any loss the compression ends at {case.text(limit)}. "
            "Look for oil or fuel in the cylinder, and check the gauge and the engine's record.",
            numbers={"isentropic_kpa": limit, "highest_kpa": case.highest.peak_kpa},
            cylinders=names,
            causes=(
                "oil or fuel in the cylinder",
                "gauge reads high",
                "the record's ratio is too low",
                *HIGH_CAUSES[:1],
            ),
            next_tests=("crank with the plugs out to blow the cylinder dry, then read again",),
            source=f"isentropic compression of air from the trapped volume; {COMMON_PRACTICE} for the causes",
        )
    ]
