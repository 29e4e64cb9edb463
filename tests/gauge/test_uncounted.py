"""A gauge that counts nothing: what its radio holds back is no loss, and what is lost together is told where it was."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.recording import Entry, Recording, RecordingHeader, replay
from tests.gauge.links import Radio, simulate

RADIOS = ["even", "exponential", "slots", "slots, retried"]
AT_S = (12.0, 17.0, 22.0)
"""When the radio fades or holds frames back."""


@dataclass(frozen=True)
class Heard:
    """What a reader made of a link."""

    gone: int
    """Samples that were lost."""
    counted: int
    """What the reader counts of them."""
    told: list[tuple[float, int]]
    """Of each batch before which samples are told as lost: its true time, and how many."""
    error_s: np.ndarray
    """Shape (n,): rebuilt less true times from 5 s on, the radio's usual delay taken off."""
    kept_back_s: float
    """The longest that a frame waited before it was given out."""

    @property
    def told_lost(self) -> int:
        return sum(count for _, count in self.told)


def reader_of(rate_hz: float) -> FrameReader:
    return FrameReader(
        "g",
        load_layout(
            {
                "name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}, "rate_hz": rate_hz,
                "pressure": {"at": 0, "format": "u8", "count": "fit"},
            }
        ),
    )  # fmt: skip


def hear(
    rate_hz: float,
    size: int,
    kind: str,
    arrives: Callable[[np.ndarray], np.ndarray] = lambda arrival_s: arrival_s,
    lost: Callable[[np.ndarray], np.ndarray] = lambda end_s: np.zeros(len(end_s), dtype=bool),
    seed: int = 2,
) -> Heard:
    link = simulate(seed, rate_hz=rate_hz, samples=size, seconds=28.0, radio=Radio(kind=kind, loss=0.0))
    kept = ~lost(link.true_s[:, -1])
    reader = reader_of(rate_hz)
    told, rebuilt, true, waiting, longest = [], [], [], [], 0.0
    for true_s, arrival_s in zip(link.true_s[kept], arrives(link.arrival_s)[kept], strict=True):
        waiting.append((true_s, arrival_s))
        batch = reader.feed(bytes(size), float(arrival_s))
        if batch is None:
            continue
        if batch.lost_before:
            told.append((float(waiting[0][0][0]), batch.lost_before))
        rebuilt.append(batch.time_s)
        true += [each for each, _ in waiting]
        longest = max(longest, arrival_s - waiting[0][1])
        waiting.clear()
    true_s, rebuilt_s = np.concatenate(true), np.concatenate(rebuilt)
    assert (np.diff(rebuilt_s) > 0).all()
    error = (rebuilt_s - true_s)[true_s > 5.0]
    return Heard(int((~kept).sum()) * size, reader.counts.lost_samples, told, error - np.median(error), float(longest))


def faded(for_s: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda end_s: np.any([(end_s > at) & (end_s < at + for_s) for at in AT_S], axis=0)


def held_back(for_s: float) -> Callable[[np.ndarray], np.ndarray]:
    def arrives(arrival_s: np.ndarray) -> np.ndarray:
        out = arrival_s.copy()
        for at in AT_S:
            there = (out > at) & (out < at + for_s)
            # A machine hands on what it has at some ten thousand frames a second.
            out[there] = at + for_s + 1e-4 * np.arange(np.count_nonzero(there))
        return np.maximum.accumulate(out)

    return arrives


@pytest.mark.parametrize("kind", RADIOS)
@pytest.mark.parametrize(("rate_hz", "size"), [(50.0, 1), (50.0, 4), (100.0, 10), (200.0, 1), (400.0, 1), (400.0, 4)])
def test_what_comes_together_at_a_radio_s_connection_events_is_no_loss(rate_hz: float, size: int, kind: str) -> None:
    """At 400 samples/s and an event in 30 ms twelve frames come at once: the first of them was taken for a gap."""
    heard = hear(rate_hz, size, kind)
    assert (heard.told, heard.counted) == ([], 0)
    assert np.abs(heard.error_s).max() < 0.01


@pytest.mark.parametrize("for_s", [0.3, 1.0, 2.5])
@pytest.mark.parametrize(("rate_hz", "size"), [(50.0, 4), (100.0, 10), (200.0, 1)])
def test_what_was_held_back_is_no_loss_and_moves_no_time(rate_hz: float, size: int, for_s: float) -> None:
    """A gap that was told could not be taken back: the times behind it stayed late for good."""
    heard = hear(rate_hz, size, "slots", arrives=held_back(for_s))
    assert (heard.told, heard.counted) == ([], 0)
    assert np.abs(heard.error_s).max() < 0.01


@pytest.mark.parametrize("kind", ["even", "slots"])
@pytest.mark.parametrize("for_s", [0.15, 0.4, 1.0])
@pytest.mark.parametrize(("rate_hz", "size"), [(50.0, 1), (50.0, 4), (100.0, 10), (200.0, 1), (400.0, 1)])
def test_what_is_lost_while_the_radio_fades_is_told_where_it_was_lost(
    rate_hz: float, size: int, for_s: float, kind: str
) -> None:
    heard = hear(rate_hz, size, kind, lost=faded(for_s))
    # To half of what the radio delays, or a frame: nothing tells a delay of that from a loss.
    near = len(AT_S) * max(0.015 * rate_hz, 1)
    assert (heard.counted, heard.told_lost) == pytest.approx((heard.gone, heard.gone), abs=near)
    large = [(at, count) for at, count in heard.told if count > near]
    assert [at for at, _ in large] == pytest.approx([at + for_s for at in AT_S], abs=size / rate_hz + 0.001)
    assert np.abs(heard.error_s).max() < max(0.015, 1.0 / rate_hz)


@pytest.mark.parametrize("kind", ["even", "slots"])
@pytest.mark.parametrize(("rate_hz", "size"), [(50.0, 4), (100.0, 10)])
def test_single_frames_that_last_longer_than_a_radio_delays_are_lost_each_where_it_was(
    rate_hz: float, size: int, kind: str
) -> None:
    numbers = np.random.default_rng(5).random(int(28.0 * rate_hz / size)) < 0.05
    numbers[:10] = numbers[-10:] = False
    # A radio that fades loses some, and lets one through between them.
    numbers[100:110] = [True, False, True, False, False, True, False, True, True, False]
    heard = hear(rate_hz, size, kind, lost=lambda _: numbers)
    assert heard.gone == heard.counted == heard.told_lost == size * np.count_nonzero(numbers)
    assert np.abs(heard.error_s).max() < 0.005


@pytest.mark.parametrize(("rate_hz", "size"), [(50.0, 4), (100.0, 10)])
def test_a_loss_that_was_only_a_delay_of_many_frames_is_taken_back(rate_hz: float, size: int) -> None:
    """A radio that is a quarter of a second behind for a while, and sends at the gauge's pace meanwhile."""

    def arrives(arrival_s: np.ndarray) -> np.ndarray:
        behind = (arrival_s > AT_S[0]) & (arrival_s < AT_S[0] + 0.6)
        return np.maximum.accumulate(arrival_s + 0.25 * behind)

    heard = hear(rate_hz, size, "even", arrives=arrives)
    assert heard.counted == 0
    assert [at for at, _ in heard.told] == pytest.approx([AT_S[0]], abs=0.1)
    # Time is steered back by 2 %: a fifth of a second takes ten.
    before, after = heard.error_s[: int(5 * rate_hz)], heard.error_s[-int(3 * rate_hz) :]
    assert np.abs(after - np.median(before)).max() < 0.01


@pytest.mark.parametrize("kind", ["even", "slots"])
def test_single_short_frames_that_are_lost_one_after_another_are_told_once_all_are_late(kind: str) -> None:
    # A frame lasts 5 ms; after each of them the ones behind it come no later than the radio may make them.
    lost = np.zeros(5600, dtype=bool)
    for at in AT_S:
        lost[int(201 * at) :: 10][:8] = True
    heard = hear(200.0, 1, kind, lost=lambda _: lost)
    assert heard.counted == pytest.approx(heard.gone, abs=3 * len(AT_S))
    assert heard.told_lost >= heard.counted
    assert np.abs(heard.error_s).max() < 0.045
    assert np.percentile(np.abs(heard.error_s), 80) < 0.015


def test_what_was_lost_before_the_link_was_is_not_taken_back_when_frames_come_soon_behind_it() -> None:
    reader = reader_of(100.0)
    ten = bytes(10)
    for number in (*range(50), *range(53, 60)):
        reader.feed(ten, 0.1 * number)
    assert reader.counts.lost_samples == 30
    reader.link_lost(7.0)
    reader.reconnected()
    # The first frame of the new link hangs for most of what a frame lasts, the others do not.
    batches = [reader.feed(ten, 8.0 + 0.1 * number + (0.08 if number == 0 else 0.0)) for number in range(30)]
    told = [batch.lost_before for batch in batches if batch is not None]
    assert told[0] == pytest.approx(208, abs=2)
    assert told[1:] == [0] * 29
    assert reader.counts.lost_samples == 30 + told[0]


def test_frames_wait_no_longer_than_it_takes_to_tell_a_loss() -> None:
    for rate_hz, size in ((100.0, 10), (400.0, 1)):
        assert hear(rate_hz, size, "even").kept_back_s < 0.15
        assert 0.0 < hear(rate_hz, size, "even", lost=faded(0.4)).kept_back_s < 0.4


def test_what_waits_when_the_link_is_lost_is_counted_as_lost() -> None:
    reader = reader_of(100.0)
    for number in range(1000):
        assert reader.feed(bytes(1), 0.01 * number) is not None
    assert [reader.feed(bytes(1), 10.3 + 0.01 * number) for number in range(5)] == [None] * 5
    reader.link_lost(10.4)
    reader.reconnected()
    after = reader.feed(bytes(1), 11.0)
    assert after is not None
    # From 9.99 s to 11 s.
    assert after.lost_before == reader.counts.lost_samples == pytest.approx(100, abs=2)
    assert after.time_s[0] == pytest.approx(11.0, abs=0.01)


def test_the_end_of_a_recording_is_given_out_though_nothing_tells_whether_it_was_late() -> None:
    late = [0.01 * number for number in range(500)] + [5.3, 5.31]
    entries = tuple(Entry(t_s=arrival_s, hex="00") for arrival_s in late)
    batches = replay(Recording(header=RecordingHeader(), entries=entries), reader_of(100.0))
    assert sum(len(batch.time_s) for batch in batches) == len(late)
    assert (np.diff(np.concatenate([batch.time_s for batch in batches])) > 0).all()
