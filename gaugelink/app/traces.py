"""Recorded traces: CSV with the columns ``time_s`` and ``pressure_kpa``; more columns are ignored. Or the frames that a
gauge sent, as `gaugelink inspect --save` writes them, with the layout that says which of their bytes are pressure.

The columns may have other units in their names: ``time_ms``, ``pressure_psi`` or ``pressure_bar``. Semicolons and tabs
part columns too; then numbers may have decimal commas. A first line ``sep=;``, comments that begin with ``#``, empty
lines and a row of units under the header are left out. Times that were rounded, and may repeat for it, are put back on
the steady clock behind them.
"""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from gaugelink.counting import counted
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError
from gaugelink.gauge.arrivals import Steadied, steadied
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.pace import with_pace
from gaugelink.gauge.recording import read_recording, replay
from gaugelink.gauge.rounded import Straightened, straightened
from gaugelink.gauge.samples import BoolArray, FloatArray, over_range_beyond
from gaugelink.peak.burst import smallest_step_kpa
from gaugelink.peak.events import MOST_KPA
from gaugelink.reasons import reason
from gaugelink.tables import Dialect, dialect_of, named, names_of, table_of, text_of

TIMES: Final = {"time_s": 1.0, "time_ms": 1e-3, "time_us": 1e-6}
"""Seconds in a unit of each column that may hold the time; the first that is there is read."""
# The column in kPa comes first: where it is there, it is the one that is read.
PRESSURES: Final[dict[str, PressureUnit]] = {
    f"pressure_{unit.value.casefold()}": unit for unit in (PressureUnit.KPA, *PressureUnit)
}
"""The unit of each column that may hold the pressure."""
EXPECTED: Final = "a header with time_s,pressure_kpa, or with pressure_psi or pressure_bar in its place"
# The highest of a compression pull is hardly ever outside of this. From memory.
PLAUSIBLE_KPA: Final = (300.0, 4000.0)
# Seconds since 1970 will have come there in three thousand years; milliseconds since then have.
MOST_S: Final = 1e11
# No logger is as fast; times closer than that are one time and its rounding.
FINEST_S: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Trace:
    """A recorded trace."""

    file: str
    time_s: FloatArray
    """Shape (n,), strictly rising."""
    pressure_kpa: FloatArray
    """Shape (n,), as the gauge gave it."""
    column: str = "pressure_kpa"
    """The column that the pressure was in; empty for a recording of frames."""
    frames: int = 0
    """Frames of a recording, of which the layout refused `refused`."""
    refused: int = 0
    rounded: Straightened | None = None
    """What the times of the file had been rounded to; None when they had not been."""
    arrived: Steadied | None = None
    """The clock of a steady gauge behind times of arrival; None when the times are none, or not told from others."""
    steady: bool = False
    """Whether `arrived` is what `time_s` is."""
    over_range: BoolArray | None = None
    """Shape (n,): where the gauge said, or its layout says, that it could not show the pressure; None when neither."""


@dataclass(frozen=True, slots=True)
class _Columns:
    header: list[str]
    dialect: Dialect
    time: int
    pressure: int
    width: int
    """Cells of the header, the empty ones at its end too."""

    @property
    def tick_s(self) -> float:
        return TIMES[self.header[self.time]]

    @property
    def unit(self) -> PressureUnit:
        return PRESSURES[self.header[self.pressure]]

    @property
    def names(self) -> tuple[str, str]:
        return self.header[self.time], self.header[self.pressure]

    def parted(self, row: list[str]) -> str | None:
        """Whether decimal commas seem to part the numbers of a row that has no cell too many, and the way out.

        Then its columns further on are empty, and its pressure is what stands behind the comma of its time: 0,005 s.
        """
        longer = len(row) >= self.width + 2
        behind = len(row) > self.pressure and re.fullmatch(r"0\d+", row[self.pressure].strip()) is not None
        if self.dialect.decimal_comma or not (longer or behind):
            return None
        return "its commas seem to be decimal: part the columns by semicolons"

    def has_units(self, row: list[str]) -> bool:
        """Whether a row repeats the units of the header, as loggers write them in a line of their own."""
        if len(row) <= max(self.time, self.pressure):
            return False
        told = [row[place].strip(" ()[]").casefold() for place in (self.time, self.pressure)]
        return told == [name.partition("_")[2] for name in self.names]

    def no_date(self, row: list[str]) -> str:
        """What else to say of a row whose time is none, where it looks like a date or a time of the day."""
        looks = len(row) > self.time and re.search(r"\d[-/.:]\d+[-/.:]\d", row[self.time]) is not None
        unit = {"s": "seconds", "ms": "milliseconds", "us": "microseconds"}[self.names[0].partition("_")[2]]
        return f"; {self.names[0]} counts {unit} from any moment, and is no date" if looks else ""


def read_trace(path: Path, layout: GaugeLayout | None = None, *, steady: bool = False) -> Trace:
    """Read one trace; with a `layout` the file is a recording of frames. With `steady` its times are when the samples
    of a steady gauge arrived.

    Raises:
        RecordingError: the file, the line, what was found there and what was expected.
    """
    if layout is not None:
        return _read_frames(path, layout)
    if path.suffix == ".jsonl":
        raise RecordingError(f"{path}: this is a recording of frames: give the file of their layout with --layout.")
    try:
        text = text_of(path.read_bytes())
    except UnicodeError as error:
        how = "unpack it, or save it from the spreadsheet as CSV in UTF-8"
        raise RecordingError(
            f"{path}: this is not a text file in UTF-8; expected CSV with {EXPECTED}: {how}."
        ) from error
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {reason(error)}.") from error
    columns, numbered = _rows(path, text)
    if len(numbered) < 2:
        raise RecordingError(f"{path}: found {counted(len(numbered), 'sample')}; a trace needs two or more.")
    time, pressure = np.array([values for _, values in numbered], dtype=np.float64).T
    one_kpa = columns.unit.to_kpa(1.0)
    for values, most, why in (
        # Less a rounding: what is read here is not refused further on.
        (pressure, (1.0 - 1e-9) * MOST_KPA / one_kpa, "no pressure is as far from nothing in any unit."),
        (time, MOST_S / columns.tick_s, f"no clock counts as far. Is the column {columns.names[0]} in that unit?"),
    ):
        beyond = np.flatnonzero(np.abs(values) >= most)
        if beyond.size:
            line = numbered[int(beyond[0])][0]
            raise RecordingError(f"{path}: line {line}: found {values[beyond[0]]:g}; {why}")
    time_s = columns.tick_s * time
    rounded = straightened(time_s)
    if rounded is not None and rounded.spacing_s < FINEST_S + 4.0 * float(np.spacing(np.abs(time_s).max())):
        # So far from zero, a time has not the digits for such a clock.
        rounded = None
    back = np.flatnonzero(np.diff(time_s) < FINEST_S)
    arrived = steadied(time_s, holes=steady) if rounded is None else None
    if steady and rounded is None and arrived is None:
        raise RecordingError(
            f"{path}: its times are not when the samples of a steady gauge arrived: they are too few, or go back."
        )
    # Where times repeat they cannot be when the samples were taken.
    steady = arrived is not None and (steady or (bool(back.size) and arrived.bounded))
    if back.size and rounded is None and not steady:
        line = numbered[int(back[0]) + 1][0]
        raise RecordingError(
            f"{path}: line {line}: time {time_s[back[0] + 1]:g} s comes after {time_s[back[0]]:g} s; times must rise "
            "from line to line, or be those of a steady gauge, rounded alike, or with --steady when they arrived."
        )
    taken_s = rounded.time_s if rounded is not None else arrived.time_s if steady and arrived is not None else time_s
    return Trace(
        str(path),
        taken_s,
        one_kpa * pressure,
        columns.header[columns.pressure],
        rounded=rounded,
        arrived=arrived,
        steady=steady,
    )


def _read_frames(path: Path, layout: GaugeLayout) -> Trace:
    recording, reader = read_recording(path), FrameReader(path.name, layout)
    batches = replay(recording, reader)
    told = with_pace(layout, batches)
    if told is not layout:
        # A gauge is listened to for seconds before its pace is told; a recording may hold no more than the pull.
        reader = FrameReader(path.name, told)
        batches = replay(recording, reader)
    frames, (good, refused) = len(recording.frames), reader.tally
    time_s = np.concatenate([np.empty(0), *(batch.time_s for batch in batches)])
    if good and not batches:
        raise RecordingError(
            f"{path}: its layout states no rate_hz, and {counted(good, 'frame')} are too few, or too close together, "
            "to learn it from: state it in the layout."
        )
    if len(time_s) < 2:
        why = f"the layout refuses {refused} of its {counted(frames, 'frame')}"
        raise RecordingError(f"{path}: found {counted(len(time_s), 'sample')}; a trace needs two or more: {why}.")
    pressure_kpa = np.concatenate([batch.pressure_kpa for batch in batches])
    over_range = np.concatenate([batch.over_range for batch in batches])
    return Trace(str(path), time_s, pressure_kpa, "", frames, refused, over_range=over_range)


def over_range_in(trace: Trace, range_kpa: float | None, resolution_kpa: float | None) -> BoolArray | None:
    """Where a trace could not show the pressure, by its frames or by the gauge's full scale; None when not known.

    Without a stated resolution the steps are those of the trace.
    """
    if not range_kpa:
        return trace.over_range
    step_kpa = smallest_step_kpa(trace.pressure_kpa) if resolution_kpa is None else resolution_kpa
    reached: BoolArray = trace.pressure_kpa > over_range_beyond(range_kpa, step_kpa)
    return reached if trace.over_range is None else reached | trace.over_range


def refused_by(trace: Trace) -> str | None:
    """Say how many frames of a recording became no samples; None when all did."""
    if not trace.refused:
        return None
    return f"{trace.file}: the layout refuses {trace.refused} of its {counted(trace.frames, 'frame')}."


def arrival_in(trace: Trace) -> str | None:
    """Say that the times of a trace were put on a steady clock, or may have to be; None where neither."""
    arrived = trace.arrived
    if arrived is None:
        return None
    rate = f"a steady {1.0 / arrived.spacing_s:.4g} samples/s"
    if trace.steady:
        told = (
            f"{trace.file}: its times are taken as those at which the samples of {rate} arrived, up to "
            f"{1e3 * arrived.late_s:.3g} ms late."
        )
        if arrived.bounded:
            return told
        # Stated by hand, so it is read; but one pace for two, or for a clock that jumped, is the wrong one for both.
        return (
            f"{told} A steady gauge's keep closer to one pace: samples are missing, a clock was set, or these are two "
            "recordings. Do not rely on the speeds; give each recording a file of its own."
        )
    if arrived.bounded and arrived.uneven:
        return (
            f"{trace.file}: its times scatter by {1e3 * arrived.scatter_s:.2g} ms around those of {rate}. If they are "
            "when the samples arrived, and not when the gauge took them, give --steady."
        )
    return None


def rounding_in(trace: Trace) -> str | None:
    """Say that the times of a trace had been rounded; None when they had not been."""
    if trace.rounded is None:
        return None
    tick_s, spacing_s = trace.rounded.tick_s, trace.rounded.spacing_s
    late = f", or late by up to, {1e3 * tick_s:.3g} ms" if tick_s > 0.5 * spacing_s else f" {1e3 * tick_s:g} ms"
    return (
        f"{trace.file}: its times are rounded to{late}; they are taken as those of a steady {1.0 / spacing_s:.4g} "
        "samples/s."
    )


def remark_on(trace: Trace, unit: PressureUnit) -> str | None:
    """Say so when the highest pressure of a trace of compression pulls cannot be one; None when it may be."""
    highest_kpa = float(np.max(trace.pressure_kpa))
    if PLAUSIBLE_KPA[0] <= highest_kpa <= PLAUSIBLE_KPA[1]:
        return None
    far = "low" if highest_kpa < PLAUSIBLE_KPA[0] else "high"
    if not trace.column:
        return (
            f"{trace.file}: the highest pressure in it is {unit.text(highest_kpa)}, very {far} for a compression pull."
        )
    others = " or ".join(f"pressure_{one}" for one in ("kpa", "psi", "bar") if f"pressure_{one}" != trace.column)
    return (
        f"{trace.file}: the highest pressure in it is {unit.text(highest_kpa)}, very {far} for a compression pull. Is "
        f"the column {trace.column} in that unit? It may also be called {others}."
    )


def _names_both(names: Sequence[str]) -> bool:
    return any(name in names for name in TIMES) and any(name in names for name in PRESSURES)


def _columns(path: Path, header: list[str], dialect: Dialect, line: int, below: list[str]) -> _Columns:
    # Whatever stands under no name is one cell too many, not a part of the table.
    width, header = len(header), named(header)
    pressure = next((name for name in PRESSURES if name in header), None)
    time = next((name for name in TIMES if name in header), None)
    if time is None or pressure is None:
        found = ", ".join(header) or "an empty file"
        told = f"{path}: line {line}: found {found}; expected {EXPECTED}"
        further = next((k for k, each in enumerate(below) if _names_both(names_of(each, dialect_of(each)))), None)
        if further is not None:
            told += f"; that is line {line + 1 + further}: begin every line above it with #"
        raise RecordingError(f"{told}.")
    twice = next((name for name in (time, pressure) if header.count(name) > 1), None)
    if twice is not None:
        raise RecordingError(f"{path}: line {line}: the column {twice} is there twice; which of them is meant?")
    return _Columns(header, dialect, header.index(time), header.index(pressure), width)


def _rows(path: Path, text: str) -> tuple[_Columns, list[tuple[int, tuple[float, float]]]]:
    """The columns, and the line, time and pressure of every row, in the units of the columns."""
    table = table_of(text, _names_both)
    # Looked for before quotes are: a comment may have any of them.
    lines = ["\n" if line.lstrip().startswith("#") else line for line in table.lines]
    rows = csv.reader(lines, delimiter=table.dialect.delimiter, strict=True)
    numbered: list[tuple[int, tuple[float, float]]] = []
    cells: list[tuple[str, str]] = []
    try:
        header = [name.strip().casefold() for name in next(rows, [])]
        columns = _columns(path, header, table.dialect, table.above + 1, lines[1:])
        for row in rows:
            if not any(cell.strip() for cell in row) or (not numbered and columns.has_units(row)):
                continue
            line = table.above + rows.line_num
            numbered.append((line, _numbers(path, line, row, columns)))
            cells.append((row[columns.time], row[columns.pressure]))
    except csv.Error as error:
        line = table.above + rows.line_num
        raise RecordingError(f"{path}: line {line}: this is not CSV: {error}; expected {EXPECTED}.") from error
    doubt = table.dialect.two_ways(list(zip(*cells, strict=True)))
    if doubt is not None:
        raise RecordingError(f"{path}: line {numbered[doubt[0]][0]}: {doubt[1]}.")
    return columns, numbered


def _numbers(path: Path, line: int, row: list[str], columns: _Columns) -> tuple[float, float]:
    dialect = columns.dialect
    told = f"{path}: line {line}: found {dialect.delimiter.join(row)!r}"
    surplus = dialect.surplus(columns.header, row) or columns.parted(row)
    if surplus is not None:
        raise RecordingError(f"{told}: {surplus}.")
    try:
        time_s, pressure = dialect.number(row[columns.time]), dialect.number(row[columns.pressure])
    except (ValueError, IndexError) as error:
        raise RecordingError(f"{told}; expected two numbers{columns.no_date(row)}.") from error
    if not (np.isfinite(time_s) and np.isfinite(pressure)):
        raise RecordingError(f"{told}; expected finite numbers.")
    return time_s, pressure
