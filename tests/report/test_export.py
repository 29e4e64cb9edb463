"""Export: tidy rows, documented columns, the same values out of CSV and Parquet; a file is whole or not there."""

import csv
import sys
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from gaugelink.errors import SettingsError
from gaugelink.report.export import COLUMN_DOC, ExportRow, columns_text, export_csv, export_parquet, export_rows
from tests.report.samples import PSI, sample_report


def test_there_is_one_row_a_reading_in_physical_order() -> None:
    rows = export_rows(sample_report((134.0, 113.0, 133.0)))
    assert [(row.cylinder, row.place) for row in rows] == [("PTO", 1), ("middle", 2), ("MAG", 3)]
    assert rows[1].peak_kpa == pytest.approx(PSI.to_kpa(113.0))
    assert rows[2].flags == "lost_samples"
    assert {row.verdict for row in rows} == {"investigate"}


def test_a_row_says_that_its_test_was_given_up() -> None:
    data = sample_report()
    assert {row.given_up for row in export_rows(data)} == {False}
    assert {row.given_up for row in export_rows(replace(data, given_up=True))} == {True}


def test_every_column_is_documented_and_every_pressure_has_its_unit() -> None:
    names = [field.name for field in fields(ExportRow)]
    assert list(COLUMN_DOC) == names
    for name in names:
        unit, meaning = COLUMN_DOC[name]
        assert meaning
        assert not name.endswith("_kpa") or unit.startswith("kPa")
        assert f"`{name}`" in columns_text()


def test_csv_keeps_every_digit(tmp_path: Path) -> None:
    rows = export_rows(sample_report())
    export_csv(rows, tmp_path / "readings.csv")
    with (tmp_path / "readings.csv").open(newline="", encoding="utf-8") as file:
        back = list(csv.DictReader(file))
    assert [float(item["peak_kpa"]) for item in back] == [row.peak_kpa for row in rows]
    assert back[0]["at"] == "2026-11-20T09:40:00+00:00"
    assert back[0]["oil_ml"] == ""
    assert back[0]["wet"] == "false"


@pytest.mark.parametrize(
    "name",
    ["North 7", "=1+1", "'=1+1", "'quoted", "-7 C", "@home", "\t=1", 'a,b"c;d', "Grün ☃", "line\nbreak", " lead"],
)
def test_every_cell_comes_back_as_it_was(name: str, tmp_path: Path) -> None:
    rows = [replace(row, machine=name) for row in export_rows(sample_report())]
    export_csv(rows, tmp_path / "a.csv")
    export_parquet(rows, tmp_path / "a.parquet")
    with (tmp_path / "a.csv").open(newline="", encoding="utf-8") as file:
        cells = list(csv.DictReader(file))
    table = pq.read_table(tmp_path / "a.parquet").to_pylist()
    readers: dict[object, Callable[[str], object]] = {
        bool: lambda cell: {"true": True, "false": False}[cell],
        int: int,
        float: float,
        float | None: lambda cell: float(cell) if cell else None,
        datetime: datetime.fromisoformat,
        str: lambda cell: cell.removeprefix("'"),
    }
    for row, cell, line in zip(rows, cells, table, strict=True):
        for field in fields(ExportRow):
            value = getattr(row, field.name)
            assert readers[field.type](cell[field.name]) == value, field.name
            assert line[field.name] == value, field.name


def test_parquet_without_its_package_says_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(SettingsError, match=r"`\./scripts/setup export` in a clone.*gaugelink\[export\].*CSV"):
        export_parquet(export_rows(sample_report()), tmp_path / "readings.parquet")


def test_parquet_has_types_units_and_the_same_values(tmp_path: Path) -> None:
    rows = export_rows(sample_report())
    export_parquet(rows, tmp_path / "readings.parquet")
    table = pq.read_table(tmp_path / "readings.parquet")
    assert table.column("peak_kpa").to_pylist() == [row.peak_kpa for row in rows]
    assert table.column("at").to_pylist() == [row.at for row in rows]
    assert table.schema.field("spread_kpa").metadata[b"unit"] == b"kPa"
    assert table.column("oil_ml").null_count == len(rows)


def test_nothing_half_written_is_left(tmp_path: Path) -> None:
    export_csv(export_rows(sample_report()), tmp_path / "a.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]
    with pytest.raises(OSError):
        export_csv([], tmp_path / "missing" / "a.csv")


def test_a_name_is_not_taken_for_a_formula_by_a_spreadsheet(tmp_path: Path) -> None:
    rows = [replace(row, machine="=1+1") for row in export_rows(sample_report())]
    export_csv(rows, tmp_path / "a.csv")
    assert "'=1+1" in (tmp_path / "a.csv").read_text()
