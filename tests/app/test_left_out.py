"""What of the record cannot be read stops nobody from reading the rest, and is named."""

import json
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.records import Records
from gaugelink.app.shoppage import JournalRecord
from gaugelink.broker.commands import CommandAction
from gaugelink.errors import EntryError
from tests.app.shops import SHOP, shop_in
from tests.app.test_leak_records import differential
from tests.app.test_record_commands import Shop
from tests.app.test_records import dry_test, recorded
from tests.app.test_session import Bench

TWO = SHOP.replace("[test]", '[[machines]]\nid = "south-2"\nname = "South 2"\nengine = "triple"\n\n[test]')
BOOK = """date,machine,PTO,middle,MAG,unit
2024-11-02,north-7,140,139,141,psi
2025-11-02,north-7,139,138,140,psi
2025-11-03,south-2,139,138,140,psi
"""


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    """Two machines with three tests, of which that of south-2 is damaged."""
    shop = Shop(tmp_path)
    shop.file.write_text(TWO, encoding="utf-8")
    shop.run("import", shop.write("old.csv", BOOK))
    damage(tmp_path, "UPDATE tests SET snapshot = '{\"bench\": {' WHERE machine = 'south-2'")
    return shop


def damage(folder: Path, how: str) -> None:
    connection = sqlite3.connect(folder / "bay-3.db")
    assert connection.execute(how).rowcount > 0
    connection.commit()
    connection.close()


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize(
    "words",
    [("history",), ("history", "north-7"), ("history", "south-2"), ("report",), ("report", "--machine", "north-7")],
)
def test_a_test_that_cannot_be_read_is_named_and_stops_no_other(shop: Shop, words: tuple[str, ...]) -> None:
    said = flat(shop.run(*words))
    assert " of south-2, 2025-11-03, is left out" in said
    assert " is left out. The test " in said
    assert said.count("is left out") == 1
    if words[-1] == "north-7":
        assert "Two tests since the last job" in said
    if words == ("report",):
        assert said.count("North 7, 2025-11-02") == 1, "the last that can be read"


def test_programs_are_told_what_could_not_be_read(shop: Shop) -> None:
    (line,) = json.loads(shop.run("history", "north-7", "--json"))["left_out"]
    assert "of south-2" in line
    ranked = CliRunner().invoke(app, ["history", "--json", "--config", str(shop.file)], catch_exceptions=False)
    assert [one["machine"] for one in json.loads(ranked.stdout)] == ["south-2", "north-7"]
    assert flat(ranked.stderr) == line
    said = flat(shop.run("export", str(shop.folder / "readings.csv")))
    assert "6 readings written" in said
    assert line in said


def test_a_test_that_is_asked_for_and_cannot_be_read_is_an_error(shop: Shop) -> None:
    (line,) = json.loads(shop.run("history", "north-7", "--json"))["left_out"]
    assert "cannot be read by this version" in shop.refused("report", "--test", line.split()[2])
    assert "cannot be read by this version" in shop.refused("report", "--machine", "south-2")


def test_a_machine_whose_test_cannot_be_read_was_tested(shop: Shop) -> None:
    assert "South 2 its test of 2025-11-03 cannot be read" in flat(shop.run("history", "--fleet"))
    said = flat(shop.run("history", "south-2"))
    assert said.startswith("There is no dry test of South 2 to show: its test of 2025-11-03 cannot be read.")


def test_a_notebook_is_taken_but_for_a_test_of_a_day_of_which_the_record_cannot_read_one(shop: Shop) -> None:
    """It may be the same test: taken in, it would be there twice when the other can be read again."""
    before = stored_ids(shop)
    lines = [
        "date,machine,PTO,middle,MAG,unit,job",
        "2025-11-02,north-7,139,138,140,psi,",
        "2025-11-03,south-2,139,137,140,psi,",
        "2025-11-03,south-2,,,,,rings",
        "2025-11-20,south-2,138,137,139,psi,",
    ]
    file = shop.write("more.csv", "\n".join(lines) + "\n")
    done = CliRunner().invoke(app, ["import", file, "--config", str(shop.file)], catch_exceptions=False)
    said = flat(done.stdout)
    assert done.exit_code == 1
    assert said.startswith("1 test and 1 job taken into ")
    assert "1 test not taken in: the record has one of that day that cannot be read, and may be the same." in said
    assert "south-2 on 2025-11-03: PTO 139 psi, middle 137 psi, MAG 140 psi. The test " in said
    assert "Update gaugelink, or the journal was damaged." in said
    assert before < stored_ids(shop)
    assert len(stored_ids(shop)) == len(before) + 1
    assert "rings" in flat(shop.run("history", "south-2"))


def test_a_test_of_the_bench_that_cannot_be_read_keeps_no_notebook_out(shop: Shop) -> None:
    damage(shop.folder, "UPDATE tests SET began_at = '2025-11-03T12:41:07.250Z' WHERE machine = 'south-2'")
    said = flat(shop.run("import", shop.write("same.csv", BOOK)))
    assert said.startswith("1 test and 0 jobs taken into ")
    assert "not taken in" not in said


def stored_ids(shop: Shop) -> set[str]:
    connection = sqlite3.connect(shop.folder / "bay-3.db")
    found = {one for (one,) in connection.execute("SELECT test_id FROM tests")}
    connection.close()
    return found


def test_a_last_test_that_cannot_be_read_is_no_part_of_what_the_last_one_says(shop: Shop) -> None:
    later = "date,machine,PTO,middle,MAG,unit\n2025-11-20,south-2,139,99,140,psi\n"
    later += "2025-11-21,south-2,139,138,140,psi\n"
    shop.run("import", shop.write("more.csv", later))
    assert "its test of" not in flat(shop.run("history", "--fleet")), "what is left out is of before"
    damage(shop.folder, "UPDATE tests SET snapshot = '{' WHERE began_at > '2025-11-21'")
    why = "South 2 the last test that counts says investigate; its test of 2025-11-21 cannot be read"
    assert why in flat(shop.run("history", "--fleet"))


def test_a_machine_whose_test_does_not_fit_the_fleet_file_any_more_was_tested(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    shop.run("import", shop.write("old.csv", BOOK[: BOOK.index("2025-11-03")]))
    text = shop.file.read_text(encoding="utf-8")
    shop.file.write_text(text.replace("cylinders = 3", "cylinders = 2"), encoding="utf-8")
    assert "its test of 2025-11-02 does not fit the fleet file" in flat(shop.run("history", "--fleet"))


async def test_the_page_shows_the_rest_and_names_what_cannot_be_read(shop: Shop, tmp_path: Path) -> None:
    page = await JournalRecord(shop_in(tmp_path, TWO)).history("north-7")
    assert len(page.tests) == 2
    assert "of south-2" in page.says[-1]
    assert not page.left_out
    assert (await JournalRecord(shop_in(tmp_path, TWO)).history("south-2")).left_out


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("UPDATE events SET event = '{'", "is left out. A stored cranking event cannot be read"),
        ("UPDATE events SET samples = x'00'", "is drawn from its strokes alone. Stored samples cannot be unpacked"),
        ("UPDATE decays SET result = '{'", "of cylinder MAG of a machine that is not known, 2026-"),
        (
            "UPDATE decays SET result = '{', test_id = (SELECT max(test_id) FROM tests)",
            "of cylinder MAG of north-7, 2026-",
        ),
    ],
)
def test_an_event_samples_or_a_leak_down_that_cannot_be_read_leaves_out_itself_alone(
    tmp_path: Path, how: str, says: str
) -> None:
    bench = Bench(tmp_path)
    earlier = dry_test(bench, (900.0, 905.0, 910.0), CommandAction.FINISH)
    later = dry_test(bench, (901.0, 906.0, 911.0), CommandAction.FINISH)
    later[-1].entries.append(differential(bench.now_s / 3600.0, "MAG", 8.0, "pass"))
    recorded(bench, [*earlier, *later], lambda records: records.tests())
    test_ids = [test.stored.test_id for test in recorded(bench, [], lambda records: records.tests())]
    of_the_later = f" WHERE test_id = '{test_ids[1]}'" if "events" in how else ""
    damage(tmp_path, how + of_the_later)
    report = recorded(bench, [], lambda records: records.report(None))
    assert says in report.notes[-1]
    assert report.test_id == test_ids[0 if "event =" in how else 1]
    if "samples" not in how:
        assert any(says in line for line in recorded(bench, [], _left_out_of_verdicts))


async def _left_out_of_verdicts(records: Records) -> tuple[str, ...]:
    for test in await records.tests():
        await records.judged(test)
    return records.left_out.lines


def test_where_no_test_can_be_read_that_is_the_error(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    recorded(bench, dry_test(bench, (900.0, 905.0), CommandAction.FINISH), lambda records: records.tests())
    damage(tmp_path, "UPDATE tests SET snapshot = '5'")
    with pytest.raises(EntryError, match="cannot be read by this version"):
        recorded(bench, [], lambda records: records.report(None))
