"""Samples that came in bunches lie where they were taken; all others stay where they are."""

from dataclasses import fields, replace

import numpy as np
import pytest

from gaugelink.peak.bunched import unbunched
from gaugelink.peak.detector import find_events
from gaugelink.peak.events import EventSamples, GaugeKind, GaugeTraits
from gaugelink.peak.judge import judge
from tests.gauge.test_arrivals import arrivals
from tests.peak.shapes import clock, pulses, shown

LIVE = GaugeTraits(kind=GaugeKind.LIVE)


def an_event(time_s: np.ndarray) -> EventSamples:
    n = len(time_s)
    return EventSamples(time_s, np.zeros(n), np.zeros(n, dtype=np.bool_), 0, GaugeKind.LIVE, 0.0, 0.1, 1.0)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0, 500.0])
@pytest.mark.parametrize(("turn_s", "late_s"), [(0.0075, 0.0002), (0.015, 0.0005), (0.03, 0.001), (0.045, 0.002)])
def test_a_radio_s_turns_are_taken_out_of_the_times(rate_hz: float, turn_s: float, late_s: float) -> None:
    """7.5 ms is the shortest connection interval (Bluetooth Core 5.4, Vol 6 Part B, 4.5.1), 30 and 45 ms are usual."""
    taken = 3.0 + np.arange(round(4.0 * rate_hz)) / rate_hz
    found = unbunched(an_event(arrivals(taken, turn_s, late_s))).time_s
    assert np.ptp(found - taken) < 0.003


def test_the_strokes_of_a_pull_right_after_the_link_are_what_they_are() -> None:
    t = clock(4.0, 100.0)
    p = shown(pulses(t, 1.5, 8))
    peaks = []
    # The reader of frames gives what comes at one time a microsecond apart.
    for time_s in (t, arrivals(t, 0.03, 0.001) + 1e-6 * np.arange(len(t))):
        (found,) = find_events(time_s, p, LIVE)
        peaks.append([stroke.peak_kpa for stroke in judge(found, LIVE).strokes])
    assert peaks[1] == pytest.approx(peaks[0], rel=0.02)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("kind", ["scattered", "waited", "on a change", "some lost", "when it likes"])
def test_other_times_stay_as_they_are(kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    steady = np.arange(300) / 100.0
    time_s = {
        "scattered": steady + rng.uniform(0.0, 0.004, 300),
        "waited": np.cumsum(rng.uniform(0.005, 0.015, 300)),
        # A held gauge samples ten times a second, and sends what is another number than before.
        "on a change": np.flatnonzero(rng.random(200) < 0.6) / 10.0,
        "some lost": steady[rng.random(300) > 0.05],
        "when it likes": np.cumsum(rng.exponential(0.01, 300)),
    }[kind]
    event = an_event(time_s)
    assert unbunched(event) is event


def test_a_few_samples_tell_nothing() -> None:
    event = an_event(np.repeat(np.arange(10) * 0.03, 3))
    assert unbunched(event) is event


def test_nothing_but_the_times_changes() -> None:
    taken = np.arange(200) / 100.0
    event = replace(an_event(arrivals(taken, 0.03, 0.0)), lost_samples=3, zero_kpa=2.0)
    found = unbunched(event)
    # Field by field: dataclasses that hold arrays cannot be compared as a whole.
    others = [field.name for field in fields(event) if field.name != "time_s"]
    assert [name for name in others if not np.array_equal(getattr(found, name), getattr(event, name))] == []
