"""What is asked of a gauge that describes itself, and what is made of its answers."""

import asyncio
import struct
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import cast

import pytest
from bleak import BleakClient
from bleak.exc import BleakError, BleakGATTProtocolError

from gaugelink.errors import GaugeError
from gaugelink.gauge.described import describe
from gaugelink.gauge.layout import GaugeLayout, How, Reference
from gaugelink.gauge.standard import PRESENTATION_FORMAT

# Format, exponent, unit, namespace, description (Core 5.4, Vol 3 Part G, 3.3.3.5): signed 16-bit, thousandths of a bar,
# and hundredths of a degree Celsius, 0x272F of the Bluetooth assigned numbers.
PRESSURE = struct.pack("<BbHBH", 0x0E, -3, 0x2780, 1, 0)
TEMPERATURE = struct.pack("<BbHBH", 0x0E, -2, 0x272F, 1, 0)


@dataclass
class Told:
    """A characteristic, and what is answered when it is read."""

    uuid: str
    presentation: bytes | BleakError | None
    reading: bytes | BleakError
    properties: list[str] = field(default_factory=lambda: ["read", "notify"])
    service_uuid: str = "ff01"

    def get_descriptor(self, uuid: str) -> bytes | BleakError | None:
        return self.presentation if uuid == PRESENTATION_FORMAT else None


class Gauge:
    """As much of a connected client as is asked."""

    address = "F0:5A:00:00:00:01"

    def __init__(self, *characteristics: Told, is_connected: bool = True) -> None:
        self.services = [SimpleNamespace(uuid="ff01", characteristics=characteristics)]
        self.is_connected = is_connected

    async def read_gatt_descriptor(self, descriptor: bytes | BleakError) -> bytes:
        if isinstance(descriptor, BleakError):
            raise descriptor
        return descriptor

    async def read_gatt_char(self, characteristic: Told) -> bytes:
        if isinstance(characteristic.reading, BleakError):
            raise characteristic.reading
        return characteristic.reading


def described(gauge: Gauge) -> GaugeLayout:
    return asyncio.run(describe(cast(BleakClient, gauge), 1.0))


def test_what_describes_itself_as_something_else_is_passed_over() -> None:
    layout = described(
        Gauge(Told("ff02", TEMPERATURE, b"\0\0"), Told("ff03", None, b""), Told("ff04", PRESSURE, b"\0\0"))
    )
    assert layout.listen.characteristic is not None
    assert "ff04" in layout.listen.characteristic


UNCLEAR = {
    "cut": (PRESSURE[:3], GaugeError, "ff02 has 3 bytes instead of 7"),
    "no number": (struct.pack("<BbHBH", 0x1B, 0, 0x2780, 1, 0), GaugeError, "ff02 is 0x1b"),
    "refused": (BleakGATTProtocolError(2), BleakGATTProtocolError, "Read Not Permitted"),
}
"""What a characteristic says that nothing can be made of; what is said where there is no other one."""


@pytest.mark.parametrize(("presentation", "_error", "_words"), UNCLEAR.values(), ids=UNCLEAR)
def test_what_cannot_be_made_out_is_passed_over_where_another_characteristic_can(
    presentation: bytes | BleakError, _error: type[Exception], _words: str
) -> None:
    layout = described(Gauge(Told("ff02", presentation, b""), Told("ff04", PRESSURE, b"")))
    assert layout.listen.characteristic is not None
    assert "ff04" in layout.listen.characteristic


@pytest.mark.parametrize(("presentation", "error", "words"), UNCLEAR.values(), ids=UNCLEAR)
def test_what_cannot_be_made_out_is_told_where_there_is_nothing_else(
    presentation: bytes | BleakError, error: type[Exception], words: str
) -> None:
    told = [Told("ff02", presentation, b""), Told("ff03", PRESSURE[:2], b""), Told("ff04", TEMPERATURE, b"")]
    with pytest.raises(error, match=words):
        described(Gauge(*told))


def test_a_description_that_the_radio_did_not_bring_is_no_refusal() -> None:
    """Another characteristic may be of the air around."""
    with pytest.raises(BleakError, match="busy"):
        described(Gauge(Told("ff02", BleakError("busy"), b""), Told("ff04", PRESSURE, b"")))


@pytest.mark.parametrize(
    ("reading", "reference"),
    [
        (struct.pack("<h", 982), Reference.ABSOLUTE),
        (struct.pack("<h", 4), Reference.GAUGE),
        (struct.pack("<h", 8000), Reference.GAUGE),
        (b"\x01", Reference.GAUGE),
        (b"", Reference.GAUGE),
        (BleakError("not permitted"), Reference.GAUGE),
    ],
    ids=["air", "nothing", "pressure", "cut", "empty", "refused"],
)
def test_its_first_reading_tells_from_where_it_reads_when_it_can_be(
    reading: bytes | BleakError, reference: Reference
) -> None:
    assert described(Gauge(Told("ff02", PRESSURE, reading))).reference is reference


def test_a_gauge_that_cannot_be_read_is_not() -> None:
    only_sends = Told("ff02", PRESSURE, BleakError("not permitted"), ["indicate"])
    assert described(Gauge(only_sends)).listen.how is How.INDICATE


def test_a_link_that_is_lost_while_it_is_asked_is_no_answer() -> None:
    with pytest.raises(BleakError, match="gone"):
        described(Gauge(Told("ff02", PRESSURE, BleakError("gone")), is_connected=False))


def test_a_gauge_that_describes_no_pressure_is_to_be_taught() -> None:
    with pytest.raises(GaugeError, match="gaugelink learn F0:5A:00:00:00:01"):
        described(Gauge(Told("ff02", TEMPERATURE, b"\0\0"), Told("ff03", PRESSURE, b"\0\0", ["write"])))
