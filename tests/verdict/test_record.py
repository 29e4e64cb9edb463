"""A verdict is handed to the machine's history, and laid beside another."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from gaugelink.engine.air import ambient_at_altitude
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import Conditions, TestVerdict
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.record import past_test, side_by_side
from tests.verdict.shop import PSI, TRIPLE, reading

HERE = Conditions.of_ambient(ambient_at_altitude(900.0))


def verdict(*psi: float) -> TestVerdict:
    items = [reading(name, value) for name, value in zip(TRIPLE.cylinder_names, psi, strict=True)]
    items[0] = replace(items[0], flags=frozenset({Flag.LOST_SAMPLES}), repeats=(900.0, 910.0))
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
