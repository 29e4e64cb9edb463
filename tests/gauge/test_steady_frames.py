"""Steady gauges whose frames do not come steadily: held back and let go in a burst, paused, at another rate."""

import numpy as np
import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout


def run(*, size=10, mask=0xFF, later_hz=100.0, pause_s=0.0, held_back_s=0.0, counter=True, at_s=20.0, seconds=60.0):
    """Feed a gauge with or without a frame counter; its reader, rebuilt and true times.

    At `at_s` it pauses, goes on at another rate, or the radio holds its frames back for so long.
    """
    rate_hz = 100.0
    layout = {
        "name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}, "rate_hz": rate_hz,
        "pressure": {"at": 1, "format": "u8", "count": size},
    }  # fmt: skip
    if counter:
        layout["sequence"] = {"at": 0, "format": "u8", "mask": mask}
    reader = FrameReader("g", load_layout(layout))
    rng = np.random.default_rng(3)
    now, arrival, number, paused = 0.0, 0.0, 0, False
    rebuilt, true = [], []
    while now < seconds:
        if now >= at_s and not paused:
            now, paused = now + pause_s, True
        spacing = 1.0 / (rate_hz if now < at_s else later_hz)
        taken = now + spacing * np.arange(size)
        now += spacing * size
        arrival = max(arrival, taken[-1] + rng.uniform(0, 0.03))
        if at_s <= arrival < at_s + held_back_s:
            arrival = at_s + held_back_s
        batch = reader.feed(bytes([number & mask]) + bytes(size), arrival)
        number += 1
        true.append(taken)
        if batch is not None:
            rebuilt.append(batch.time_s)
    rebuilt_s, true_s = np.concatenate(rebuilt), np.concatenate(true)
    assert len(rebuilt_s) == len(true_s)
    assert (np.diff(rebuilt_s) > 0).all()
    return reader, rebuilt_s, true_s


@pytest.mark.parametrize("held_back_s", [0.6, 1.2, 2.5, 5.0])
def test_frames_that_were_held_back_and_come_in_a_burst_leave_no_gap(held_back_s):
    # A gap of a second ends an event: a pull would be told as two.
    reader, rebuilt_s, true_s = run(held_back_s=held_back_s)
    assert reader.counts.lost_samples == 0
    assert np.abs(rebuilt_s - true_s - np.median(rebuilt_s - true_s)).max() < 0.03


@pytest.mark.parametrize("held_back_s", [1.4, 2.0, 2.3])
def test_what_is_held_back_for_less_than_a_turn_of_the_counter_is_no_loss(held_back_s):
    # A frame for each sample, counted in a byte: the counter turns in 2.56 s, and a turn that there was no time for was
    # taken for missed when most of it had passed.
    reader, rebuilt_s, true_s = run(size=1, held_back_s=held_back_s)
    assert reader.counts.lost_samples == 0
    assert np.abs(rebuilt_s - true_s - np.median(rebuilt_s - true_s)).max() < 0.03


def test_a_gauge_that_pauses_is_followed_within_two_seconds():
    reader, rebuilt_s, true_s = run(pause_s=3.0)
    assert reader.counts.lost_samples == 0
    error = np.abs(rebuilt_s - true_s)
    assert error[true_s > 23.0].max() > 2.5
    assert error[true_s > 25.0].max() < 0.05


@pytest.mark.parametrize("held_back_s", [0.3, 0.6, 2.5])
def test_turns_of_a_short_counter_that_only_seemed_to_be_missed_are_taken_back(held_back_s):
    # Sixteen frames of two samples: the counter turns in 0.32 s.
    reader, rebuilt_s, true_s = run(size=2, mask=0x0F, held_back_s=held_back_s)
    assert reader.counts.lost_samples == 0
    assert reader.rate_hz == pytest.approx(100.0, rel=1e-4)
    # The first frame of the burst was placed behind a gap; from there time is steered back by 2 % at most.
    spacing = np.diff(rebuilt_s)[(true_s > 20.5 + held_back_s)[1:]]
    assert spacing.min() > 0.0097
    assert spacing.max() < 0.0103


@pytest.mark.parametrize(
    ("later_hz", "counter"), [(50.0, True), (80.0, True), (120.0, True), (200.0, True), (120.0, False), (200.0, False)]
)
def test_a_gauge_that_changes_its_rate_is_followed(later_hz, counter):
    reader, rebuilt_s, true_s = run(later_hz=later_hz, counter=counter)
    assert reader.counts.lost_samples == 0
    assert reader.rate_hz == pytest.approx(later_hz, rel=1e-3)
    late = true_s > 35.0
    assert np.abs(np.diff(rebuilt_s[late]) * later_hz - 1.0).max() < 0.03
    assert np.abs((rebuilt_s - true_s)[late]).max() < 0.25
