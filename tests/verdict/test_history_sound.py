"""Histories of sound machines: what is in doubt, many gauges, one cylinder and a counter make no wear and no step."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from gaugelink.engine.fleet import Counter, EngineRecord
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import RuleName, Rules, Severity, VerdictWord
from gaugelink.verdict.fleet import MachineTests, Standing, fleet_steps, rank_fleet
from gaugelink.verdict.history import read_history
from gaugelink.verdict.past import Axis, PastReading, PastTest
from gaugelink.verdict.record import past_test
from gaugelink.verdict.trend import trend_findings
from tests.benchmarks.fleet_history import CYLINDERS
from tests.verdict.shop import TRIPLE, judge, reading, readings
from tests.verdict.test_history import BEGIN, SEASON, past

SINGLE = EngineRecord.model_validate({"id": "s", "name": "S", "cycle": 2, "layout": "side_named", "cylinders": 1})


def sound(rng: np.random.Generator, k: int, gauge: str = "g") -> PastTest:
    """A test of a sound triple: days scatter by 1.5 %, cylinders by 0.75 %, as they say."""
    day = rng.normal(0.0, 0.015)
    kpa = [930.0 * float(np.exp(day + rng.normal(0.0, 0.0075))) for _ in CYLINDERS]
    read = tuple(PastReading(name, value, 0.0075 * value) for name, value in zip(CYLINDERS, kpa, strict=True))
    return PastTest(f"t{k}", BEGIN + 0.5 * k * SEASON, read, gauge)


def test_readings_that_are_to_be_taken_again_are_no_sign_of_wear() -> None:
    """The last two tests were cut short on one cylinder: counted in full, they were called wear in 19 of 20."""
    rng = np.random.default_rng(1)
    called = 0
    for _ in range(30):
        tests = [sound(rng, k) for k in range(6)]
        for k in (4, 5):
            pto, middle, mag = tests[k].readings
            short = replace(middle, sea_level_kpa=middle.sea_level_kpa * rng.uniform(0.85, 0.96), doubted=True)
            tests[k] = replace(tests[k], readings=(pto, short, mag))
        history = read_history(tests)
        called += any(trend.is_wearing for trend in history.trends)
        assert [trend.tests for trend in history.trends] == [6, 4, 6]
    assert called <= 3


@pytest.mark.parametrize(
    ("change", "doubted"),
    [
        ({}, set()),
        ({"flags": frozenset({Flag.STILL_RISING})}, {"middle"}),
        ({"flags": frozenset({Flag.LOST_SAMPLES})}, set()),
        ({"agreed": False}, {"middle"}),
        ({"cranking_rpm": 250.0}, {"middle"}),
    ],
)
def test_a_test_hands_over_which_of_its_readings_are_in_doubt(change: dict[str, object], doubted: set[str]) -> None:
    items = [replace(one, cranking_rpm=410.0) for one in readings(TRIPLE, 135.0, 134.0, 135.0)]
    items[1] = replace(items[1], **change)  # type: ignore[arg-type]
    handed = past_test(judge(items), "t", BEGIN)
    assert {one.cylinder for one in handed.readings if one.doubted} == doubted
    assert {one.cylinder for one in handed.readings if one.counts} == {*CYLINDERS} - doubted


def test_slow_cranking_of_all_cylinders_is_shared_and_cancels() -> None:
    handed = past_test(judge([reading(name, 125.0, rpm=300.0) for name in CYLINDERS]), "t", BEGIN)
    assert not any(one.doubted for one in handed.readings)


@pytest.mark.parametrize("value", [float("inf"), float("nan"), 0.0, -3.0])
def test_a_pressure_that_is_none_spoils_no_history(value: float) -> None:
    rng = np.random.default_rng(2)
    tests = [sound(rng, k) for k in range(5)]
    tests[2] = replace(tests[2], readings=(*tests[2].readings[:2], PastReading("MAG", value, 4.0)))
    history = read_history(tests)
    assert all(np.isfinite(trend.percent.value) for trend in history.trends)
    assert fleet_steps([MachineTests("m", tuple(tests))]) == ()


def test_gauges_in_turn_that_read_alike_are_no_steps() -> None:
    """5 % over all dates together (`HistoryRules.step_false_alarm`); date by date it was 3 in 10 over 12 tests."""
    rng = np.random.default_rng(3)
    told = 0
    for _ in range(60):
        told += bool(read_history([sound(rng, k, "ab"[k % 2]) for k in range(12)]).steps)
    assert told <= 7


def test_one_change_of_gauge_that_is_named_is_still_found() -> None:
    rng = np.random.default_rng(4)
    tests = [sound(rng, k, "a" if k < 4 else "b") for k in range(8)]
    off = [
        replace(t, readings=tuple(replace(r, sea_level_kpa=1.08 * r.sea_level_kpa) for r in t.readings))
        for t in tests[4:]
    ]
    (step,) = read_history([*tests[:4], *off]).steps
    assert (step.after_test, step.gauge_is_known_to_have_changed) == ("t4", True)


def test_a_single_cylinder_falls_behind_no_others() -> None:
    tests = [
        PastTest(f"{s}", BEGIN + s * SEASON, (PastReading("single", 900.0 * 0.93**s, 4.0),), "g") for s in range(5)
    ]
    history = read_history(tests)
    (finding,) = trend_findings(history, SINGLE)
    assert "others" not in finding.text
    assert "below them" not in finding.text
    assert finding.severity is Severity.WATCH
    assert history.trends[0].units_left(90.0) is None
    standing = Standing("s", "S", VerdictWord.CONSISTENT, BEGIN, history, 90.0)
    (ranked,) = rank_fleet([standing], BEGIN + timedelta(days=1))
    assert ranked.reasons == ("single loses 7.0 % a season",)


def test_a_machine_wears_by_the_counter_when_it_wears_by_the_season() -> None:
    """2 % a season of 5,000 km is 0.4 % in 1,000 km: the slowest wear that is anybody's business goes by the season."""
    tests = [past(k / 2, 930.0, 930.0 * 0.98 ** (k / 2), 930.0, counter=2500.0 * k) for k in range(8)]
    wearing = [
        [t.cylinder for t in read_history(tests, axis=axis, counter=Counter.KILOMETRES).trends if t.is_wearing]
        for axis in Axis
    ]
    assert wearing == [["middle"], ["middle"]]


def test_report_and_ranking_tell_one_figure_of_what_is_left() -> None:
    """ln(0.9)/ln(0.98) = 5.2 seasons of 2 % from even to 90 %, less the 2.5 that are gone."""
    history = read_history([past(k / 2, 930.0, 930.0 * 0.98 ** (k / 2), 930.0) for k in range(6)])
    (finding,) = trend_findings(history, TRIPLE)
    (ranked,) = rank_fleet([Standing("m", "M", None, None, history, 90.0)], BEGIN)
    left = f"{np.log(0.9) / np.log(0.98) - 2.5:.1f}"
    assert f"reaches the limit, 10 % below them, in about {left} seasons if that goes on" in finding.text
    assert f"reaches the limit in about {left} seasons" in ranked.reasons[0]


def test_a_shop_s_own_limit_is_the_trend_s_too() -> None:
    history = read_history([past(k / 2, 930.0, 930.0 * 0.98 ** (k / 2), 930.0) for k in range(6)])
    (finding,) = trend_findings(history, TRIPLE, Rules(two_stroke_lowest_percent=80.0))
    assert "reaches the limit, 20 % below them, in about 8.5 seasons" in finding.text
    assert finding.rule is RuleName.TREND


def without(test: PastTest, *names: str) -> PastTest:
    return replace(test, readings=tuple(r for r in test.readings if r.cylinder not in names))


def in_doubt(test: PastTest, *names: str) -> PastTest:
    return replace(test, readings=tuple(replace(r, doubted=r.cylinder in names) for r in test.readings))


FALLS = [past(0.0, 930.0, 930.0, 930.0), past(1.0, 935.0, 925.0, 620.0)]
"""MAG falls by a third, and nothing else moves."""
TWIN = [without(test, "PTO") for test in FALLS]


@pytest.mark.parametrize(
    "tests",
    [FALLS, TWIN, [FALLS[0], in_doubt(FALLS[1], "PTO")], [FALLS[0], in_doubt(FALLS[1], "PTO", "middle")]],
    ids=["triple", "twin", "one to be read again", "two to be read again"],
)
def test_a_cylinder_that_falls_alone_is_no_gauge_that_moved(tests: list[PastTest]) -> None:
    """Of two cylinders a third off the one is a sixth off both: the mechanic was sent to the gauge."""
    assert read_history(tests).steps == ()
    assert fleet_steps([MachineTests("yard-2", tuple(tests))]) == ()


def test_two_cylinders_that_fall_alike_are_still_the_gauge() -> None:
    tests = [TWIN[0], without(past(1.0, 935.0, 826.0, 820.0), "PTO")]
    (step,) = read_history(tests).steps
    assert step.percent.value == pytest.approx(-11.5, abs=0.5)
    assert len(fleet_steps([MachineTests("yard-2", tuple(tests))])) == 1
