"""Bytes become numbers as the standards say, and wrong bytes become faults, never pressures."""

import binascii
import math
import struct
from importlib.resources import files

import numpy as np
import pytest
import yaml
from bleak.uuids import uuid16_dict
from bluetooth_sig.gatt.characteristics.pressure import PressureCharacteristic
from bumble.gatt import GATT_CHARACTERISTIC_PRESENTATION_FORMAT_DESCRIPTOR, GATT_ENVIRONMENTAL_SENSING_SERVICE

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugeError
from gaugelink.gauge.decode import Fault, FrameDecoder, LineDecoder, mfloat, numbers_in, sfloat
from gaugelink.gauge.layout import How, Reference, load_layout
from gaugelink.gauge.session import BATTERY_LEVEL
from gaugelink.gauge.standard import (
    ENVIRONMENTAL_SENSING,
    PRESENTATION_FORMAT,
    PRESSURE,
    UNIT_NUMBERS,
    environmental_pressure,
    presented_pressure,
    quiet_reference,
)


def layout(pressure="", **rest):
    table = {"name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}, **rest}
    if pressure:
        table["pressure"] = pressure
    return load_layout(table)


def decode(payload, pressure="", **rest):
    return FrameDecoder(layout(pressure, **rest)).decode(payload)


def assigned(name):
    # The Bluetooth SIG's own assigned-number files, as the package bluetooth-sig carries them.
    path = files("bluetooth_sig") / "bluetooth_sig" / "assigned_numbers" / name
    return yaml.safe_load(path.read_text(encoding="utf-8"))


def test_standard_numbers_agree_with_the_assigned_numbers_of_two_libraries():
    # bleak.uuids.uuid16_dict and bumble.gatt.
    short = {name: int(uuid[4:8], 16) for name, uuid in {
        "Environmental Sensing": ENVIRONMENTAL_SENSING, "Pressure": PRESSURE, "Battery Level": BATTERY_LEVEL,
        "Characteristic Presentation Format": PRESENTATION_FORMAT,
    }.items()}  # fmt: skip
    for name, number in short.items():
        assert uuid16_dict[number] == name
    assert GATT_ENVIRONMENTAL_SENSING_SERVICE.to_hex_str("-").lower() == ENVIRONMENTAL_SENSING[4:8]
    assert GATT_CHARACTERISTIC_PRESENTATION_FORMAT_DESCRIPTOR.to_hex_str("-").lower() == PRESENTATION_FORMAT[4:8]


def test_unit_numbers_agree_with_the_assigned_numbers_of_two_libraries():
    names = {
        PressureUnit.PASCAL: "pressure (pascal)",
        PressureUnit.BAR: "pressure (bar)",
        PressureUnit.MMHG: "pressure (millimetre of mercury)",
        PressureUnit.PSI: "pressure (pound-force per square inch)",
    }
    sig = {unit["uuid"]: unit["name"] for unit in assigned("uuids/units.yaml")["uuids"]}
    assert set(UNIT_NUMBERS.values()) == set(names)
    for number, unit in UNIT_NUMBERS.items():
        assert uuid16_dict[number] == names[unit]
        assert sig[number] == names[unit]


@pytest.mark.parametrize("raw", [0, 1, 974_800, 1_013_250, 40_000_000])
def test_the_standard_pressure_reads_as_a_reference_library_reads_it(raw):
    # bluetooth-sig, PressureCharacteristic (0x2A6D), in pascals.
    payload = struct.pack("<I", raw)
    frame = FrameDecoder(environmental_pressure()).decode(payload)
    assert frame.pressure_kpa[0] == pytest.approx(PressureCharacteristic().parse_value(bytearray(payload)) / 1000)


def test_ieee_11073_floats_read_the_published_examples():
    # Personal Health Devices Transcoding White Paper: 36.4 is 0xFF00016C; from memory.
    assert mfloat(0xFF00016C) == 36.4
    # The same paper, systolic 120 mmHg as 0x0078; from memory.
    assert sfloat(0x0078) == 120
    assert sfloat(0xF4D2) == pytest.approx(123.4)
    assert sfloat(0x1FFF) == -10
    assert sfloat(0x8001) == pytest.approx(1e-8)
    assert mfloat(0x7F000001) == pytest.approx(1e127)
    # two's complement over 24 bits: below -1 the sign bit counts for a whole turn of them
    assert [mfloat(0x00FFFFFF), mfloat(0x00FFFFF6), mfloat(0xFFFFFE94)] == [-1, -10, -36.4]
    for raw, value in {0x07FE: math.inf, 0x0802: -math.inf}.items():
        assert sfloat(raw) == value
    assert all(math.isnan(sfloat(raw)) for raw in (0x07FF, 0x0800, 0x0801))
    assert mfloat(0x007FFFFE) == math.inf
    assert all(math.isnan(mfloat(raw)) for raw in (0x007FFFFF, 0x00800000, 0x00800001))


def test_a_sfloat_is_a_twos_complement_exponent_and_mantissa():
    # IEEE 11073-20601; written the other way round here: every exponent with a few mantissas.
    for exponent in range(-8, 8):
        for mantissa in (-2045, -1, 0, 1, 7, 2045):
            raw = (exponent & 0xF) << 12 | mantissa & 0xFFF
            if raw not in (0x7FE, 0x7FF, 0x800, 0x801, 0x802):
                assert sfloat(raw) == pytest.approx(mantissa * 10.0**exponent, rel=1e-12)


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("u8", "u1"),
        ("s8", "i1"),
        ("u16", "u2"),
        ("s16", "i2"),
        ("u32", "u4"),
        ("s32", "i4"),
        ("f32", "f4"),
        ("f64", "f8"),
    ],
)
def test_plain_numbers_read_as_numpy_reads_them(kind, code, order):
    dtype = np.dtype(code).newbyteorder("<" if order == "little" else ">")
    values = np.array([0, 1, 100, 127], dtype=dtype)
    if kind[0] != "u":
        values[0] = -5
    frame = decode(values.tobytes(), {"at": 0, "format": kind, "count": 4, "scale": 0.5, "add": 1}, byte_order=order)
    assert frame.pressure_kpa.tolist() == pytest.approx((values.astype(float) * 0.5 + 1).tolist())


@pytest.mark.parametrize(
    ("kind", "rest", "payload", "value"),
    [
        ("u24", {}, "010203", 0x030201),
        ("u24", {"byte_order": "big"}, "010203", 0x010203),
        ("s24", {"byte_order": "big"}, "fffffe", -2),
        ("bcd", {"bytes": 2, "byte_order": "big"}, "1345", 1345),
        ("bcd", {"bytes": 2}, "4513", 1345),
        ("bcd_swapped", {"bytes": 2, "byte_order": "big"}, "3154", 1345),
        ("digits", {"bytes": 4, "byte_order": "big"}, "01030405", 1345),
        ("digits", {"bytes": 4, "byte_order": "big"}, b"1345".hex(), 1345),
    ],
)
def test_uncommon_numbers(kind, rest, payload, value):
    frame = decode(bytes.fromhex(payload), {"at": 0, "format": kind, "scale": 0.001, **rest})
    assert frame.pressure_kpa.tolist() == pytest.approx([value / 1000])


@pytest.mark.parametrize(
    ("payload", "fault"),
    [
        ("", Fault.SHORT),
        ("01", Fault.SHORT),
        ("aa0100", Fault.SHORT),
        ("ab010001", Fault.MALFORMED),
        ("aa010000", Fault.MALFORMED),
        ("aa01000000", Fault.LONG),
    ],
)
def test_wrong_frames_are_faults(payload, fault):
    rest = {"header": "aa", "checksum": {"kind": "xor", "first": 1}}
    assert decode(bytes.fromhex("aa010001"), {"at": 1, "format": "u16"}, **rest).pressure_kpa.tolist() == [1.0]
    assert decode(bytes.fromhex(payload), {"at": 1, "format": "u16"}, **rest) is fault


@pytest.mark.parametrize("kind", ["xor", "sum", "sum_negated"])
def test_a_frame_with_any_one_bit_wrong_is_refused(kind):
    rest = {"checksum": {"kind": kind, "seed": 0x5A}}
    covered = bytes([7, 200, 13])
    good = [
        proof
        for proof in range(256)
        if not isinstance(decode(covered + bytes([proof]), {"at": 0, "format": "u24", "scale": 0.001}, **rest), Fault)
    ]
    assert len(good) == 1
    frame = covered + bytes(good)
    if kind == "sum_negated":
        assert (0x5A + sum(frame)) % 256 == 0
    for bit in range(32):
        wrong = bytearray(frame)
        wrong[bit // 8] ^= 1 << bit % 8
        assert decode(bytes(wrong), {"at": 0, "format": "u24", "scale": 0.001}, **rest) is Fault.MALFORMED


@pytest.mark.parametrize("payload", [struct.pack("<f", value) for value in (math.nan, math.inf, -math.inf, 3e38)])
def test_a_float_that_is_no_pressure_is_malformed(payload):
    assert decode(payload, {"at": 0, "format": "f32"}) is Fault.MALFORMED


def test_the_infinity_of_a_float_gauge_with_a_known_range_is_over_range():
    frame = decode(struct.pack("<2H", 0x07FE, 100), {"at": 0, "format": "sfloat", "count": 2}, range=2000)
    assert frame.over_range
    assert frame.pressure_kpa.tolist() == [2000, 100]


def test_fields_may_stand_before_and_behind_as_many_samples_as_fit():
    rest = {
        "battery": {"at": -2, "format": "u8", "scale": 0.5},
        "checksum": {"kind": "sum"},
        "sequence": {"at": 0, "format": "u8"},
    }
    pressure = {"at": 1, "format": "u16", "count": "fit"}
    for count in (1, 2, 9):
        body = bytes([9]) + struct.pack(f"<{count}H", *range(count)) + bytes([200])
        frame = decode(body + bytes([sum(body) % 256]), pressure, **rest)
        assert frame.pressure_kpa.tolist() == list(range(count))
        assert (frame.sequence, frame.battery_percent) == (9, 100.0)
    odd = bytes([9, 1, 0, 7, 200])
    assert decode(odd + bytes([sum(odd) % 256]), pressure, **rest) is Fault.MALFORMED


@pytest.mark.parametrize(("raw", "percent"), [(0, 10.0), (100, 60.0), (255, 100.0)])
def test_a_battery_is_scaled_shifted_and_never_more_than_full(raw, percent):
    battery = {"at": 1, "format": "u8", "scale": 0.5, "add": 10}
    assert decode(bytes([7, raw]), {"at": 0, "format": "u8"}, battery=battery).battery_percent == percent


@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize("kpa", [-151, 20_001])
def test_one_pressure_that_no_gauge_shows_makes_the_whole_frame_malformed(place, kpa):
    samples = [100, 100, 100]
    samples[place] = kpa
    pressure = {"at": 0, "format": "s16", "count": 3}
    assert decode(struct.pack("<3h", *samples), pressure) is Fault.MALFORMED
    samples[place] = -150 if kpa < 0 else 20_000
    assert decode(struct.pack("<3h", *samples), pressure).pressure_kpa.tolist() == samples


def test_samples_may_stand_apart():
    frame = decode(bytes([1, 99, 2, 99, 3]), {"at": 0, "format": "u8", "stride": 2, "count": "fit"})
    assert frame.pressure_kpa.tolist() == [1, 2, 3]


def test_status_bits():
    status = {"at": 0, "format": "u8", "over_range": 0x01, "fault": 0x80}
    pressure = {"at": 1, "format": "u8"}
    assert decode(b"\x01\x05", pressure, status=status).over_range
    assert not decode(b"\x02\x05", pressure, status=status).over_range
    assert decode(b"\x81\x05", pressure, status=status) is Fault.MALFORMED


def test_numbers_in_a_line():
    assert numbers_in(b"#12 P=+134.5psi T -3 .5 1e2") == [12, 134.5, -3, 0.5, 100]
    assert numbers_in(b"P 9,25 bar", decimal_comma=True) == [9.25]


def test_text_lines_are_put_together_across_frames():
    decoder = LineDecoder(layout(text={"prefix": "P", "across_frames": True, "number": 0, "battery": 1}))
    assert decoder.decode(b"ignored\r\nP 12") == []
    frames = decoder.decode(b"3.5 88\r\n\r\nP 7 88\nP")
    assert [frame.pressure_kpa[0] for frame in frames] == [123.5, 7]
    assert frames[0].battery_percent == 88
    assert decoder.decode(b"\n") == [Fault.SHORT]
    assert decoder.decode(b"x" * 300) == [Fault.MALFORMED]


def test_the_end_of_a_line_whose_beginning_is_missing_is_no_pressure():
    decoder = LineDecoder(layout(text={"across_frames": True}))
    assert decoder.decode(b"4.5\r\n13") == []
    assert [frame.pressure_kpa[0] for frame in decoder.decode(b"4.6\r\n13")] == [134.6]
    decoder.restart()
    assert decoder.decode(b"4.7\r\n") == []
    assert [frame.pressure_kpa[0] for frame in decoder.decode(b"134.8\r\n")] == [134.8]
    assert decoder.decode(b"1" * 300) == [Fault.MALFORMED]
    assert decoder.decode(b"34.9\r\n") == []


@pytest.mark.parametrize(
    ("count", "is_one"), [("7", True), ("99", True), ("7.5", False), ("100", False), ("-1", False)]
)
def test_the_count_of_a_line_is_a_whole_number_of_its_turn(count, is_one):
    decoder = LineDecoder(layout(text={"number": 1, "sequence": 0, "sequence_wrap": 100}))
    (found,) = decoder.decode(f"{count} 20\n".encode())
    assert (found is not Fault.MALFORMED) is is_one


def test_a_line_that_is_not_text_is_malformed():
    decoder = LineDecoder(layout(text={"number": 0}))
    assert decoder.decode(b"\xff12") == [Fault.MALFORMED]
    assert decoder.decode(b"no number") == [Fault.SHORT]
    assert decoder.decode(b"1e999") == [Fault.MALFORMED]


def presentation(code, exponent, unit):
    return struct.pack("<BbHBH", code, exponent, unit, 1, 0)


def test_a_presentation_format_describes_every_number_format_by_its_assigned_code():
    names = {entry["value"]: entry["short_name"] for entry in assigned("core/formattypes.yaml")["formattypes"]}
    shorts = {"medfloat16": "sfloat", "medfloat32": "mfloat", "float32": "f32", "float64": "f64"}
    seen = 0
    for code, name in names.items():
        wanted = shorts.get(name) or name.replace("uint", "u").replace("sint", "s")
        if wanted not in {"u8", "u16", "u24", "u32", "s8", "s16", "s24", "s32", *shorts.values()}:
            continue
        made = presented_pressure("181a", "fff1", presentation(code, -2, 0x2780))
        assert made.pressure.format == wanted
        assert made.pressure.scale == (1.0 if name in shorts else 0.01)
        assert made.unit is PressureUnit.BAR
        seen += 1
    assert seen == 12


def test_a_presentation_format_of_text_is_a_text_layout():
    made = presented_pressure("181a", "fff1", presentation(0x19, 0, 0x27A5), how=How.POLL)
    assert LineDecoder(made).decode(b"14.7")[0].pressure_kpa[0] == pytest.approx(101.35, abs=0.01)


def test_a_presentation_format_that_is_not_of_pressure_or_not_a_number():
    assert presented_pressure("181a", "fff1", presentation(0x06, 0, 0x272F)) is None
    with pytest.raises(GaugeError, match="0x1b"):
        presented_pressure("181a", "fff1", presentation(0x1B, 0, 0x2724))
    with pytest.raises(GaugeError, match="the exponent 100, which is of no pressure"):
        presented_pressure("181a", "fff1", presentation(0x06, 100, 0x2724))
    with pytest.raises(GaugeError, match="3 bytes"):
        presented_pressure("181a", "fff1", b"\x06\x00\x24")


def test_a_reading_in_open_air_tells_gauge_from_absolute():
    assert quiet_reference(101.0) is Reference.ABSOLUTE
    assert quiet_reference(0.4) is Reference.GAUGE
    assert quiet_reference(300.0) is None


@pytest.mark.parametrize("number", [1e308, -1e308, 1e290])
def test_a_number_that_would_grow_out_of_bounds_is_malformed_and_makes_no_noise(number):
    table = {"name": "x", "unit": "psi", "listen": {"characteristic": "fff1"}, "range": 100}
    for scale in (1.0, 1e9):
        layout = load_layout(table | {"pressure": {"at": 0, "format": "f64", "scale": scale}})
        assert FrameDecoder(layout).decode(struct.pack("<d", number)) is Fault.MALFORMED


@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_sample_that_is_not_a_number_makes_the_whole_frame_malformed_wherever_it_stands(place):
    # IEEE 754-2019, 5.11: every comparison with NaN is false, so it is neither too high nor too low.
    samples = [100.0, 100.0, 100.0]
    samples[place] = math.nan
    for rest in ({}, {"range": 2000}):
        assert decode(struct.pack("<3f", *samples), {"at": 0, "format": "f32", "count": 3}, **rest) is Fault.MALFORMED


def test_a_frame_is_as_long_as_is_stated_and_what_is_behind_its_fields_is_no_pressure():
    pressure = {"at": 0, "format": "u16"}
    assert decode(b"\x64\x00\xff\xff\xff", pressure, length=5).pressure_kpa.tolist() == [100]
    assert decode(b"\x64\x00\xff\xff", pressure, length=5) is Fault.SHORT
    assert decode(b"\x64\x00", pressure | {"count": "fit"}).pressure_kpa.tolist() == [100]
    assert decode(b"\x64", pressure | {"count": "fit"}) is Fault.SHORT


def test_a_checksum_may_stand_before_what_it_does_not_cover():
    rest = {"checksum": {"kind": "sum", "at": 2}}
    assert decode(bytes([3, 4, 7, 99]), {"at": 0, "format": "u8", "count": 2}, length=4, **rest).pressure_kpa[1] == 4
    assert decode(bytes([3, 4, 8, 99]), {"at": 0, "format": "u8", "count": 2}, length=4, **rest) is Fault.MALFORMED


@pytest.mark.parametrize("order", ["little", "big"])
def test_a_checksum_of_two_bytes_is_in_the_byte_order_of_the_frame(order):
    # binascii.crc_hqx of the standard library, from 0: CRC-16/XMODEM.
    covered = bytes([3, 4])
    proof = binascii.crc_hqx(covered, 0).to_bytes(2, order)
    rest = {"checksum": {"kind": "crc16_xmodem", "at": -2}, "byte_order": order}
    assert decode(covered + proof, {"at": 0, "format": "u8", "count": 2}, **rest).pressure_kpa.tolist() == [3, 4]
    assert decode(covered + proof[::-1], {"at": 0, "format": "u8", "count": 2}, **rest) is Fault.MALFORMED
