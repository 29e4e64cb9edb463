"""The maker's range and the estimate beside it: what is told, what excuses, and what is to be done next."""

from dataclasses import replace

import GTC
import pytest
from scipy.optimize import brentq

from gaugelink.engine.air import ambient_at_altitude, ambient_from_barometer, assumed_ambient
from gaugelink.engine.geometry import adapter_factor, expected_pressure
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import Conditions, Finding, RuleName, Severity, TestVerdict, TopEnd, VerdictWord
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.leakdown import LeakDownValue
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, WET, judge, only, reading, readings, rules_of

UNBANDED = TRIPLE.model_copy(update={"band": None})


def test_a_range_without_an_upper_end_has_nothing_above_it() -> None:
    """Many manuals give the lowest pressure alone."""
    engine = TRIPLE.model_copy(update={"band": TRIPLE.band and TRIPLE.band.model_copy(update={"high": None})})
    high = judge_test(engine, readings(engine, 180.0, 181.0, 180.0), SEA_LEVEL, unit=PSI)
    assert RuleName.HIGH_READING not in rules_of(high)
    assert high.band is not None
    assert (high.band.high_kpa, high.band.high_u_kpa) == (None, 0.0)
    found = only(judge_test(engine, readings(engine, 110.0, 111.0, 110.0), SEA_LEVEL, unit=PSI), RuleName.BAND)
    assert found.text.startswith("All cylinders are below the maker's range of 130 psi and more at a barometer of 1013")
    assert "band_high_kpa" not in found.numbers


@pytest.mark.parametrize(("stated", "was"), [(True, "cold"), (False, "warm")])
def test_how_the_engine_was_and_how_the_range_wants_it_are_not_mixed_up(stated: bool, was: str) -> None:
    engine = TRIPLE.model_copy(update={"band": TRIPLE.band and TRIPLE.band.model_copy(update={"warm": stated})})
    verdict = judge_test(engine, readings(engine, 115.0, 116.0, 115.0), replace(SEA_LEVEL, warm=not stated), unit=PSI)
    wanted = "warm" if stated else "cold"
    assert f"the engine was {was}, and the range is for a {wanted} one." in only(verdict, RuleName.CONDITIONS).text
    assert verdict.word is VerdictWord.RETEST


@pytest.mark.parametrize(("psi", "word"), [(110.0, VerdictWord.RETEST), (70.0, VerdictWord.INVESTIGATE)])
def test_slow_cranking_excuses_an_engine_whose_speed_nobody_wrote_down(psi: float, word: VerdictWord) -> None:
    """Below 200 rpm a two-stroke is cranked slowly where its record says nothing."""
    engine = TRIPLE.model_copy(update={"cranking_rpm": None})
    verdict = judge_test(engine, [reading(name, psi, rpm=150.0) for name in engine.cylinder_names], SEA_LEVEL, unit=PSI)
    assert "150 rpm where at least 200 rpm is wanted" in only(verdict, RuleName.CRANKING_SLOW).text
    assert verdict.word is word


def test_what_an_adapter_takes_off_is_told_as_the_polytropic_law_has_it() -> None:
    geometry = TRIPLE.geometry("PTO")
    assert geometry is not None
    factor = adapter_factor(geometry, 420.0, 2.0)
    verdict = judge(readings(TRIPLE, 122.0, 123.0, 122.0), replace(SEA_LEVEL, adapter_noted_cm3=2.0))
    off = 123.0 / factor - 123.0
    assert f"alone takes off about {off:.0f} psi, {100.0 * (1.0 - factor):.0f} %." in only(verdict, RuleName.BAND).text


def test_one_cylinder_below_the_range_is_not_laid_to_what_all_share() -> None:
    found = only(judge(readings(TRIPLE, 137.0, 116.0, 136.0)), RuleName.BAND)
    assert found.text.startswith("middle is below the maker's range of 130 psi to 150 psi at a barometer of 1013 hPa; ")
    assert found.text.endswith("the lowest is 116 psi.")
    assert found.causes[0] == "worn or stuck rings"
    assert not any("throttle" in said for said in (*found.causes, *found.next_tests))
    assert any("leak-down" in test for test in found.next_tests)


def test_how_far_above_the_range_is_told_of_the_highest() -> None:
    found = only(judge(readings(TRIPLE, 163.0, 165.0, 164.0)), RuleName.HIGH_READING)
    assert found.text.startswith("PTO, middle, MAG read above the maker's range, by 15.0 psi")
    assert found.numbers["over_kpa"] == pytest.approx(PSI.to_kpa(15.0))


def test_a_gauge_that_is_open_to_the_air_condemns_no_engine() -> None:
    """From memory: a cylinder that was cranked and holds anything shows more than 100 kPa, 14.5 psi."""
    verdict = judge(readings(TRIPLE, 5.0, 6.0, 5.0))
    assert (verdict.word, verdict.top_end) == (VerdictWord.RETEST, TopEnd.UNKNOWN)
    assert verdict.summary == "Nothing above 6 psi was read: that is no cranking pressure."
    assert verdict.next_tests[0] == "check the gauge and its seal, then read again"
    one = judge(readings(TRIPLE, 135.0, 6.0, 134.0))
    assert (one.word, one.top_end) == (VerdictWord.INVESTIGATE, TopEnd.TEST_FIRST)


@pytest.mark.parametrize("psi", [(85.0, 86.0, 85.0), (150.0, 80.0, 150.0), (200.0, 201.0, 200.0)])
@pytest.mark.parametrize("air", [assumed_ambient(), ambient_at_altitude(0.0), ambient_from_barometer(101.3)])
def test_an_engine_that_its_dimensions_alone_speak_against_is_told_what_to_do_next(
    psi: tuple[float, ...], air: object
) -> None:
    verdict = judge_test(UNBANDED, readings(UNBANDED, *psi), Conditions.of_ambient(air), unit=PSI)  # type: ignore[arg-type]
    found = only(verdict, RuleName.EXPECTED)
    assert found.severity is Severity.WATCH
    first = found.next_tests[0]
    if psi[0] > 190.0:
        assert first == "look at the crown through the plug hole"
    elif psi[0] > 100.0 or air == ambient_at_altitude(0.0):
        assert first == "check throttle, battery and the gauge's seal, then read again"
    else:
        assert "altitude" in first or "barometer" in first
    assert set(found.next_tests) <= set(verdict.next_tests)


def everything_that_asks() -> list[Finding]:
    """Findings of many tests that went wrong in their own ways."""
    shut, high_up = replace(SEA_LEVEL, throttle_open=False), Conditions.of_ambient(ambient_at_altitude(5280.0))
    still = [replace(one, flags=frozenset({Flag.STILL_RISING})) for one in readings(TRIPLE, 135.0, 134.0, 135.0)]
    rpm = [reading(name, 118.0, rpm=speed) for name, speed in zip(TRIPLE.cylinder_names, (420, 260, 420), strict=True)]
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    verdicts: list[TestVerdict] = [
        judge(readings(TRIPLE, *psi), under)
        for psi in ((135.0, 110.0, 134.0), (105.0, 106.0, 105.0), (165.0, 163.0, 164.0), (240.0, 163.0, 164.0))
        for under in (SEA_LEVEL, shut, high_up, Conditions.of_ambient(assumed_ambient()))
    ]
    verdicts += [judge(still), judge(rpm), judge([reading("PTO", 135.0)]), judge(readings(TRIPLE, 5.0, 5.0, 5.0))]
    verdicts += [judge(readings(TRIPLE, 143.0, middle, 142.0), WET, dry=dry) for middle in (112.0, 120.0, 139.0)]
    verdicts += [judge(dry, leak_down=[LeakDownValue("middle", loss, 2.0)]) for loss in (20.0, 50.0)]
    verdicts += [judge_test(UNBANDED, readings(UNBANDED, p, p, p), SEA_LEVEL) for p in (85.0, 200.0)]
    verdicts.append(judge_test(FOUR, readings(FOUR, 165.0, 118.0, 120.0, 164.0), SEA_LEVEL))
    return [finding for one in verdicts for finding in one.findings if finding.severity is not Severity.NOTE]


def test_whatever_asks_for_something_says_what_to_do() -> None:
    asking = everything_that_asks()
    assert len({finding.rule for finding in asking}) >= 12
    assert [finding.text for finding in asking if not any(finding.next_tests)] == []


@pytest.mark.parametrize(
    "items",
    [
        readings(TRIPLE, 165.0, 163.0, 164.0),
        [reading(name, 134.0, rpm=rpm) for name, rpm in zip(TRIPLE.cylinder_names, (430, 360, 425), strict=True)],
    ],
    ids=["high", "unevenly cranked"],
)
def test_what_is_no_loss_of_pressure_is_not_to_be_watched_for_one(items: list[object]) -> None:
    """Carbon, or a tired battery: a few hours of running and a leak-down test say nothing of either."""
    verdict = judge(items)  # type: ignore[arg-type]
    assert (verdict.word, verdict.top_end) == (VerdictWord.WATCH, TopEnd.LEAVE)
    assert "leak-down" not in verdict.summary
    assert "hours of running" not in verdict.summary
    low = judge(readings(TRIPLE, 145.0, 134.0, 144.0))
    assert "read middle again after a few hours of running, and do a leak-down test if it has fallen" in low.summary


def test_a_cylinder_that_no_compression_reaches_is_no_measure_for_the_others() -> None:
    """Without a range too: 192 psi is what no loss at all would leave, and 19 psi of that are in doubt."""
    verdict = judge_test(UNBANDED, readings(UNBANDED, 240.0, 163.0, 164.0), SEA_LEVEL, unit=PSI)
    assert not only(verdict, RuleName.LOWEST_OF_HIGHEST).firm
    assert (verdict.word, verdict.top_end) == (VerdictWord.RETEST, TopEnd.UNKNOWN)


def test_oil_may_lift_a_cylinder_over_the_range_and_it_is_a_measure_all_the_same() -> None:
    verdict = judge(readings(TRIPLE, 165.0, 120.0, 164.0), WET)
    low = only(verdict, RuleName.LOWEST_OF_HIGHEST)
    assert (low.severity, low.firm) == (Severity.INVESTIGATE, True)


@pytest.mark.parametrize("accuracy", [0.01, 0.05])
def test_a_reading_is_below_the_estimate_by_what_gtc_says_can_be_doubted_of_both(accuracy: float) -> None:
    """JCGM 100:2008, 5.1.2."""

    def verdict_at(psi: float) -> TestVerdict:
        items = [reading(name, psi, common_fraction=accuracy) for name in UNBANDED.cylinder_names]
        return judge_test(UNBANDED, items, SEA_LEVEL, unit=PSI)

    def is_below(psi: float) -> float:
        return 1.0 if only(verdict_at(psi), RuleName.EXPECTED).severity is Severity.WATCH else -1.0

    psi = brentq(is_below, 60.0, 150.0, xtol=1e-7)
    geometry = UNBANDED.geometry("PTO")
    assert geometry is not None
    estimate = expected_pressure(geometry, 420.0, SEA_LEVEL.ambient_abs_kpa, ambient_u_kpa=SEA_LEVEL.ambient_u_kpa)
    u_kpa = verdict_at(psi).readings[0].peak_u_kpa
    apart = GTC.ureal(estimate.kpa, estimate.u_kpa / 2.0) - GTC.ureal(PSI.to_kpa(psi), u_kpa / 2.0)
    assert GTC.value(apart) == pytest.approx(2.0 * GTC.uncertainty(apart), rel=1e-4)


def test_a_maker_s_range_goes_before_the_estimate_from_dimensions() -> None:
    """Far below the estimate, and just where the maker wants it."""
    assert TRIPLE.band is not None
    low = TRIPLE.model_copy(update={"band": TRIPLE.band.model_copy(update={"low": 80.0, "high": 100.0})})
    verdict = judge_test(low, readings(low, 85.0, 86.0, 85.0), SEA_LEVEL, unit=PSI)
    assert verdict.word is VerdictWord.CONSISTENT
    found = only(verdict, RuleName.EXPECTED)
    assert (found.severity, found.causes, found.next_tests) == (Severity.NOTE, (), ())
    assert "below what the engine's dimensions would give" in found.text


def test_the_reading_that_is_told_beside_the_estimate_is_the_one_that_is_farthest_from_it() -> None:
    found = only(judge_test(UNBANDED, readings(UNBANDED, 150.0, 70.0, 86.0), SEA_LEVEL, unit=PSI), RuleName.EXPECTED)
    assert found.cylinders == ("middle", "MAG")
    assert found.numbers["reading_kpa"] == pytest.approx(PSI.to_kpa(70.0))


def test_what_cannot_be_is_looked_for_in_the_cylinder_the_gauge_and_the_record() -> None:
    """Common practice, no source."""
    found = only(judge_test(UNBANDED, readings(UNBANDED, 240.0, 163.0, 164.0), SEA_LEVEL), RuleName.HIGH_READING)
    assert found.causes == (
        "oil or fuel in the cylinder",
        "gauge reads high",
        "the record's ratio is too low",
        "carbon in the chamber",
    )
    assert found.next_tests == ("crank with the plugs out to blow the cylinder dry, then read again",)
