"""Where a maker's range begins and ends to be doubted, at any ambient that a shop has: against GTC's propagation."""

from collections.abc import Callable
from dataclasses import replace

import GTC
import pytest
from scipy.optimize import brentq

from gaugelink.engine.air import Ambient, ambient_at_altitude, ambient_from_barometer, assumed_ambient
from gaugelink.verdict.difference import difference
from gaugelink.verdict.findings import Conditions, RuleName, Severity, TestVerdict, VerdictWord
from gaugelink.verdict.judge import judge_test
from tests.verdict.shop import PSI, TRIPLE, only, reading, readings

# The lower end is two thirds of the upper one; without dimensions nothing but the range is asked.
WIDE = TRIPLE.model_copy(
    update={
        "band": TRIPLE.band.model_copy(update={"low": 100.0, "high": 150.0}) if TRIPLE.band else None,
        "bore_mm": None,
    }
)
STATED_KPA = 101.325
AIRS = {
    "assumed": assumed_ambient(),
    "100 m below the sea": ambient_at_altitude(-100.0),
    "1,600 m": ambient_at_altitude(1600.0),
    "4,500 m": ambient_at_altitude(4500.0),
    "a barometer": ambient_from_barometer(83.2),
}


def verdict_at(kpa: float, air: Ambient) -> TestVerdict:
    return judge_test(WIDE, readings(WIDE, *[PSI.from_kpa(kpa)] * 3), Conditions.of_ambient(air), unit=PSI)


def is_above(verdict: TestVerdict) -> bool:
    return any(f.rule is RuleName.HIGH_READING for f in verdict.findings)


def is_below(verdict: TestVerdict) -> bool:
    return any(f.rule is RuleName.BAND and f.severity is Severity.INVESTIGATE for f in verdict.findings)


@pytest.mark.parametrize("air", AIRS.values(), ids=AIRS)
@pytest.mark.parametrize(("says", "end_psi", "to_psi"), [(is_below, 100.0, 20.0), (is_above, 150.0, 300.0)])
def test_a_reading_is_beyond_an_end_of_the_range_by_what_gtc_says_can_be_doubted(
    says: Callable[[TestVerdict], bool], end_psi: float, to_psi: float, air: Ambient
) -> None:
    """JCGM 100:2008, 5.1.2, with coverage factor 2; guarded rejection by JCGM 106:2012, 8.3.3 (from memory)."""
    share = air.abs_kpa / STATED_KPA
    found_kpa = brentq(
        lambda kpa: 1.0 if says(verdict_at(kpa, air)) else -1.0,
        PSI.to_kpa(end_psi) * share,
        PSI.to_kpa(to_psi) * share,
        xtol=1e-6,
    )
    u_kpa = next(one.peak_u_kpa for one in verdict_at(found_kpa, air).readings) / 2.0
    end = PSI.to_kpa(end_psi) * GTC.ureal(air.abs_kpa, air.u_kpa) / STATED_KPA
    beyond = GTC.ureal(found_kpa, u_kpa) - end
    assert abs(GTC.value(beyond)) == pytest.approx(2.0 * GTC.uncertainty(beyond), rel=1e-4)


@pytest.mark.parametrize(("accuracy", "word"), [(0.005, VerdictWord.INVESTIGATE), (0.0, VerdictWord.WATCH)])
def test_a_gauge_whose_accuracy_nobody_stated_is_not_taken_for_a_perfect_one(
    accuracy: float, word: VerdictWord
) -> None:
    """96 where 100 psi are the least, by a gauge that reads 4 % low: a good one would not."""
    items = [reading(name, 96.0, common_fraction=accuracy) for name in WIDE.cylinder_names]
    verdict = judge_test(WIDE, items, Conditions.of_ambient(ambient_from_barometer(101.3)), unit=PSI)
    assert verdict.word is word
    text = only(verdict, RuleName.BAND).text
    assert ("accuracy is not stated" in text) is (accuracy == 0.0)


def test_two_gauges_of_which_nothing_is_known_are_as_uncertain_as_gauges_are() -> None:
    a, b = (replace(reading(name, psi, common_fraction=0.0), gauge=name) for name, psi in (("1", 139.0), ("2", 130.0)))
    apart = difference(a, b)
    whole = [GTC.ureal(one.peak_kpa, one.u_random_kpa) + GTC.ureal(0.0, 0.03 * one.peak_kpa) for one in (a, b)]
    assert apart.u_kpa == pytest.approx(2.0 * GTC.uncertainty(whole[0] - whole[1]), rel=1e-9)
    assert not apart.is_real
    assert difference(replace(a, gauge="1"), replace(b, gauge="1")).is_real


@pytest.mark.parametrize(
    ("stated", "stated_kpa"),
    # ICAO Doc 7488/3: 977.73 hPa at 300 m and 1,025.32 at 100 m below the sea.
    [({"altitude_m": 300.0}, 97.773), ({"altitude_m": -100.0}, 102.532), ({"ambient_abs_kpa": 95.0}, 95.0)],
)
@pytest.mark.parametrize("air", AIRS.values(), ids=AIRS)
def test_a_range_that_is_stated_for_another_ambient_is_carried_from_there(
    stated: dict[str, float], stated_kpa: float, air: Ambient
) -> None:
    assert WIDE.band is not None
    engine = WIDE.model_copy(update={"band": WIDE.band.model_copy(update=stated)})
    verdict = judge_test(engine, readings(engine, 120.0, 121.0, 120.0), Conditions.of_ambient(air), unit=PSI)
    assert verdict.band is not None
    assert verdict.band.high_kpa is not None
    # A trapped gas: the pressure, by CoolProp's real air too (tests/engine/test_geometry.py).
    assert verdict.band.low_kpa == pytest.approx(PSI.to_kpa(100.0) * air.abs_kpa / stated_kpa, rel=1e-5)
    assert verdict.band.high_kpa == pytest.approx(PSI.to_kpa(150.0) * air.abs_kpa / stated_kpa, rel=1e-5)
    # What it would be at sea level hangs on no range.
    assert verdict.readings[0].sea_level_kpa == pytest.approx(PSI.to_kpa(120.0) * STATED_KPA / air.abs_kpa, rel=1e-9)
