"""What is written by hand goes into the journal whole, or not at all; what comes out is what went in."""

import asyncio
import json
import socket
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError
from typer.testing import CliRunner

from gaugelink.app import notebooks, records
from gaugelink.app.cli import app
from gaugelink.app.commands import record
from gaugelink.app.recorded import state_of
from gaugelink.bench.plan import Conditions
from gaugelink.engine.air import SHOP_AMBIENT_KPA, SHOP_M
from gaugelink.errors import GaugelinkError
from gaugelink.journal import Journal
from gaugelink.verdict.history import MachineHistory
from gaugelink.verdict.past import PastTest
from tests.app.shops import SHOP, write_shop
from tests.zones import living_in

NOTEBOOK = """date,machine,PTO,middle,MAG,unit,counter,job,note
2023-11-02,north-7,140,139,141,psi,1200,,
2024-11-05,north-7,139,134,140,psi,3100,,
2025-11-03,north-7,138,128,139,psi,5200,,
2025-11-10,north-7,,,,,5200,rings,
2025-11-11,north-7,139,140,139,psi,5210,,
"""
CALIBRATION = """
gauge = "amber"
span = 300.0
unit = "psi"
done_on = 2026-03-02
due_on = 2027-03-02
[[point]]
reference = 0.0
indicated = 0.0
[[point]]
reference = 150.0
indicated = 151.1
"""


class Shop:
    """A shop in a folder, and its command line."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.file = write_shop(folder)

    def run(self, *words: str) -> str:
        result = CliRunner().invoke(app, [*words, "--config", str(self.file)], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    def refused(self, *words: str) -> str:
        with pytest.raises(GaugelinkError) as caught:
            CliRunner().invoke(app, [*words, "--config", str(self.file)], catch_exceptions=False)
        return str(caught.value)

    def write(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return str(path)


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    """A shop without a journal yet, at noon of 2026-11-28."""
    for module in (record, notebooks):
        monkeypatch.setattr(module, "now", lambda: datetime(2026, 11, 28, 12, tzinfo=UTC))
    return Shop(tmp_path)


@pytest.mark.parametrize(
    ("day", "said"),
    [("2028-01-01", "is still to come"), ("2026-11-30", "is still to come"), ("0206-03-09", "is before 1900")],
)
def test_a_day_that_cannot_be_is_refused_wherever_it_is_written(shop: Shop, day: str, said: str) -> None:
    assert f"The day of the job, {day}, {said}" in shop.refused("job", "north-7", "rings", "--on", day)
    book = shop.write("old.csv", NOTEBOOK.replace("2025-11-03", day))
    assert f"old.csv, line 4: the date {day} {said}" in shop.refused("import", book)
    if "come" in said:
        file = shop.write("amber.toml", CALIBRATION.replace("2026-03-02", day).replace("2027-03-02", "2030-01-01"))
        assert f"done_on: found {day}, which {said}" in shop.refused("calibrate", file)
    assert "no journal" in shop.refused("history", "north-7")


def test_a_day_that_has_begun_somewhere_is_taken(shop: Shop) -> None:
    shop.run("job", "north-7", "rings", "--on", "2026-11-29")
    shop.run("import", shop.write("old.csv", NOTEBOOK.replace("2025-11-11", "2026-11-29")))


def test_who_only_simulated_is_told_how_that_is_read(shop: Shop) -> None:
    assert "--simulated" not in shop.refused("history", "north-7")
    (shop.folder / "bay-3-simulated.db").touch()
    assert "is read with `--simulated`" in shop.refused("history", "north-7")


def test_a_job_without_a_name_is_refused(shop: Shop) -> None:
    for name in ("", "  "):
        assert "The job has no name" in shop.refused("job", "north-7", name)
    assert "no journal" in shop.refused("history", "north-7")


def test_an_old_notebook_becomes_history_report_and_export(shop: Shop) -> None:
    assert "4 tests and 1 job taken" in shop.run("import", shop.write("old.csv", NOTEBOOK))
    history = json.loads(shop.run("history", "north-7", "--json"))
    assert history["tests"] == 4
    assert any("After rings" in line and "middle: gained" in line for line in history["says"])
    assert "consistent" in shop.run("report", "--machine", "north-7")
    out = shop.folder / "readings.csv"
    assert "12 readings" in shop.run("export", str(out))
    rows = out.read_text().splitlines()
    assert len(rows) == 13
    assert "peak_kpa" in rows[0]
    fleet = json.loads(shop.run("history", "--fleet", "--json"))
    assert [one["machine"] for one in fleet] == ["north-7"]


def test_an_export_reads_the_seasons_of_a_machine_once_however_many_tests_it_has(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once for every test it took an hour of a shop with sixty machines: the seasons judge the whole fleet anew."""
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    read: list[int] = []
    whole = records.read_history

    def counted(tests: Sequence[PastTest], *others: Any, **more: Any) -> MachineHistory:
        read.append(len(tests))
        return whole(tests, *others, **more)

    monkeypatch.setattr(records, "read_history", counted)
    assert "12 readings" in shop.run("export", str(shop.folder / "readings.csv"))
    assert read == [4]


def test_a_history_lists_every_test_with_the_id_by_which_its_report_is_asked_for(shop: Shop) -> None:
    shop.run("import", shop.write("old.csv", NOTEBOOK + "2025-11-12,north-7,99,98,,psi,,,\n"))
    lines = shop.run("history", "north-7").splitlines()
    begin = next(number for number, line in enumerate(lines) if line.startswith("All tests, in psi"))
    rows = [line.split() for line in lines[begin + 2 : begin + 7]]
    assert [row[:5] for row in rows] == [
        ["2023-11-02", "dry", "140", "139", "141"],
        ["2024-11-05", "dry", "139", "134", "140"],
        ["2025-11-03", "dry", "138", "128", "139"],
        ["2025-11-11", "dry", "139", "140", "139"],
        ["2025-11-12", "dry", "99", "98", "-"],
    ]
    for row in rows:
        said = shop.run("report", "--test", row[-1])
        assert row[0] in said
        assert row[5] in said
    listed = json.loads(shop.run("history", "north-7", "--json"))["list"]
    assert [one["test_id"][: len(row[-1])] for one, row in zip(listed, rows, strict=True)] == [row[-1] for row in rows]


def test_a_notebook_taken_in_twice_counts_once_and_what_was_added_to_it_is_taken(shop: Shop) -> None:
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    first = json.loads(shop.run("history", "north-7", "--json"))
    said = shop.run("import", shop.write("old.csv", NOTEBOOK))
    assert "0 tests and 0 jobs taken" in said
    assert "4 tests and 1 job of this notebook were there already" in said
    assert json.loads(shop.run("history", "north-7", "--json")) == first
    longer = NOTEBOOK + "2026-02-01,north-7,139,141,139,psi,5900,,\n2026-02-02,north-7,,,,,5900,rings,\n"
    assert "1 test and 1 job taken" in shop.run("import", shop.write("old.csv", longer))


def imported(shop: Shop) -> list[tuple[int, str, int]]:
    """Of each test of north-7: how many readings it has, its id, and how many the history of readings has."""

    async def read() -> list[tuple[int, str, int]]:
        async with Journal.open(shop.folder / "bay-3.db", read_only=True) as journal:
            return [
                (len(state_of(test).readings), test.test_id, len(await journal.readings(test.test_id)))
                for test in await journal.tests("north-7")
            ]

    return asyncio.run(read())


def test_a_test_that_got_more_readings_in_the_notebook_keeps_its_id_and_gets_them(shop: Shop) -> None:
    head = "date,machine,cylinder,pressure,unit\n"
    lines = [f"2025-03-09,north-7,{name},{psi},psi\n" for name, psi in (("PTO", 139), ("MAG", 140), ("PTO", 141))]
    shop.run("import", shop.write("old.csv", head + lines[0]))
    ((_, test_id, _),) = imported(shop)
    said = shop.run("import", shop.write("old.csv", head + "".join(lines)))
    assert "1 test was there with fewer readings and got the new ones" in said
    assert imported(shop) == [(3, test_id, 3)]
    assert "0 tests and 0 jobs taken" in shop.run("import", shop.write("old.csv", head + lines[1]))
    assert imported(shop) == [(3, test_id, 3)]


def test_a_note_that_was_put_right_makes_no_second_test_and_a_jobs_note_is_kept(shop: Shop) -> None:
    noted = NOTEBOOK.replace("1200,,", "1200,,cold").replace("5200,rings,", "5200,rings,new pins too")
    shop.run("import", shop.write("old.csv", noted))
    shop.run("import", shop.write("old.csv", noted.replace("cold", "very cold")))
    assert len(imported(shop)) == 4

    async def notes() -> list[str]:
        async with Journal.open(shop.folder / "bay-3.db", read_only=True) as journal:
            return [job.note for job in await journal.jobs("north-7")]

    assert asyncio.run(notes()) == ["new pins too"]


def test_a_cylinder_that_wears_is_found_in_an_old_notebook(shop: Shop) -> None:
    lines = ["date,machine,PTO,middle,MAG,unit"]
    days = [(year, month) for year in (2021, 2022, 2023, 2024) for month in ("10", "12")]
    for k, (year, month) in enumerate(days):
        lines.append(f"{year}-{month}-05,north-7,{104 + k},{104 + k - 3 * (year - 2021)},{105 + k},psi")
    shop.run("import", shop.write("old.csv", "\n".join(lines)))
    trends = json.loads(shop.run("history", "north-7", "--json"))["trends"]
    assert [trend["cylinder"] for trend in trends if trend["wearing"]] == ["middle"]


def test_an_export_says_what_its_columns_mean_and_where_it_wants_to_go(shop: Shop) -> None:
    assert "| `peak_kpa` | kPa, gauge | cranking pressure as measured" in shop.run("export", "--columns")
    assert "gaugelink export readings.csv" in shop.refused("export")


def test_one_test_has_no_trend(shop: Shop) -> None:
    shop.run("import", shop.write("old.csv", "".join(NOTEBOOK.splitlines(keepends=True)[:2])))
    said = shop.run("history", "north-7")
    assert "1 dry test\n" in said
    assert "A trend needs two tests" in said
    assert "±" not in said
    trends = json.loads(shop.run("history", "north-7", "--json"))["trends"]
    assert [(trend["tests"], trend["percent"]) for trend in trends] == [(1, None)] * 3
    shop.run("import", shop.write("more.csv", "".join(NOTEBOOK.splitlines(keepends=True)[:3])))
    assert "±" in (longer := shop.run("history", "north-7"))
    assert "A trend needs two tests" not in longer
    assert "too few to tell wear from chance" in longer


def test_two_lines_that_say_the_same_are_two_jobs(shop: Shop) -> None:
    job = "2025-11-10,north-7,,,,,5200,rings,\n"
    assert "4 tests and 2 jobs taken" in shop.run("import", shop.write("old.csv", NOTEBOOK + job))


@pytest.mark.parametrize(("column", "ends"), [("ambient_abs_kpa", SHOP_AMBIENT_KPA), ("altitude_m", SHOP_M)])
def test_the_air_of_a_notebook_is_taken_or_refused_as_that_of_a_test(
    shop: Shop, column: str, ends: tuple[float, float]
) -> None:
    head = f"date,machine,PTO,middle,MAG,unit,{column}\n"
    rows = [f"2025-03-0{day},north-7,140,139,141,psi,{end}\n" for day, end in enumerate(ends, start=1)]
    assert "2 tests" in shop.run("import", shop.write("old.csv", head + "".join(rows)))
    for end, beyond in zip(ends, (ends[0] - 1.0, ends[1] + 1.0), strict=True):
        said = shop.refused("import", shop.write("old.csv", head + rows[0].replace(str(ends[0]), str(beyond))))
        assert f"line 2: {column} is {beyond}, outside" in said, end
    field = {"ambient_abs_kpa": "barometer_kpa"}.get(column, column)
    for end, beyond in zip(ends, (ends[0] - 1.0, ends[1] + 1.0), strict=True):
        Conditions.model_validate({field: end})
        with pytest.raises(ValidationError):
            Conditions.model_validate({field: beyond})


def test_a_notebook_with_a_mistake_is_refused_by_its_line_and_nothing_is_taken(shop: Shop) -> None:
    said = shop.refused("import", shop.write("old.csv", NOTEBOOK.replace("134", "13x")))
    assert "old.csv, line 3" in said
    assert "no journal" in shop.refused("history", "north-7")


@pytest.mark.parametrize("form", ["html", "pdf", "png"])
def test_a_report_is_written_in_every_form(shop: Shop, form: str) -> None:
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    out = shop.folder / f"page.{form}"
    shop.run("report", "--out", str(out))
    head = out.read_bytes()[:15].lower()
    assert head.startswith({"html": b"<!doctype html>", "pdf": b"%pdf", "png": b"\x89png"}[form])


def test_a_report_of_another_form_or_of_nothing_is_refused(shop: Shop) -> None:
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    assert "allowed: html, pdf, png" in shop.refused("report", "--out", str(shop.folder / "page.docx"))
    assert "has no test nothing" in shop.refused("report", "--test", "nothing")
    assert "no samples to judge" in shop.refused("report", "--again")


def test_a_notebook_that_says_nothing_of_the_air_has_it_assumed(shop: Shop) -> None:
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    assert "which was assumed" in shop.run("report")


def test_a_job_is_kept_with_its_cylinders_and_an_unknown_one_is_refused(shop: Shop) -> None:
    said = shop.run("job", "north-7", "pistons", "--cylinder", "mag", "--odometer", "120")
    assert said == "Written down: pistons on north-7, MAG, 2026-11-28, at 120.\n"
    assert "no cylinder 'left'" in shop.refused("job", "north-7", "pistons", "--cylinder", "left")
    assert "north-8" in shop.refused("job", "north-8", "pistons")


def test_a_date_that_is_none_is_refused_with_one_that_is(shop: Shop) -> None:
    assert "--on: found '9 March'; expected a date, as 2026-03-09, or with its time" in shop.refused(
        "job", "north-7", "rings", "--on", "9 March"
    )
    shop.run("job", "north-7", "rings", "--on", "2026-03-09")
    assert "%" not in CliRunner().invoke(app, ["job", "--help"]).output


def test_what_cannot_be_read_is_refused_in_words(shop: Shop) -> None:
    assert shop.refused("import", str(shop.folder)).endswith("the notebook cannot be read: it is a folder.")
    (shop.folder / "dial.csv").write_bytes(b"date,machine\n\xff\n")
    refused = shop.refused("import", str(shop.folder / "dial.csv"))
    assert refused.endswith("it is not text in UTF-8; save it from the spreadsheet as CSV in UTF-8.")
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    nowhere = shop.folder / "nowhere"
    assert shop.refused("export", str(nowhere / "a.csv")).endswith("cannot be written: its folder is not there.")
    assert shop.refused("report", "--out", str(nowhere / "a.png")).endswith("its folder is not there.")
    said = shop.refused("history", "north-8")
    assert said == "The fleet has no machine 'north-8'; it has north-7."


def test_a_bench_that_is_not_up_is_told_without_the_systems_own_words(shop: Shop) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        shop.file.write_text(shop.file.read_text() + f"[broker]\nport = {free.getsockname()[1]}\n", encoding="utf-8")
        said = shop.refused("test", "finish")
    assert said.endswith(": nothing listens there. Is `gaugelink run` up?")


def test_an_option_that_cannot_be_is_told_by_its_place_alone(shop: Shop) -> None:
    said = shop.refused("decay", "begin", "--loss", "0")
    assert said.startswith("--loss: 0 psi is too little; ")
    result = CliRunner().invoke(app, ["decay", "begin", "--practice", "lax"])
    assert "Invalid value for '--practice': 'lax' is not one of" in " ".join(result.output.split())


def test_a_calibration_is_taken_in_or_refused(shop: Shop) -> None:
    assert "is in the record" in shop.run("calibrate", shop.write("amber.toml", CALIBRATION))
    other = shop.write("other.toml", CALIBRATION.replace("amber", "blue"))
    assert "no gauge is called 'blue'" in shop.refused("calibrate", other)
    falling = shop.write("falling.toml", CALIBRATION.replace("151.1", "-1.0"))
    assert "do not rise" in shop.refused("calibrate", falling)


def journalled(shop: Shop) -> tuple[list[datetime], list[datetime]]:
    """When the tests of north-7 were, and its jobs."""

    async def read() -> tuple[list[datetime], list[datetime]]:
        async with Journal.open(shop.folder / "bay-3.db", read_only=True) as journal:
            tests, jobs = await journal.tests("north-7"), await journal.jobs("north-7")
            return [test.began_at for test in tests], [job.at for job in jobs]

    return asyncio.run(read())


@pytest.mark.parametrize("zone", ["Australia/Brisbane", "America/Vancouver"])
def test_a_date_without_a_time_is_a_day_of_the_shop(shop: Shop, zone: str) -> None:
    with living_in(zone):
        shop.run("import", shop.write("old.csv", NOTEBOOK))
        shop.run("job", "north-7", "rings", "--on", "2026-03-09")
        tests, jobs = journalled(shop)
        assert [f"{at.astimezone():%Y-%m-%d %H}" for at in tests] == [
            f"{line.split(',')[0]} 12" for line in NOTEBOOK.splitlines()[1:] if "psi" in line
        ]
        assert [f"{at.astimezone():%Y-%m-%d %H}" for at in jobs] == ["2025-11-10 12", "2026-03-09 12"]
        # A test of that afternoon comes after the job of that day.
        assert jobs[-1] < datetime(2026, 3, 9, 15).astimezone()
        assert "0 tests and 0 jobs taken" in shop.run("import", shop.write("old.csv", NOTEBOOK))
        assert "2025-11-10" in "".join(json.loads(shop.run("history", "north-7", "--json"))["says"])


def test_a_notebook_that_was_taken_in_at_noon_in_utc_is_known_again(shop: Shop) -> None:
    with living_in("UTC"):
        shop.run("import", shop.write("old.csv", NOTEBOOK))
    with living_in("Australia/Brisbane"):
        assert "0 tests and 0 jobs taken" in shop.run("import", shop.write("old.csv", NOTEBOOK))
    assert [len(found) for found in journalled(shop)] == [4, 1]


def test_the_fleet_tells_where_all_its_machines_stepped_together(tmp_path: Path) -> None:
    others = "".join(
        f'\n[[machines]]\nid = "{name}"\nname = "{name}"\nengine = "triple"\n'
        for name in ("east-1", "east-2", "east-3")
    )
    shop = Shop(tmp_path)
    shop.file.write_text(SHOP + others, encoding="utf-8")
    rows = [
        f"{year}-{month:02}-0{number + 1},{machine},{psi},{psi},{psi},psi"
        for number, machine in enumerate(("north-7", "east-1", "east-2", "east-3"))
        for year, psi in ((2022, 135.0), (2023, 135.0), (2024, 124.2), (2025, 124.2))
        for month in (4, 10)
    ]
    shop.run("import", shop.write("old.csv", "\n".join(["date,machine,PTO,middle,MAG,unit", *rows])))
    said = " ".join(shop.run("history", "--fleet").split())
    assert "All 4 machines" in said
    assert "look at the gauge, not at the engines" in said
