"""The numbers of a frame as data: where each stands, how it is written, and what it means.

Positions are byte offsets from the start of the frame; a negative position counts from its end, as Python's indices
do.
"""

import math
from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

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
    CRC8_SMBUS = "crc8_smbus"
    CRC8_MAXIM_DOW = "crc8_maxim_dow"
    """Of the one-wire bus."""
    CRC16_ARC = "crc16_arc"
    CRC16_MODBUS = "crc16_modbus"
    CRC16_IBM_3740 = "crc16_ibm_3740"
    """The CCITT polynomial from FFFF; often called CCITT-FALSE."""
    CRC16_XMODEM = "crc16_xmodem"
    """The CCITT polynomial from 0."""
    CRC16_KERMIT = "crc16_kermit"
    """The CCITT polynomial from 0, bits reversed; also called CCITT-TRUE."""

    @property
    def cyclic(self) -> bool:
        """Whether it is a cyclic redundancy check."""
        return self.value.startswith("crc")

    @property
    def width(self) -> int:
        """Bytes."""
        return 2 if self.value.startswith("crc16") else 1


_WIDTHS = {"u8": 1, "s8": 1, "u16": 2, "s16": 2, "u24": 3, "s24": 3, "u32": 4, "s32": 4, "f32": 4, "f64": 8,
           "sfloat": 2, "mfloat": 4}  # fmt: skip
_DIGIT_FORMATS = {NumberFormat.BCD, NumberFormat.BCD_SWAPPED, NumberFormat.DIGITS}
_COUNTER_FORMATS = {NumberFormat.U8, NumberFormat.U16, NumberFormat.U24, NumberFormat.U32}


def _hex(text: str) -> str:
    bytes.fromhex(text)
    return text


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError("must be a finite number")
    return number


MOST_SCALE = 1e9
"""Far more than any two units of pressure are apart, and too little for a number of a frame to grow out of bounds."""
HexBytes = Annotated[str, AfterValidator(_hex)]
Finite = Annotated[float, AfterValidator(_finite)]
Position = Annotated[int, Field(ge=-512, le=511)]


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


def _fits(number: NumberField, key: str, bits: int) -> None:
    if bits >> (8 * number.width):
        raise ValueError(f"{key} = {bits:#x} has bits that {number.format} does not have")


class PressureField(NumberField):
    """The samples: ``pressure = raw * scale + add`` in the layout's unit."""

    scale: Annotated[float, Field(ge=-MOST_SCALE, le=MOST_SCALE)] = 1.0
    add: Annotated[float, Field(ge=-MOST_SCALE, le=MOST_SCALE)] = 0.0
    count: Annotated[int, Field(ge=1, le=255)] | Literal["fit"] = 1
    """Samples in a frame, or ``"fit"``: as many as the frame has room for."""
    stride: Annotated[int, Field(ge=1, le=64)] | None = None
    """Bytes from one sample to the next; the width of the number when not given."""

    tail: Annotated[int, Field(ge=0, le=64)] = 0
    """Bytes behind the samples, for ``count = "fit"``, where no field with a negative position says so."""

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
        _fits(self, "mask", self.mask or 0)
        counted = self.model_copy(update={"wrap": None}).period
        if self.wrap is not None and self.wrap > counted:
            raise ValueError(f"wrap = {self.wrap} is never reached: the counter has {counted} values")
        return self


class DeviceTimeField(NumberField):
    """The gauge's own time stamp."""

    tick_s: Annotated[float, Field(ge=1e-9, le=10)]
    """Seconds of one count. Longer than a frame: the stamp is not used, and the samples are counted instead."""
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
        _fits(self, "over_range", self.over_range)
        _fits(self, "fault", self.fault)
        return self


class Checksum(Settings):
    """The byte or two that prove the frame."""

    kind: ChecksumKind
    at: Position = -1
    """Byte offset of the checksum; -2 for one of two bytes at the end."""
    byte_order: ByteOrder | None = None
    """Of a checksum of two bytes; the layout's when not given."""
    first: Annotated[int, Field(ge=0, le=511)] = 0
    """First byte that it covers; it covers all from there up to itself."""
    seed: Annotated[int, Field(ge=0, le=255)] = 0
    """What it starts from. A CRC starts from what its name says."""

    @property
    def width(self) -> int:
        """Bytes that the checksum takes."""
        return self.kind.width

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        if -self.kind.width < self.at < 0:
            raise ValueError(f"{self.kind} takes {self.kind.width} bytes: at = -2 for the last two of the frame")
        if self.kind.cyclic and self.seed:
            raise ValueError(f"seed: {self.kind} starts from what its name says")
        if self.byte_order is not None and self.kind.width == 1:
            raise ValueError(f"byte_order goes with a checksum of two bytes; {self.kind} is one")
        return self


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

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale = 0 would make every pressure the same")
        if not self.prefix.isascii() or set(self.prefix) & set("\r\n\0"):
            raise ValueError(f"no line starts with prefix = {self.prefix!r}: a line is of ASCII characters")
        return self
