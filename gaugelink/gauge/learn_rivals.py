"""Which of several guesses can stand for another, and which pressure would tell them apart.

A guess is tried on frames made under another: a real frame with the other's bytes rewritten for each pressure that a
compression gauge can meet. Where both always read the same they are one layout in two spellings. Where one reads all
that the other can show, it may stand for it. Where they part, that pressure is worth applying.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.fields import NumberFormat
from gaugelink.gauge.layout import Reference
from gaugelink.gauge.learn_frame import Frames
from gaugelink.gauge.learn_guess import Guess
from gaugelink.gauge.learn_kinds import ByteArray, FloatArray, cells_of, values_of

MOST_KPA = 1750.0
"""Just under 255 psi, more than any engine with spark plugs reaches. Common practice, no source."""
PUMP_KPA = 850.0
"""What a good bicycle pump reaches. Common practice, no source."""
_GRID = np.concatenate([np.linspace(0.0, 30.0, 40), np.linspace(31.0, MOST_KPA, 160)])


def read(guess: Guess, rows: ByteArray) -> FloatArray:
    """Pressures in kPa that `guess` sees in frames of shape (n, length). Shape (n, samples)."""
    columns = [
        values_of(guess.kind, np.ascontiguousarray(rows[:, at : at + guess.kind.width]))
        for at in range(guess.at, guess.at + max(1, guess.count * guess.step), guess.step or 1)
    ]
    return np.stack(columns, axis=1) * guess.scale.kpa + guess.add_kpa


def write(guess: Guess, pressure_kpa: FloatArray, frame: ByteArray) -> ByteArray:
    """Frames like `frame` that hold each pressure under `guess`; pressures that it cannot hold are left out."""
    numbers = (pressure_kpa - guess.add_kpa) / guess.scale.kpa
    cells, fits = _like(guess, numbers, frame)
    rows = np.repeat(frame[None, :], int(fits.sum()), axis=0)
    for k in range(guess.count):
        at = guess.at + k * guess.step
        rows[:, at : at + guess.kind.width] = cells[fits]
    return rows


def _like(guess: Guess, numbers: FloatArray, frame: ByteArray) -> tuple[ByteArray, NDArray[np.bool_]]:
    kind = guess.kind
    if kind.format in (NumberFormat.SFLOAT, NumberFormat.MFLOAT):
        # A gauge that always sends one exponent goes on doing so.
        bits = 12 if kind.width == 2 else 24
        raw = int.from_bytes(frame[guess.at : guess.at + kind.width].tobytes(), kind.order.value)
        top = raw >> bits
        exponent = top - (1 << (8 * kind.width - bits)) if top >> (8 * kind.width - bits - 1) else top
        mantissa = np.rint(numbers / 10.0**exponent)
        fits = np.abs(mantissa) < 2 ** (bits - 1) - 3
        whole = (np.where(fits, mantissa, 0).astype(np.int64) & ((1 << bits) - 1)) | top << bits
        cells = np.stack([(whole >> (8 * k)) & 255 for k in range(kind.width)], axis=1).astype(np.uint8)
        return (cells if kind.order.value == "little" else cells[:, ::-1]), fits
    cells, fits = cells_of(kind, numbers)
    if kind.format is NumberFormat.DIGITS:
        cells = cells | (frame[guess.at] & 0xF0)
    return cells, fits


def stands_for(guess: Guess, other: Guess, frames: Sequence[ByteArray]) -> bool:
    """Whether `guess` reads everything that `other` can show, as `other` reads it."""
    if guess.count != other.count or guess.reference is not other.reference:
        return False
    shift = other.add_kpa - guess.add_kpa if guess.reference is Reference.ABSOLUTE else 0.0
    allowed = 0.3 * max(guess.count_kpa, other.count_kpa) + 1e-3
    for frame in frames:
        rows = write(other, _GRID, frame)
        off = np.abs(read(guess, rows) + shift - read(other, rows))
        if not (off <= allowed + 1e-6 * MOST_KPA).all():
            return False
    return True


def telling_pressure_kpa(
    guess: Guess,
    rivals: Sequence[Guess],
    frames: Sequence[ByteArray],
    unit: PressureUnit,
    half_step_kpa: float,
    typed_kpa: Sequence[float],
) -> float | None:
    """The round pressure that tells `guess` from most of its rivals: not one typed before, and the least of equals."""
    steps = (0.2, 1, 2, 5, 10, 20, 50, 100, 500, 1000, 5000, 20000)
    grain = next(step for step in steps if unit.to_kpa(step) >= 12.0)
    pressures = np.arange(0.0, MOST_KPA, unit.to_kpa(grain))
    pressures = pressures[[min(abs(typed - pressure) for typed in typed_kpa) > 15.0 for pressure in pressures]]
    told = np.zeros(len(pressures))
    for rival in rivals:
        clear = 2.5 * half_step_kpa + 1.2 * max(guess.count_kpa, rival.count_kpa)
        for k, pressure in enumerate(pressures):
            told[k] += _parts(guess, rival, pressure, frames, clear) and _parts(rival, guess, pressure, frames, clear)
    if not told.any():
        return None
    reach = np.where(pressures <= PUMP_KPA, told, 0)
    best = reach if reach.max() == told.max() else told
    return float(pressures[int(best.argmax())])


def _parts(one: Guess, other: Guess, pressure_kpa: float, frames: Sequence[ByteArray], clear_kpa: float) -> bool:
    # Were `one` true, would `other` read something else at this pressure?
    rows = write(one, np.array([pressure_kpa]), frames[0])
    if not len(rows):
        return True
    off = np.abs(read(other, rows) - pressure_kpa)
    return not (off <= clear_kpa).all()


def samples_of(guess: Guess, frames: Frames) -> FloatArray:
    """What `guess` reads in every frame. Shape (frames, samples)."""
    return read(guess, frames.head)
