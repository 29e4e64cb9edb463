"""Each kind of gauge goes to its own fit."""

from collections.abc import Callable
from pkgutil import resolve_name
from typing import Any

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from gaugelink.peak.detector import find_events
from gaugelink.peak.events import EngineHints, Flag, GaugeKind, Method
from gaugelink.peak.judge import judge
from tests.peak.shapes import Array, clock, pulses, shown, stairs


def test_a_held_event_is_judged_as_a_staircase() -> None:
    t = clock(20.0, 50.0)
    (samples,) = find_events(t, shown(stairs(t, 5.0, 12)))
    event = judge(samples)
    assert event.kind is GaugeKind.HELD
    assert event.method is Method.SETTLED
    assert event.peak_kpa == pytest.approx(900.0, abs=4.0)


def test_a_live_event_is_judged_as_pulses() -> None:
    t = clock(12.0, 500.0)
    (samples,) = find_events(t, shown(pulses(t, 5.0, 8)))
    event = judge(samples, hints=EngineHints(cycle=2))
    assert event.kind is GaugeKind.LIVE
    assert len(event.strokes) == 8
    assert event.peak_kpa == pytest.approx(900.0, rel=0.05)


@pytest.mark.parametrize(("place", "shape"), [("live.fit_event", pulses), ("held.find_steps", stairs)])
def test_the_linear_algebra_of_a_fit_has_one_thread(
    place: str, shape: Callable[..., Array], monkeypatch: pytest.MonkeyPatch
) -> None:
    work = resolve_name(f"gaugelink.peak.{place}")
    threads: list[int] = []

    def counted(*given: Any) -> Any:
        threads.extend(library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas")
        return work(*given)

    monkeypatch.setattr(f"gaugelink.peak.{place}", counted)
    t = clock(20.0, 50.0)
    (samples,) = find_events(t, shown(shape(t, 5.0, 8)))
    with threadpool_limits(2, user_api="blas"):
        judge(samples)
    assert set(threads) == {1}


def test_the_zero_and_what_the_detector_knew_come_through() -> None:
    t = clock(14.0, 100.0)
    (samples,) = find_events(t, shown(stairs(t, 4.0, 4) + stairs(t, 5.5, 6, goal_kpa=60.0), zero_kpa=7.0))
    event = judge(samples)
    assert event.zero_kpa == pytest.approx(7.0, abs=0.5)
    assert Flag.INTERRUPTED in event.flags
