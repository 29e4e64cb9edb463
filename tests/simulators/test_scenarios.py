"""Random cranking events cover what they promise, and their truth can be trusted."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from simulators.integrator import crank_many
from simulators.scenarios import (
    SLIP_S,
    held_events,
    live_events,
    paired_events,
    random_live_event,
    random_turn,
    shop_triple,
    slipped_hand_events,
    turned_over,
)
from simulators.sensor import SampledTrace


@pytest.fixture(scope="module")
def events() -> list[SampledTrace]:
    return list(live_events(np.random.default_rng(11), 60))


def test_live_events_cover_both_cycles_cords_and_speeds(events: list[SampledTrace]) -> None:
    assert {e.cycle for e in events} == {2, 4}
    speeds = np.array([e.cranking_rpm for e in events])
    assert speeds.min() < 250.0
    assert speeds.max() > 600.0
    strokes = np.array([sum(s.passed_top for s in e.strokes) for e in events])
    assert strokes.min() >= 2
    assert np.any(strokes <= 4)
    assert np.any(strokes >= 8)
    assert {e.rate_hz for e in events} == {50.0, 100.0, 200.0, 500.0, 1000.0}
    assert any(e.lost_before.sum() > 0 for e in events)


def test_every_event_has_quiet_time_before_and_after(events: list[SampledTrace]) -> None:
    for e in events:
        before = e.pressure_kpa[e.time_s < e.begin_s]
        assert e.begin_s > 2.0
        assert np.ptp(before) < 12.0 * e.gauge.noise_kpa + 3.0 * e.gauge.resolution_kpa + 1.0
        assert e.time_s[-1] - e.end_s > 2.0


def test_no_pulse_is_higher_than_the_truth(events: list[SampledTrace]) -> None:
    for e in events:
        above = e.pressure_kpa - e.gauge.zero_kpa - e.cylinder_peak_kpa
        assert above.max() < 5.0 * e.gauge.noise_kpa + e.gauge.resolution_kpa + 1.0


def test_the_true_peak_is_read_to_two_parts_in_ten_thousand() -> None:
    rng = np.random.default_rng(12)
    for trace in crank_many([random_turn(rng) for _ in range(12)]):
        dense = CubicSpline(trace.time_s, trace.pressure_kpa)
        for stroke in trace.strokes:
            near = stroke.time_s + np.linspace(-2e-3, 2e-3, 4001)
            assert stroke.peak_kpa == pytest.approx(float(dense(near).max()), rel=2e-4)


def test_a_held_event_cut_short_tells_where_it_was_going() -> None:
    for e in held_events(np.random.default_rng(13), 6, rate_hz=10.0, strokes=3, converge=True):
        assert e.held
        assert 0.25 * e.converged_kpa < e.final_kpa < e.converged_kpa
        after = e.pressure_kpa[(e.time_s > e.end_s + 1.0) & (e.time_s < e.end_s + 2.0)] - e.gauge.zero_kpa
        assert float(np.median(after)) == pytest.approx(e.final_kpa, rel=0.03, abs=2.0 * e.gauge.resolution_kpa)


def test_a_slipped_hand_leaves_a_pause_with_strokes_on_both_sides() -> None:
    (e,) = slipped_hand_events(np.random.default_rng(14), 1, rate_hz=100.0)
    tops = np.array([s.time_s for s in e.strokes if s.passed_top])
    gap = int(np.argmax(np.diff(tops)))
    assert np.diff(tops)[gap] > 0.5 * SLIP_S
    assert 1 <= gap < len(tops) - 2


def test_paired_events_lie_the_gap_apart() -> None:
    for e, first in paired_events(np.random.default_rng(15), 2, rate_hz=100.0, gap_s=1.5):
        assert e.strokes[first].time_s - e.strokes[first - 1].time_s == pytest.approx(1.5, abs=1e-3)
        assert len(e.strokes) > first


def test_the_same_seed_gives_the_same_event() -> None:
    first, again = (random_live_event(np.random.default_rng(16), rate_hz=100.0, cycle=2) for _ in range(2))
    assert np.array_equal(first.pressure_kpa, again.pressure_kpa)
    assert first.strokes == again.strokes


def test_the_invented_triple_has_a_worn_cylinder_when_asked() -> None:
    assert list(shop_triple()) == ["PTO", "MIDDLE", "MAG"]
    worn = shop_triple(worn="MAG")
    assert worn["MAG"].ring_leak_mm2 > 3.0 * worn["PTO"].ring_leak_mm2


def test_an_engine_that_was_not_turned_over_is_no_event() -> None:
    rng = np.random.default_rng(17)
    (trace,) = crank_many([random_turn(rng, strokes=1)])
    assert not turned_over(trace) or sum(s.passed_top for s in trace.strokes) >= 2
