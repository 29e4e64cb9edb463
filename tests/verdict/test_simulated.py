"""The rules on simulated engines with known faults: worn rings and a leak past gasket or valves are told apart."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from gaugelink.engine.air import ambient_at_altitude
from gaugelink.engine.fleet import parse_engine
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions, Finding, RuleName, Severity, TestVerdict, TopEnd, VerdictWord
from gaugelink.verdict.judge import judge_test
from simulators.cranking import Cranking
from simulators.engine import EngineSpec
from simulators.integrator import Turn, crank_many

TRIPLE = parse_engine(
    """
id = "t"
name = "Triple"
cycle = 2
layout = "side_named"
cylinders = 3
bore_mm = 69.0
stroke_mm = 60.0
rod_mm = 114.0
compression_ratio_trapped = 6.6
exhaust_duration_deg = 184
""",
    "t.toml",
)
SOUND = EngineSpec(bore_mm=69.0, stroke_mm=60.0, trapped_ratio=6.6, closes_deg=88.0, ring_leak_mm2=0.35)
WORN_RINGS = replace(SOUND, ring_leak_mm2=1.2, ring_seating=1.5)
LEAKING_GASKET = replace(SOUND, valve_leak_mm2=1.0)
CRANKING = Cranking(free_rpm=480.0, stall_nm=120.0, duration_s=2.0)
DRY = replace(Conditions.of_ambient(ambient_at_altitude(0.0)), adapter_noted_cm3=SOUND.adapter_cm3)
OIL_ML = 3.0

CASES: dict[str, Sequence[EngineSpec]] = {
    "sound": (SOUND, SOUND, SOUND),
    "rings": (SOUND, WORN_RINGS, SOUND),
    "gasket": (SOUND, LEAKING_GASKET, SOUND),
}


@pytest.fixture(scope="module")
def read() -> dict[tuple[str, bool], list[ReadingValue]]:
    """Readings of every case, dry and wet, with 0.4 % of random and 1 % of common standard uncertainty."""
    keys = [(case, wet) for case in CASES for wet in (False, True)]
    turns = [Turn(replace(s, oil_cm3=OIL_ML if wet else 0.0), CRANKING) for case, wet in keys for s in CASES[case]]
    traces = iter(crank_many(turns))
    found: dict[tuple[str, bool], list[ReadingValue]] = {}
    for key in keys:
        found[key] = []
        for name in TRIPLE.cylinder_names:
            trace = next(traces)
            kpa = trace.cylinder_peak_kpa
            found[key].append(
                ReadingValue(
                    name,
                    kpa,
                    2.0 * kpa * 0.0108,
                    0.004 * kpa,
                    cranking_rpm=trace.cranking_rpm,
                    first_stroke_kpa=trace.strokes[0].peak_kpa,
                )
            )
    return found


def dry_verdict(read: dict[tuple[str, bool], list[ReadingValue]], case: str) -> TestVerdict:
    return judge_test(TRIPLE, read[case, False], DRY)


def wet_finding(read: dict[tuple[str, bool], list[ReadingValue]], case: str) -> tuple[TestVerdict, Finding]:
    conditions = replace(DRY, wet=True, oil_ml=OIL_ML)
    verdict = judge_test(TRIPLE, read[case, True], conditions, dry=read[case, False], dry_conditions=DRY)
    return verdict, next(f for f in verdict.findings if f.rule is RuleName.WET_DRY and f.cylinders == ("middle",))


def test_a_sound_engine_is_consistent_and_lies_where_geometry_lets_expect(
    read: dict[tuple[str, bool], list[ReadingValue]],
) -> None:
    verdict = dry_verdict(read, "sound")
    assert verdict.word is VerdictWord.CONSISTENT
    kpa, u_kpa = verdict.expected_kpa["PTO"]
    assert abs(read["sound", False][0].peak_kpa - kpa) < u_kpa


@pytest.mark.parametrize("case", ["rings", "gasket"])
def test_either_fault_is_found_and_a_test_comes_before_the_wrench(
    read: dict[tuple[str, bool], list[ReadingValue]], case: str
) -> None:
    verdict = dry_verdict(read, case)
    assert verdict.word is VerdictWord.INVESTIGATE
    assert verdict.top_end is TopEnd.TEST_FIRST


def test_ring_wear_builds_up_over_the_strokes_and_a_leaking_gasket_does_not(
    read: dict[tuple[str, bool], list[ReadingValue]],
) -> None:
    """Service-manual practice, borne out by the simulated engine."""

    def first_cause(case: str) -> str:
        return next(f for f in dry_verdict(read, case).findings if f.rule is RuleName.FIRST_STROKE).causes[0]

    assert "rings" in first_cause("rings")
    assert "gasket" in first_cause("gasket")


def test_oil_lifts_worn_rings_and_not_a_leaking_gasket(read: dict[tuple[str, bool], list[ReadingValue]]) -> None:
    """Common practice, no source, borne out by the simulated engine."""
    verdict, rings = wet_finding(read, "rings")
    assert rings.severity is Severity.INVESTIGATE
    assert "rings" in rings.causes[0]
    assert verdict.top_end is TopEnd.LIKELY
    _, gasket = wet_finding(read, "gasket")
    assert "gasket" in gasket.causes[0]


def test_the_oil_s_own_volume_explains_what_a_sound_cylinder_gains(
    read: dict[tuple[str, bool], list[ReadingValue]],
) -> None:
    _, sound = wet_finding(read, "sound")
    assert sound.severity is Severity.NOTE
    assert sound.numbers["rise_percent"] > 5.0
    by_volume, u = sound.numbers["by_volume_kpa"], sound.numbers["by_volume_u_kpa"]
    assert abs(sound.numbers["rise_kpa"] - by_volume) < u
