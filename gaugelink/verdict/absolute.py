"""Cylinders against something outside the test: the maker's band, and the estimate from geometry."""

from collections.abc import Mapping
from math import hypot

from gaugelink.engine.geometry import ExpectedPressure, expected_pressure
from gaugelink.verdict.band import (
    ALL_LOW_CAUSES,
    BLOW_DRY,
    HIGH_CAUSES,
    LOOK_AT_CROWN,
    OTHER_GAUGE,
    OUTSIDE,
    band_findings,
    band_here,
    high_causes,
    high_checks,
    low_checks,
    over_band,
    shared_low_causes,
)
from gaugelink.verdict.case import Case, telling_tests
from gaugelink.verdict.findings import COMMON_PRACTICE, Finding, RuleName, Severity


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


def too_high(case: Case) -> frozenset[str]:
    """Cylinders that read more than the maker's range, or than any compression reaches, by more than can be doubted."""
    if case.conditions.wet:
        return frozenset()
    band = band_here(case)
    return frozenset([*(() if band is None else over_band(case, band)), *_beyond_any(case, expected_here(case))])


def absolute_findings(case: Case) -> list[Finding]:
    """Findings against the band and the estimate. Oil shifts both, so a wet test is not held against them."""
    if case.conditions.wet:
        return []
    band = band_here(case)
    found: list[Finding] = []
    if band is not None:
        found += band_findings(case, band)
    expected = expected_here(case)
    found += _expected(case, expected, has_band=band is not None)
    found += _impossible(case, expected)
    return found


def _expected(case: Case, expected: Mapping[str, ExpectedPressure], *, has_band: bool) -> list[Finding]:
    """What lies below the estimate, what lies above, or that nothing does either."""
    known = {name: estimate for name, estimate in expected.items() if name in case.readings}
    if not known:
        return []
    off = {
        name: case.readings[name].peak_kpa - estimate.kpa
        for name, estimate in known.items()
        if abs(case.readings[name].peak_kpa - estimate.kpa)
        > hypot(estimate.u_kpa, case.outside_u_kpa(case.readings[name]))
    }
    below = tuple(name for name in off if off[name] < 0)
    above = tuple(name for name in off if off[name] > 0)
    every = len(below) == len(case.readings)
    low_causes = shared_low_causes(case) if every else ALL_LOW_CAUSES
    look = low_checks(case) if every else (OUTSIDE, *telling_tests(case.engine.cycle))
    if not off:
        return [_beside_estimate(case, known, (), "The readings lie where the engine's dimensions would put them")]
    return [
        _beside_estimate(
            case,
            known,
            names,
            f"{', '.join(names)} {'lies' if len(names) == 1 else 'lie'} {side} what the engine's dimensions would give",
            *(((), ()) if has_band else (causes, next_tests)),
        )
        for names, side, causes, next_tests in (
            (below, "below", low_causes, look),
            (above, "above", high_causes(case, above), (*high_checks(case, above), LOOK_AT_CROWN, OTHER_GAUGE)),
        )
        if names
    ]


def _beside_estimate(
    case: Case,
    known: Mapping[str, ExpectedPressure],
    names: tuple[str, ...],
    text: str,
    causes: tuple[str, ...] = (),
    next_tests: tuple[str, ...] = (),
) -> Finding:
    """The finding that `text` begins. It asks for a look where `causes` are given."""
    apart = {name: abs(case.readings[name].peak_kpa - known[name].kpa) for name in names or tuple(known)[:1]}
    name = max(apart, key=lambda key: apart[key])
    estimate = known[name]
    about, doubt = case.unit.with_doubt(estimate.kpa, estimate.u_kpa)
    return Finding(
        RuleName.EXPECTED,
        Severity.WATCH if causes else Severity.NOTE,
        f"{text}: about {about} {case.unit.value}, give or take {doubt}. It is an estimate.",
        numbers={
            "expected_kpa": estimate.kpa,
            "trapped_ratio": estimate.ratio,
            "exponent": estimate.exponent,
            "reading_kpa": case.readings[name].peak_kpa,
        },
        u_kpa=estimate.u_kpa,
        cylinders=names,
        causes=causes,
        next_tests=next_tests,
        source="polytropic compression from port or valve closing; exponent with heat loss, from memory",
        firm=case.firm(name),
    )


def _beyond_any(case: Case, expected: Mapping[str, ExpectedPressure]) -> tuple[str, ...]:
    """Cylinders that read more than a compression without any loss ends at, by more than can be doubted of both.

    A tight cylinder loses next to nothing, traps a little more than the ambient and may be warmer than its air.
    """
    return tuple(
        name
        for name, estimate in expected.items()
        if name in case.readings
        and case.readings[name].peak_kpa - estimate.isentropic_kpa
        > hypot(case.outside_u_kpa(case.readings[name]), estimate.isentropic_u_kpa)
    )


def _impossible(case: Case, expected: Mapping[str, ExpectedPressure]) -> list[Finding]:
    names = _beyond_any(case, expected)
    if not names:
        return []
    lowest = min((expected[name] for name in names), key=lambda estimate: estimate.isentropic_kpa)
    limit = lowest.isentropic_kpa
    air = high_checks(case, names)
    return [
        Finding(
            RuleName.HIGH_READING,
            Severity.RETEST,
            f"{', '.join(names)} cannot be: even without any loss the compression ends at {case.text(limit)}. "
            f"Look for oil or fuel in the cylinder, and check {'altitude or barometer, ' if air else ''}the gauge and "
            "the engine's record.",
            numbers={"isentropic_kpa": limit, "highest_kpa": case.highest.peak_kpa},
            u_kpa=lowest.isentropic_u_kpa,
            cylinders=names,
            causes=(
                *high_causes(case, names)[: -len(HIGH_CAUSES)],
                "oil or fuel in the cylinder",
                "gauge reads high",
                "the record's ratio is too low",
                *HIGH_CAUSES[:1],
            ),
            next_tests=(*air, BLOW_DRY),
            source=f"isentropic compression of air from the trapped volume; {COMMON_PRACTICE} for the causes",
        )
    ]
