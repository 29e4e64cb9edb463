"""What a live event is judged from is known before its end is: asking changes nothing, and what comes later shows."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.peak.detector import Detector, Notice, find_events
from gaugelink.peak.ending import EVIDENCE_S, LONGEST_S, evidence_of, still_stands
from gaugelink.peak.events import EventSamples, Flag, GaugeKind, GaugeTraits
from gaugelink.peak.judge import judge
from simulators.scenarios import live_events
from tests.peak.shapes import Array, clock, pulses, shown, stairs

ANY = GaugeTraits()


def told(notices: list[Notice]) -> list[str]:
    return [repr(notice) for notice in notices]


def so_far_at(t: Array, p: Array, now_s: float) -> EventSamples | None:
    detector = Detector()
    detector.push(t[t <= now_s], p[t <= now_s])
    return detector.so_far()


def event(rate: float = 100.0) -> EventSamples:
    t = clock(12.0, rate)
    (samples,) = find_events(t, shown(pulses(t, 5.0, 8)))
    return samples


@pytest.mark.parametrize("frame", [1, 10, 100])
def test_asking_for_the_event_so_far_changes_nothing(frame: int) -> None:
    t = clock(40.0, 100.0)
    p = shown(pulses(t, 5.0, 8) + pulses(t, 15.0, 5, top_kpa=500.0) + stairs(t, 25.0, 3))
    asked, unasked = Detector(), Detector()
    seen = 0
    for i in range(0, len(t), frame):
        part = slice(i, i + frame)
        assert told(asked.push(t[part], p[part])) == told(unasked.push(t[part], p[part]))
        seen += asked.so_far() is not None
    assert told(asked.finish()) == told(unasked.finish())
    assert seen


def test_there_is_no_event_so_far_in_quiet_in_handling_and_after_the_end() -> None:
    t = clock(14.0, 100.0)
    p = shown(pulses(t, 5.0, 6) + 20.0 * np.exp(-(((t - 9.0) / 0.2) ** 2)))
    assert [so_far_at(t, p, now) is not None for now in (4.5, 6.4, 7.5, 9.1)] == [False, True, False, False]


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0, 1000.0])
def test_the_evidence_of_an_event_ends_soon_after_its_last_stroke(rate: float) -> None:
    seen = evidence_of(event(rate), ANY)
    last_s = 5.0 + 7 * 0.2
    assert last_s + 0.3 < seen.time_s[-1] <= last_s + EVIDENCE_S + 1.5 / rate


def test_of_an_event_of_a_minute_its_end_is_judged_and_that_is_told() -> None:
    """What noise makes of a minute would take a minute to fit."""
    t = clock(70.0, 50.0)
    (whole,) = find_events(t, shown(pulses(t, 5.0, 300)))
    seen = evidence_of(whole, ANY)
    assert seen.time_s[-1] - seen.time_s[0] <= LONGEST_S
    assert Flag.TRIMMED in seen.flags
    assert whole.time_s[-1] - whole.time_s[0] > 60.0
    judged = judge(whole)
    assert judged.start_s == whole.time_s[0]
    assert judged.end_s == whole.time_s[-1]
    assert judged.peak_kpa == pytest.approx(900.0, rel=0.02)
    assert Flag.TRIMMED not in evidence_of(event(), ANY).flags


def test_samples_in_which_nothing_rises_are_all_evidence() -> None:
    still = replace(event(), pressure_kpa=np.full(len(event().time_s), 3.0))
    assert evidence_of(still, ANY) is still
    one = replace(still, time_s=still.time_s[:1], pressure_kpa=still.pressure_kpa[:1])
    assert evidence_of(one, ANY) is one


def test_what_is_seen_half_a_second_after_the_last_stroke_is_what_will_be_judged() -> None:
    count = 0
    for trace in live_events(np.random.default_rng(4), 40):
        closed = [s for s in find_events(trace.time_s, trace.pressure_kpa) if s.kind is GaugeKind.LIVE]
        if len(closed) != 1:
            continue
        seen = evidence_of(closed[0], ANY)
        early = so_far_at(trace.time_s, trace.pressure_kpa, seen.time_s[-1] + 0.1)
        assert early is not None
        count += still_stands(evidence_of(early, ANY), seen)
    assert count >= 38


@pytest.mark.parametrize("top_kpa", [900.0, 200.0, 60.0])
def test_a_further_stroke_undoes_what_was_seen_before_it(top_kpa: float) -> None:
    t = clock(12.0, 100.0)
    p = shown(pulses(t, 5.0, 8) + 2 * pulses(t, 5.0 + 7 * 0.2 + 0.9, 1, top_kpa=top_kpa))
    early = so_far_at(t, p, 5.0 + 7 * 0.2 + 0.6)
    (closed,) = find_events(t, p)
    assert early is not None
    assert not still_stands(evidence_of(early, ANY), evidence_of(closed, ANY))


def test_evidence_that_is_known_in_another_way_does_not_stand() -> None:
    seen = evidence_of(event(), ANY)
    assert seen.zero_kpa is not None
    assert still_stands(seen, replace(seen, zero_kpa=seen.zero_kpa * (1 + 1e-12)))
    later = seen.time_s + 0.001
    higher = seen.pressure_kpa + np.eye(1, len(later))[0]
    for other in (
        replace(seen, kind=GaugeKind.HELD),
        replace(seen, flags=seen.flags | {Flag.TRIMMED}),
        replace(seen, lost_samples=1),
        replace(seen, time_s=later),
        replace(seen, pressure_kpa=higher),
        replace(seen, over_range=~seen.over_range),
        replace(seen, zero_kpa=None),
        replace(seen, zero_kpa=seen.zero_kpa + 0.01),
        replace(seen, zero_u_kpa=seen.zero_u_kpa + 0.01),
        replace(seen, noise_kpa=seen.noise_kpa + 0.01),
        replace(seen, zero_drift_kpa=0.01),
        replace(seen, time_s=seen.time_s[1:], pressure_kpa=seen.pressure_kpa[1:], over_range=seen.over_range[1:]),
    ):
        assert not still_stands(seen, other)
        assert not still_stands(other, seen)
