"""Checksums against the published check values, in layouts, and learnt."""

import binascii

import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.checksums import checksum_of
from gaugelink.gauge.decode import Fault, Frame, FrameDecoder
from gaugelink.gauge.fields import ByteOrder, ChecksumKind
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.learn import learn
from gaugelink.gauge.learn_types import LabelledSegment
from simulators.gatt_frames import FrameWriter

CHECK = b"123456789"
# The `check` of each algorithm in the catalogue of parametrised CRC algorithms (CRC RevEng), from memory.
PUBLISHED = {
    "crc8_smbus": 0xF4,
    "crc8_maxim_dow": 0xA1,
    "crc16_arc": 0xBB3D,
    "crc16_modbus": 0x4B37,
    "crc16_ibm_3740": 0x29B1,
    "crc16_xmodem": 0x31C3,
    "crc16_kermit": 0x2189,
}


def layout_with(checksum):
    return load_layout(
        {
            "name": "x",
            "unit": "kPa",
            "byte_order": "big",
            "listen": {"characteristic": "fff1"},
            "pressure": {"at": 0, "format": "u16", "count": "fit"},
            "checksum": checksum,
        }
    )


def at_the_end(kind):
    return {"kind": kind, "at": -2 if "16" in kind else -1}


def test_every_crc_has_its_published_check_value():
    assert set(PUBLISHED) == {kind.value for kind in ChecksumKind if kind.cyclic}
    for name, check in PUBLISHED.items():
        assert checksum_of(ChecksumKind(name), CHECK) == check, name


@pytest.mark.parametrize("covered", [b"", b"\0", CHECK, bytes(range(256))])
def test_the_two_that_the_standard_library_has_are_the_same_there(covered):
    assert checksum_of(ChecksumKind.CRC16_IBM_3740, covered) == binascii.crc_hqx(covered, 0xFFFF)
    assert checksum_of(ChecksumKind.CRC16_XMODEM, covered) == binascii.crc_hqx(covered, 0)


@pytest.mark.parametrize("kind", PUBLISHED)
def test_a_frame_that_a_gauge_has_proven_is_read_and_one_with_any_bit_wrong_is_refused(kind):
    layout = layout_with(at_the_end(kind))
    sent = FrameWriter(layout, 3).write([300.0, 1200.0, 17.0], 0.0, 0.0, False)
    decoder = FrameDecoder(layout)
    frame = decoder.decode(sent)
    assert isinstance(frame, Frame)
    assert frame.pressure_kpa.tolist() == [300.0, 1200.0, 17.0]
    for bit in range(8 * len(sent)):
        wrong = bytearray(sent)
        wrong[bit // 8] ^= 1 << bit % 8
        assert decoder.decode(bytes(wrong)) is Fault.MALFORMED


def test_a_checksum_of_two_bytes_has_its_own_byte_order():
    body = bytes([0x01, 0x2C])
    low_first = body + checksum_of(ChecksumKind.CRC16_MODBUS, body).to_bytes(2, "little")
    checksum = at_the_end("crc16_modbus")
    assert FrameDecoder(layout_with(checksum)).decode(low_first) is Fault.MALFORMED
    frame = FrameDecoder(layout_with(checksum | {"byte_order": "little"})).decode(low_first)
    assert isinstance(frame, Frame)
    assert frame.pressure_kpa.tolist() == [300.0]


@pytest.mark.parametrize(
    ("checksum", "said"),
    [
        ({"kind": "crc16_modbus"}, "takes 2 bytes: at = -2"),
        ({"kind": "crc16_modbus", "at": -2, "seed": 255}, "starts from what its name says"),
        ({"kind": "crc8_smbus", "byte_order": "big"}, "goes with a checksum of two bytes"),
        ({"kind": "crc16"}, "crc16_modbus"),
    ],
)
def test_a_checksum_that_cannot_be_says_what_can(checksum, said):
    with pytest.raises(SettingsError, match=said):
        layout_with(checksum)


@pytest.mark.parametrize("order", ByteOrder)
@pytest.mark.parametrize("kind", PUBLISHED)
def test_a_crc_is_learnt_and_then_asked_for(kind, order):
    def frame(psi, number):
        body = bytes([0xA5, number % 256]) + (10 * psi + number % 3).to_bytes(2, "big")
        proof = checksum_of(ChecksumKind(kind), body[1:])
        return body + proof.to_bytes(ChecksumKind(kind).width, order.value)

    segments = [
        LabelledSegment.typed(f"{psi}.0", PressureUnit.PSI, [(0.1 * k, frame(psi, k + 40 * place)) for k in range(30)])
        for place, psi in enumerate((0, 21, 61))
    ]
    result = learn(segments)
    assert result.layout is not None, result.missing
    checksum = result.layout.checksum
    assert checksum is not None
    assert (checksum.kind.value, checksum.first) == (kind, 1)
    decoder = FrameDecoder(result.layout)
    assert isinstance(decoder.decode(frame(100, 7)), Frame)
    assert decoder.decode(frame(100, 7)[:-1] + b"\x00") is Fault.MALFORMED
