"""Recorded traces: CSV with the columns ``time_s`` and ``pressure_kpa``; more columns are ignored."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gaugelink.counting import counted
from gaugelink.errors import RecordingError
from gaugelink.gauge.samples import FloatArray
from gaugelink.reasons import reason

COLUMNS = ("time_s", "pressure_kpa")


@dataclass(frozen=True, slots=True)
class Trace:
    """A recorded trace."""

    file: str
    time_s: FloatArray
    """Shape (n,), strictly rising."""
    pressure_kpa: FloatArray
    """Shape (n,), as the gauge gave it."""


def read_trace(path: Path) -> Trace:
    """Read one trace.

    Raises:
        RecordingError: the file, the line, what was found there and what was expected.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = csv.reader(file)
            header = [name.strip() for name in next(rows, [])]
            columns = _columns(path, header)
            values = [_numbers(path, line, row, columns) for line, row in enumerate(rows, start=2) if row]
    except UnicodeDecodeError as error:
        raise RecordingError(
            f"{path}: this is not a text file; expected CSV with the header time_s,pressure_kpa."
        ) from (error)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {reason(error)}.") from error
    if len(values) < 2:
        raise RecordingError(f"{path}: found {counted(len(values), 'sample')}; a trace needs two or more.")
    time_s, pressure_kpa = np.array(values, dtype=np.float64).T
    back = np.flatnonzero(np.diff(time_s) <= 0)
    if back.size:
        line = int(back[0]) + 3
        raise RecordingError(
            f"{path}: line {line}: time {time_s[back[0] + 1]:g} s comes after {time_s[back[0]]:g} s; "
            "times must rise from line to line."
        )
    return Trace(str(path), time_s, pressure_kpa)


def _columns(path: Path, header: list[str]) -> tuple[int, int]:
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        found = ", ".join(header) or "an empty file"
        raise RecordingError(f"{path}: line 1: found {found}; expected a header with time_s,pressure_kpa.")
    return header.index("time_s"), header.index("pressure_kpa")


def _numbers(path: Path, line: int, row: list[str], columns: tuple[int, int]) -> tuple[float, float]:
    try:
        time_s, pressure_kpa = float(row[columns[0]]), float(row[columns[1]])
    except (ValueError, IndexError) as error:
        raise RecordingError(f"{path}: line {line}: found {','.join(row)!r}; expected two numbers.") from error
    if not (np.isfinite(time_s) and np.isfinite(pressure_kpa)):
        raise RecordingError(f"{path}: line {line}: found {','.join(row)!r}; expected finite numbers.")
    return time_s, pressure_kpa
