"""What a reader tells beside samples: battery, rate, zero, and what a counter says that counts otherwise."""

import struct

import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout

BASE = {"name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}}


def test_the_battery_is_the_last_that_a_frame_told() -> None:
    layout = {**BASE, "pressure": {"at": 0, "format": "u8"}}
    reader = FrameReader("g", load_layout(layout))
    assert reader.feed(b"\x01", 0.0) is not None
    assert reader.battery_percent is None
    reader = FrameReader("g", load_layout({**layout, "battery": {"at": 1, "format": "u8"}}))
    told = []
    for number, percent in enumerate((80, 79, 79)):
        reader.feed(bytes([1, percent]), 0.1 * number)
        told.append(reader.battery_percent)
    assert told == [80, 79, 79]


def test_the_rate_of_a_gauge_that_sends_when_it_likes_is_what_it_sent_lately() -> None:
    reader = FrameReader(
        "g", load_layout({**BASE, "timing": "arrival", "pressure": {"at": 0, "format": "u8", "count": 4}})
    )
    reader.feed(bytes(4), 0.0)
    assert reader.rate_hz is None
    for number in range(1, 100):
        reader.feed(bytes(4), 0.2 * number)
    assert reader.rate_hz == pytest.approx(20.0)


def four_at_a_time(timing: str, rate_hz: float | None) -> FrameReader:
    """Reads frames of four samples that number their first one."""
    layout = {
        **BASE, "timing": timing, "sequence": {"at": 0, "format": "u16", "counts": "samples"},
        "pressure": {"at": 2, "format": "u8", "count": 4},
    }  # fmt: skip
    if rate_hz is not None:
        layout["rate_hz"] = rate_hz
    return FrameReader("g", load_layout(layout))


@pytest.mark.parametrize(("timing", "rate_hz"), [("steady", 50), ("steady", None), ("arrival", None)])
def test_a_frame_that_begins_before_the_end_of_the_one_before_it_is_refused_and_nothing_else_is(
    timing: str, rate_hz: float | None
) -> None:
    reader = four_at_a_time(timing, rate_hz)
    firsts = [4 * number for number in range(20)]
    firsts[10:10] = [38]
    given = []
    for number, first in enumerate(firsts):
        batch = reader.feed(struct.pack("<H4B", first, *range(first, first + 4)), 0.08 * number)
        given += [] if batch is None else batch.pressure_kpa.tolist()
    assert given == list(range(80))
    assert (reader.counts.out_of_order, reader.counts.lost_samples) == (1, 0)


@pytest.mark.parametrize(("timing", "rate_hz"), [("steady", 50), ("arrival", None)])
def test_a_gauge_that_sends_every_sample_twice_gives_each_once(timing: str, rate_hz: float | None) -> None:
    """Each frame has the second half of the one before it in it, so that a lost one costs nothing."""
    reader = four_at_a_time(timing, rate_hz)
    given = []
    for number, first in enumerate(range(0, 80, 2)):
        batch = reader.feed(struct.pack("<H4B", first, *range(first, first + 4)), 0.04 * number)
        given += [] if batch is None else batch.pressure_kpa.tolist()
    assert given == list(range(80))
    assert reader.counts.lost_samples == 0


@pytest.mark.parametrize(("rate_hz", "timing"), [(20, None), (None, None), (None, "arrival")])
def test_lines_that_are_counted_tell_which_were_lost(rate_hz: float | None, timing: str | None) -> None:
    layout = {**BASE, "text": {"number": 1, "sequence": 0, "sequence_wrap": 100}}
    layout |= {key: value for key, value in (("rate_hz", rate_hz), ("timing", timing)) if value is not None}
    reader = FrameReader("g", load_layout(layout))
    came = [number for number in range(150) if number not in (60, 61, 99)]
    batches = [reader.feed(b"%d 12.5\n" % (number % 100), 0.05 * number) for number in came]
    lost = [batch.lost_before for batch in batches if batch is not None and batch.lost_before]
    assert lost == [2, 1]
    assert reader.counts.lost_samples == 3


def test_what_a_gauge_that_reads_from_the_air_shows_needs_no_zero() -> None:
    reader = FrameReader("g", load_layout({**BASE, "pressure": {"at": 0, "format": "u8"}}))
    assert reader.zero_kpa == 0.0
    absolute = FrameReader("g", load_layout({**BASE, "reference": "absolute", "pressure": {"at": 0, "format": "u8"}}))
    assert absolute.zero_kpa == 101.325
