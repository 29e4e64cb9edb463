"""Frames with the gauge's own time stamp: no tick is too coarse for the samples, and no whole tick makes a loss."""

import struct

import numpy as np
import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.samples import FrameCounts
from gaugelink.gauge.stamps import STAMP_MEMORY, StampLine
from tests.gauge.links import timing_error_s


def run(tick_s, rate_hz, size, *, stated=None, counter=False, loss=0.0, seconds=40.0, of="first", seed=1, changes=None):
    """Feed a gauge with a running number as its pressure; counts, rate, pressures, rebuilt and true times, gone.

    `changes` is the rate in the second half.
    """
    table = {
        "name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"},
        "device_time": {"at": 0, "format": "u32", "tick_s": tick_s, "of": of},
        "pressure": {"at": 5, "format": "u16", "count": size},
    }  # fmt: skip
    if counter:
        table["sequence"] = {"at": 4, "format": "u8"}
    if stated:
        table["rate_hz"] = stated
    reader = FrameReader("g", load_layout(table))
    rng = np.random.default_rng(seed)
    batches, true, gone, now, arrival = [], [], 0, 3.3, 0.0
    frames = int(seconds * rate_hz / size)
    for k in range(frames):
        rate = changes if changes and k >= frames // 2 else rate_hz
        taken = now + np.arange(size) / rate
        now += size / rate
        arrival = max(arrival, taken[-1] + rng.uniform(0, 0.02))
        if 0 < k < frames - 1 and rng.random() < loss:
            gone += size
            continue
        stamp = int(taken[0 if of == "first" else -1] / tick_s)
        values = np.arange(k * size, (k + 1) * size) % 5000
        batch = reader.feed(struct.pack("<IB", stamp, k % 256) + struct.pack(f"<{size}H", *values), arrival)
        true.append(taken)
        if batch is not None:
            batches.append(batch)
    pressure = np.concatenate([batch.pressure_kpa for batch in batches])
    time_s = np.concatenate([batch.time_s for batch in batches])
    assert (np.diff(time_s) > 0).all()
    return reader.counts, reader.rate_hz, pressure, time_s, np.concatenate(true), gone


@pytest.mark.parametrize("counter", [False, True], ids=["", "counter"])
@pytest.mark.parametrize("stated", [False, True], ids=["rate learnt", "rate stated"])
@pytest.mark.parametrize(("tick_s", "rate_hz", "size"), [(1.0, 20, 1), (1.0, 50, 5), (0.01, 128, 1), (0.1, 100, 9)])
def test_a_stamp_that_stands_still_over_whole_frames_loses_none(tick_s, rate_hz, size, stated, counter, caplog):
    counts, measured_hz, pressure, time_s, true_s, _ = run(
        tick_s, rate_hz, size, stated=rate_hz if stated else None, counter=counter
    )
    assert pressure.tolist() == (np.arange(len(pressure)) % 5000).tolist()
    assert counts == FrameCounts(good=len(pressure) // size)
    assert measured_hz == pytest.approx(rate_hz, rel=1e-4)
    # The radio holds frames back by up to 20 ms.
    assert np.percentile(np.abs(timing_error_s(time_s, true_s, within_s=2.0)), 95) < 1e-3
    assert [record.getMessage() for record in caplog.records] == [
        "gauge g: its time stamps are coarser than its frames, and are not used"
    ]


def test_a_frame_with_a_coarse_stamp_that_comes_again_is_a_repeat_whatever_its_battery_says():
    table = {
        "name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}, "rate_hz": 10,
        "device_time": {"at": 0, "format": "u32", "tick_s": 0.1}, "pressure": {"at": 4, "format": "u16"},
        "battery": {"at": 6, "format": "u8"},
    }  # fmt: skip
    reader = FrameReader("g", load_layout(table))
    for k in range(50):
        assert reader.feed(struct.pack("<IHB", k, k % 7, 60), 0.1 * k) is not None
        assert reader.feed(struct.pack("<IHB", k, k % 7, 59), 0.1 * k + 0.01) is None
    assert reader.counts == FrameCounts(good=50, duplicated=50)


@pytest.mark.parametrize("of", ["first", "last"])
@pytest.mark.parametrize("stated", [None, 100.0, 99.0], ids=["learnt", "stated", "1 % off"])
@pytest.mark.parametrize(("tick_s", "size"), [(1 / 64, 2), (0.03, 10), (0.015, 5), (0.001, 10), (1e-5, 20)])
def test_whole_ticks_make_no_loss_and_lost_frames_are_told_whole(tick_s, size, stated, of):
    counts, measured_hz, pressure, *_ = run(tick_s, 100.0, size, stated=stated, of=of)
    assert counts == FrameCounts(good=len(pressure) // size)
    assert measured_hz == pytest.approx(100.0, rel=5e-3)
    counts, *_, gone = run(tick_s, 100.0, size, stated=stated, of=of, loss=0.05)
    assert counts.lost_samples == pytest.approx(gone, rel=0.1)
    assert counts.lost_samples % size == 0


@pytest.mark.parametrize(("before_hz", "after_hz"), [(100.0, 50.0), (50.0, 100.0), (100.0, 120.0)])
def test_stamps_tell_a_gauge_that_changes_its_rate(before_hz, after_hz):
    counts, measured_hz, pressure, time_s, true_s, _ = run(0.001, before_hz, 10, stated=before_hz, changes=after_hz)
    assert measured_hz == pytest.approx(after_hz, rel=1e-2)
    assert counts.good == len(pressure) // 10
    # Until five frames have told of it, a slower gauge looks like one that loses every second frame.
    assert counts.lost_samples <= 50
    # It changes at 23.3 s, and the clock, which is a frame off by then, is steered back gently.
    assert np.percentile(np.abs(timing_error_s(time_s, true_s, seen_s=29.0, within_s=2.0)), 95) < 1e-3


@pytest.mark.parametrize("of", ["first", "last"])
@pytest.mark.parametrize("lost", [{1}, {3}, {5}, {1, 2}, {2, 4}], ids=str)
@pytest.mark.parametrize(("tick_s", "size"), [(1 / 64, 5), (0.015, 5), (0.001, 10), (1e-5, 20)])
def test_a_frame_lost_while_the_time_between_samples_is_learnt_is_told_once_that_is_known(tick_s, size, lost, of):
    layout = load_layout(
        {
            "name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"},
            "device_time": {"at": 0, "format": "u32", "tick_s": tick_s, "of": of},
            "pressure": {"at": 4, "format": "u16", "count": size},
        }
    )  # fmt: skip
    reader = FrameReader("g", layout)
    batches = []
    for number in range(60):
        if number in lost:
            continue
        values = range(number * size, (number + 1) * size)
        taken_s = 3.3 + 0.01 * values[0 if of == "first" else -1]
        payload = struct.pack(f"<I{size}H", int(taken_s / tick_s), *values)
        batches.append(reader.feed(payload, 3.3 + 0.01 * values[-1]))
    batches = [batch for batch in batches if batch is not None]
    assert [batch.lost_before for batch in batches] == [len(lost) * size] + [0] * (len(batches) - 1)
    assert reader.counts.lost_samples == len(lost) * size
    # They are told before the frames that they were lost before, which are given out together.
    assert sum(len(batch.time_s) for batch in batches) == (60 - len(lost)) * size
    pressure, time_s = (
        np.concatenate([getattr(batch, each) for batch in batches]) for each in ("pressure_kpa", "time_s")
    )
    # A stamp is up to a tick early, and the line is young.
    assert np.ptp(time_s - 0.01 * pressure) < 0.02 + 2.0 * tick_s


def test_what_a_counter_tells_is_not_told_by_the_stamps_once_more() -> None:
    line = StampLine(0)
    assert [line.follow(50, 5, lost) for lost in (0, 10, None, 5)] == [[]] * 4
    assert line.follow(50, 5, 0) == [0] * 5
    assert line.follow(100, 5, 5) == [0]


def test_stamps_far_apart_for_what_a_counter_says_was_lost_teach_the_time_between_samples_all_the_same() -> None:
    line = StampLine(0)
    for moved, lost in ((100, 5), (150, 10), (100, 5), (50, 0), (100, 5)):
        line.follow(moved, 5, lost)
    assert line.step == pytest.approx(10.0)


def test_a_frame_lost_while_the_time_between_samples_is_learnt_does_not_make_it_longer() -> None:
    line = StampLine(0)
    assert [line.follow(moved, 5, None) for moved in (50, 50, 100, 50, 50)] == [[]] * 4 + [[0, 0, 5, 0, 0]]
    assert line.step == pytest.approx(10.0)


def test_a_gauge_that_is_slower_than_stated_is_told_through_a_loss_that_its_counter_tells() -> None:
    line = StampLine(10.0)
    for moved, lost in ((100, 0), (100, 0), (200, 5), (100, 0), (100, 0)):
        assert line.follow(moved, 5, lost) == [0]
    assert line.step == pytest.approx(20.0)


def followed(ticks: float, stamps: int, stated: float, seed: int, samples: int = 5) -> tuple[StampLine, np.ndarray]:
    """A line that has seen stamps of a steady gauge, `ticks` apart before they are cut; by how much it lay ahead."""
    at = np.random.default_rng(seed).uniform() + ticks * np.arange(stamps)
    line, ahead = StampLine(stated / samples), []
    for moved, true in zip(np.diff(np.floor(at)).astype(int).tolist(), at[1:], strict=True):
        assert line.follow(moved, samples, None) == [0]
        ahead.append(line.at + np.floor(at[0]) - true)
    return line, np.array(ahead)


@pytest.mark.parametrize("ticks", [2.37, 3.71, 8.13, 50.27])
@pytest.mark.parametrize("stated_off", [0.0, 0.01, -0.01])
def test_a_line_through_forty_whole_ticks_is_known_to_a_tenth_of_one(ticks: float, stated_off: float) -> None:
    """The last point of a line through n errors of 0.289 ticks has 2 / sqrt(n) of one (JCGM 100:2008, F.2.2.1, H.3)."""
    late, steps = [], []
    for seed in range(40):
        line, ahead = followed(ticks, 200, (1.0 + stated_off) * ticks, seed)
        late.append(ahead[-1] + 0.5)
        steps.append(5 * line.step - ticks)
    assert np.std(late) < 1.3 * 0.289 * 2.0 / np.sqrt(STAMP_MEMORY)
    assert abs(np.mean(late)) < 0.05
    # And its slope has the square root of 12 / n^3 of one.
    assert np.std(steps) < 1.3 * 0.289 * np.sqrt(12.0 / STAMP_MEMORY**3)


@pytest.mark.parametrize(("ticks", "off"), [(3.71, 0.04), (3.71, -0.04), (50.27, 0.01)])
def test_a_gauge_that_is_off_what_it_states_is_followed_before_forty_stamps(ticks: float, off: float) -> None:
    for seed in range(10):
        line, ahead = followed(ticks, STAMP_MEMORY, (1.0 + off) * ticks, seed)
        assert 5 * line.step == pytest.approx(ticks, abs=0.02)
        assert abs(ahead[-1] + 0.5) < 0.5


@pytest.mark.parametrize("stated_off", [0.0, 0.01, -0.01])
def test_no_frame_that_lasts_little_more_than_a_tick_is_lost_for_where_the_ticks_begin(stated_off: float) -> None:
    for seed in range(40):
        followed(1.15, 120, (1.0 + stated_off) * 1.15, seed)


@pytest.mark.parametrize("stated_off", [0.0, 0.01, -0.01])
def test_a_frame_of_less_than_two_ticks_that_is_lost_is_told_once_the_line_is_known(stated_off: float) -> None:
    for seed in range(40):
        line, _ = followed(1.92, 60, (1.0 + stated_off) * 1.92, seed)
        at = np.random.default_rng(seed).uniform() + 1.92 * np.delete(np.arange(120), 60)
        moves = np.diff(np.floor(at)).astype(int).tolist()[59:]
        assert sum(sum(line.follow(moved, 5, None)) for moved in moves) == 5
