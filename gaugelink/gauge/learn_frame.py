"""What a frame holds besides pressure: a counter, a clock, a checksum, a battery byte."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaugelink.gauge.checksums import checksum_of
from gaugelink.gauge.fields import (
    BatteryField,
    ByteOrder,
    Checksum,
    ChecksumKind,
    Counts,
    DeviceTimeField,
    NumberFormat,
    SequenceField,
)
from gaugelink.gauge.learn_types import LabelledSegment

ByteArray = NDArray[np.uint8]
IntArray = NDArray[np.int64]

_SUMS = tuple(kind for kind in ChecksumKind if not kind.cyclic)
ROUND_TICKS_S = (1e-3, 1e-6, 1e-2, 1e-5, 1e-4, 0.1, 1.0, 1 / 32768, 1 / 1024, 125e-6, 625e-6)
"""Time stamps count these. Common practice, no source."""
LEAST_STEPS = 12
"""Steps of a counter that must be seen."""
MOST_A_FRAME = 255
"""A counter of samples moves by no more than this from frame to frame; what moves more is a clock."""
LEAST_PROOFS = 12
"""Different frames that a checksum must prove, with at least half as many different checksums."""


@dataclass(frozen=True, slots=True)
class Frames:
    """All frames of all segments, cut to the shortest, from their head and from their tail."""

    payloads: tuple[bytes, ...]
    arrival_s: NDArray[np.float64]
    segment: IntArray
    head: ByteArray
    """Shape (frames, shortest)."""
    tail: ByteArray
    """Shape (frames, shortest), the last bytes of each."""
    fixed: bool
    """Whether all frames have one length."""
    others: tuple[bytes, ...]
    """Frames that came while the pressure moved."""
    between: ByteArray
    """Shape (other frames, shortest): their heads."""

    @classmethod
    def of(cls, segments: Sequence[LabelledSegment], between: Sequence[bytes] = ()) -> "Frames":
        """Collect the frames of segments that have any; `between` came while the pressure moved."""
        rows = [(k, t, payload) for k, segment in enumerate(segments) for t, payload in segment.frames]
        shortest = min(len(payload) for _, _, payload in rows)
        head = np.array([list(payload[:shortest]) for _, _, payload in rows], dtype=np.uint8)
        tail = np.array([list(payload[len(payload) - shortest :]) for _, _, payload in rows], dtype=np.uint8)
        lengths = {len(payload) for _, _, payload in rows}
        moved = [list(payload[:shortest]) for payload in between if len(payload) >= shortest]
        return cls(
            payloads=tuple(payload for _, _, payload in rows),
            arrival_s=np.array([t for _, t, _ in rows]),
            segment=np.array([k for k, _, _ in rows], dtype=np.int64),
            head=head.reshape(len(rows), shortest),
            tail=tail.reshape(len(rows), shortest),
            fixed=len(lengths) == 1,
            others=tuple(payload for payload in between if len(payload) >= shortest),
            between=np.array(moved, dtype=np.uint8).reshape(len(moved), shortest),
        )

    def blocks(self) -> list[tuple[int, ByteArray]]:
        """Offset of the first column, and the columns: the head, and for frames of many lengths the tail too."""
        width = self.head.shape[1]
        return [(0, self.head)] if self.fixed else [(0, self.head), (-width, self.tail)]


@dataclass(frozen=True, slots=True)
class Ticker:
    """A number that moves by the same amount from frame to frame."""

    at: int
    format: NumberFormat
    order: ByteOrder
    mask: int | None
    wrap: int | None
    step: float
    """Counts from one frame to the next."""
    tick_s: float
    """Seconds of one count, from the arrivals."""

    @property
    def width(self) -> int:
        """Bytes."""
        return int(self.format.value[1:]) // 8

    @property
    def places(self) -> range:
        """Its bytes."""
        return range(self.at, self.at + self.width)

    def sequence(self, counts: Counts) -> SequenceField:
        """As a sequence counter."""
        return SequenceField(
            at=self.at, format=self.format, byte_order=self.order, mask=self.mask, wrap=self.wrap, counts=counts
        )

    def device_time(self) -> DeviceTimeField | None:
        """As a time stamp, or None when its tick is not a round one."""
        near = sorted(ROUND_TICKS_S, key=lambda tick: abs(self.tick_s / tick - 1))[:1]
        near = [tick for tick in near if abs(self.tick_s / tick - 1) < 0.03]
        if not near or self.mask is not None or self.wrap is not None:
            return None
        return DeviceTimeField(at=self.at, format=self.format, byte_order=self.order, tick_s=near[0])


def find_tickers(frames: Frames) -> list[Ticker]:
    """All counters and clocks; of those that share bytes only the widest whose every byte was seen to move."""
    same = np.diff(frames.segment) == 0
    waited = np.diff(frames.arrival_s)[same]
    if same.sum() < LEAST_STEPS:
        return []
    found: list[Ticker] = []
    for base, block in frames.blocks():
        columns = block.astype(np.int64)
        moving = (np.diff(columns, axis=0)[same] != 0).any(axis=0)
        for width in (4, 3, 2, 1):
            for order in (ByteOrder.LITTLE, ByteOrder.BIG) if width > 1 else (ByteOrder.LITTLE,):
                for k in range(columns.shape[1] - width + 1):
                    if not moving[k : k + width].all() or any(
                        p in t.places for t in found for p in range(base + k, base + k + width)
                    ):
                        continue
                    shifts = range(width) if order is ByteOrder.LITTLE else range(width - 1, -1, -1)
                    value = sum(
                        (columns[:, k + j] << (8 * s) for j, s in enumerate(shifts)), np.zeros(len(columns), np.int64)
                    )
                    masks = (None, 0x0F, 0xF0) if width == 1 else (None,)
                    for mask in masks:
                        ticker = _ticker(value, same, waited, base + k, width, order, mask)
                        if ticker is not None:
                            found.append(ticker)
                            break
    return found


def _ticker(
    value: IntArray,
    same: NDArray[np.bool_],
    waited: NDArray[np.float64],
    at: int,
    width: int,
    order: ByteOrder,
    mask: int | None,
) -> Ticker | None:
    if mask is not None:
        value = (value & mask) >> (4 if mask == 0xF0 else 0)
    period = 16 if mask is not None else 1 << (8 * width)
    moved = np.diff(value)[same]
    wrap = None
    falls = moved[moved < 0]
    if (
        mask is None
        and width == 1
        and np.median(moved) == 1
        and len(falls)
        and len(set(falls.tolist())) == 1
        and value.max() + 1 < period
    ):
        # A counter that starts again before its bits are full.
        wrap = int(value.max()) + 1
    moved = moved % (wrap or period)
    if width > 1 and _exact(np.diff(value >> 8)[same] % (period >> 8)):
        # All but the lowest byte count by themselves: the lowest is something else.
        return None
    step = float(np.median(moved))
    # The top byte of a wide counter moves by carries alone: once a frame at most.
    if step < 1 or step > ((wrap or period) / 4 if width == 1 else period / 256):
        return None
    turns = np.rint(moved / step)
    slack = 0.0 if step < 3 else 0.15 * step
    good = (turns >= 1) & (turns <= 8) & (np.abs(moved - turns * step) <= slack)
    if good.mean() < 1.0 or (turns == 1).mean() < 0.7:
        return None
    tick_s = float(waited.sum()) / float(moved.sum())
    counts = step <= MOST_A_FRAME and (moved == turns * step).all()
    if not counts and not any(abs(tick_s / tick - 1) < 0.03 for tick in ROUND_TICKS_S):
        # A clock that runs unevenly in no round unit is a clock with a byte of something else at its end.
        return None
    return Ticker(at, NumberFormat(f"u{8 * width}"), order, mask, wrap, step, tick_s)


def _exact(moved: IntArray) -> bool:
    step = int(np.median(moved))
    return step >= 1 and bool((moved % step == 0).all()) and bool((moved >= step).all())


def find_checksum(frames: Frames) -> tuple[Checksum | None, int | None, str | None]:
    """The checksum, its place from the end, and a note when two kinds explain the same frames."""
    payloads = sorted(set(frames.payloads) | set(frames.others))
    if len(payloads) < LEAST_PROOFS or frames.head.shape[1] < 3:
        return None, None, None
    for at in (-1, -2, -3):
        proofs = [payload[at] for payload in payloads]
        if len(set(proofs)) < LEAST_PROOFS // 2:
            continue
        hits: dict[ChecksumKind, Checksum] = {}
        for kind in _SUMS:
            for first in range(min(4, frames.head.shape[1] + at)):
                seeds = {_seed(kind, payload[first:at], proof) for payload, proof in zip(payloads, proofs, strict=True)}
                if len(seeds) == 1:
                    seed = seeds.pop()
                    made = Checksum(kind=kind, at=at, first=first, seed=seed)
                    if kind not in hits or (hits[kind].seed != 0 and seed == 0):
                        hits[kind] = made
        if len(hits) == 1:
            return next(iter(hits.values())), at, None
        if hits:
            return None, at, "The last byte may be an exclusive-or or a sum of the others; it is not checked."
        cyclic = _cyclic(payloads, at, frames.head.shape[1])
        if cyclic is not None:
            return cyclic, at, None
    return None, None, None


def _cyclic(payloads: Sequence[bytes], at: int, shortest: int) -> Checksum | None:
    """The CRC that all frames have at a place from the end."""
    for kind in ChecksumKind:
        if not kind.cyclic or at + kind.width > 0:
            continue
        proofs = [payload[len(payload) + at :][: kind.width] for payload in payloads]
        for first in range(min(4, shortest + at)):
            for order in ByteOrder if kind.width > 1 else (None,):
                step = -1 if order is ByteOrder.LITTLE else 1
                if all(
                    checksum_of(kind, payload[first:at]) == int.from_bytes(proof[::step], "big")
                    for payload, proof in zip(payloads, proofs, strict=True)
                ):
                    return Checksum(kind=kind, at=at, first=first, byte_order=order)
    return None


def _seed(kind: ChecksumKind, covered: bytes, proof: int) -> int:
    if kind is ChecksumKind.XOR:
        value = proof
        for byte in covered:
            value ^= byte
        return value
    total = sum(covered)
    return (proof - total if kind is ChecksumKind.SUM else -proof - total) & 0xFF


def find_battery(frames: Frames, segments: Sequence[LabelledSegment]) -> tuple[list[BatteryField], bool]:
    """The bytes that equal the battery as it was typed, and whether it was typed at all."""
    typed = [(k, segment.battery_percent) for k, segment in enumerate(segments) if segment.battery_percent is not None]
    if not typed:
        return [], False
    found = []
    for base, block in frames.blocks():
        off = [np.abs(block[frames.segment == j] - float(percent)).max(axis=0, initial=0.0) for j, percent in typed]
        found += [
            BatteryField(at=base + int(k), format=NumberFormat.U8) for k in np.flatnonzero(np.max(off, axis=0) <= 1.0)
        ]
        if found:
            break
    return found, True
