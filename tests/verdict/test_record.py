"""A verdict is handed to the machine's history, and laid beside another."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from gaugelink.engine.air import ambient_at_altitude
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import Conditions, TestVerdict
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.record import SideBySide, past_test, side_by_side
from tests.verdict.shop import PSI, TRIPLE, reading

HERE = Conditions.of_ambient(ambient_at_altitude(900.0))


def verdict(*psi: float) -> TestVerdict:
    items = [reading(name, value) for name, value in zip(TRIPLE.cylinder_names, psi, strict=True)]
    first_kpa = items[0].peak_kpa
    items[0] = replace(items[0], flags=frozenset({Flag.LOST_SAMPLES}), repeats=(0.995 * first_kpa, 1.005 * first_kpa))
    return judge_test(TRIPLE, items, HERE, unit=PSI)


def test_a_verdict_hands_its_readings_to_the_history_at_sea_level() -> None:
    said = verdict(125.0, 124.0, 125.0)
    past = past_test(said, "t1", datetime(2026, 11, 1, tzinfo=UTC), "bench-1", 4200.0)
    assert [r.cylinder for r in past.readings] == list(TRIPLE.cylinder_names)
    for kept, judged in zip(past.readings, said.readings, strict=True):
        assert kept.sea_level_kpa == judged.sea_level_kpa > judged.peak_kpa
        assert kept.u_random_kpa / kept.sea_level_kpa == pytest.approx(judged.u_random_kpa / judged.peak_kpa)


def test_then_and_now_stand_side_by_side() -> None:
    rows = side_by_side(verdict(135.0, 110.0, 134.0), verdict(135.0, 121.0, 134.0))
    assert [row.cylinder for row in rows if row.moved] == ["middle"]
    fewer = replace(verdict(135.0, 110.0, 134.0), readings=verdict(135.0, 110.0, 134.0).readings[:2])
    assert [row.cylinder for row in side_by_side(verdict(135.0, 110.0, 134.0), fewer) if row.moved] == ["MAG"]


@pytest.mark.parametrize(
    ("then_kpa", "then_u_kpa", "now_kpa", "now_u_kpa", "moved"),
    [
        (900.0, 10.0, 908.0, 2.0, False),
        (900.0, 2.0, 908.0, 10.0, False),
        (900.0, 2.0, 908.0, 3.0, True),
        (908.0, 2.0, 900.0, 3.0, True),
        (900.0, 50.0, None, None, True),
        (None, None, 900.0, 50.0, True),
        (None, None, None, None, False),
    ],
)
def test_a_reading_has_moved_beyond_the_larger_of_both_uncertainties_or_where_it_is_in_one_alone(
    then_kpa: float | None, then_u_kpa: float | None, now_kpa: float | None, now_u_kpa: float | None, moved: bool
) -> None:
    assert SideBySide("PTO", then_kpa, then_u_kpa, now_kpa, now_u_kpa).moved is moved


def test_what_one_version_has_alone_stands_beside_nothing() -> None:
    whole = verdict(135.0, 110.0, 134.0)
    fewer = replace(whole, readings=whole.readings[:2])
    (*_, gone), (*_, new) = side_by_side(whole, fewer), side_by_side(fewer, whole)
    mag = whole.readings[2]
    assert gone == SideBySide("MAG", mag.peak_kpa, mag.peak_u_kpa, None, None)
    assert new == SideBySide("MAG", None, None, mag.peak_kpa, mag.peak_u_kpa)


def test_a_reading_that_cannot_be_is_no_sign_of_wear() -> None:
    """Oil or fuel in the cylinder: 240 psi are more than any compression leaves of this engine."""
    kept = past_test(verdict(240.0, 139.0, 138.0), "t", datetime(2026, 11, 1, tzinfo=UTC))
    assert [one.cylinder for one in kept.readings if one.doubted] == ["PTO"]
