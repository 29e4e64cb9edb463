"""The notebook: both shapes, every mistake told by its line, and nothing read when there is one."""

from datetime import date
from pathlib import Path
from typing import Literal
from unicodedata import normalize

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.engine.fleet import Fleet, parse_fleet
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.report.notebook import parse_notebook
from tests.report.samples import PSI, TRIPLE

FLEET: Fleet = parse_fleet(
    """
[[machine]]
id = "north-7"
name = "North 7"
engine = "triple-598"
altitude_m = 2000
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
""",
    "fleet.toml",
    engines=(TRIPLE,),
)

TIDY = """date,machine,cylinder,pressure,unit,counter,note
2024-10-03,north-7,PTO,104,psi,4200,first snow
2024-10-03,North 7,Middle,103,psi,,
2024-10-03,north-7,MAG,7.2,bar,,
2025-01-11,north-7,PTO,104,psi,5100,
"""

WIDE = """date;machine;PTO;middle;MAG;wet;job
2024-10-03;north-7;7,2;7,1;7,2;;
2024-10-03;yard-2;8,1;;8,0;;
2024-11-20;north-7;;;;;rings
2024-11-21;north-7;7,9;7,9;8,0;yes;
"""


SPREADSHEET = """sep=;
date;machine;PTO;middle;MAG;unit;counter;;
2024-10-03;north-7;7,2;7,1;7,2;bar;4200;;
;;;;;;;;
2025-01-11;north-7;7,9;9.302;8,0;bar;5100,5;;
"""


def test_what_a_spreadsheet_puts_around_a_notebook_is_left_out() -> None:
    """Its first line, and the empty cells at the end of each row."""
    first, second = parse_notebook(SPREADSHEET, "old.csv", FLEET).tests
    assert [kpa for _, kpa in first.readings] == pytest.approx([720.0, 710.0, 720.0])
    assert [kpa for _, kpa in second.readings] == pytest.approx([790.0, 930.2, 800.0])
    assert (first.counter, second.counter) == (4200.0, 5100.5)
    assert (first.lines, second.lines) == ((3,), (5,))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("4200", "4.200"), "line 3: counter is 4.200, which may be 4200 or 4.2; write it as one of them"),
        (("5100,5", "5,100"), "line 5: counter is 5,100, which may be 5100 or 5.1"),
        (("7,2;7,1;7,2;bar", "930;1.034;985;kPa"), "line 3: middle is 1.034, which may be 1034 or 1.034"),
        (("date;", "day;"), "line 2: the column 'date' is missing"),
        (("5100,5;;", "5100,5;;x"), "line 5: there are 9 cells under 7 columns"),
    ],
)
def test_a_number_that_may_be_another_one_is_told_with_the_line_of_the_file(change: tuple[str, str], says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_notebook(SPREADSHEET.replace(*change), "old.csv", FLEET)
    assert says in str(caught.value)


def test_one_reading_a_line_is_read() -> None:
    notebook = parse_notebook(TIDY, "old.csv", FLEET)
    first, second = notebook.tests
    assert first.on == date(2024, 10, 3)
    assert [name for name, _ in first.readings] == ["PTO", "middle", "MAG"]
    assert first.readings[0][1] == pytest.approx(PSI.to_kpa(104.0))
    assert first.readings[2][1] == pytest.approx(720.0)
    assert first.counter == 4200.0
    assert first.note == "first snow"
    assert first.lines == (2, 3, 4)
    assert first.ambient.altitude_m == 2000.0
    assert len(second.readings) == 1


def test_one_test_a_line_is_read_with_semicolons_and_decimal_commas() -> None:
    notebook = parse_notebook(WIDE, "old.csv", FLEET, PressureUnit.BAR)
    assert [(t.machine, t.wet, len(t.readings)) for t in notebook.tests] == [
        ("north-7", False, 3),
        ("yard-2", False, 2),
        ("north-7", True, 3),
    ]
    assert notebook.tests[1].readings[0] == ("PTO", pytest.approx(810.0))
    assert [(job.job, job.on, job.cylinders) for job in notebook.jobs] == [("rings", date(2024, 11, 20), ())]


def test_a_second_reading_of_a_cylinder_on_a_day_is_of_the_same_test() -> None:
    notebook = parse_notebook(TIDY + "2025-01-11,north-7,PTO,106,psi,,\n", "old.csv", FLEET)
    assert notebook.tests[1].readings == (("PTO", PSI.to_kpa(104.0)), ("PTO", PSI.to_kpa(106.0)))
    assert notebook.tests[1].lines == (5, 6)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm() -> None:
    text = "\ufeff" + TIDY.replace("\n", "\r\n")
    assert len(parse_notebook(text, "old.csv", FLEET).tests) == 2


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("2024-10-03,North 7", "03.10.2024,North 7"), ["line 3", "03.10.2024", "year-month-day"]),
        (("2024-10-03,North 7", "2024-02-30,North 7"), ["line 3", "2024-02-30"]),
        (("North 7", "South 1"), ["line 3", "South 1", "north-7"]),
        (("Middle,103", "starboard,103"), ["line 3", "starboard", "PTO, middle, MAG"]),
        (("Middle,103", "Middle,1O3"), ["line 3", "1O3", "number"]),
        (("Middle,103", "Middle,-3"), ["line 3", "-3"]),
        (("Middle,103,psi", "Middle,103,lbs"), ["line 3", "lbs", "psi"]),
        (("Middle,103,psi", "Middle,103,"), ["line 3", "no unit", "--unit psi"]),
        (("Middle,103,psi", "Middle,103,bar"), ["line 3", "103, outside 0 to 40 bar; is the unit right?"]),
        (("Middle,103,psi", "Middle,920,psi"), ["line 3", "920, outside 0 to 580.2 psi; is the unit right?"]),
        (("Middle,103,psi", "Middle,,psi"), ["line 3", "neither a pressure nor a job"]),
        (("Middle,103,psi,,", "Middle,103,psi,,a,b,c"), ["line 3", "cells"]),
        (("date,machine", "day,machine"), ["line 1", "date"]),
        (("counter,note", "counter,nite"), ["line 1", "nite"]),
        (("pressure,unit", "presure,unit"), ["line 1", "pressure"]),
    ],
)
def test_a_mistake_is_told_by_file_and_line(change: tuple[str, str], says: list[str]) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_notebook(TIDY.replace(*change), "old.csv", FLEET)
    for word in ("old.csv", *says):
        assert word in str(caught.value)


UMLAUT = """[[machine]]
id = "h\N{LATIN SMALL LETTER U WITH DIAERESIS}tte"
name = "Yard"
engine = "twin"
[[machine]]
id = "yard-2"
name = "Yard"
engine = "twin"
[[engine]]
id = "twin"
name = "Twin"
cycle = 2
cylinders = ["vorn", "hint\N{LATIN SMALL LETTER E WITH ACUTE}n"]
"""


@pytest.mark.parametrize("form", ["NFC", "NFD"])
@pytest.mark.parametrize("written", ["NFC", "NFD"])
@pytest.mark.parametrize(
    "shape", ["date,machine,vorn,{2}\n{0},{1},134,133\n", "date,machine,cylinder,pressure\n{0},{1},{2},134\n"]
)
def test_a_letter_with_its_mark_apart_is_the_letter_with_its_mark(
    form: Literal["NFC", "NFD"], written: Literal["NFC", "NFD"], shape: str
) -> None:
    fleet = parse_fleet(normalize(form, UMLAUT), "fleet.toml")
    text = normalize(written, shape.format("2024-10-03", fleet.machine[0].id, fleet.engine[0].cylinder_names[1]))
    (test,) = parse_notebook(text, "old.csv", fleet, PSI).tests
    assert test.machine == fleet.machine[0].id
    assert test.readings[-1][0] == fleet.engine[0].cylinder_names[1]


def test_a_name_that_two_machines_have_is_no_machine_s() -> None:
    text = "date,machine,vorn\n2024-10-03,{},134\n"
    fleet = parse_fleet(UMLAUT, "fleet.toml")
    assert parse_notebook(text.format("yard-2"), "old.csv", fleet, PSI).tests[0].machine == "yard-2"
    with pytest.raises(SettingsError, match="line 2: more than one machine is called 'Yard'; write which it was: h"):
        parse_notebook(text.format("Yard"), "old.csv", fleet, PSI)


def test_all_mistakes_are_told_at_once() -> None:
    text = TIDY.replace("North 7", "South 1").replace("MAG,7.2", "MAG,x")
    with pytest.raises(SettingsError) as caught:
        parse_notebook(text, "old.csv", FLEET)
    assert len(str(caught.value).splitlines()) == 2


def test_pressures_in_another_unit_than_said_are_noticed() -> None:
    with pytest.raises(SettingsError, match="is the unit right"):
        parse_notebook(WIDE, "old.csv", FLEET, PSI)


@pytest.mark.parametrize("text", ["", "\n\n", "date,machine,PTO\n"])
def test_an_empty_notebook_is_told(text: str) -> None:
    with pytest.raises(SettingsError, match=r"old\.csv, line 1"):
        parse_notebook(text, "old.csv", FLEET, PSI)


def test_the_example_notebook_can_be_used_as_it_is() -> None:
    path = Path(__file__).parents[2] / "config" / "notebook.example.csv"
    notebook = parse_notebook(path.read_text(encoding="utf-8"), path.name, FLEET)
    assert len(notebook.tests) == 6
    assert [job.job for job in notebook.jobs] == ["rings"]
    assert notebook.tests[0].gauge == "old dial"


@given(text=st.text(max_size=200) | st.text(alphabet='dat,e;machin\n\r"PTO\t0123456789-.north\x00', max_size=200))
def test_whatever_is_in_the_file_is_read_or_refused_with_its_name(text: str) -> None:
    refusal = ""
    try:
        assert parse_notebook("date,machine,PTO\n" + text, "old.csv", FLEET, PSI).tests
    except SettingsError as error:
        refusal = str(error)
    assert all(line.startswith("old.csv, line ") for line in refusal.splitlines())
