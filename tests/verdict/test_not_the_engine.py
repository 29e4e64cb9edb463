"""A sound engine is not sent to the wrench for its air, its throttle, its cranking, or one cylinder that reads high."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.engine.air import ambient_at_altitude, ambient_from_barometer, assumed_ambient, standard_pressure_kpa
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.geometry import polytropic_exponent
from gaugelink.peak.events import Flag
from gaugelink.verdict.band import ALL_LOW_CAUSES, ASSUMED_AIR, REDUCED_AIR, THICKER_AIR
from gaugelink.verdict.case import lay_out
from gaugelink.verdict.findings import (
    Conditions,
    Finding,
    RuleName,
    Rules,
    Severity,
    TestVerdict,
    TopEnd,
    VerdictWord,
)
from gaugelink.verdict.judge import judge_test
from simulators.cranking import Cranking
from simulators.engine import EngineSpec
from simulators.integrator import Turn, crank_many
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, judge, only, reading, readings

UNBANDED = TRIPLE.model_copy(update={"band": None})


def of(verdict: TestVerdict, rule: RuleName) -> list[Finding]:
    return [finding for finding in verdict.findings if finding.rule is rule]


def test_all_cylinders_low_for_slow_cranking_are_read_again() -> None:
    """A sound triple at 260 of 420 rpm: a tenth less, see the simulated engine below."""
    verdict = judge([reading(name, 118.0, rpm=260.0) for name in TRIPLE.cylinder_names])
    assert (verdict.word, verdict.top_end) == (VerdictWord.RETEST, TopEnd.UNKNOWN)
    assert "cranked slowly" in verdict.summary
    far = judge([reading(name, 80.0, rpm=260.0) for name in TRIPLE.cylinder_names])
    assert far.word is VerdictWord.INVESTIGATE


@pytest.mark.parametrize(("psi", "word"), [(117.0, VerdictWord.RETEST), (100.0, VerdictWord.INVESTIGATE)])
def test_one_cylinder_that_was_cranked_slower_is_low_only_beyond_what_that_does(psi: float, word: VerdictWord) -> None:
    items = [reading("PTO", 138.0, rpm=420.0), reading("middle", psi, rpm=300.0), reading("MAG", 138.0, rpm=420.0)]
    verdict = judge_test(UNBANDED, items, SEA_LEVEL, unit=PSI)
    assert verdict.word is word
    uneven = only(verdict, RuleName.CRANKING_UNEVEN)
    assert uneven.cylinders == ("middle", "PTO")
    assert ("all of the difference" in uneven.text) == (word is VerdictWord.RETEST)
    assert judge_test(UNBANDED, [replace(one, cranking_rpm=420.0) for one in items], SEA_LEVEL).word is (
        VerdictWord.INVESTIGATE
    )


def test_slow_cranking_excuses_no_less_than_a_simulated_sound_engine_loses() -> None:
    """The simulated engine shares no formula with the product."""
    spec = EngineSpec(bore_mm=69.0, stroke_mm=53.5, trapped_ratio=6.6, closes_deg=86.0)
    cranked = [Cranking(free_rpm=rpm, stall_nm=120.0) for rpm in (500.0, 390.0, 300.0)]
    traces = crank_many([Turn(spec, one) for one in cranked])
    at_rpm = traces[0].cranking_rpm
    for trace in traces[1:]:
        lost = trace.cylinder_peak_kpa / traces[0].cylinder_peak_kpa
        slow = replace(reading("PTO", 130.0), cranking_rpm=trace.cranking_rpm)
        share = lay_out(UNBANDED, [slow], SEA_LEVEL, Rules(), PSI).share_by_cranking(slow, at_rpm)
        assert 0.8 * lost < share <= lost


@pytest.mark.parametrize("ratio", [5.0, 9.0])
def test_slow_cranking_takes_the_more_off_the_higher_an_engine_compresses(ratio: float) -> None:
    """Polytropic compression p * (r**n - 1), the exponent's loss going with the duration of a turn (tests/engine)."""
    engine = UNBANDED.model_copy(update={"compression_ratio_trapped": ratio})
    slow = reading("PTO", 130.0, rpm=250.0)
    share = lay_out(engine, [slow], SEA_LEVEL, Rules(), PSI).share_by_cranking(slow, 420.0)
    fast, less = polytropic_exponent(420.0)[0], 1.4 * (polytropic_exponent(420.0)[0] - polytropic_exponent(250.0)[0])
    assert share == pytest.approx((ratio ** (fast - less) - 1.0) / (ratio**fast - 1.0))
    assert lay_out(engine, [slow], SEA_LEVEL, Rules(), PSI).share_by_cranking(slow, 240.0) == 1.0


def test_a_range_is_not_held_against_an_engine_whose_throttle_was_closed() -> None:
    shut = replace(SEA_LEVEL, throttle_open=False)
    verdict = judge(readings(TRIPLE, 115.0, 116.0, 115.0), shut)
    assert (verdict.word, verdict.top_end) == (VerdictWord.RETEST, TopEnd.UNKNOWN)
    assert "the throttle was not open" in verdict.summary
    assert judge(readings(TRIPLE, 135.0, 136.0, 135.0), shut).word is VerdictWord.CONSISTENT
    assert judge(readings(TRIPLE, 115.0, 90.0, 115.0), shut).word is VerdictWord.INVESTIGATE


@pytest.mark.parametrize(("stated", "was", "holds"), [(True, False, False), (True, True, True), (None, False, True)])
def test_a_range_for_a_warm_engine_is_not_held_against_a_cold_one(stated: bool | None, was: bool, holds: bool) -> None:
    assert TRIPLE.band is not None
    engine = TRIPLE.model_copy(update={"band": TRIPLE.band.model_copy(update={"warm": stated})})
    verdict = judge_test(engine, readings(TRIPLE, 120.0, 121.0, 120.0), replace(SEA_LEVEL, warm=was), unit=PSI)
    assert verdict.word is (VerdictWord.INVESTIGATE if holds else VerdictWord.RETEST)
    assert bool(of(verdict, RuleName.CONDITIONS)) is not holds


def test_where_the_air_was_assumed_the_air_is_the_first_cause_of_an_engine_that_reads_low() -> None:
    """At 2,000 m a sound engine reads 0.785 of what it does at sea level (ICAO Doc 7488/3: 795.0 hPa)."""
    high = readings(TRIPLE, *(0.785 * psi for psi in (138.0, 137.0, 138.0)))
    verdict = judge(high, Conditions.of_ambient(assumed_ambient()))
    band = only(verdict, RuleName.BAND)
    assert band.causes[0] == ASSUMED_AIR
    assert "which was assumed" in band.text
    assert "altitude" in band.next_tests[0]
    assert "may have to come off" not in verdict.summary
    assert judge(high, Conditions.of_ambient(ambient_at_altitude(2000.0))).word is VerdictWord.CONSISTENT


def test_where_the_air_was_assumed_it_is_the_first_cause_of_an_engine_below_its_dimensions_too() -> None:
    """No range, but dimensions: 0.785 of a sound engine's pressure at 2,000 m (ICAO Doc 7488/3)."""
    values = readings(UNBANDED, *(0.785 * psi for psi in (138.0, 137.0, 138.0)))
    low = only(judge_test(UNBANDED, values, Conditions.of_ambient(assumed_ambient()), unit=PSI), RuleName.EXPECTED)
    assert low.causes[0] == ASSUMED_AIR
    reduced = judge_test(UNBANDED, values, Conditions.of_ambient(ambient_from_barometer(101.3)), unit=PSI)
    assert REDUCED_AIR in only(reduced, RuleName.EXPECTED).causes
    noted = judge_test(UNBANDED, values, Conditions.of_ambient(ambient_at_altitude(2000.0)), unit=PSI)
    assert noted.word is VerdictWord.CONSISTENT
    one = [reading(name, psi) for name, psi in zip(UNBANDED.cylinder_names, (150.0, 80.0, 150.0), strict=True)]
    alone = judge_test(UNBANDED, one, Conditions.of_ambient(assumed_ambient()), unit=PSI)
    assert ASSUMED_AIR not in only(alone, RuleName.EXPECTED).causes


def test_a_barometer_that_tells_the_pressure_at_sea_level_is_among_the_causes_of_an_engine_that_reads_low() -> None:
    """A weather report's 1,013 hPa at 1,600 m, where there are 835 (ICAO Doc 7488/3): it reads 82 %."""
    values = readings(TRIPLE, *(0.824 * psi for psi in (138.0, 137.0, 138.0)))
    reduced = judge(values, Conditions.of_ambient(ambient_from_barometer(101.3)))
    band = only(reduced, RuleName.BAND)
    assert REDUCED_AIR in band.causes
    assert "here and not at sea level" in band.next_tests[0]
    assert REDUCED_AIR in reduced.summary
    assert judge(values, Conditions.of_ambient(ambient_from_barometer(83.5))).word is VerdictWord.CONSISTENT
    # A barometer that shows what no weather report does was not reduced.
    low = judge(readings(TRIPLE, 90.0, 91.0, 90.0), Conditions.of_ambient(ambient_from_barometer(83.5)))
    assert REDUCED_AIR not in only(low, RuleName.BAND).causes
    assert REDUCED_AIR not in only(judge(values), RuleName.BAND).causes


@pytest.mark.parametrize("engine", [TRIPLE, UNBANDED.model_copy(update={"bore_mm": None}), UNBANDED])
def test_feet_taken_for_metres_are_the_first_cause_of_an_engine_that_reads_high_as_a_whole(
    engine: EngineRecord,
) -> None:
    """5,280 ft are 1,609 m, where the air has 834 hPa; 5,280 m have 520 (ICAO Doc 7488/3)."""
    values = readings(engine, *(0.824 * psi for psi in (138.0, 137.0, 138.0)))
    verdict = judge_test(engine, values, Conditions.of_ambient(ambient_at_altitude(5280.0)), unit=PSI)
    high = [f for f in verdict.findings if f.causes and f.rule in (RuleName.HIGH_READING, RuleName.EXPECTED)]
    assert bool(high) is (engine.bore_mm is not None or engine.band is not None)
    for finding in high:
        assert finding.causes[0] == THICKER_AIR
    assert all("metres" in f.next_tests[0] for f in high if f.rule is RuleName.HIGH_READING)
    right = judge_test(engine, values, Conditions.of_ambient(ambient_at_altitude(1609.0)), unit=PSI)
    assert right.word is VerdictWord.CONSISTENT


def test_one_high_cylinder_is_not_laid_to_the_air_and_neither_is_air_that_nobody_noted() -> None:
    high_up = Conditions.of_ambient(ambient_at_altitude(1609.0))
    one = judge(
        [reading(name, psi) for name, psi in zip(TRIPLE.cylinder_names, (112.0, 150.0, 112.0), strict=True)], high_up
    )
    assert all(THICKER_AIR not in f.causes for f in one.findings)
    every = judge(readings(TRIPLE, 190.0, 191.0, 190.0), Conditions.of_ambient(assumed_ambient()))
    assert of(every, RuleName.HIGH_READING)
    assert all(THICKER_AIR not in f.causes for f in every.findings)


def test_what_is_assumed_of_the_air_covers_shops_up_to_seven_hundred_metres() -> None:
    air = assumed_ambient()
    assert air.abs_kpa - 2.0 * air.u_kpa == pytest.approx(standard_pressure_kpa(690.0), abs=0.1)


def test_all_cylinders_under_the_range_alike_are_not_taken_for_worn_one_by_one() -> None:
    verdict = judge(readings(TRIPLE, 122.0, 126.5, 127.5))
    bands = of(verdict, RuleName.BAND)
    assert {finding.severity for finding in bands} == {Severity.INVESTIGATE, Severity.WATCH}
    assert {finding.causes for finding in bands} == {ALL_LOW_CAUSES}
    assert "may have to come off" not in verdict.summary
    assert "throttle" in only(verdict, RuleName.TOP_END).text


def test_a_single_cylinder_below_the_range_has_nothing_beside_it_so_throttle_and_gauge_come_first() -> None:
    assert TRIPLE.band is not None
    single = EngineRecord.model_validate(
        {"id": "s", "name": "S", "cycle": 2, "layout": "side_named", "cylinders": 1, "band": TRIPLE.band}
    )
    verdict = judge_test(single, [reading("single", 110.0)], SEA_LEVEL, unit=PSI)
    causes = only(verdict, RuleName.BAND).causes
    assert causes[:3] == ALL_LOW_CAUSES[:3]
    assert "worn or stuck rings" in causes
    assert "cylinders" not in " ".join(causes)
    assert "may have to come off" not in verdict.summary


def test_a_cylinder_above_the_range_is_no_measure_for_those_within_it() -> None:
    """Fuel or oil in one cylinder: the others are sound, and in the maker's range."""
    verdict = judge(readings(TRIPLE, 140.0, 139.0, 178.0))
    assert (verdict.word, verdict.top_end) == (VerdictWord.RETEST, TopEnd.UNKNOWN)
    high = only(verdict, RuleName.HIGH_READING)
    assert (high.severity, high.cylinders) == (Severity.RETEST, ("MAG",))
    assert "MAG reads above" in verdict.summary
    low = judge(readings(TRIPLE, 140.0, 105.0, 178.0))
    assert low.word is VerdictWord.INVESTIGATE
    assert any(f.cylinders[:1] == ("middle",) and f.firm for f in of(low, RuleName.LOWEST_OF_HIGHEST))


def test_a_firm_low_cylinder_is_found_beside_a_lower_one_that_is_in_doubt() -> None:
    items = [reading(name, psi) for name, psi in zip(FOUR.cylinder_names, (160.0, 90.0, 158.0, 100.0), strict=True)]
    items[1] = replace(items[1], flags=frozenset({Flag.STILL_RISING}))
    verdict = judge_test(FOUR, items, SEA_LEVEL)
    assert verdict.word is VerdictWord.INVESTIGATE
    firm = [f for f in of(verdict, RuleName.LOWEST_OF_HIGHEST) if f.firm]
    assert [f.cylinders for f in firm] == [("4", "1")]


def test_equal_readings_are_not_told_to_be_lower_than_themselves() -> None:
    verdict = judge(readings(TRIPLE, 135.0, 135.0, 135.0))
    assert only(verdict, RuleName.LOWEST_OF_HIGHEST).cylinders == ("MAG", "PTO")
    assert only(verdict, RuleName.SPREAD).against == ("MAG",)


def test_what_lies_above_the_estimate_is_not_said_to_lie_below_it() -> None:
    verdict = judge_test(UNBANDED, readings(TRIPLE, 230.0, 80.0, 134.0), SEA_LEVEL, unit=PSI)
    expected = of(verdict, RuleName.EXPECTED)
    assert [(f.cylinders, "below" in f.text, "above" in f.text) for f in expected] == [
        (("middle",), True, False),
        (("PTO",), False, True),
    ]


def test_no_sentence_lets_live_with_a_cylinder_that_another_one_wants_looked_into() -> None:
    verdict = judge(readings(TRIPLE, 131.0, 123.5, 131.0))
    assert only(verdict, RuleName.BAND).severity is Severity.INVESTIGATE
    spread = only(verdict, RuleName.SPREAD).text
    assert "live with" not in spread
    assert spread.endswith("so it is real, and within the 6 % that needs no watching.")


def test_sound_engines_under_odd_conditions_are_not_sent_to_the_wrench() -> None:
    """Made-up triples, 1.2 % between their cylinders, 1 % between crankings, a gauge good to 1 %."""
    rng = np.random.default_rng(1)
    conditions = {
        "shut": (0.85, 420.0, replace(SEA_LEVEL, throttle_open=False)),
        "slow": (0.88, 250.0, SEA_LEVEL),
        "high, told": (0.785, 420.0, Conditions.of_ambient(ambient_at_altitude(2000.0))),
        "sound": (1.0, 420.0, SEA_LEVEL),
    }
    for share, rpm, under in conditions.values():
        off = 0
        for _ in range(60):
            peaks = 139.0 * share * (1.0 + rng.normal(0.0, 0.012, 3)) * (1.0 + rng.normal(0.0, 0.01))
            peaks *= 1.0 + rng.normal(0.0, 0.007, 3)
            items = [reading(name, float(p), rpm=rpm) for name, p in zip(TRIPLE.cylinder_names, peaks, strict=True)]
            off += judge(items, under).top_end in (TopEnd.TEST_FIRST, TopEnd.LIKELY)
        assert off <= 1
