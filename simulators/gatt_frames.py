"""The bytes that a simulated gauge sends: the inverse of a layout, written on its own so that it checks the decoder."""

import math
import re
import struct

from gaugelink.gauge.fields import ByteOrder, ChecksumKind, Counts, NumberField, NumberFormat, TextLine
from gaugelink.gauge.layout import GaugeLayout

_INTEGERS = {
    NumberFormat.U8: (1, False),
    NumberFormat.S8: (1, True),
    NumberFormat.U16: (2, False),
    NumberFormat.S16: (2, True),
    NumberFormat.U24: (3, False),
    NumberFormat.S24: (3, True),
    NumberFormat.U32: (4, False),
    NumberFormat.S32: (4, True),
}


class FrameWriter:
    """Writes frames of one layout, with the gauge's counters.

    Pressures go in as the gauge means them: from vacuum when the layout is absolute, else from ambient.
    """

    def __init__(self, layout: GaugeLayout, samples_per_frame: int | None = None) -> None:
        """Raise ValueError when a number of samples is asked for that the layout does not allow."""
        fixed = 1 if layout.pressure is None else layout.pressure.count
        if samples_per_frame is not None and fixed not in ("fit", samples_per_frame):
            raise ValueError(f"the layout has {fixed} samples to a frame, not {samples_per_frame}")
        self.layout = layout
        self._wanted = samples_per_frame or (10 if fixed == "fit" else int(fixed))
        self._samples = 0
        self._frames = 0

    def samples_in(self, room: int) -> int:
        """How many samples the next frame takes, when it may be `room` bytes long."""
        pressure = self.layout.pressure
        if pressure is None or pressure.count != "fit":
            return self._wanted
        overhead = self._size(1) - pressure.width
        return max(1, min(self._wanted, (room - overhead - pressure.width) // pressure.step + 1))

    def skip(self, samples: int) -> None:
        """Count a frame of so many samples that nobody was there to hear."""
        self._samples += samples
        self._frames += 1

    def write(self, pressure_kpa: list[float], time_s: float, battery_percent: float, over_range: bool) -> bytes:
        """The next frame. `time_s` is the gauge's own time of the first sample."""
        if self.layout.text is not None:
            frame = self._line(self.layout.text, pressure_kpa[0], battery_percent)
        else:
            frame = self._binary(pressure_kpa, time_s, battery_percent, over_range)
        self.skip(len(pressure_kpa))
        return frame

    def _fields(self) -> list[NumberField]:
        parts = (self.layout.sequence, self.layout.device_time, self.layout.battery, self.layout.status)
        return [part for part in parts if part is not None]

    def _size(self, samples: int) -> int:
        layout, pressure = self.layout, self.layout.pressure
        assert pressure is not None
        if layout.length is not None and pressure.count != "fit":
            return layout.length
        places = [(field.at, field.width) for field in self._fields()]
        places.append((pressure.at, (samples - 1) * pressure.step + pressure.width))
        if layout.checksum is not None:
            places.append((layout.checksum.at, layout.checksum.kind.width))
        head = max([len(layout.header) // 2, *(at + width for at, width in places if at >= 0)])
        return head + max((-at for at, _ in places if at < 0), default=0)

    def _binary(self, pressure_kpa: list[float], time_s: float, battery_percent: float, over_range: bool) -> bytes:
        layout, pressure = self.layout, self.layout.pressure
        assert pressure is not None
        frame = bytearray(self._size(len(pressure_kpa)))
        header = bytes.fromhex(layout.header)
        frame[: len(header)] = header
        if layout.sequence is not None:
            sequence = layout.sequence
            counted = self._samples if sequence.counts is Counts.SAMPLES else self._frames
            self._put(frame, sequence, (counted % sequence.period) << sequence.shift)
        if layout.device_time is not None:
            stamp = layout.device_time
            at_s = time_s
            if stamp.of == "last" and layout.rate_hz:
                at_s += (len(pressure_kpa) - 1) / layout.rate_hz
            self._put(frame, stamp, round(at_s / stamp.tick_s) % (1 << (8 * stamp.width)))
        if layout.battery is not None:
            self._put(frame, layout.battery, (battery_percent - layout.battery.add) / layout.battery.scale)
        if layout.status is not None:
            over_bit = layout.status.over_range & -layout.status.over_range
            self._put(frame, layout.status, over_bit if over_range else 0)
        order, width = pressure.byte_order or layout.byte_order, pressure.width
        per_unit_kpa = layout.unit.to_kpa(1.0)
        for index, kpa in enumerate(pressure_kpa):
            raw = (kpa / per_unit_kpa - pressure.add) / pressure.scale
            at = pressure.at + index * pressure.step
            at = at if at >= 0 else len(frame) + at
            frame[at : at + width] = number_bytes(pressure.format, raw, width, order)
        if layout.checksum is not None:
            at = layout.checksum.at if layout.checksum.at >= 0 else len(frame) + layout.checksum.at
            kind, order = layout.checksum.kind, layout.checksum.byte_order or layout.byte_order
            proof = _checksum(kind, layout.checksum.seed, bytes(frame[layout.checksum.first : at]))
            frame[at : at + kind.width] = proof.to_bytes(kind.width, order.value)
        return bytes(frame)

    def _put(self, frame: bytearray, field: NumberField, value: float) -> None:
        octets = number_bytes(field.format, value, field.width, field.byte_order or self.layout.byte_order)
        at = field.at if field.at >= 0 else len(frame) + field.at
        frame[at : at + len(octets)] = octets

    def _line(self, text: TextLine, kpa: float, battery_percent: float) -> bytes:
        numbers = {text.number: (kpa / self.layout.unit.to_kpa(1.0) - text.add) / text.scale}
        if text.sequence is not None:
            numbers[text.sequence] = self._frames % text.sequence_wrap
        if text.battery is not None:
            numbers[text.battery] = round(battery_percent)
        # A digit in the prefix is a number of the line too.
        already = len(re.findall(r"\d+", text.prefix))
        words = [_decimal(numbers.get(index, 0)) for index in range(already, max(numbers) + 1)]
        line = text.prefix + (";" if text.decimal_comma else " ").join(words)
        if text.decimal_comma:
            line = line.replace(".", ",")
        return line.encode() + (b"\r\n" if text.across_frames else b"")


def _decimal(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.3f}"


_POLYNOMIALS = {
    ChecksumKind.CRC8_SMBUS: (8, 0x07, 0, False),
    ChecksumKind.CRC8_MAXIM_DOW: (8, 0x31, 0, True),
    ChecksumKind.CRC16_ARC: (16, 0x8005, 0, True),
    ChecksumKind.CRC16_MODBUS: (16, 0x8005, 0xFFFF, True),
    ChecksumKind.CRC16_IBM_3740: (16, 0x1021, 0xFFFF, False),
    ChecksumKind.CRC16_XMODEM: (16, 0x1021, 0, False),
    ChecksumKind.CRC16_KERMIT: (16, 0x1021, 0, True),
}
"""Bits, polynomial without its highest bit, first register, and whether bits go lowest first. From memory; the
published check values prove them."""


def _reversed(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)


def _cyclic(kind: ChecksumKind, covered: bytes) -> int:
    """Long division, bit by bit, as the definition has it."""
    bits, polynomial, register, lowest_first = _POLYNOMIALS[kind]
    for octet in covered:
        register ^= (_reversed(octet, 8) if lowest_first else octet) << (bits - 8)
        for _ in range(8):
            register = (register << 1) ^ (polynomial if register >> (bits - 1) else 0)
            register &= (1 << bits) - 1
    return _reversed(register, bits) if lowest_first else register


def _checksum(kind: ChecksumKind, seed: int, covered: bytes) -> int:
    if kind in _POLYNOMIALS:
        return _cyclic(kind, covered)
    if kind is ChecksumKind.XOR:
        for octet in covered:
            seed ^= octet
        return seed
    total = (seed + sum(covered)) % 256
    return total if kind is ChecksumKind.SUM else (256 - total) % 256


def number_bytes(kind: NumberFormat, value: float, width: int, order: ByteOrder) -> bytes:
    """One number in a format of the layout. A number beyond what the format holds becomes the nearest it does hold."""
    if kind in _INTEGERS:
        width, signed = _INTEGERS[kind]
        low, high = (-(1 << (8 * width - 1)), (1 << (8 * width - 1)) - 1) if signed else (0, (1 << (8 * width)) - 1)
        return min(high, max(low, round(value))).to_bytes(width, order.value, signed=signed)
    if kind in (NumberFormat.F32, NumberFormat.F64):
        letter = "f" if kind is NumberFormat.F32 else "d"
        return struct.pack(("<" if order is ByteOrder.LITTLE else ">") + letter, value)
    if kind in (NumberFormat.SFLOAT, NumberFormat.MFLOAT):
        return _decimal_float(value, *((12, 4) if kind is NumberFormat.SFLOAT else (24, 8)), order)
    if kind is NumberFormat.DIGITS:
        return _ordered(f"{min(10**width - 1, max(0, round(value))):0{width}d}".encode(), order)
    digits = f"{min(100**width - 1, max(0, round(value))):0{2 * width}d}"
    pairs = [digits[at : at + 2] for at in range(0, 2 * width, 2)]
    if kind is NumberFormat.BCD_SWAPPED:
        pairs = [pair[::-1] for pair in pairs]
    return _ordered(bytes(int(pair, 16) for pair in pairs), order)


def _ordered(big_endian: bytes, order: ByteOrder) -> bytes:
    return big_endian if order is ByteOrder.BIG else big_endian[::-1]


def _decimal_float(value: float, mantissa_bits: int, exponent_bits: int, order: ByteOrder) -> bytes:
    """IEEE 11073-20601 floats: mantissa times a power of ten; the ends of the mantissa's range are special values."""
    largest = (1 << (mantissa_bits - 1)) - 3
    lowest, highest = -(1 << (exponent_bits - 1)), (1 << (exponent_bits - 1)) - 1
    share = abs(value) / largest
    # What is too small for the smallest exponent, or for the division, is nothing.
    exponent = max(lowest, math.ceil(math.log10(share))) if share > 0 else lowest
    exponent = min(exponent, highest)
    mantissa = min(largest, max(-largest, round(value / 10.0**exponent)))
    raw = ((exponent & ((1 << exponent_bits) - 1)) << mantissa_bits) | (mantissa & ((1 << mantissa_bits) - 1))
    return raw.to_bytes((mantissa_bits + exponent_bits) // 8, order.value)
