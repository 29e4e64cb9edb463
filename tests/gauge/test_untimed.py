"""What waits until it is known how far apart samples are comes out in its place, or is told as lost."""

import struct

import numpy as np
import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.recording import Entry, Recording, RecordingHeader, replay
from gaugelink.gauge.samples import SampleBatch
from gaugelink.gauge.untimed import MOST

SIZE = 5
COUNTED = {
    "name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}, "sequence": {"at": 0, "format": "u16"},
    "pressure": {"at": 2, "format": "u16", "count": SIZE},
}  # fmt: skip
"""It samples a hundred times a second, and does not say so."""
STAMPED = {**COUNTED, "device_time": {"at": 0, "format": "u16", "tick_s": 0.01}}
del STAMPED["sequence"]


def frame(number: int, *, stamped: bool = False) -> bytes:
    values = range(number * SIZE, (number + 1) * SIZE)
    return struct.pack(f"<{1 + SIZE}H", number * SIZE if stamped else number, *values)


def fed(
    reader: FrameReader, numbers: range | list[int], start_s: float = 0.0, *, stamped: bool = False
) -> list[SampleBatch]:
    """Batches of frames that each come when the last of their samples was taken, the first of them at `start_s`."""
    given = [reader.feed(frame(n, stamped=stamped), start_s + 0.01 * SIZE * (n - numbers[0])) for n in numbers]
    return [batch for batch in given if batch is not None]


@pytest.mark.parametrize(("layout", "frames"), [(COUNTED, 7), (STAMPED, 5)], ids=["by arrival", "by stamps"])
def test_a_recording_that_ends_before_the_rate_is_known_is_lost_and_told(
    layout: dict[str, object], frames: int
) -> None:
    reader = FrameReader("g", load_layout(layout))
    stamped = layout is STAMPED
    entries = tuple(Entry(t_s=0.05 * n, hex=frame(n, stamped=stamped).hex()) for n in range(frames + 4) if n != 2)
    assert replay(Recording(header=RecordingHeader(), entries=entries[:frames]), reader) == []
    assert reader.counts.lost_samples == frames * SIZE + (0 if stamped else SIZE)
    again = FrameReader("g", load_layout(layout))
    batches = replay(Recording(header=RecordingHeader(), entries=entries), again)
    assert again.counts.lost_samples == sum(batch.lost_before for batch in batches) == SIZE


def test_what_a_counter_told_before_the_link_was_lost_is_told_though_the_rate_was_not_known_yet() -> None:
    reader = FrameReader("g", load_layout(COUNTED))
    assert fed(reader, [0, 1, 4, 5]) == []
    reader.link_lost(1.0)
    reader.reconnected()
    batches = fed(reader, range(20), start_s=8.0)
    assert [batch.lost_before for batch in batches if batch.lost_before] == [6 * SIZE]
    assert reader.counts.lost_samples == 6 * SIZE


@pytest.mark.parametrize("layout", [COUNTED, STAMPED], ids=["by arrival", "by stamps"])
def test_a_gauge_that_starts_over_before_its_rate_is_known_is_timed_from_there(layout: dict[str, object]) -> None:
    reader = FrameReader("g", load_layout(layout))
    stamped = layout is STAMPED
    assert fed(reader, range(1000, 1004), stamped=stamped) == []
    batches = fed(reader, range(40), start_s=3.0, stamped=stamped)
    time_s, pressure = (np.concatenate([getattr(b, each) for b in batches]) for each in ("time_s", "pressure_kpa"))
    assert time_s == pytest.approx(3.0 + 0.01 * (pressure - SIZE + 1), abs=0.005)
    assert reader.counts.lost_samples == sum(batch.lost_before for batch in batches) == 4 * SIZE


def test_frames_that_are_too_many_to_wait_are_lost_before_the_first_that_comes_out() -> None:
    reader = FrameReader("g", load_layout(COUNTED))
    numbers = [0, 2, *range(3, MOST + 13)]
    assert [reader.feed(frame(number), 5.0) for number in numbers] == [None] * len(numbers)
    batch = reader.feed(frame(MOST + 13), 5.5)
    assert batch is not None
    assert batch.pressure_kpa[0] == batch.lost_before == reader.counts.lost_samples == 13 * SIZE
