"""A simulated gauge writes what its layout says; the project's decoder, written apart from it, reads it back."""

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaugelink.gauge.decode import Fault, FrameDecoder, LineDecoder
from gaugelink.gauge.fields import ByteOrder, ChecksumKind, NumberFormat
from gaugelink.gauge.layout import GaugeLayout
from simulators.gatt_frames import FrameWriter, number_bytes


def layout(**parts: Any) -> GaugeLayout:
    base = {"name": "made", "unit": "psi", "listen": {"service": "ff01", "characteristic": "ff02"}}
    return GaugeLayout.model_validate(base | parts)


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize(
    ("kind", "number", "big_endian"),
    [
        # Whole numbers and IEEE 754 against Python's struct; the decimal formats are worked by hand.
        (NumberFormat.U8, 200.0, struct.pack(">B", 200)),
        (NumberFormat.S16, -1234.0, struct.pack(">h", -1234)),
        (NumberFormat.U24, 70000.0, struct.pack(">I", 70000)[1:]),
        (NumberFormat.S24, -70000.0, struct.pack(">i", -70000)[1:]),
        (NumberFormat.U32, 4e9, struct.pack(">I", 4_000_000_000)),
        (NumberFormat.F32, 1.5, struct.pack(">f", 1.5)),
        (NumberFormat.F64, -2.25, struct.pack(">d", -2.25)),
        # Beyond the format: the nearest that it holds.
        (NumberFormat.U8, 300.0, b"\xff"),
        (NumberFormat.S16, 1e6, struct.pack(">h", 32767)),
    ],
)
def test_numbers_are_written_as_their_format_says(
    kind: NumberFormat, number: float, big_endian: bytes, order: ByteOrder
) -> None:
    expected = big_endian if order is ByteOrder.BIG else big_endian[::-1]
    assert number_bytes(kind, number, len(big_endian), order) == expected


def test_decimal_digits_are_written_as_their_format_says() -> None:
    assert number_bytes(NumberFormat.BCD, 1234.0, 2, ByteOrder.BIG) == b"\x12\x34"
    assert number_bytes(NumberFormat.BCD_SWAPPED, 1234.0, 2, ByteOrder.BIG) == b"\x21\x43"
    assert number_bytes(NumberFormat.BCD, 1234.0, 2, ByteOrder.LITTLE) == b"\x34\x12"
    assert number_bytes(NumberFormat.DIGITS, 42.0, 4, ByteOrder.BIG) == b"0042"


def test_a_medical_float_is_written_as_in_its_standards_example() -> None:
    # IEEE 11073-20601 FLOAT (from memory): an exponent byte, then a 24-bit mantissa; 36.4 may be 364 * 10^-1.
    octets = number_bytes(NumberFormat.MFLOAT, 36.4, 4, ByteOrder.BIG)
    exponent = struct.unpack(">b", octets[:1])[0]
    mantissa = int.from_bytes(octets[1:], "big", signed=True)
    assert mantissa * 10.0**exponent == pytest.approx(36.4, rel=1e-6)


@settings(max_examples=150, deadline=None)
@given(
    kind=st.sampled_from(
        [NumberFormat.U16, NumberFormat.S16, NumberFormat.U24, NumberFormat.S32, NumberFormat.F32, NumberFormat.SFLOAT,
         NumberFormat.MFLOAT]
    ),
    order=st.sampled_from(list(ByteOrder)),
    header=st.binary(max_size=3),
    count=st.integers(1, 6),
    checksum=st.sampled_from([None, *ChecksumKind]),
    counter=st.booleans(),
    battery=st.integers(0, 100),
    psi=st.lists(st.floats(0.0, 200.0), min_size=6, max_size=6),
)  # fmt: skip
def test_what_is_written_is_read_back(
    kind: NumberFormat, order: ByteOrder, header: bytes, count: int, checksum: ChecksumKind | None, counter: bool,
    battery: int, psi: list[float],
) -> None:  # fmt: skip
    parts: dict[str, Any] = {
        "byte_order": order,
        "header": header.hex(),
        "battery": {"at": len(header), "format": "u8"},
    }
    at = len(header) + 1
    if counter:
        parts["sequence"] = {"at": at, "format": "u16", "mask": 0x0FF0}
        at += 2
    parts["pressure"] = {
        "at": at,
        "format": kind,
        "scale": 1.0 if "float" in kind or kind == "f32" else 0.01,
        "count": count,
    }
    if checksum is not None:
        seed = {} if checksum.cyclic else {"seed": 0x5A}
        parts["checksum"] = {"kind": checksum, "at": -checksum.width, **seed}
    its = layout(**parts)
    writer, decoder = FrameWriter(its), FrameDecoder(its)
    kpa = [its.unit.to_kpa(each) for each in psi[:count]]
    for number in range(3):
        frame = decoder.decode(writer.write(kpa, 0.0, battery, False))
        assert not isinstance(frame, Fault)
        # SFLOAT has 12 bits: 1 in 2045, halved by rounding, and a decade's worth of exponent.
        tolerance = 0.051 if kind is NumberFormat.SFLOAT else 0.0051
        assert np.abs(frame.pressure_kpa / its.unit.to_kpa(1.0) - psi[:count]).max() <= tolerance
        assert frame.battery_percent == battery
        assert frame.sequence == (number if counter else None)


@pytest.mark.parametrize("comma", [False, True])
def test_a_text_line_is_read_back(comma: bool) -> None:
    its = layout(text={"prefix": "P", "number": 0, "sequence": 1, "battery": 2, "across_frames": True,
                       "decimal_comma": comma})  # fmt: skip
    writer, decoder = FrameWriter(its), LineDecoder(its)
    line = writer.write([its.unit.to_kpa(145.25)], 0.0, 88.0, False)
    assert line == (b"P145,250;0;88\r\n" if comma else b"P145.250 0 88\r\n")
    (frame,) = decoder.decode(line)
    assert not isinstance(frame, Fault)
    assert frame.pressure_kpa[0] == pytest.approx(its.unit.to_kpa(145.25), abs=0.01)
    assert (frame.sequence, frame.battery_percent) == (0, 88.0)


def test_frames_that_fit_fill_the_room_and_no_more() -> None:
    its = layout(sequence={"at": 0, "format": "u16"}, pressure={"at": 2, "format": "u16", "count": "fit"},
                 checksum={"kind": "xor"})  # fmt: skip
    writer = FrameWriter(its, 50)
    for room in range(5, 60):
        count = writer.samples_in(room)
        assert len(writer.write([0.0] * count, 0.0, 0.0, False)) <= room
        assert len(writer.write([0.0] * (count + 1), 0.0, 0.0, False)) > room


def test_a_number_of_samples_that_the_layout_does_not_allow_is_refused() -> None:
    its = layout(pressure={"at": 0, "format": "u16", "count": 4})
    with pytest.raises(ValueError, match="the layout has 4 samples to a frame, not 5"):
        FrameWriter(its, 5)
