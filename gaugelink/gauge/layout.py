"""The layout of a gauge's frames as data: how to listen, which bytes are what, read from a TOML file and validated.

A layout says everything that is needed to turn the bytes of a gauge into pressures. A new gauge is a new file in
``config/gauges``, never new code.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any, Self

from bleak.uuids import normalize_uuid_str
from pydantic import AfterValidator, Field, model_validator

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.fields import (
    BatteryField,
    ByteOrder,
    Checksum,
    DeviceTimeField,
    HexBytes,
    NumberFormat,
    PressureField,
    SequenceField,
    StatusField,
    TextLine,
)
from gaugelink.settings import Settings, parse_settings, validate_settings

MOST_BYTES = 512
"""Of an attribute's value, and so of a frame (Core 5.4, Vol 3 Part F, 3.2.9)."""


class How(StrEnum):
    """How the gauge is listened to."""

    NOTIFY = "notify"
    INDICATE = "indicate"
    POLL = "poll"
    ADVERTISEMENT = "advertisement"


class Reference(StrEnum):
    """What zero means to the gauge."""

    GAUGE = "gauge"
    """Zero is ambient."""
    ABSOLUTE = "absolute"
    """Zero is vacuum; the reading at ambient is taken off."""


class Timing(StrEnum):
    """Where the time of a sample comes from."""

    STEADY = "steady"
    """The gauge samples at a steady rate: rebuilt from counters, rate and arrival times."""
    ARRIVAL = "arrival"
    """The gauge sends when it likes: the time of arrival is all there is."""


def _uuid(text: str) -> str:
    return normalize_uuid_str(text.strip())


_UUID_PATTERN = r"^\s*([0-9a-fA-F]{4}|[0-9a-fA-F]{8}|[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12})\s*$"
Uuid = Annotated[str, Field(pattern=_UUID_PATTERN), AfterValidator(_uuid)]


class Write(Settings):
    """Bytes that the gauge must be sent before it streams, or to keep it streaming."""

    characteristic: Uuid
    """Where to write: a 16-bit or 128-bit UUID."""
    hex: HexBytes
    """The bytes, in hexadecimal."""
    response: bool = True
    """Whether the write asks for a response."""


class KeepAlive(Write):
    """Bytes that are sent again and again while the gauge streams."""

    every_s: Annotated[float, Field(gt=0, le=3600)]
    """Seconds between writes."""


class Listen(Settings):
    """How the frames are had."""

    how: How = How.NOTIFY
    service: Uuid | None = None
    """The service; for an advertisement, the UUID of its service data."""
    characteristic: Uuid | None = None
    """The characteristic whose value is a frame. Not used for an advertisement."""
    company_id: Annotated[int, Field(ge=0, le=0xFFFF)] | None = None
    """For an advertisement: the company identifier of its manufacturer data."""
    advertised_name: str | None = None
    """The name the gauge goes by on the air, if that is how it is told from others."""
    poll_hz: Annotated[float, Field(gt=0, le=200)] | None = None
    """Reads per second, for ``how = "poll"``."""
    startup: tuple[Write, ...] = ()
    """Writes in this order after connecting, before listening."""
    keepalive: KeepAlive | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.how is How.ADVERTISEMENT:
            if (self.company_id is None) == (self.service is None):
                raise ValueError("an advertisement needs either company_id or service (its service data), not both")
        elif self.characteristic is None:
            raise ValueError(f'characteristic is missing: how = "{self.how}" needs to know what to listen to')
        if (self.how is How.POLL) != (self.poll_hz is not None):
            raise ValueError('poll_hz goes with how = "poll", and only with it')
        return self


class GaugeLayout(Settings):
    """Everything that turns a gauge's bytes into pressures."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    """A name for the kind of gauge, for people."""
    note: str = ""
    listen: Listen
    unit: PressureUnit
    """Unit of the pressure, of `range` and of `resolution`."""
    reference: Reference = Reference.GAUGE
    byte_order: ByteOrder = ByteOrder.LITTLE
    length: Annotated[int, Field(ge=1, le=MOST_BYTES)] | None = None
    """Length of a frame in bytes, when it is more than the described fields need."""
    header: HexBytes = ""
    """Bytes that every frame starts with, in hexadecimal."""
    pressure: PressureField | None = None
    text: TextLine | None = None
    """For a text protocol, instead of `pressure`."""
    sequence: SequenceField | None = None
    device_time: DeviceTimeField | None = None
    battery: BatteryField | None = None
    status: StatusField | None = None
    checksum: Checksum | None = None
    rate_hz: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Samples per second, as stated; learnt from the arrivals when not given."""
    timing: Timing | None = None
    """Where sample times come from; when not given, steady if anything in the layout allows it, or once what arrives
    shows that the gauge samples steadily (`gauge.pace`)."""
    range: Annotated[float, Field(gt=0)] | None = None
    """Full scale; a sample there or above counts as over range."""
    resolution: Annotated[float, Field(gt=0)] | None = None
    """Smallest step of the output."""

    @property
    def absolute(self) -> bool:
        """Whether the gauge reads from vacuum."""
        return self.reference is Reference.ABSOLUTE

    @property
    def steady(self) -> bool:
        """Whether sample times are rebuilt from a steady rate."""
        if self.timing is not None:
            return self.timing is Timing.STEADY
        counted = self.sequence is not None or (self.text is not None and self.text.sequence is not None)
        several = self.pressure is not None and self.pressure.count != 1
        return counted or several or self.device_time is not None or self.rate_hz is not None

    @property
    def tail(self) -> int:
        """Bytes behind the samples."""
        tail = max((-at for _, at, _ in self._others() if at < 0), default=0)
        several = self.pressure is not None and self.pressure.count == "fit"
        return max(tail, self.pressure.tail) if self.pressure is not None and several else tail

    @property
    def shortest(self) -> int:
        """Bytes that a frame needs to hold all that is described; 0 for a text."""
        pressure = self.pressure
        if pressure is None:
            return 0
        head = max([len(bytes.fromhex(self.header)), *(at + width for _, at, width in self._others() if at >= 0)])
        if pressure.count == "fit":
            return max(head, pressure.at + pressure.width + self.tail)
        if pressure.at < 0:
            return head + max(self.tail, -pressure.at)
        return max(head, pressure.at + (pressure.count - 1) * pressure.step + pressure.width) + self.tail

    def _others(self) -> list[tuple[str, int, int]]:
        """Everything in the frame but the samples: name, first byte as it stands in the file, and bytes."""
        names = ("sequence", "device_time", "battery", "status", "checksum")
        parts = [(name, getattr(self, name)) for name in names]
        return [(name, part.at, part.width) for name, part in parts if part is not None]

    @property
    def range_kpa(self) -> float | None:
        """Full scale in kPa."""
        return None if self.range is None else self.unit.to_kpa(self.range)

    @property
    def resolution_kpa(self) -> float | None:
        """Smallest step in kPa; from the scale of a whole-number format when it is not stated."""
        if self.resolution is not None:
            return self.unit.to_kpa(self.resolution)
        whole = self.pressure is not None and self.pressure.format not in {
            NumberFormat.F32, NumberFormat.F64, NumberFormat.SFLOAT, NumberFormat.MFLOAT
        }  # fmt: skip
        return self.unit.to_kpa(abs(self.pressure.scale)) if self.pressure is not None and whole else None

    @model_validator(mode="after")
    def _one_source_of_pressure(self) -> Self:
        if (self.pressure is None) == (self.text is None):
            raise ValueError("a layout has either [pressure] or [text], one of them")
        binary = (self.sequence, self.device_time, self.battery, self.status, self.checksum)
        if self.text is not None and (any(part is not None for part in binary) or self.header or self.length):
            raise ValueError("a text layout names its numbers in [text]; it has no byte positions")
        return self

    @model_validator(mode="after")
    def _has_room(self) -> Self:
        pressure = self.pressure
        if pressure is None:
            return self
        if self.length is not None and self.length < self.shortest:
            raise ValueError(f"length = {self.length}, but what is described needs {self.shortest} bytes")
        size = self.length or (MOST_BYTES if pressure.count == "fit" else self.shortest)
        at = pressure.at if pressure.at >= 0 else size + pressure.at
        last = size - self.tail if pressure.count == "fit" else at + pressure.count * pressure.step
        samples = {at + k + byte for k in range(0, last - at, pressure.step) for byte in range(pressure.width)}
        for name, first, width in (("header", 0, len(bytes.fromhex(self.header))), *self._others()):
            # What is counted from the end lies behind all samples where their number is not known.
            if first < 0 and pressure.count == "fit":
                continue
            start = first if first >= 0 else size + first
            shared = samples.intersection(range(start, start + width))
            if shared:
                raise ValueError(f"{name} and pressure share bytes {_told(shared)} of the frame")
        return self


def _told(places: set[int]) -> str:
    first, last = min(places), max(places)
    return str(first) if first == last else f"{first} to {last}"


def load_layout(source: str | Mapping[str, Any], file: str = "layout") -> GaugeLayout:
    """Read a layout from TOML text or from the table it was parsed to.

    `file` is how the source is named in a fault. Raises SettingsError that names file, key, what was found and what
    is allowed, and for a misspelt key the nearest one.
    """
    if isinstance(source, str):
        return parse_settings(GaugeLayout, source, file)
    return validate_settings(GaugeLayout, dict(source), file)
