"""Quick looks at a stretch that moves, and what is left out because of them."""

import numpy as np
import pytest

from gaugelink.peak.detector import find_events
from gaugelink.peak.stretch import last_pulse_in_a_row
from tests.peak.shapes import Array, clock, closed, feed, pulses, shown, stairs

GAP_S = 1.08


def last_s(t: Array, x: Array, begun_s: float = 1.0) -> float | None:
    place = last_pulse_in_a_row(t, x, 6.0, 0.01, begun_s=begun_s, gap_s=GAP_S)
    return None if place is None else float(t[place])


def test_the_last_pulse_before_a_pause_is_found() -> None:
    t = clock(5.0, 100.0)
    assert last_s(t, pulses(t, 0.5, 6)) == pytest.approx(1.5)
    assert last_s(t, pulses(t, 0.5, 6) + pulses(t, 2.4, 4)) == pytest.approx(3.0)
    assert last_s(t, pulses(t, 0.5, 6) + pulses(t, 2.8, 4)) == pytest.approx(1.5)


def test_steps_late_pulses_and_quiet_are_no_row() -> None:
    t = clock(5.0, 100.0)
    assert last_s(t, stairs(t, 0.5, 6)) is None
    assert last_s(t, pulses(t, 0.5, 6), begun_s=0.4) is None
    assert last_s(t, np.zeros_like(t)) is None


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0, 400.0])
@pytest.mark.parametrize("pause_s", [0.9, 1.0, 1.04, 1.08, 1.12, 1.2, 1.3])
def test_a_record_has_the_events_of_its_frames_whatever_the_pause(rate: float, pause_s: float) -> None:
    t = clock(12.0, rate)
    second_s = 3.0 + 5 * 0.2 + pause_s
    p = shown(pulses(t, 3.0, 6) + pulses(t, second_s, 5, 0.25) + pulses(t, second_s + 1.0 + pause_s, 3, top_kpa=500.0))
    ends = [event.time_s[[0, -1]].tolist() for event in find_events(t, p)]
    assert ends == [event.time_s[[0, -1]].tolist() for event in closed(feed(t, p))]
