"""Invented engines and readings that the tests of this room share."""

from dataclasses import replace

from gaugelink.engine.air import ambient_at_altitude
from gaugelink.engine.fleet import EngineRecord, parse_engine
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import Flag
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions, Finding, RuleName, TestVerdict
from gaugelink.verdict.judge import judge_test

PSI = PressureUnit.PSI

TRIPLE = parse_engine(
    """
id = "triple-598"
name = "Three-cylinder two-stroke"
cycle = 2
layout = "side_named"
cylinders = 3
bore_mm = 69.0
stroke_mm = 53.5
rod_mm = 107.0
compression_ratio_trapped = 6.6
exhaust_duration_deg = 188
cranking_rpm = 420
[band]
low = 130
high = 150
unit = "psi"
""",
    "triple.toml",
)

FOUR = parse_engine(
    """
id = "four"
name = "Four-stroke four"
cycle = 4
layout = "inline_front"
cylinders = 4
""",
    "four.toml",
)


def reading(
    cylinder: str,
    psi: float,
    *,
    flags: frozenset[Flag] = frozenset(),
    repeats_psi: tuple[float, ...] = (),
    rpm: float | None = None,
    first_psi: float | None = None,
    common_fraction: float = 0.01,
    random_fraction: float = 0.004,
) -> ReadingValue:
    """A reading in psi by a gauge with 1 % of common and 0.4 % of random standard uncertainty."""
    kpa = PSI.to_kpa(psi)
    return ReadingValue(
        cylinder=cylinder,
        peak_kpa=kpa,
        peak_u_kpa=2.0 * kpa * (common_fraction**2 + random_fraction**2) ** 0.5,
        u_random_kpa=random_fraction * kpa,
        flags=flags,
        repeats=tuple(PSI.to_kpa(value) for value in repeats_psi),
        cranking_rpm=rpm,
        first_stroke_kpa=None if first_psi is None else PSI.to_kpa(first_psi),
    )


def readings(engine: EngineRecord, *psi: float) -> list[ReadingValue]:
    """One plain reading for each cylinder of an engine, in physical order."""
    return [reading(name, value) for name, value in zip(engine.cylinder_names, psi, strict=True)]


SEA_LEVEL = Conditions.of_ambient(ambient_at_altitude(0.0))
WET = replace(SEA_LEVEL, wet=True, oil_ml=3.0)


def judge(items: list[ReadingValue], conditions: Conditions = SEA_LEVEL, **more: object) -> TestVerdict:
    """The verdict of a test of the triple."""
    return judge_test(TRIPLE, items, conditions, unit=PSI, **more)  # type: ignore[arg-type]


def only(verdict: TestVerdict, rule: RuleName) -> Finding:
    """The one finding of a rule."""
    found = [finding for finding in verdict.findings if finding.rule is rule]
    assert len(found) == 1, [finding.text for finding in found]
    return found[0]


def rules_of(verdict: TestVerdict) -> set[RuleName]:
    """The rules that found something."""
    return {finding.rule for finding in verdict.findings}
