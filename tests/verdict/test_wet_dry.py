"""A wet test held against the dry one: what oil lifts, what its volume and other air do, and what that points to."""

from dataclasses import replace

import pytest

from gaugelink.engine.air import ambient_at_altitude, ambient_from_barometer, assumed_ambient
from gaugelink.engine.fleet import EngineRecord
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions, Finding, RuleName, Severity, TopEnd, VerdictWord
from gaugelink.verdict.judge import judge_test
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, WET, judge, only, reading, readings, rules_of


def test_oil_that_lifts_only_the_low_cylinder_points_to_rings() -> None:
    """Common practice, no source: a clear rise points to rings or bore. Oil raises every reading a little."""
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    verdict = judge(readings(TRIPLE, 143.0, 139.0, 142.0), WET, dry=dry)
    finding = next(f for f in verdict.findings if f.rule is RuleName.WET_DRY and f.cylinders == ("middle",))
    assert finding.severity is Severity.INVESTIGATE
    assert "rings" in finding.causes[0]
    assert finding.numbers["rise_kpa"] == pytest.approx(PSI.to_kpa(29.0))
    assert verdict.top_end is TopEnd.LIKELY
    assert "certainty" in only(verdict, RuleName.TOP_END).text


def test_oil_that_does_nothing_for_the_low_cylinder_points_elsewhere() -> None:
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    verdict = judge(readings(TRIPLE, 143.0, 117.0, 142.0), WET, dry=dry)
    finding = next(f for f in verdict.findings if f.rule is RuleName.WET_DRY and f.cylinders == ("middle",))
    assert finding.severity is Severity.INVESTIGATE
    assert "gasket" in finding.causes[0]


def test_oil_lifts_sound_cylinders_alike_and_that_means_nothing() -> None:
    dry = readings(TRIPLE, 135.0, 134.0, 135.0)
    verdict = judge(readings(TRIPLE, 148.0, 147.0, 148.0), WET, dry=dry)
    assert {f.severity for f in verdict.findings if f.rule is RuleName.WET_DRY} == {Severity.NOTE}
    assert verdict.word is VerdictWord.CONSISTENT


def test_one_wet_cylinder_alone_is_doubted_by_the_oil_s_own_volume() -> None:
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    verdict = judge([reading("middle", 118.0)], replace(WET, oil_ml=5.0), dry=dry)
    finding = only(verdict, RuleName.WET_DRY)
    rise, by_volume, u = (finding.numbers[name] for name in ("rise_kpa", "by_volume_kpa", "by_volume_u_kpa"))
    # Rectangular from none of the rise to all of it (JCGM 100:2008, 4.3.7): five millilitres may do more than that.
    assert by_volume == pytest.approx(rise / 2.0)
    assert u == pytest.approx(2.0 * rise / 12.0**0.5)
    assert by_volume + u > rise
    assert "cannot be told" in finding.text


# Dimensions that nobody wrote down, and an amount that nobody noted.
UNKNOWN_VOLUMES = [(FOUR, replace(WET, oil_ml=5.0)), (TRIPLE, replace(WET, oil_ml=None))]


def rises(engine: EngineRecord, dry: list[ReadingValue], wet: list[ReadingValue], under: Conditions) -> list[Finding]:
    found = judge_test(engine, wet, under, dry=dry, unit=PSI).findings
    return [finding for finding in found if finding.rule is RuleName.WET_DRY]


@pytest.mark.parametrize(("engine", "under"), UNKNOWN_VOLUMES)
def test_an_unknown_volume_of_oil_is_not_taken_for_none(engine: EngineRecord, under: Conditions) -> None:
    """Five millilitres in a chamber of 19 cm3 may do a third alone: 11 % more in all cylinders are no worn rings."""
    dry, wet = (readings(engine, *[psi] * len(engine.cylinders)) for psi in (150.0, 166.0))
    found = rises(engine, dry, wet, under)
    assert {finding.severity for finding in found} == {Severity.NOTE}
    assert all("how much of it by the oil's own volume is not known" in finding.text for finding in found)


@pytest.mark.parametrize(("engine", "under"), UNKNOWN_VOLUMES)
def test_where_the_oil_s_volume_is_not_known_the_others_tell(engine: EngineRecord, under: Conditions) -> None:
    psi = [150.0] * len(engine.cylinders)
    dry = readings(engine, *psi[:1], 105.0, *psi[2:])
    low = engine.cylinder_names[1]
    (alone,) = rises(engine, dry, [reading(low, 120.0)], under)
    assert alone.severity is Severity.WATCH
    assert "cannot be told from what the oil's volume does" in alone.text
    beside = rises(engine, dry, readings(engine, 160.0, 135.0, *[160.0] * (len(psi) - 2)), under)
    assert [finding.cylinders for finding in beside if finding.numbers["rings_likely"]] == [(low,)]


@pytest.mark.parametrize("oil_ml", [1.0, 3.0, 10.0, 18.8, 18.9, 30.0, 100.0])
def test_the_oil_s_volume_does_no_more_than_the_rise_however_much_oil_was_noted(oil_ml: float) -> None:
    """The chamber of this engine is 18.9 cm3: what was noted beyond that cannot have stayed, for the engine turned."""
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    wet = replace(WET, oil_ml=oil_ml)
    found = [
        f for f in judge(readings(TRIPLE, 143.0, 139.0, 133.0), wet, dry=dry).findings if f.rule is RuleName.WET_DRY
    ]
    assert [f.cylinders for f in found if f.causes] == [("middle",)]
    for finding in found:
        assert finding.numbers["by_volume_kpa"] <= max(0.0, finding.numbers["rise_kpa"])
    assert ("lock the engine" in found[0].text) is (oil_ml > 18.87)
    assert "own volume" not in next(f for f in found if f.cylinders == ("MAG",)).text


def test_a_wet_test_on_a_day_of_other_weather_is_carried_to_the_dry_one() -> None:
    dry = readings(TRIPLE, 135.0, 134.0, 135.0)
    low = replace(WET, ambient_abs_kpa=SEA_LEVEL.ambient_abs_kpa * 0.97)
    values = readings(TRIPLE, *(0.97 * psi for psi in (141.0, 140.0, 141.0)))
    verdict = judge(values, low, dry=dry, dry_conditions=SEA_LEVEL)
    rise = next(f for f in verdict.findings if f.rule is RuleName.WET_DRY).numbers["rise_kpa"]
    assert rise == pytest.approx(PSI.to_kpa(6.0))


@pytest.mark.parametrize("altitude_m", [300.0, 600.0, 1600.0, 3000.0])
def test_air_that_was_only_assumed_for_the_dry_test_is_not_taken_for_what_oil_does(altitude_m: float) -> None:
    """The same readings, but the second test knows the altitude that the first one did not."""
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    wet = replace(Conditions.of_ambient(ambient_at_altitude(altitude_m)), wet=True)
    verdict = judge(dry, wet, dry=dry, dry_conditions=Conditions.of_ambient(assumed_ambient()))
    found = [f for f in verdict.findings if f.rule is RuleName.WET_DRY]
    assert [f.numbers["rings_likely"] for f in found] == [0.0, 0.0, 0.0]
    # The same place is likelier than the assumption.
    assert [f.numbers["rise_percent"] for f in found] == pytest.approx([0.0, 0.0, 0.0])
    for finding in found:
        assert finding.u_kpa is not None
        # 4 kPa assumed and 1 kPa of weather, of about 100 kPa.
        assert finding.u_kpa > finding.numbers["ambient_u_kpa"] > 2.0 * 0.04 * finding.numbers["wet_kpa"]


def test_one_wet_cylinder_alone_is_doubted_by_air_that_was_only_assumed() -> None:
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    wet = replace(Conditions.of_ambient(ambient_at_altitude(300.0)), wet=True)
    verdict = judge([reading("middle", 112.0)], wet, dry=dry, dry_conditions=Conditions.of_ambient(assumed_ambient()))
    finding = only(verdict, RuleName.WET_DRY)
    assert finding.severity is Severity.WATCH
    assert "cannot be told from what other air does" in finding.text


def test_one_place_s_air_says_nothing_of_a_rise_between_two_tests() -> None:
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    (first, *_) = [f for f in judge(dry, WET, dry=dry).findings if f.rule is RuleName.WET_DRY]
    assert first.numbers["ambient_u_kpa"] == 0.0
    near, far = (replace(Conditions.of_ambient(ambient_from_barometer(kpa)), wet=True) for kpa in (101.0, 99.0))
    found = judge(dry, near, dry=dry, dry_conditions=far).findings
    (carried,) = [f for f in found if f.rule is RuleName.WET_DRY and f.cylinders == ("PTO",)]
    # A quotient of two barometer readings of 0.2 kPa each (JCGM 100:2008, 5.1.6).
    share = 2.0 * ((0.2 / 101.0) ** 2 + (0.2 / 99.0) ** 2) ** 0.5
    assert carried.numbers["ambient_u_kpa"] == pytest.approx(share * 99.0 / 101.0 * PSI.to_kpa(135.0))


def test_a_wet_test_is_not_held_against_the_dry_band() -> None:
    verdict = judge(readings(TRIPLE, 165.0, 164.0, 165.0), WET, dry=readings(TRIPLE, 148.0, 147.0, 148.0))
    assert RuleName.BAND not in rules_of(verdict)
    assert verdict.band is None


def test_a_reading_that_went_down_with_oil_is_said_to_fall() -> None:
    verdict = judge(readings(TRIPLE, 134.0, 131.0, 131.0), WET, dry=readings(TRIPLE, 138.0, 134.0, 131.0))
    texts = {f.cylinders[0]: f.text for f in verdict.findings if f.rule is RuleName.WET_DRY}
    assert texts["PTO"].startswith("PTO fell by 4.0 psi with oil, 3 %")
    assert "the others fell by 1 %" in texts["PTO"]
    assert texts["MAG"].startswith("MAG rose by 0.0 psi with oil, 0 %")
