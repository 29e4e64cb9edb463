"""Export: one tidy row a reading, as CSV or Parquet, every column documented with its unit."""

import csv
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gaugelink.errors import SettingsError
from gaugelink.reasons import to_install
from gaugelink.report.data import ReportData


@dataclass(frozen=True, slots=True)
class ExportRow:
    """One reading of one cylinder, with what it was done under and what was said of its test."""

    test_id: str
    at: datetime
    bench: str
    machine: str
    engine: str
    counter: str
    gauge: str
    wet: bool
    oil_ml: float | None
    cylinder: str
    place: int
    peak_kpa: float
    peak_u_kpa: float
    u_random_kpa: float
    sea_level_kpa: float
    sea_level_u_kpa: float
    percent_of_highest: float
    repeats: int
    cranking_rpm: float | None
    first_stroke_kpa: float | None
    flags: str
    ambient_abs_kpa: float
    ambient_source: str
    band_low_kpa: float | None
    band_high_kpa: float | None
    spread_kpa: float | None
    spread_u_kpa: float | None
    given_up: bool
    verdict: str
    top_end: str
    event_ids: str
    version: str
    simulated: bool


COLUMN_DOC: dict[str, tuple[str, str]] = {
    "test_id": ("", "id of the test"),
    "at": ("UTC, ISO 8601", "when the test was done; noon of its day where a notebook tells no more"),
    "bench": ("", "bench of the shop"),
    "machine": ("", "name of the machine"),
    "engine": ("", "id of the engine's record"),
    "counter": ("", "the machine's own count with its unit, as it was noted"),
    "gauge": ("", "the gauge, in words"),
    "wet": ("", "true when oil was put into the cylinders"),
    "oil_ml": ("ml", "oil in each cylinder"),
    "cylinder": ("", "name of the cylinder"),
    "place": ("", "place of the cylinder in physical order, from 1"),
    "peak_kpa": ("kPa, gauge", "cranking pressure as measured, the mean of the repeats"),
    "peak_u_kpa": ("kPa", "its expanded uncertainty, coverage about 95 %, everything in it"),
    "u_random_kpa": ("kPa", "standard uncertainty of the part that it does not share with the other cylinders"),
    "sea_level_kpa": ("kPa, gauge", "carried to an ambient of 101.325 kPa"),
    "sea_level_u_kpa": ("kPa", "its expanded uncertainty, the ambient's in it"),
    "percent_of_highest": ("%", "of the highest cylinder of the test"),
    "repeats": ("", "number of cranking events in the reading"),
    "cranking_rpm": ("1/min", "cranking speed"),
    "first_stroke_kpa": ("kPa, gauge", "pressure after the first stroke"),
    "flags": ("", "reasons to doubt the reading, parted by spaces"),
    "ambient_abs_kpa": ("kPa, absolute", "ambient pressure"),
    "ambient_source": ("", "where the ambient pressure comes from"),
    "band_low_kpa": ("kPa, gauge", "lower end of the maker's range at this ambient"),
    "band_high_kpa": ("kPa, gauge", "upper end of the maker's range at this ambient"),
    "spread_kpa": ("kPa", "highest less lowest cylinder of the test"),
    "spread_u_kpa": ("kPa", "its expanded uncertainty, the gauge's common error left out"),
    "given_up": ("", "true when the test was given up (abandoned): it proves nothing, whatever the verdict says"),
    "verdict": ("", "the verdict on the test in one word"),
    "top_end": ("", "whether the top end has to come off, as far as the test can tell"),
    "event_ids": ("", "ids of the cranking events, parted by spaces"),
    "version": ("", "version of the code that judged"),
    "simulated": ("", "true when no engine, gauge or radio was real"),
}
"""Unit and meaning of every column."""


def export_rows(data: ReportData) -> tuple[ExportRow, ...]:
    """Rows of one test, in physical order."""
    verdict, names = data.verdict, data.engine.cylinder_names
    band = verdict.band
    return tuple(
        ExportRow(
            test_id=data.test_id,
            at=data.at.astimezone(UTC),
            bench=data.bench,
            machine=data.machine,
            engine=data.engine.id,
            counter=data.odometer,
            gauge=data.gauge,
            wet=verdict.conditions.wet,
            oil_ml=verdict.conditions.oil_ml,
            cylinder=reading.cylinder,
            place=names.index(reading.cylinder) + 1,
            peak_kpa=reading.peak_kpa,
            peak_u_kpa=reading.peak_u_kpa,
            u_random_kpa=reading.u_random_kpa,
            sea_level_kpa=reading.sea_level_kpa,
            sea_level_u_kpa=reading.sea_level_u_kpa,
            percent_of_highest=reading.percent_of_highest,
            repeats=max(1, len(reading.repeats)),
            cranking_rpm=reading.cranking_rpm,
            first_stroke_kpa=reading.first_stroke_kpa,
            flags=" ".join(sorted(flag.value for flag in reading.flags)),
            ambient_abs_kpa=verdict.conditions.ambient_abs_kpa,
            ambient_source=verdict.conditions.ambient_source.value,
            band_low_kpa=None if band is None else band.low_kpa,
            band_high_kpa=None if band is None else band.high_kpa,
            spread_kpa=verdict.spread_kpa,
            spread_u_kpa=verdict.spread_u_kpa,
            given_up=data.given_up,
            verdict=verdict.word.value,
            top_end=verdict.top_end.value,
            event_ids=" ".join(reading.event_ids),
            version=data.version,
            simulated=data.simulated,
        )
        for reading in verdict.readings
    )


def export_csv(rows: Iterable[ExportRow], path: Path) -> None:
    """Write rows as CSV (RFC 4180, UTF-8, one header line). Numbers keep every digit, nothing is an empty cell.

    A text that a spreadsheet would take for a formula, or that begins with an apostrophe, has one more before it.
    The file appears whole or not at all. Raises OSError when it cannot be written.
    """
    names = [field.name for field in fields(ExportRow)]
    part = path.with_name(path.name + ".part")
    with part.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(names)
        writer.writerows([_cell(getattr(row, name)) for name in names] for row in rows)
    os.replace(part, path)


def export_parquet(rows: Sequence[ExportRow], path: Path) -> None:
    """Write rows as Parquet, unit and meaning of each column in its metadata.

    The file appears whole or not at all. Raises SettingsError when pyarrow is not installed, OSError when the file
    cannot be written.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise SettingsError(
            f"Parquet needs the package pyarrow, which is not installed: {to_install('export')}; or export CSV."
        ) from error
    types: dict[object, Any] = {
        str: pa.string(),
        bool: pa.bool_(),
        int: pa.int32(),
        float: pa.float64(),
        float | None: pa.float64(),
        datetime: pa.timestamp("us", tz="UTC"),
    }
    schema = pa.schema(
        [
            pa.field(
                field.name,
                types[field.type],
                metadata={"unit": COLUMN_DOC[field.name][0], "description": COLUMN_DOC[field.name][1]},
            )
            for field in fields(ExportRow)
        ]
    )
    columns = {field.name: [getattr(row, field.name) for row in rows] for field in fields(ExportRow)}
    part = path.with_name(path.name + ".part")
    pq.write_table(pa.table(columns, schema=schema), part)
    os.replace(part, path)


def columns_text() -> str:
    """The documentation of the columns as a Markdown table."""
    lines = ["| column | unit | meaning |", "| --- | --- | --- |"]
    lines += [f"| `{name}` | {unit} | {meaning} |" for name, (unit, meaning) in COLUMN_DOC.items()]
    return "\n".join(lines) + "\n"


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat()
    # A spreadsheet takes a cell that begins like this for a formula. One that begins with the mark itself gets it too,
    # so that each text comes back from its cell.
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r", "'")):
        return "'" + value
    # Some numbers are numpy's, which write their type beside them.
    return repr(float(value)) if isinstance(value, float) else str(value)
