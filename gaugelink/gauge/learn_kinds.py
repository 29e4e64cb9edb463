"""Every way a number can be written in a few bytes, read and written for whole arrays of frames at once."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaugelink.gauge.decode import scalar_reader
from gaugelink.gauge.fields import ByteOrder, NumberFormat

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

LITTLE, BIG = ByteOrder.LITTLE, ByteOrder.BIG
_DIGITS = (NumberFormat.BCD, NumberFormat.BCD_SWAPPED, NumberFormat.DIGITS)
_FLOATS = {NumberFormat.F32: 4, NumberFormat.F64: 8}
_IEEE_11073 = {NumberFormat.SFLOAT: 2, NumberFormat.MFLOAT: 4}


@dataclass(frozen=True, slots=True)
class Kind:
    """A format, its byte order and its width."""

    format: NumberFormat
    order: ByteOrder
    width: int

    @property
    def decimal(self) -> bool:
        """Whether its bytes are decimal digits."""
        return self.format in _DIGITS

    @property
    def floating(self) -> bool:
        """Whether it carries its own point."""
        return self.format in _FLOATS or self.format in _IEEE_11073

    @property
    def coarse(self) -> float:
        """Half the relative step of a float with a short mantissa: 2048 with one digit left over."""
        return 0.0025 if self.format is NumberFormat.SFLOAT else 0.0

    @property
    def signed(self) -> bool:
        """Whether it is a whole number with a sign."""
        return not self.floating and self.format.value.startswith("s")

    @property
    def lowest(self) -> float:
        """Least number that it can hold."""
        return -(2.0 ** (8 * self.width - 1)) if self.signed else (-np.inf if self.floating else 0.0)

    @property
    def highest(self) -> float:
        """Greatest number that it can hold."""
        if self.floating:
            return np.inf
        if self.decimal:
            return 10.0 ** (self.width if self.format is NumberFormat.DIGITS else 2 * self.width) - 1
        return 2.0 ** (8 * self.width - self.signed) - 1

    @property
    def cost(self) -> float:
        """How seldom makers choose it; common practice, no source.

        Of two that read alike the signed one is safer: a zero that is a little low does not become a full scale.
        """
        base = {2: 0.0, 1: 1.0, 4: 1.0, 3: 2.0}.get(self.width, 3.0)
        return base + (1.0 if self.decimal or self.floating else 0.0) + (0.0 if self.signed else 0.25)

    @property
    def last_byte(self) -> int:
        """Offset of the byte that moves most: the least significant of a whole number."""
        return 0 if self.order is LITTLE else self.width - 1


def all_kinds() -> Iterator[Kind]:
    """Every kind that is tried."""
    for sign in "us":
        yield Kind(NumberFormat(f"{sign}8"), LITTLE, 1)
    for order in (LITTLE, BIG):
        for width in (2, 3, 4):
            for sign in "us":
                yield Kind(NumberFormat(f"{sign}{8 * width}"), order, width)
        for formats in (_FLOATS, _IEEE_11073):
            for kind, width in formats.items():
                yield Kind(kind, order, width)
        for kind in (NumberFormat.BCD, NumberFormat.BCD_SWAPPED):
            for width in (1, 2, 3, 4):
                if width > 1 or order is LITTLE:
                    yield Kind(kind, order, width)
        for width in (2, 3, 4, 5, 6):
            yield Kind(NumberFormat.DIGITS, order, width)


KINDS = tuple(all_kinds())


def values_of(kind: Kind, cells: ByteArray) -> FloatArray:
    """Read numbers. `cells` has shape (..., width); NaN where the bytes are no number of that kind."""
    if kind.order is BIG:
        cells = cells[..., ::-1]
    if kind.format in _FLOATS:
        code = "<f4" if kind.width == 4 else "<f8"
        raw = np.ascontiguousarray(cells).view(code)[..., 0]
        with np.errstate(invalid="ignore", over="ignore"):
            numbers = raw.astype(np.float64)
        return np.where(np.abs(numbers) < 1e9, numbers, np.nan)
    if kind.decimal:
        return _decimal_values(kind, cells)
    raw_int = np.zeros(cells.shape[:-1], dtype=np.int64)
    for k in range(kind.width):
        raw_int += cells[..., k].astype(np.int64) << (8 * k)
    if kind.format in _IEEE_11073:
        return _ieee_11073_values(kind, raw_int)
    if kind.signed:
        raw_int -= (raw_int >> (8 * kind.width - 1)) << (8 * kind.width)
    return raw_int.astype(np.float64)


def _decimal_values(kind: Kind, cells: ByteArray) -> FloatArray:
    number = np.zeros(cells.shape[:-1])
    good = np.ones(cells.shape[:-1], dtype=bool)
    for k in range(kind.width):
        high, low = cells[..., k] >> 4, cells[..., k] & 15
        if kind.format is NumberFormat.DIGITS:
            good &= (low <= 9) & ((high == 0) | (high == 3))
            number += low * 10.0**k
            continue
        if kind.format is NumberFormat.BCD_SWAPPED:
            high, low = low, high
        good &= (low <= 9) & (high <= 9)
        number += (high * 10.0 + low) * 100.0**k
    return np.where(good, number, np.nan)


def _ieee_11073_values(kind: Kind, raw: NDArray[np.int64]) -> FloatArray:
    bits = 12 if kind.width == 2 else 24
    mantissa = raw & ((1 << bits) - 1)
    exponent = raw >> bits
    top = 8 * kind.width - bits
    special = (np.abs(mantissa - (1 << (bits - 1))) <= 2) & ((exponent == 0) if kind.width == 2 else True)
    mantissa = mantissa - ((mantissa >> (bits - 1)) << bits)
    exponent = exponent - ((exponent >> (top - 1)) << top)
    sane = (np.abs(exponent) <= 9) & ~special
    power = 10.0 ** np.where(sane, np.abs(exponent), 0)
    number = np.where(exponent < 0, mantissa / power, mantissa * power)
    return np.where(sane & (np.abs(number) < 1e9), number, np.nan)


def cells_of(kind: Kind, numbers: FloatArray) -> tuple[ByteArray, NDArray[np.bool_]]:
    """Write numbers. Shape (n,) to cells of shape (n, width), and which of them the kind can hold."""
    whole = np.rint(numbers)
    if kind.format in _FLOATS:
        code = "<f4" if kind.width == 4 else "<f8"
        cells = np.ascontiguousarray(numbers.astype(code)).view(np.uint8).reshape(len(numbers), kind.width)
        return (cells if kind.order is LITTLE else cells[:, ::-1]), np.ones(len(numbers), dtype=bool)
    if kind.format in _IEEE_11073:
        return _ieee_11073_cells(kind, numbers)
    fits = (whole >= kind.lowest) & (whole <= kind.highest)
    raw = np.where(fits, whole, 0).astype(np.int64)
    cells = np.zeros((len(raw), kind.width), dtype=np.uint8)
    for k in range(kind.width):
        if kind.format is NumberFormat.DIGITS:
            cells[:, k] = raw // 10**k % 10
        elif kind.decimal:
            pair = raw // 100**k % 100
            high, low = pair // 10, pair % 10
            cells[:, k] = (low << 4 | high) if kind.format is NumberFormat.BCD_SWAPPED else (high << 4 | low)
        else:
            cells[:, k] = (raw >> (8 * k)) & 255
    return (cells if kind.order is LITTLE else cells[:, ::-1]), fits


def _ieee_11073_cells(kind: Kind, numbers: FloatArray) -> tuple[ByteArray, NDArray[np.bool_]]:
    bits = 12 if kind.width == 2 else 24
    cells = np.zeros((len(numbers), kind.width), dtype=np.uint8)
    fits = np.zeros(len(numbers), dtype=bool)
    read = scalar_reader(kind.format, LITTLE)
    for row, number in enumerate(numbers.tolist()):
        for exponent in range(-4, 5):
            mantissa = round(number / 10.0**exponent)
            if abs(mantissa) < (1 << (bits - 1)) - 4:
                mask = (1 << (8 * kind.width - bits)) - 1
                raw = ((exponent & mask) << bits | mantissa & ((1 << bits) - 1)).to_bytes(kind.width, "little")
                cells[row] = list(raw)
                shown = read(raw)
                fits[row] = shown is not None and abs(shown - number) <= 0.005 * abs(number) + 1e-6
                break
    return (cells if kind.order is LITTLE else cells[:, ::-1]), fits
