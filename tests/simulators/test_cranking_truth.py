"""What is true of a cranked engine: which strokes went over the top, and how fast the crank was turned."""

import statistics

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from gaugelink.peak.events import FloatArray
from simulators.cranking import CylinderTrace, find_strokes, tops_passed
from simulators.scenarios import SLIP_S, crank_many, random_spec, random_turn, turned_over

TURN = 2.0 * np.pi
STEP_S = 1e-3


def path(*points: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Times, and angles along straight lines through points of (seconds, turns)."""
    at_s, turns = np.array(points).T
    time_s = np.arange(0.0, at_s[-1], STEP_S)
    return time_s, TURN * np.interp(time_s, at_s, turns)


def adiabatic(angle: FloatArray) -> FloatArray:
    """Gauge pressure of a sealed cylinder of ratio 7 without loss, infinite rod: p V^1.4 is constant."""
    volume = 1.0 + 3.0 * (1.0 - np.cos(angle))
    return 100.0 * ((7.0 / volume) ** 1.4 - 1.0)


def strokes_passed(time_s: FloatArray, angle: FloatArray) -> list[bool]:
    return [s.passed_top for s in find_strokes(time_s, adiabatic(angle), angle, 2)]


def test_tops_are_passed_where_the_angle_says() -> None:
    time_s, angle = path((0.0, 0.4), (3.0, 3.4))
    assert tops_passed(time_s, angle, 2) == pytest.approx([0.6, 1.6, 2.6], abs=1e-9)
    assert tops_passed(time_s, angle, 4) == pytest.approx([1.6], abs=1e-9)
    assert strokes_passed(time_s, angle) == [True, True, True]


def test_a_crank_thrown_back_before_the_top_did_not_pass_it() -> None:
    time_s, angle = path((0.0, 0.5), (2.0, 2.5), (2.45, 2.95), (2.9, 2.5))
    assert tops_passed(time_s, angle, 2) == pytest.approx([0.5, 1.5], abs=1e-9)
    assert strokes_passed(time_s, angle) == [True, True, False]


def test_a_crank_that_rocks_over_the_same_top_passes_it_once() -> None:
    there_and_back = [(2.0, 2.4), (2.4, 1.8), (2.9, 2.3), (3.4, 1.75), (4.0, 2.2)]
    time_s, angle = path((0.0, 0.4), *there_and_back)
    assert tops_passed(time_s, angle, 2) == pytest.approx([0.6, 1.6], abs=1e-9)
    assert strokes_passed(time_s, angle) == [True, True, False, False, False, False]


def test_the_push_that_gets_over_counts_and_not_the_one_before() -> None:
    time_s, angle = path((0.0, 0.5), (1.0, 1.5), (1.4, 1.9), (1.8, 1.5), (3.0, 2.7))
    assert tops_passed(time_s, angle, 2) == pytest.approx([0.5, 2.3], abs=1e-9)
    assert strokes_passed(time_s, angle) == [True, False, True]


def test_a_stop_short_of_the_top_with_no_fall_is_one_stroke_as_high_as_its_end() -> None:
    time_s, angle = path((0.0, 0.5), (0.48, 0.98), (0.5, 0.978), (0.7, 1.178), (1.0, 1.478))
    (stroke,) = find_strokes(time_s, adiabatic(angle), angle, 2)
    assert stroke.passed_top
    assert stroke.peak_kpa == pytest.approx(100.0 * (7.0**1.4 - 1.0), rel=1e-4)
    assert stroke.time_s == pytest.approx(0.522, abs=STEP_S)


@pytest.fixture(scope="module")
def traces() -> list[CylinderTrace]:
    rng = np.random.default_rng(902)
    return [t for t in crank_many([random_turn(rng) for _ in range(60)]) if turned_over(t)]


def test_as_many_strokes_go_over_the_top_as_the_crank_has_made_turns(traces: list[CylinderTrace]) -> None:
    rocked = 0
    for trace in traces:
        turn = TURN * (trace.spec.cycle // 2)
        tops = np.floor(trace.crank_angle.max() / turn) - np.floor(trace.crank_angle[0] / turn)
        over = [s for s in trace.strokes if s.passed_top]
        assert len(over) == tops
        which = np.round(np.interp([s.time_s for s in over], trace.time_s, trace.crank_angle) / turn)
        assert np.all(np.diff(which) == 1)
        rocked += len(trace.strokes) - len(over)
    assert rocked > len(traces)


def test_cranking_speed_is_that_of_the_middle_turn(traces: list[CylinderTrace]) -> None:
    for trace in traces:
        tops = tops_passed(trace.time_s, trace.crank_angle, trace.spec.cycle)
        time_s = np.linspace(tops[0], tops[-1], 50001)
        turned = cumulative_trapezoid(np.interp(time_s, trace.time_s, trace.speed_rpm) / 60.0, time_s, initial=0.0)
        whole = np.arange(len(tops)) * (trace.spec.cycle // 2)
        per_turn = np.diff(np.interp(whole, turned, time_s)) / (trace.spec.cycle // 2)
        assert trace.cranking_rpm == pytest.approx(60.0 / statistics.median(per_turn), rel=2e-3)


def test_a_crank_that_rocks_at_its_end_is_no_slower_for_it(traces: list[CylinderTrace]) -> None:
    # one that came to rest near top dead centre and went over it again and again
    rocked = max(traces, key=lambda t: len(t.strokes) - sum(s.passed_top for s in t.strokes))
    over = [s.time_s for s in rocked.strokes if s.passed_top]
    assert len(rocked.strokes) > len(over) + 3
    periods = np.diff(over) / (rocked.spec.cycle // 2)
    assert rocked.cranking_rpm == pytest.approx(60.0 / statistics.median(periods), rel=0.005)


def test_a_pause_of_the_hand_is_no_slow_cranking() -> None:
    rng = np.random.default_rng(17)
    spec = random_spec(rng, cycle=2)
    paused = [
        t
        for t in crank_many([random_turn(rng, spec=spec, strokes=9, rpm=420.0, slipped_hand=True) for _ in range(6)])
        if sum(s.passed_top for s in t.strokes) >= 6
    ]
    assert paused
    for trace in paused:
        tops = tops_passed(trace.time_s, trace.crank_angle, 2)
        assert np.diff(tops).max() > SLIP_S
        assert trace.cranking_rpm > 1.2 * 60.0 * (len(tops) - 1) / (tops[-1] - tops[0])
