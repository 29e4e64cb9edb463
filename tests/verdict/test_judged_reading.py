"""What a verdict tells of each reading and of the way it was taken, and what it hands over to the machine's record."""

from dataclasses import replace
from datetime import UTC, datetime

import GTC
import pytest

from gaugelink.bench.repeats import Repeat
from gaugelink.engine.air import AltitudeMethod, Ambient, ambient_at_altitude, ambient_from_barometer, assumed_ambient
from gaugelink.peak.events import Flag
from gaugelink.verdict.difference import PullValue
from gaugelink.verdict.findings import Conditions, RuleName, Rules, Severity, VerdictWord
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.record import past_test
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, WET, judge, only, reading, readings, rules_of

AT = datetime(2026, 11, 1, tzinfo=UTC)


@pytest.mark.parametrize("air", [ambient_at_altitude(2000.0), ambient_from_barometer(83.2), assumed_ambient()])
def test_a_reading_at_sea_level_is_as_uncertain_as_gtc_propagates(air: Ambient) -> None:
    """JCGM 100:2008, 5.1.2: peak times 101.325 over the ambient."""
    verdict = judge(readings(TRIPLE, 108.0, 107.0, 108.0), Conditions.of_ambient(air))
    for one in verdict.readings:
        carried = GTC.ureal(one.peak_kpa, one.peak_u_kpa / 2.0) * 101.325 / GTC.ureal(air.abs_kpa, air.u_kpa)
        assert one.sea_level_kpa == pytest.approx(GTC.value(carried))
        assert one.sea_level_u_kpa == pytest.approx(2.0 * GTC.uncertainty(carried), rel=1e-9)


def test_a_shop_that_goes_by_the_printed_table_carries_its_readings_by_it_too() -> None:
    """ICAO Doc 7488/3 at 2,000 m: 1.00655 of 1.22500 kg/m3, and 795.01 of 1013.25 hPa."""
    here, values = Conditions.of_ambient(ambient_at_altitude(2000.0)), readings(TRIPLE, 108.0, 107.0, 108.0)
    by_density = judge_test(TRIPLE, values, here, Rules(altitude_method=AltitudeMethod.DENSITY_TABLE)).readings[0]
    assert by_density.sea_level_kpa == pytest.approx(PSI.to_kpa(108.0) * 1.225 / 1.00655, rel=1e-3)
    by_pressure = judge_test(TRIPLE, values, here).readings[0]
    assert by_pressure.sea_level_kpa == pytest.approx(PSI.to_kpa(108.0) * 1013.25 / 795.01, rel=1e-3)


@pytest.mark.parametrize(("random", "common"), [(0.004, 0.01), (0.03, 0.01), (0.004, 0.04)])
def test_a_reading_is_as_uncertain_as_gauge_sampling_and_cranking_together(random: float, common: float) -> None:
    """JCGM 100:2008, 5.1.2; cranking scatters by 1 % where one pull tells nothing of it."""
    items = [reading(name, 135.0, random_fraction=random, common_fraction=common) for name in TRIPLE.cylinder_names]
    for one in judge(items).readings:
        assert one.peak_u_kpa == pytest.approx(2.0 * one.peak_kpa * (random**2 + common**2 + 0.01**2) ** 0.5)
        assert one.u_random_kpa == pytest.approx(one.peak_kpa * (random**2 + 0.01**2) ** 0.5)


def test_each_reading_is_told_as_a_share_of_the_highest() -> None:
    verdict = judge(readings(TRIPLE, 135.0, 108.0, 134.0))
    assert [one.percent_of_highest for one in verdict.readings] == pytest.approx([100.0, 80.0, 13400.0 / 135.0])
    none = judge(readings(TRIPLE, 0.0, 0.0, 0.0))
    assert [one.percent_of_highest for one in none.readings] == [0.0, 0.0, 0.0]
    assert none.spread_percent is None


def test_a_wet_test_has_no_range_and_a_test_of_all_cylinders_is_complete() -> None:
    dry, wet = judge(readings(TRIPLE, 135.0, 134.0, 135.0)), judge(readings(TRIPLE, 135.0, 134.0, 135.0), WET)
    assert dry.band is not None
    assert wet.band is None
    assert dry.complete
    assert not judge(readings(TRIPLE, 135.0, 134.0, 135.0)[:2]).complete


@pytest.mark.parametrize(("slow_rpm", "told"), [(364.0, False), (358.0, False), (355.0, True)])
def test_cranking_is_uneven_beyond_fifteen_percent(slow_rpm: float, told: bool) -> None:
    """358 of 420 rpm are 14.8 % less, 355 are 15.5."""
    speeds = dict(zip(TRIPLE.cylinder_names, (420.0, slow_rpm, 410.0), strict=True))
    verdict = judge([reading(name, 134.0, rpm=rpm) for name, rpm in speeds.items()])
    assert (RuleName.CRANKING_UNEVEN in rules_of(verdict)) is told
    if told:
        found = only(verdict, RuleName.CRANKING_UNEVEN)
        assert found.text.startswith("middle was cranked at 355 rpm and PTO at 420 rpm: some of the difference")
        assert found.numbers["apart_percent"] == pytest.approx(100.0 * 65.0 / 420.0)
        assert found.next_tests == ("read middle again with fresh cranking",)


def test_only_the_cylinders_that_were_cranked_slowly_are_read_again() -> None:
    """Four fifths of the record's 420 rpm are 336."""
    speeds = dict(zip(TRIPLE.cylinder_names, (340.0, 330.0, 345.0), strict=True))
    found = only(judge([reading(name, 134.0, rpm=rpm) for name, rpm in speeds.items()]), RuleName.CRANKING_SLOW)
    assert found.cylinders == ("middle",)
    assert found.text.startswith("middle cranked slowly, 330 rpm where at least 336 rpm is wanted")
    assert "420 rpm" in found.source


@pytest.mark.parametrize(("rpm", "slow"), [(110.0, True), (130.0, False)])
def test_a_four_stroke_whose_speed_nobody_wrote_down_is_cranked_slowly_below_120_rpm(rpm: float, slow: bool) -> None:
    verdict = judge_test(FOUR, [reading(name, 160.0, rpm=rpm) for name in FOUR.cylinder_names], SEA_LEVEL)
    assert (RuleName.CRANKING_SLOW in rules_of(verdict)) is slow
    assert verdict.word is (VerdictWord.RETEST if slow else VerdictWord.CONSISTENT)


def test_the_pulls_that_agree_worst_are_those_that_are_told() -> None:
    items = [
        reading("PTO", 137.0, repeats_psi=(137.7, 136.3)),
        reading("middle", 134.0, repeats_psi=(134.2, 133.8)),
        reading("MAG", 134.0),
    ]
    found = only(judge(items), RuleName.REPEATABILITY)
    assert found.text == "The repeats of PTO, middle agree within 1.4 psi, 1.0 %."
    assert found.cylinders == ("PTO", "middle")
    assert found.numbers["apart_percent"] == pytest.approx(140.0 / 137.0)


def test_how_far_apart_repeats_may_be_is_the_shop_s_to_say() -> None:
    """Five of 135 psi are 3.7 %."""
    items = [reading("PTO", 135.0, repeats_psi=(132.5, 137.5)), *readings(TRIPLE, 135.0, 134.0, 134.0)[1:]]
    assert only(judge(items), RuleName.REPEATABILITY).severity is Severity.RETEST
    wide = judge_test(TRIPLE, items, SEA_LEVEL, Rules(repeats_percent=5.0))
    assert only(wide, RuleName.REPEATABILITY).severity is Severity.NOTE


def test_a_flag_is_told_of_every_cylinder_that_has_it() -> None:
    items = [replace(one, flags=frozenset({Flag.STILL_RISING})) for one in readings(TRIPLE, 135.0, 134.0, 135.0)[:2]]
    found = only(judge([*items, reading("MAG", 135.0)]), RuleName.DOUBTED)
    assert found.text == "PTO, middle: cranking stopped before the pressure stopped climbing."
    assert found.next_tests == ("crank longer, until the pressure stops climbing",)


def test_what_was_noted_of_a_test_goes_into_the_machine_s_record() -> None:
    noted = replace(Conditions.of_ambient(ambient_from_barometer(83.2)), warm=True)
    kept = past_test(judge(readings(TRIPLE, 112.0, 113.0, 112.0), noted), "t", AT, "red", 1200.0)
    assert (kept.test_id, kept.at, kept.gauge, kept.counter, kept.warm) == ("t", AT, "red", 1200.0, True)
    assert kept.ambient_abs_kpa == 83.2
    assumed = past_test(judge(readings(TRIPLE, 135.0, 134.0, 135.0), Conditions.of_ambient(assumed_ambient())), "t", AT)
    assert (assumed.ambient_abs_kpa, assumed.warm) == (None, None)


def test_the_pulls_behind_a_reading_go_into_the_record_at_sea_level() -> None:
    """One of three did not count: the mean is of two, each uncertain by itself (JCGM 100:2008, 5.1.2)."""
    kpa = PSI.to_kpa(112.0)
    pulls = tuple(
        PullValue(Repeat(share * kpa, 0.01 * kpa), counted=counted)
        for share, counted in ((1.0, True), (0.95, False), (1.0, True))
    )
    items = readings(TRIPLE, 112.0, 113.0, 112.0)
    items[0] = replace(items[0], pulls=pulls, repeats=(kpa, kpa), agreed=True, gauge="blue")
    here = Conditions.of_ambient(ambient_from_barometer(83.2))
    first, second, _ = past_test(judge(items, here), "t", AT).readings
    to_sea_level = 101.325 / 83.2
    assert (first.behind, first.gauge) == (2, "blue")
    assert first.pulls[0] == pytest.approx(to_sea_level * kpa)
    assert first.u_own_kpa == pytest.approx(to_sea_level * 0.01 * kpa / 2.0**0.5)
    assert (second.behind, second.pulls, second.u_own_kpa) == (1, (), 0.0)
    assert second.u_random_kpa > 0.0
