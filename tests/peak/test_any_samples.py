"""Whatever the samples are: an event that is found is judged, and no number of it is anything but a number."""

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaugelink.peak.detector import Detector, find_events
from gaugelink.peak.events import (
    MOST_KPA,
    CrankingEvent,
    EngineHints,
    EventSamples,
    Flag,
    GaugeKind,
    GaugeTraits,
    Method,
)
from gaugelink.peak.judge import judge
from tests.peak.shapes import Array

KINDS = st.sampled_from([None, GaugeKind.LIVE, GaugeKind.HELD])
HEIGHTS = st.one_of(st.floats(1.0, 2000.0), st.floats(0.0, MOST_KPA))
TINY = (0.0, 5e-324, 1e-310, -1e-308)


def numbers_of(value: Any) -> list[float]:
    if isinstance(value, float):
        return [value]
    if isinstance(value, np.ndarray):
        return value.astype(float).ravel().tolist()
    if isinstance(value, tuple):
        return [number for each in value for number in numbers_of(each)]
    if dataclasses.is_dataclass(value):
        return [number for field in dataclasses.fields(value) for number in numbers_of(getattr(value, field.name))]
    return []


def assert_sound(event: CrankingEvent) -> None:
    assert all(math.isfinite(number) for number in numbers_of(event))
    assert event.peak_u_kpa >= 0.0
    assert all(stroke.peak_u_kpa >= 0.0 for stroke in event.strokes)


@st.composite
def times(draw: st.DrawFn, count: int) -> Array:
    """Steady or not, quick or a sample in a while, and here and there a silence."""
    spacing_s = draw(st.sampled_from([0.0004, 0.002, 0.01, 0.05, 0.2, 1.0, 3.0]))
    apart = np.full(count, spacing_s)
    if draw(st.booleans()):
        apart *= draw(st.lists(st.floats(0.2, 1.8), min_size=count, max_size=count))
    if draw(st.booleans()):
        apart[draw(st.integers(0, count - 1))] += draw(st.sampled_from([0.3, 5.0, 12.0, 4000.0]))
    return np.cumsum(apart)


@st.composite
def pressures(draw: st.DrawFn) -> Array:
    count = draw(st.integers(1, 60))
    high = draw(HEIGHTS)
    place = np.arange(count)
    shape = draw(st.sampled_from(["flat", "few values", "spike", "to and fro", "step", "tiny", "climb", "any", "low"]))
    if shape == "flat":
        return np.full(count, high)
    if shape == "spike":
        return np.where(place == draw(st.integers(0, count - 1)), high, 0.0)
    if shape == "to and fro":
        return np.where(place % 2, high, -high)
    if shape == "step":
        return np.where(place >= draw(st.integers(0, count - 1)), high, 0.0)
    if shape == "climb":
        return high * (1.0 - np.exp(-place / draw(st.floats(0.5, 40.0))))
    each = {
        "few values": st.sampled_from([0.0, 0.5 * high, high]),
        "tiny": st.sampled_from([*TINY, high]),
        "low": st.floats(-high, 0.0),
        "any": st.floats(-MOST_KPA, MOST_KPA),
    }[shape]
    return np.array(draw(st.lists(each, min_size=count, max_size=count)))


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_an_event_of_any_samples_is_judged_and_every_number_of_it_is_finite(data: st.DataObject) -> None:
    pressure_kpa = data.draw(pressures())
    time_s = data.draw(times(len(pressure_kpa)))
    traits = GaugeTraits(kind=data.draw(KINDS), lag_s=data.draw(st.sampled_from([None, 0.05])))
    hints = EngineHints(cycle=data.draw(st.sampled_from([None, 2, 4])))
    for samples in find_events(time_s, pressure_kpa, traits)[:2]:
        assert_sound(judge(samples, traits, hints))


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_an_event_under_way_can_be_judged_whenever_it_is_asked_for(data: st.DataObject) -> None:
    pressure_kpa = data.draw(pressures())
    time_s = data.draw(times(len(pressure_kpa)))
    detector = Detector(GaugeTraits(kind=data.draw(KINDS)))
    asked = data.draw(st.integers(0, len(time_s) - 1))
    for place in range(asked + 1):
        detector.push(time_s[place], pressure_kpa[place])
    samples = detector.so_far()
    if samples is not None:
        assert_sound(judge(samples))


def live(time_s: Array, pressure_kpa: Array) -> EventSamples:
    nowhere = np.zeros(len(time_s), dtype=np.bool_)
    return EventSamples(time_s, pressure_kpa, nowhere, 0, GaugeKind.LIVE, None, 0.0, 0.0)


@pytest.mark.parametrize(
    ("averaging_s", "spacing_s", "pressure_kpa"),
    [
        (None, 0.002, [7000, 900, 0, 0, 900, 300, 300]),
        (0.1, 0.001, [0, 400, 0, 400, 400, 0, 400, 0, 0, 400, 0, 0, 0]),
        (0.1, 0.001, [400, 400, 0, 0, 0, 0, 400, 400]),
        (0.1, 0.001, [400, 400, 400, 400, 0, 400, 0, 400, 0, 0, 0]),
    ],
)
def test_pulses_that_the_samples_do_not_settle_are_no_fit_but_the_highest_sample_and_poor(
    averaging_s: float | None, spacing_s: float, pressure_kpa: list[float]
) -> None:
    """The equations of such strokes have no definite matrix, or say nothing at all of one of their parameters."""
    samples = live(spacing_s * np.arange(len(pressure_kpa)), np.array(pressure_kpa, dtype=np.float64))
    event = judge(samples, GaugeTraits(averaging_s=averaging_s, resolution_kpa=0.1 if averaging_s else None))
    assert_sound(event)
    assert event.method is Method.HIGHEST_SAMPLE
    assert event.peak_kpa == pytest.approx(max(pressure_kpa), abs=event.peak_u_kpa)
    assert Flag.POOR_FIT in event.flags


def test_a_climb_so_slow_that_it_passes_for_noise_keeps_the_samples_that_make_it_an_event() -> None:
    """A held gauge that gives a sample in 1.6 s, of a pump: the event began with its last sample alone."""
    pressure_kpa = [
        13, 24, 32, 36, 44, 52, 65, 79, 80, 85, 97, 98, 118, 135, 136, 147, 159, 159,
        163, 166, 176, 187, 196, 214, 231, 239, 243, 250, 267, 274, 294, 305, 310, 323, 336, 347,
    ]  # fmt: skip
    found = find_events(1.6 * np.arange(36), pressure_kpa, GaugeTraits(kind=GaugeKind.HELD))
    assert found
    for samples in found:
        assert len(samples.time_s) >= 3
        assert_sound(judge(samples))


def test_a_climb_of_next_to_nothing_is_not_projected() -> None:
    """What is left of three wild samples on a held gauge is no climb: its draws had no weight, and no spread."""
    pressure_kpa = np.zeros(16)
    pressure_kpa[[3, 7, 8, 12]] = 1e-310
    pressure_kpa[[1, 5, 10]] = 1119.9
    (samples,) = find_events(0.4 * np.arange(16), pressure_kpa, GaugeTraits(kind=GaugeKind.HELD))
    event = judge(samples)
    assert_sound(event)
    assert event.projected_kpa is None


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf, 2e7, -1e200])
def test_what_no_pressure_can_be_is_refused_and_not_measured(wrong: float) -> None:
    pressure_kpa = np.zeros(400)
    pressure_kpa[300] = wrong
    with pytest.raises(ValueError, match="not a number or beyond any"):
        find_events(0.002 * np.arange(400), pressure_kpa)
