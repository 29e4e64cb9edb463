"""Commas that part the columns of a notebook and may be decimal too: told where a row can be read both ways."""

import pytest

from gaugelink.engine.fleet import Fleet, parse_fleet
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.report.notebook import Notebook, parse_notebook
from tests.report.samples import TRIPLE

BAR, PSI = PressureUnit.BAR, PressureUnit.PSI
FLEET: Fleet = parse_fleet(
    """
[[machine]]
id = "north-7"
name = "North 7"
engine = "triple-598"
[[machine]]
id = "yard-1"
name = "Yard 1"
engine = "single"
[[machine]]
id = "yard-2"
name = "Yard 2"
engine = "twin"
[[engine]]
id = "twin"
name = "Twin"
cycle = 2
layout = "side_named"
cylinders = 2
[[engine]]
id = "single"
name = "Single"
cycle = 4
layout = "listed"
cylinders = ["one"]
""",
    "fleet.toml",
    engines=(TRIPLE,),
)
SPARE = "date,machine,PTO,middle,MAG,counter,altitude_m,note\n"
WITH_UNIT = "date,machine,PTO,middle,MAG,unit,counter,altitude_m,gauge\n"
UNIT_LAST = "date,machine,PTO,middle,MAG,counter,altitude_m,note,unit\n"
TWIN = "date,machine,PTO,MAG,counter,altitude_m,note\n"
TIDY = "date,machine,cylinder,pressure,counter,note\n"
ONE = "date,machine,one,counter\n"


def read(header: str, *rows: str, unit: PressureUnit = BAR) -> Notebook:
    return parse_notebook(header + "".join(f"{row}\n" for row in rows), "old.csv", FLEET, unit)


@pytest.mark.parametrize(
    ("header", "row", "number", "unit"),
    [
        (SPARE, "2026-03-01,north-7,6,8,7,1,6,9", "6,8", BAR),
        (SPARE, "2026-03-01,north-7,6,80,7,10,6,90", "6,80", BAR),
        (SPARE, "2026-03-01,north-7,98,5,99,0,97,5", "98,5", PSI),
        # One of them whole, one not read, and with the empty cells that follow counted.
        (SPARE, "2026-03-01,north-7,7,6,8,7,0", "7,6", BAR),
        (SPARE, "2026-03-01,north-7,6,8,,6,9", "6,8", BAR),
        (SPARE, "2026-03-01,north-7,6,8,7,1,6,9,,,", "6,8", BAR),
        # The counter with a decimal comma too.
        (SPARE.replace("note", "note,gauge,job"), "2026-03-01,north-7,6,8,7,1,6,9,51,5", "6,8", BAR),
        # Told beside the number that is no unit.
        (WITH_UNIT, "2026-03-01,north-7,6,8,7,1,6,9,bar", "6,8", PSI),
        (TWIN, "2026-03-01,yard-2,6,8,7,1", "6,8", BAR),
        (TIDY, "2026-03-01,yard-2,PTO,6,8", "6,8", BAR),
        (TIDY, "2026-03-01,yard-2,PTO,6,8,,", "6,8", BAR),
        (ONE, "2026-03-01,yard-1,9,52", "9,52", BAR),
    ],
)
def test_a_row_that_can_be_read_with_decimal_commas_too_is_refused(
    header: str, row: str, number: str, unit: PressureUnit
) -> None:
    with pytest.raises(SettingsError) as caught:
        read(header, row, unit=unit)
    whole, fraction = number.split(",")
    assert f"old.csv, line 2: {number} may be two cells, or {whole}.{fraction} with a decimal comma" in str(
        caught.value
    )
    assert "part the columns by semicolons where commas are decimal" in str(caught.value)


@pytest.mark.parametrize(
    ("header", "row", "unit"),
    [
        # No column is spare, or what follows is no fraction of a pressure.
        ("date,machine,PTO,middle,MAG\n", "2026-03-01,north-7,6,8,7", BAR),
        ("date,machine,PTO,MAG\n", "2026-03-01,yard-2,9,8", BAR),
        (SPARE, "2026-03-01,north-7,8,7,8", BAR),
        (SPARE, "2026-03-01,north-7,8,7,8,5210,640", BAR),
        (SPARE, "2026-03-01,north-7,133,132,134", PSI),
        (SPARE, "2026-03-01,north-7,98,97,99,52,5", PSI),
        (SPARE, "2026-03-01,north-7,131,128,133,87,12,cold", PSI),
        (SPARE, "2026-03-01,north-7,930,910,925,52,5", PressureUnit.KPA),
        (WITH_UNIT, "2026-03-01,north-7,6,8,7,bar,52,5", PSI),
        (UNIT_LAST, "2026-03-01,north-7,8,7,8,52,5,,bar", PSI),
        (TIDY, "2026-03-01,yard-2,PTO,131,52", PSI),
        (TIDY, "2026-03-01,yard-2,PTO,8,,cold", BAR),
        (TIDY, "2026-03-01,yard-2,PTO,8,52,cold", BAR),
        (TIDY, "2026-03-01,yard-2,PTO,8,52,", BAR),
        # The empty cells at the end were counted, and are as many as the columns.
        (TWIN, "2026-03-01,yard-2,9,8,,,", BAR),
        # Decimal points, and quotes.
        (SPARE, "2026-03-01,north-7,6.8,8,7,1,6,9", BAR),
        (SPARE, '2026-03-01,north-7,"6","8","7","1","6","9"', BAR),
        ("date;machine;PTO;middle;MAG;counter;altitude_m\n", "2026-03-01;north-7;6;8;7;1;6", BAR),
    ],
)
def test_a_row_that_can_be_read_one_way_is_read(header: str, row: str, unit: PressureUnit) -> None:
    (test,) = read(header, row, unit=unit).tests
    assert test.readings


def test_another_row_with_as_many_cells_shows_that_no_comma_is_decimal() -> None:
    few = "2026-03-01,yard-2,PTO,8,87"
    with pytest.raises(SettingsError, match="line 2: 8,87 may be"):
        read(TIDY, few)
    assert len(read(TIDY, few, "2026-03-02,yard-2,PTO,8,112").tests) == 2
    assert len(read(TIDY, few, "2026-03-02,yard-2,PTO,8.2,88").tests) == 2


def test_a_whole_pressure_among_decimal_commas_shows_nothing() -> None:
    """Its row has a cell less."""
    with pytest.raises(SettingsError) as caught:
        read(TIDY, "2026-03-01,yard-2,PTO,8,2,5100", "2026-03-02,yard-2,PTO,8,5101")
    assert "line 2: 8,2 may be" in str(caught.value)
    assert "line 3" not in str(caught.value)


def test_no_row_of_a_job_is_in_doubt() -> None:
    notebook = read(SPARE.replace("note", "job"), "2026-03-01,north-7,,,,52,5,rings")
    assert [job.counter for job in notebook.jobs] == [52.0]
