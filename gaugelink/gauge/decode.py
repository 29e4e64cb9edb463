"""Bytes to pressures: one frame, by its layout. Pure, and never raises whatever the bytes are."""

import math
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaugelink.gauge.checksums import checksum_of
from gaugelink.gauge.fields import ByteOrder, NumberField, NumberFormat
from gaugelink.gauge.layout import GaugeLayout

FloatArray = NDArray[np.float64]

HIGHEST_BELIEVED_KPA = 20_000.0
"""Two hundred bar: no gauge for a plug hole shows it, so it is not a pressure. Common practice, no source."""
LOWEST_BELIEVED_KPA = -150.0
"""Half a bar under vacuum, for a gauge with a bad zero: less than that is a number read wrongly, a sign taken for a
pressure or the other way round."""
WIDEST = 1e280
"""A number of eight bytes beyond this is none: in kPa it would be out of a float's bounds."""
LONGEST_LINE = 256
"""Bytes of an unfinished text line that are kept; a longer line is thrown away as malformed."""


class Fault(StrEnum):
    """Why a frame became no pressure."""

    SHORT = "short"
    LONG = "long"
    MALFORMED = "malformed"


@dataclass(frozen=True, slots=True)
class Frame:
    """What one frame says."""

    pressure_kpa: FloatArray
    """Shape (n,), n at least 1: as the gauge reads, gauge or absolute."""
    over_range: bool = False
    """The gauge's own status bit, or a number that stands for more than can be shown."""
    sequence: int | None = None
    device_ticks: int | None = None
    battery_percent: float | None = None


class FrameDecoder:
    """Decodes the frames of one layout."""

    def __init__(self, layout: GaugeLayout) -> None:
        self._layout = layout
        pressure = layout.pressure
        if pressure is None:
            raise ValueError("a text layout is decoded by LineDecoder")
        self._header = bytes.fromhex(layout.header)
        self._at = pressure.at
        self._step = pressure.step
        self._width = pressure.width
        self._count = None if pressure.count == "fit" else pressure.count
        self._tail = layout.tail
        self._shortest = layout.shortest
        self._length = layout.length if self._count is None else layout.length or self._shortest
        self._wide = pressure.format is NumberFormat.F64
        self._to_kpa = layout.unit.kpa * pressure.scale
        self._add_kpa = layout.unit.kpa * pressure.add
        self._samples = _array_reader(pressure, layout.byte_order)
        self._sequence = None if layout.sequence is None else _whole(layout.sequence, layout.byte_order)
        self._ticks = None if layout.device_time is None else _whole(layout.device_time, layout.byte_order)
        self._status = None if layout.status is None else _whole(layout.status, layout.byte_order)
        self._battery = None if layout.battery is None else number_reader(layout.battery, layout.byte_order)

    def decode(self, payload: bytes) -> Frame | Fault:
        """Decode one frame. Any bytes are allowed."""
        size = len(payload)
        if size < self._shortest or (self._length is not None and size < self._length):
            return Fault.SHORT
        if self._length is not None and size > self._length:
            return Fault.LONG
        if self._header and not payload.startswith(self._header):
            return Fault.MALFORMED
        layout = self._layout
        if layout.checksum is not None and not _proves(layout, payload):
            return Fault.MALFORMED
        over = False
        if layout.status is not None and self._status is not None:
            bits = self._status(payload)
            if bits & layout.status.fault:
                return Fault.MALFORMED
            over = bool(bits & layout.status.over_range)
        count = self._count
        start = self._at if self._at >= 0 else size + self._at
        if count is None:
            room = size - self._tail - start
            count, left = divmod(room + self._step - self._width, self._step)
            if left and self._length is None:
                return Fault.MALFORMED
        raw = self._samples(payload, start, count)
        if raw is None or (self._wide and (np.isfinite(raw) & (np.abs(raw) > WIDEST)).any()):
            return Fault.MALFORMED
        pressure = raw * self._to_kpa
        if self._add_kpa:
            pressure += self._add_kpa
        values = pressure.tolist()
        # Not a number fails both comparisons of its own and hides from min and max, so the sum asks for it.
        if not (min(values) >= LOWEST_BELIEVED_KPA and max(values) <= HIGHEST_BELIEVED_KPA and sum(values) < math.inf):
            believed = _over_range_floats(pressure, layout.range_kpa)
            if believed is None:
                return Fault.MALFORMED
            pressure, over = believed, True
        sequence = None
        if layout.sequence is not None and self._sequence is not None:
            sequence = self._sequence(payload)
            if layout.sequence.mask is not None:
                sequence = (sequence & layout.sequence.mask) >> layout.sequence.shift
        battery = None
        if layout.battery is not None and self._battery is not None:
            value = self._battery(payload)
            if value is not None and math.isfinite(value):
                battery = min(100.0, max(0.0, value * layout.battery.scale + layout.battery.add))
        ticks = None if self._ticks is None else self._ticks(payload)
        return Frame(pressure, over, sequence, ticks, battery)


def _over_range_floats(pressure: FloatArray, range_kpa: float | None) -> FloatArray | None:
    # A float format has a number for "more than can be shown"; it is the full scale, if that is known.
    believed = (pressure >= LOWEST_BELIEVED_KPA) & (pressure <= HIGHEST_BELIEVED_KPA)
    if range_kpa is None or not (np.isposinf(pressure) | believed).all():
        return None
    return np.minimum(pressure, range_kpa)


def _proves(layout: GaugeLayout, payload: bytes) -> bool:
    checksum = layout.checksum
    if checksum is None:
        return True
    at = checksum.at if checksum.at >= 0 else len(payload) + checksum.at
    proof = payload[at : at + checksum.kind.width]
    little = (checksum.byte_order or layout.byte_order) is ByteOrder.LITTLE
    covered = payload[checksum.first : at]
    return int.from_bytes(proof, "little" if little else "big") == checksum_of(checksum.kind, covered, checksum.seed)


def sfloat(raw: int) -> float:
    """Decode an IEEE 11073-20601 SFLOAT. Reserved and not-a-number values are NaN; infinities are infinite.

    Special values from memory of the standard's table: 0x07FF NaN, 0x0800 not at this resolution, 0x07FE and 0x0802
    the infinities, 0x0801 reserved.
    """
    special = _SFLOAT_SPECIAL.get(raw)
    if special is not None:
        return special
    exponent = (raw >> 12) - ((raw >> 15) << 4)
    mantissa = (raw & 0x0FFF) - ((raw & 0x0800) << 1)
    return mantissa * 10.0**exponent if exponent >= 0 else mantissa / 10.0**-exponent


def mfloat(raw: int) -> float:
    """Decode an IEEE 11073-20601 FLOAT. Reserved and not-a-number values are NaN; infinities are infinite."""
    special = _MFLOAT_SPECIAL.get(raw & 0xFFFFFF)
    if special is not None:
        return special
    exponent = (raw >> 24) - ((raw >> 31) << 8)
    mantissa = (raw & 0xFFFFFF) - ((raw & 0x800000) << 1)
    return mantissa * 10.0**exponent if exponent >= 0 else mantissa / 10.0**-exponent


_SFLOAT_SPECIAL = {0x07FF: math.nan, 0x0800: math.nan, 0x0801: math.nan, 0x07FE: math.inf, 0x0802: -math.inf}
_MFLOAT_SPECIAL = {0x7FFFFF: math.nan, 0x800000: math.nan, 0x800001: math.nan, 0x7FFFFE: math.inf, 0x800002: -math.inf}


def bcd(raw: bytes, order: ByteOrder, swapped: bool) -> float | None:
    """Decode packed decimal digits, or None when a nibble is no digit."""
    value = 0
    for byte in raw if order is ByteOrder.BIG else reversed(raw):
        high, low = (byte & 15, byte >> 4) if swapped else (byte >> 4, byte & 15)
        if high > 9 or low > 9:
            return None
        value = value * 100 + high * 10 + low
    return float(value)


def digits(raw: bytes, order: ByteOrder) -> float | None:
    """Decode one decimal digit to a byte, plain or ASCII, or None when a byte is no digit."""
    value = 0
    for byte in raw if order is ByteOrder.BIG else reversed(raw):
        if byte & 15 > 9 or byte >> 4 not in (0, 3):
            return None
        value = value * 10 + (byte & 15)
    return float(value)


_STRUCT = {"u8": "B", "s8": "b", "u16": "H", "s16": "h", "u32": "I", "s32": "i", "f32": "f", "f64": "d"}


def _whole(field: NumberField, byte_order: ByteOrder) -> Callable[[bytes], int]:
    order = field.byte_order or byte_order
    at, width = field.at, field.width
    end = at + width if at + width != 0 else None

    def read(payload: bytes) -> int:
        return int.from_bytes(payload[at:end], order.value)

    return read


def number_reader(field: NumberField, byte_order: ByteOrder) -> Callable[[bytes], float | None]:
    """Make a function that reads one number of a frame; None when the bytes are not a number of that format."""
    read = scalar_reader(field.format, field.byte_order or byte_order)
    at, width = field.at, field.width

    def get(payload: bytes) -> float | None:
        start = at if at >= 0 else len(payload) + at
        return read(payload[start : start + width])

    return get


def scalar_reader(kind: NumberFormat, order: ByteOrder) -> Callable[[bytes], float | None]:
    """Make a function that turns exactly as many bytes as the format has into a number."""
    name: Literal["little", "big"] = "little" if order is ByteOrder.LITTLE else "big"
    if kind in (NumberFormat.F32, NumberFormat.F64):
        unpack = struct.Struct(("<" if order is ByteOrder.LITTLE else ">") + _STRUCT[kind]).unpack
        return lambda raw: float(unpack(raw)[0])
    if kind is NumberFormat.SFLOAT:
        return lambda raw: sfloat(int.from_bytes(raw, name))
    if kind is NumberFormat.MFLOAT:
        return lambda raw: mfloat(int.from_bytes(raw, name))
    if kind in (NumberFormat.BCD, NumberFormat.BCD_SWAPPED):
        return lambda raw: bcd(raw, order, kind is NumberFormat.BCD_SWAPPED)
    if kind is NumberFormat.DIGITS:
        return lambda raw: digits(raw, order)
    signed = kind.value.startswith("s")
    return lambda raw: float(int.from_bytes(raw, name, signed=signed))


def _array_reader(field: NumberField, byte_order: ByteOrder) -> Callable[[bytes, int, int], FloatArray | None]:
    order = field.byte_order or byte_order
    step = getattr(field, "step", field.width)
    code = _STRUCT.get(field.format)
    if code is not None:
        prefix = "<" if order is ByteOrder.LITTLE else ">"
        pad = step - field.width
        cache: dict[int, struct.Struct] = {}

        def read_packed(payload: bytes, start: int, count: int) -> FloatArray | None:
            packed = cache.get(count)
            if packed is None:
                packed = cache[count] = struct.Struct(
                    prefix + (f"{count}{code}" if pad == 0 else f"{code}{pad}x" * (count - 1) + code)
                )
            return np.array(packed.unpack_from(payload, start), dtype=np.float64)

        return read_packed
    read = scalar_reader(field.format, order)
    width = field.width

    def read_each(payload: bytes, start: int, count: int) -> FloatArray | None:
        values = [read(payload[at : at + width]) for at in range(start, start + count * step, step)]
        numbers = [value for value in values if value is not None]
        return np.array(numbers, dtype=np.float64) if len(numbers) == count else None

    return read_each


_NUMBER = re.compile(rb"[-+]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][-+]?\d{1,3})?")
_NUMBER_COMMA = re.compile(rb"[-+]?\d+(?:[,]\d*)?")


def numbers_in(line: bytes, decimal_comma: bool = False) -> list[float]:
    """All numbers of an ASCII line, in order."""
    if decimal_comma:
        return [float(found.replace(b",", b".")) for found in _NUMBER_COMMA.findall(line)]
    return [float(found) for found in _NUMBER.findall(line)]


class LineDecoder:
    """Decodes a text protocol; keeps the unfinished end of a line when frames cut lines."""

    def __init__(self, layout: GaugeLayout) -> None:
        if layout.text is None:
            raise ValueError("a binary layout is decoded by FrameDecoder")
        self._text = layout.text
        self._kpa = layout.unit.kpa
        self._prefix = layout.text.prefix.encode()
        self.restart()

    def restart(self) -> None:
        """Forget an unfinished line: the link was lost in the middle of it.

        What comes first now may be the rest of a line. Where no prefix tells that its beginning is missing it is left
        out: the end of 134.5 is 4.5.
        """
        self._held = b""
        self._cut = not self._prefix

    def decode(self, payload: bytes) -> list[Frame | Fault]:
        """Decode a frame into the lines that it completes; each is one sample. Any bytes are allowed."""
        if not self._text.across_frames:
            return [self._line(payload)]
        lines = re.split(rb"[\r\n]+", self._held + payload)
        self._held = lines.pop()
        if self._cut and lines:
            self._cut = False
            del lines[0]
        decoded = [self._line(line) for line in lines if line.startswith(self._prefix) and line.strip()]
        if len(self._held) > LONGEST_LINE:
            self.restart()
            decoded.append(Fault.MALFORMED)
        return decoded

    def _line(self, line: bytes) -> Frame | Fault:
        text = self._text
        line = line.strip(b"\x00\r\n")
        if len(line) > LONGEST_LINE:
            return Fault.LONG
        if not line.startswith(self._prefix) or not line.isascii():
            return Fault.MALFORMED
        values = numbers_in(line, text.decimal_comma)
        if len(values) <= max(text.number, text.sequence or 0, text.battery or 0):
            return Fault.SHORT
        pressure = (values[text.number] * text.scale + text.add) * self._kpa
        if not LOWEST_BELIEVED_KPA <= pressure <= HIGHEST_BELIEVED_KPA:
            return Fault.MALFORMED
        sequence = None
        if text.sequence is not None:
            counted = values[text.sequence]
            if not 0 <= counted < text.sequence_wrap or counted != int(counted):
                return Fault.MALFORMED
            sequence = int(counted)
        battery = None if text.battery is None else min(100.0, max(0.0, values[text.battery]))
        return Frame(np.array([pressure]), False, sequence, None, battery)
