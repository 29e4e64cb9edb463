"""The layout of a gauge's frames as data: how to listen, which bytes are what, read from a TOML file and validated.

A layout says everything that is needed to turn the bytes of a gauge into pressures. A new gauge is a new file in
``config/gauges``, never new code. Positions are byte offsets from the start of the frame; a negative position counts
from its end, as Python's indices do.
"""

import math
import tomllib
from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from bleak.uuids import normalize_uuid_str
from pydantic import AfterValidator, Field, ValidationError, model_validator

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.explain import explain
from gaugelink.settings import Settings


class NumberFormat(StrEnum):
    """How a number is written in the bytes of a frame."""

    U8 = "u8"
    S8 = "s8"
    U16 = "u16"
    S16 = "s16"
    U24 = "u24"
    S24 = "s24"
    U32 = "u32"
    S32 = "s32"
    F32 = "f32"
    """IEEE 754 single precision."""
    F64 = "f64"
    """IEEE 754 double precision."""
    SFLOAT = "sfloat"
    """IEEE 11073-20601 16-bit float: 4-bit exponent of ten, 12-bit mantissa."""
    MFLOAT = "mfloat"
    """IEEE 11073-20601 32-bit float: 8-bit exponent of ten, 24-bit mantissa."""
    BCD = "bcd"
    """Two decimal digits to a byte, high digit in the high nibble; `bytes` says how many bytes."""
    BCD_SWAPPED = "bcd_swapped"
    """Two decimal digits to a byte, high digit in the low nibble; `bytes` says how many bytes."""
    DIGITS = "digits"
    """One decimal digit to a byte, as 0 to 9 or as its ASCII character; `bytes` says how many bytes."""


class ByteOrder(StrEnum):
    """Which byte of a number comes first."""

    LITTLE = "little"
    BIG = "big"


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


class Counts(StrEnum):
    """What a sequence counter counts."""

    FRAMES = "frames"
    SAMPLES = "samples"


class ChecksumKind(StrEnum):
    """How a frame proves itself."""

    XOR = "xor"
    SUM = "sum"
    SUM_NEGATED = "sum_negated"
    """The byte that brings the sum of all to zero."""


class Timing(StrEnum):
    """Where the time of a sample comes from."""

    STEADY = "steady"
    """The gauge samples at a steady rate: rebuilt from counters, rate and arrival times."""
    ARRIVAL = "arrival"
    """The gauge sends when it likes: the time of arrival is all there is."""


_WIDTHS = {"u8": 1, "s8": 1, "u16": 2, "s16": 2, "u24": 3, "s24": 3, "u32": 4, "s32": 4, "f32": 4, "f64": 8,
           "sfloat": 2, "mfloat": 4}  # fmt: skip
_DIGIT_FORMATS = {NumberFormat.BCD, NumberFormat.BCD_SWAPPED, NumberFormat.DIGITS}
_COUNTER_FORMATS = {NumberFormat.U8, NumberFormat.U16, NumberFormat.U24, NumberFormat.U32}


def _uuid(text: str) -> str:
    return normalize_uuid_str(text.strip())


def _hex(text: str) -> str:
    bytes.fromhex(text)
    return text


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError("must be a finite number")
    return number


_UUID_PATTERN = r"^\s*([0-9a-fA-F]{4}|[0-9a-fA-F]{8}|[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12})\s*$"
Uuid = Annotated[str, Field(pattern=_UUID_PATTERN), AfterValidator(_uuid)]
HexBytes = Annotated[str, AfterValidator(_hex)]
Finite = Annotated[float, AfterValidator(_finite)]
Position = Annotated[int, Field(ge=-512, le=511)]


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


class NumberField(Settings):
    """One number in the frame."""

    at: Position
    """Byte offset of its first byte; negative counts from the end of the frame."""
    format: NumberFormat
    bytes: Annotated[int, Field(ge=1, le=8)] | None = None
    """How many bytes, for the decimal formats alone; the other formats say it themselves."""
    byte_order: ByteOrder | None = None
    """Overrides the byte order of the layout."""

    @model_validator(mode="after")
    def _bytes_fit_format(self) -> Self:
        if (self.bytes is not None) != (self.format in _DIGIT_FORMATS):
            raise ValueError(f"bytes goes with {', '.join(sorted(_DIGIT_FORMATS))}, and only with them")
        if self.at < 0 and self.at + self.width > 0:
            raise ValueError(f"at = {self.at} leaves no room for {self.width} bytes before the end of the frame")
        return self

    @property
    def width(self) -> int:
        """Bytes that the number takes."""
        return self.bytes or _WIDTHS[self.format]


class PressureField(NumberField):
    """The samples: ``pressure = raw * scale + add`` in the layout's unit."""

    scale: Finite = 1.0
    add: Finite = 0.0
    count: Annotated[int, Field(ge=1, le=255)] | Literal["fit"] = 1
    """Samples in a frame, or ``"fit"``: as many as the frame has room for."""
    stride: Annotated[int, Field(ge=1, le=64)] | None = None
    """Bytes from one sample to the next; the width of the number when not given."""

    @property
    def step(self) -> int:
        """Bytes from one sample to the next."""
        return self.stride or self.width

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale = 0 would make every pressure the same")
        if self.step < self.width:
            raise ValueError(f"stride = {self.step} is less than the {self.width} bytes of a sample")
        if self.at < 0 and self.count != 1:
            raise ValueError("several samples need a position from the start of the frame")
        return self


class SequenceField(NumberField):
    """A counter that tells which frames were lost, doubled or came late."""

    counts: Counts = Counts.FRAMES
    mask: Annotated[int, Field(gt=0, le=0xFFFFFFFF)] | None = None
    """Bits of the number that are the counter, in one run; all of them when not given."""
    wrap: Annotated[int, Field(ge=2, le=2**32)] | None = None
    """The counter starts again at 0 when it reaches this; all its bits when not given."""

    @property
    def shift(self) -> int:
        """Bits to the right of the counter."""
        return 0 if self.mask is None else (self.mask & -self.mask).bit_length() - 1

    @property
    def period(self) -> int:
        """The counter's number of values."""
        full = (self.mask >> self.shift) + 1 if self.mask is not None else 1 << (8 * self.width)
        return self.wrap or full

    @model_validator(mode="after")
    def _is_counter(self) -> Self:
        if self.format not in _COUNTER_FORMATS:
            raise ValueError(f"a counter is one of {', '.join(sorted(_COUNTER_FORMATS))}")
        if self.mask is not None and ((self.mask >> self.shift) + 1) & (self.mask >> self.shift):
            raise ValueError(f"mask = {self.mask:#x} is not one run of bits")
        return self


class DeviceTimeField(NumberField):
    """The gauge's own time stamp."""

    tick_s: Annotated[float, Field(gt=0, le=10)]
    """Seconds of one count."""
    of: Literal["first", "last"] = "first"
    """Which sample of the frame the stamp belongs to."""

    @model_validator(mode="after")
    def _is_counter(self) -> Self:
        if self.format not in _COUNTER_FORMATS:
            raise ValueError(f"a device time is one of {', '.join(sorted(_COUNTER_FORMATS))}")
        return self


class BatteryField(NumberField):
    """The battery: ``percent = raw * scale + add``, kept within 0 to 100."""

    scale: Finite = 1.0
    add: Finite = 0.0


class StatusField(NumberField):
    """Status bits."""

    over_range: Annotated[int, Field(ge=0, le=0xFFFFFFFF)] = 0
    """Bits of which any one says that the pressure is more than the gauge can show."""
    fault: Annotated[int, Field(ge=0, le=0xFFFFFFFF)] = 0
    """Bits of which any one says that the frame holds no valid pressure."""

    @model_validator(mode="after")
    def _is_bits(self) -> Self:
        if self.format not in _COUNTER_FORMATS:
            raise ValueError(f"status bits are one of {', '.join(sorted(_COUNTER_FORMATS))}")
        return self


class Checksum(Settings):
    """One byte that proves the frame."""

    kind: ChecksumKind
    at: Position = -1
    """Byte offset of the checksum."""
    first: Annotated[int, Field(ge=0, le=511)] = 0
    """First byte that it covers; it covers all from there up to itself."""
    seed: Annotated[int, Field(ge=0, le=255)] = 0
    """What it starts from."""


class TextLine(Settings):
    """A text protocol: the pressure is a number in an ASCII line. Numbers of a line count from 0."""

    number: Annotated[int, Field(ge=0, le=31)] = 0
    """Which number of the line is the pressure."""
    prefix: str = ""
    """Every line that carries pressure starts with this; other lines are passed over."""
    scale: Finite = 1.0
    add: Finite = 0.0
    sequence: Annotated[int, Field(ge=0, le=31)] | None = None
    """Which number of the line counts the lines."""
    sequence_wrap: Annotated[int, Field(ge=2, le=2**32)] = 2**32
    battery: Annotated[int, Field(ge=0, le=31)] | None = None
    """Which number of the line is the battery, in percent."""
    decimal_comma: bool = False
    across_frames: bool = False
    """Lines end with a line feed or carriage return and may be cut by the frames; else a frame is a line."""


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
    length: Annotated[int, Field(ge=1, le=512)] | None = None
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
    """Where sample times come from; when not given, steady if anything in the layout allows it."""
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


def load_layout(source: str | Mapping[str, Any], file: str = "layout") -> GaugeLayout:
    """Read a layout from TOML text or from the table it was parsed to.

    `file` is how the source is named in a fault. Raises SettingsError that names file, key, what was found and what
    is allowed, and for a misspelt key the nearest one.
    """
    if isinstance(source, str):
        try:
            source = tomllib.loads(source)
        except tomllib.TOMLDecodeError as error:
            raise SettingsError(f"{file}: this is not valid TOML: {error}.") from error
    try:
        return GaugeLayout.model_validate(dict(source))
    except ValidationError as error:
        raise SettingsError(explain(error, file, GaugeLayout)) from error
