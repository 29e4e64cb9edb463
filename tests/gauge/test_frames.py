"""Frames of one gauge become batches: order, losses, reconnects, over-range and the zero of an absolute gauge."""

import struct

import numpy as np
import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from tests.gauge.links import timing_error_s

BASE = {"name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}}
COUNTED = {
    **BASE,
    "rate_hz": 100,
    "sequence": {"at": 0, "format": "u8"},
    "pressure": {"at": 1, "format": "s16", "count": 10},
}


def frame(number, level=0):
    return bytes([number % 256]) + struct.pack("<10h", *[level] * 10)


def feed(reader, numbers, start_s=0.0, every_s=0.1):
    return [reader.feed(frame(number), start_s + every_s * k) for k, number in enumerate(numbers)]


def test_a_lost_frame_is_counted_and_its_time_is_left_open():
    reader = FrameReader("g", load_layout(COUNTED))
    batches = [reader.feed(frame(n), 0.1 * n) for n in (254, 255, 256, 258)]
    assert [batch.lost_before for batch in batches] == [0, 0, 0, 10]
    assert reader.counts.lost_samples == 10
    assert batches[3].time_s[0] - batches[2].time_s[-1] == pytest.approx(0.11, abs=0.01)


def test_repeats_and_late_frames_give_nothing():
    reader = FrameReader("g", load_layout(COUNTED))
    batches = feed(reader, [5, 6, 6, 8, 7, 9], every_s=0.1)
    assert [batch is None for batch in batches] == [False, False, True, False, True, False]
    assert (reader.counts.duplicated, reader.counts.out_of_order, reader.counts.lost_samples) == (1, 1, 10)


def test_whole_turns_of_the_counter_that_were_missed_are_found_from_the_time():
    layout = {**COUNTED, "sequence": {"at": 0, "format": "u8", "mask": 0x0F}}
    reader = FrameReader("g", load_layout(layout))
    for n in range(30):
        reader.feed(frame(n % 16), 0.1 * n)
    batch = reader.feed(frame((30 + 40) % 16), 0.1 * (30 + 40))
    assert batch.lost_before == 400


@pytest.mark.parametrize("first", [0, 30])
def test_a_gauge_that_started_over_is_believed_after_three_frames(first):
    reader = FrameReader("g", load_layout({**COUNTED, "sequence": {"at": 0, "format": "u8"}}))
    feed(reader, range(first + 40))
    batches = feed(reader, range(first, first + 10), start_s=4.0)
    given = [batch is not None for batch in batches]
    assert given == [False, False] + [True] * 8
    assert reader.counts.out_of_order == 2


def test_late_frames_out_of_order_among_themselves_are_no_new_count():
    reader = FrameReader("g", load_layout(COUNTED))
    feed(reader, range(100, 140))
    assert [batch is None for batch in feed(reader, [130, 125, 120, 115, 140], start_s=4.0)] == [True] * 4 + [False]
    assert reader.counts.out_of_order == 4


def test_time_goes_on_over_a_reconnect_and_the_gap_is_said():
    reader = FrameReader("g", load_layout(COUNTED))
    before = feed(reader, range(50))[-1]
    reader.link_lost(5.0)
    reader.reconnected()
    after = reader.feed(frame(0), 8.0)
    assert after.time_s[0] > before.time_s[-1]
    assert after.lost_before == pytest.approx(300, abs=12)
    assert reader.counts.reconnects == 1


def test_a_counter_of_samples_tells_how_many_were_lost():
    layout = {
        **BASE, "rate_hz": 50, "byte_order": "big", "sequence": {"at": 0, "format": "u16", "counts": "samples"},
        "pressure": {"at": 2, "format": "u8", "count": "fit"},
    }  # fmt: skip
    reader = FrameReader("g", load_layout(layout))
    lost = []
    for number, size, arrival in ((65530, 4, 0.0), (65534, 5, 0.1), (3, 4, 0.2), (12, 4, 0.4)):
        lost.append(reader.feed(struct.pack(">H", number) + bytes(size), arrival).lost_before)
    assert lost == [0, 0, 0, 5]


def test_device_time_tells_losses_repeats_and_the_time_between_samples():
    layout = {
        **BASE, "device_time": {"at": 0, "format": "u16", "tick_s": 0.001},
        "pressure": {"at": 2, "format": "u8", "count": 5},
    }  # fmt: skip
    reader = FrameReader("g", load_layout(layout))
    rng = np.random.default_rng(1)
    times = []
    for n in range(300):
        if n == 200:
            continue
        payload = struct.pack("<H", (65000 + 40 * n) % 65536) + bytes(5)
        batch = reader.feed(payload, 0.04 * n + rng.uniform(0, 0.03))
        assert reader.feed(payload, 0.04 * n + 0.03) is None
        if batch is not None:
            times.append(batch.time_s)
    spacing = np.diff(np.concatenate(times)[500:])
    assert np.median(spacing) == pytest.approx(0.008, rel=2e-3)
    assert reader.counts.lost_samples == 5
    assert reader.counts.duplicated == 299
    assert reader.rate_hz == pytest.approx(125, rel=2e-3)


def test_stamps_that_are_cut_to_whole_ticks_are_smoothed():
    """A stamp cut to whole ticks errs evenly over one: 0.289 ticks by root mean square (JCGM 100:2008, F.2.2.1)."""
    tick_s, rate_hz, size = 0.01, 140, 3
    layout = {
        **BASE, "device_time": {"at": 0, "format": "u32", "tick_s": tick_s},
        "pressure": {"at": 4, "format": "u8", "count": size},
    }  # fmt: skip
    reader = FrameReader("g", load_layout(layout))
    rng = np.random.default_rng(1)
    rebuilt, true, arrival = [], [], 0.0
    for n in range(int(20 * rate_hz / size)):
        taken = (np.arange(size) + n * size) / rate_hz
        arrival = max(arrival, taken[-1] + rng.uniform(0, 0.03))
        batch = reader.feed(struct.pack("<I", int(taken[0] / tick_s)) + bytes(size), arrival)
        rebuilt.append([] if batch is None else batch.time_s)
        true.append(taken)
    rebuilt_s, true_s = np.concatenate(rebuilt), np.concatenate(true)
    error = timing_error_s(rebuilt_s, true_s[-len(rebuilt_s) :], within_s=2.0)
    assert np.sqrt(np.mean(error**2)) < 0.25 * tick_s


def test_without_a_counter_a_gap_is_estimated_and_a_mere_delay_is_taken_back():
    layout = {**BASE, "rate_hz": 100, "pressure": {"at": 0, "format": "s16", "count": 10}}
    reader = FrameReader("g", load_layout(layout))
    rng = np.random.default_rng(2)
    payload = struct.pack("<10h", *range(10))
    for n in range(100):
        if n in (60, 61):
            continue
        reader.feed(payload, 0.1 * n + rng.uniform(0, 0.03))
    assert reader.counts.lost_samples == 20
    # A frame that hangs for 0.25 s looks like a loss until the ones behind it arrive in a burst.
    for n in range(100, 130):
        hung = 0.25 if n == 110 else 0.0
        reader.feed(payload, max(0.1 * n + hung + rng.uniform(0, 0.02), 11.26 if n in (111, 112) else 0))
    assert reader.counts.lost_samples == 20


def test_bad_frames_are_counted_by_kind_and_never_become_pressure():
    reader = FrameReader(
        "g", load_layout({**COUNTED, "header": "", "status": {"at": 0, "format": "u8", "fault": 0x80}})
    )
    assert reader.feed(b"", 0.0) is None
    assert reader.feed(frame(1) + b"\x00", 0.1) is None
    assert reader.feed(frame(0x81), 0.2) is None
    counts = reader.counts
    assert (counts.short, counts.long, counts.malformed, counts.good) == (1, 1, 1, 0)


def test_samples_at_full_scale_are_over_range():
    reader = FrameReader("g", load_layout({**COUNTED, "range": 2000}))
    payload = bytes([1]) + struct.pack("<10h", *[1999] * 5, *[2000] * 5)
    assert reader.feed(payload, 0.0).over_range.tolist() == [False] * 5 + [True] * 5


def test_the_highest_step_below_a_full_scale_that_is_none_is_over_range():
    # 300 psi are 2068.43 kPa.
    reader = FrameReader("g", load_layout({**COUNTED, "range": 2068.43}))
    payload = bytes([1]) + struct.pack("<10h", *[2067] * 5, *[2068] * 5)
    assert reader.feed(payload, 0.0).over_range.tolist() == [False] * 5 + [True] * 5


ABSOLUTE = {**BASE, "reference": "absolute", "rate_hz": 50, "pressure": {"at": 0, "format": "u16", "scale": 0.1}}


def test_an_absolute_gauge_is_zeroed_by_its_first_quiet_time():
    reader = FrameReader("g", load_layout(ABSOLUTE))
    assert reader.absolute
    # Standard atmosphere (ISO 2533: 101.325 kPa) stands in.
    assert reader.zero_kpa == 101.325
    rng = np.random.default_rng(0)
    for n in range(100):
        reader.feed(struct.pack("<H", 974 + rng.integers(-1, 2)), 0.02 * n)
    assert reader.zero_kpa == pytest.approx(97.4, abs=0.05)
    zero = reader.zero_kpa
    batch = reader.feed(struct.pack("<H", 9974), 2.0)
    assert batch.pressure_kpa[0] == pytest.approx(997.4 - zero)
    for n in range(200):
        reader.feed(struct.pack("<H", 1010), 3.0 + 0.02 * n)
    assert reader.zero_kpa == zero


def test_an_absolute_gauge_switched_on_under_pressure_waits_for_air():
    reader = FrameReader("g", load_layout(ABSOLUTE))
    for n in range(100):
        batch = reader.feed(struct.pack("<H", 8000), 0.02 * n)
    assert reader.zero_kpa == 101.325
    assert batch.pressure_kpa[0] == pytest.approx(800 - 101.325)


def test_a_stated_ambient_pressure_is_used_at_once():
    reader = FrameReader("g", load_layout(ABSOLUTE), ambient_abs_kpa=95.0)
    assert reader.feed(struct.pack("<H", 1950), 0.0).pressure_kpa.tolist() == pytest.approx([100.0])
    assert reader.zero_kpa == 95.0


def test_while_an_unknown_rate_is_learnt_samples_are_held_not_dropped():
    layout = {**COUNTED}
    del layout["rate_hz"]
    reader = FrameReader("g", load_layout(layout))
    batches = [batch for batch in feed(reader, range(30)) if batch is not None]
    assert len(batches[0].time_s) > 10
    assert sum(len(batch.time_s) for batch in batches) == 300
    assert reader.rate_hz == pytest.approx(100, rel=1e-6)


def test_a_gauge_that_sends_when_it_likes_is_timed_by_arrival():
    reader = FrameReader("g", load_layout({**BASE, "pressure": {"at": 0, "format": "u8"}}))
    times = [reader.feed(b"\x01", arrival).time_s[0] for arrival in (1.0, 1.5, 1.4, 7.0)]
    assert times[:2] == [1.0, 1.5]
    assert 1.5 < times[2] < 1.51
    assert times[3] == 7.0


STAMP = {"at": 2, "format": "u16", "tick_s": 0.001}
COUNTING = {
    "frames": {"sequence": {"at": 0, "format": "u16"}},
    "frames, in a byte": {"sequence": {"at": 0, "format": "u8"}},
    "samples": {"sequence": {"at": 0, "format": "u16", "counts": "samples"}},
    "its own time": {"device_time": STAMP},
    "its own time, of the last": {"device_time": STAMP | {"of": "last"}},
    "its own time, and frames": {"device_time": STAMP, "sequence": {"at": 0, "format": "u8"}},
}
TIMING = {"stated": {"rate_hz": 100}, "learnt": {}, "arrival": {"timing": "arrival"}}


@pytest.mark.parametrize(
    ("counting", "timing"),
    [(counting, timing) for counting in COUNTING for timing in TIMING if (counting[:3], timing) != ("its", "arrival")],
)
def test_every_sample_of_a_gauge_that_counts_is_given_once_or_told_as_lost_where_it_was(counting, timing):
    """Whatever comes twice, late, damaged, or not at all."""
    table = {
        **BASE, **COUNTING[counting], **TIMING[timing],
        "pressure": {"at": 4, "format": "u16", "count": "fit"}, "status": {"at": -1, "format": "u8", "fault": 1},
    }  # fmt: skip
    reader = FrameReader("g", load_layout(table))
    rng = np.random.default_rng(8)
    payloads, first = [], 0
    for number in range(400):
        size = int(rng.integers(1, 8)) if counting == "samples" else 5
        count = first if counting == "samples" else number
        stamp = 10 * (first + size - 1 if counting.endswith("last") else first)
        words = (count % 65536, stamp % 65536, *range(first, first + size))
        payloads.append((struct.pack(f"<{size + 2}H", *words), 0.01 * (first + size)))
        first += size
    fates = rng.choice(["comes", "lost", "damaged", "twice", "behind the next"], 400, p=[0.8, 0.05, 0.05, 0.05, 0.05])
    fates[:20] = fates[-2:] = "comes"
    comes, behind = [], []
    for (payload, at_s), fate in zip(payloads, fates.tolist(), strict=True):
        if fate == "behind the next":
            behind.append(payload)
            continue
        if fate != "lost":
            comes += [(payload + bytes([fate == "damaged"]), at_s)] * (2 if fate == "twice" else 1)
        comes += [(late + b"\0", at_s) for late in behind]
        behind.clear()
    next_one = given = lost = 0
    for payload, at_s in comes:
        batch = reader.feed(payload, at_s)
        if batch is None:
            continue
        values = batch.pressure_kpa.astype(int)
        given += len(values)
        lost += batch.lost_before
        assert given + lost == values[-1] + 1
        if len(values) <= 7:
            assert values.tolist() == list(range(next_one + batch.lost_before, values[-1] + 1))
        next_one = values[-1] + 1
    assert next_one == first
    counts = reader.counts
    assert counts.lost_samples == lost == first - given
    assert counts.malformed == np.count_nonzero(fates == "damaged")
    assert counts.duplicated == np.count_nonzero(fates == "twice")
    assert counts.out_of_order > 0
    refused = counts.malformed + counts.duplicated + counts.out_of_order
    assert reader.tally == (counts.good, counts.malformed) == (len(comes) - refused, counts.malformed)


def test_what_was_lost_before_the_link_was_is_not_lost_once_more_with_it():
    reader = FrameReader(
        "g", load_layout({**BASE, "rate_hz": 100, "pressure": {"at": 0, "format": "s16", "count": 10}})
    )
    for number in range(50):
        reader.feed(bytes(20), 0.1 * number)
    # A frame too short, then ten that are late enough to wait, then two seconds of nothing.
    assert reader.feed(bytes(19), 5.0) is None
    before_s = 4.9
    assert reader.feed(bytes(20), 5.6) is None
    reader.link_lost(6.0)
    reader.reconnected()
    after = reader.feed(bytes(20), 8.0)
    missing = round((8.0 - before_s) * 100) - 10
    assert after.lost_before == pytest.approx(missing, abs=3)
    assert reader.counts.lost_samples == after.lost_before


@pytest.mark.parametrize("counted", [True, False], ids=["counts", "counts nothing"])
def test_a_gauge_that_was_away_is_timed_at_once_as_before(counted):
    """A minute, then some seconds without a link, then from its first number again."""
    layout = dict(COUNTED)
    if not counted:
        del layout["sequence"]
    reader = FrameReader("g", load_layout(layout))
    rng = np.random.default_rng(4)
    error, rates = [], []
    for begins_s, seconds in ((0.0, 60.0), (67.3, 20.0), (93.1, 20.0)):
        if begins_s:
            reader.link_lost(begins_s - 4.0)
            reader.reconnected()
        for number in range(int(seconds * 10.05)):
            # It runs half a percent faster than is stated.
            taken_s = begins_s + (10 * number + np.arange(10)) / 100.5
            batch = reader.feed(frame(number), taken_s[-1] + rng.uniform(0, 0.03))
            if batch is not None:
                error.append(batch.time_s - taken_s[-len(batch.time_s) :])
        rates.append(reader.rate_hz)
    assert rates == pytest.approx([100.5] * 3, rel=3e-4)
    assert np.abs(np.concatenate(error[100:])).max() < 0.03
    assert np.abs(np.concatenate(error[700:])).max() < 0.03


def test_what_came_while_the_rate_was_learnt_is_told_as_lost_when_the_link_is_lost_before_that():
    layout = dict(COUNTED)
    del layout["rate_hz"]
    reader = FrameReader("g", load_layout(layout))
    assert feed(reader, range(5)) == [None] * 5
    reader.link_lost(1.0)
    reader.reconnected()
    batches = [batch for batch in feed(reader, range(30), start_s=8.0) if batch is not None]
    assert sum(len(batch.time_s) for batch in batches) == 300
    assert [batch.lost_before for batch in batches if batch.lost_before] == [50]
    assert reader.counts.lost_samples == 50
    assert batches[-1].time_s[-1] == pytest.approx(8.0 + 2.9, abs=0.02)


def test_a_gauge_that_started_over_later_has_lost_what_was_between():
    reader = FrameReader("g", load_layout(COUNTED))
    feed(reader, range(100, 140))
    batches = [batch for batch in feed(reader, range(40), start_s=7.0) if batch is not None]
    # There was room for 300 from 3.9 s to the first sample of the frame that came at 7 s.
    assert batches[0].lost_before == reader.counts.lost_samples == pytest.approx(300, abs=3)
    assert [batch.lost_before for batch in batches[1:]] == [0] * 39
    assert batches[0].time_s[0] == pytest.approx(7.0 - 0.09, abs=0.02)
    assert batches[-1].time_s[-1] == pytest.approx(7.0 + 3.9, abs=0.02)
    assert reader.rate_hz == pytest.approx(100.0, rel=1e-3)


def test_a_frame_that_is_damaged_is_told_as_lost_where_nothing_counts():
    reader = FrameReader(
        "g", load_layout({**BASE, "rate_hz": 100, "pressure": {"at": 0, "format": "s16", "count": 10}})
    )
    payloads = [bytes(20 - (number in (0, 20, 21, 30))) for number in range(40)]
    batches = [reader.feed(payload, 0.1 * number) for number, payload in enumerate(payloads)]
    # What came before the first good one was not behind any.
    lost = {number: batch.lost_before for number, batch in enumerate(batches) if batch and batch.lost_before}
    assert lost == {22: 20, 31: 10}
    assert reader.counts.lost_samples == 30
    assert reader.tally == (36, 4)
    times = np.concatenate([batch.time_s for batch in batches if batch])
    assert np.diff(times).max() == pytest.approx(0.21, abs=0.005)
    assert batches[39].time_s[-1] - batches[1].time_s[0] == pytest.approx(3.89, abs=0.005)


def test_a_line_that_was_begun_when_the_link_was_lost_is_not_ended_by_another():
    reader = FrameReader(
        "g", load_layout({"name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}, "text": {}})
    )
    assert reader.feed(b"12.5\n99", 0.0).pressure_kpa.tolist() == [12.5]
    reader.link_lost(1.0)
    reader.reconnected()
    assert reader.feed(b"7.5\n", 2.0).pressure_kpa.tolist() == [7.5]


def test_of_a_gauge_that_sends_when_it_likes_one_sample_at_least_is_told_as_lost_with_the_link():
    reader = FrameReader("g", load_layout({**BASE, "pressure": {"at": 0, "format": "u8"}}))
    before = [reader.feed(b"\x01", 0.1 * number) for number in range(5)]
    reader.link_lost(1.0)
    reader.reconnected()
    after = [reader.feed(b"\x01", 3.0 + 0.1 * number) for number in range(5)]
    assert [batch.lost_before for batch in before + after] == [0] * 5 + [1] + [0] * 4
    assert [batch.time_s[0] for batch in after] == pytest.approx([3.0, 3.1, 3.2, 3.3, 3.4])
    assert reader.tally == (10, 0)
