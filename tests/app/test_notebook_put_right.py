"""What a shop puts right in its notebook is put right in the record: one test a day, and nothing is lost."""

import asyncio
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from gaugelink.app import notebooks
from gaugelink.app.commands import record
from gaugelink.app.notebook_tests import new_test
from gaugelink.app.notebooks import import_notebook
from gaugelink.app.recorded import state_of
from gaugelink.app.shopfile import load_shop
from gaugelink.engine.air import assumed_ambient
from gaugelink.engine.units import PressureUnit
from gaugelink.journal import Action, Journal, StoredReading, StoredTest
from gaugelink.report.notebook import NotebookTest
from tests.app.shops import SHOP, write_shop
from tests.app.test_record_commands import NOTEBOOK, Shop
from tests.zones import living_in

TODAY = datetime(2026, 11, 28, 12, tzinfo=UTC)
HEAD = "date,machine,cylinder,pressure,unit\n"
TWICE = HEAD + "".join(f"2025-03-09,north-7,{one},psi\n" for one in ("PTO,139", "MAG,140", "PTO,142"))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    """A shop without a journal yet, at noon of 2026-11-28."""
    for module in (record, notebooks):
        monkeypatch.setattr(module, "now", lambda: TODAY)
    return Shop(tmp_path)


def take(shop: Shop, text: str) -> str:
    return shop.run("import", shop.write("old.csv", text))


def listed(shop: Shop) -> list[tuple[str, dict[str, float]]]:
    """Day and readings in psi of every test, as history and page have them."""
    history: dict[str, Any] = json.loads(shop.run("history", "north-7", "--json"))
    return [
        (test["at"][:10], {name: round(kpa / PressureUnit.PSI.kpa, 1) for name, kpa in test["readings_kpa"].items()})
        for test in history["list"]
    ]


def kept(shop: Shop) -> tuple[list[StoredTest], dict[str, list[StoredReading]]]:
    """The tests, and the history of the readings of each by its day."""

    async def read() -> tuple[list[StoredTest], dict[str, list[StoredReading]]]:
        async with Journal.open(shop.folder / "bay-3.db", read_only=True) as journal:
            tests = await journal.tests("north-7")
            return tests, {str(one.began_at.date()): await journal.readings(one.test_id) for one in tests}

    return asyncio.run(read())


def lines_of(readings: list[StoredReading]) -> list[tuple[str, Action, str]]:
    return [(one.cylinder, one.action, PressureUnit.PSI.text(one.peak_kpa or 0.0)) for one in readings]


def test_a_pressure_that_was_put_right_changes_its_test_and_makes_no_second_one(shop: Shop) -> None:
    take(shop, NOTEBOOK)
    before, _ = kept(shop)
    said = take(shop, NOTEBOOK.replace("138,128,139", "138,131,139"))
    assert "0 tests and 0 jobs taken" in said
    assert "1 test and 0 jobs put right" in said
    assert "north-7 on 2025-11-03: middle 131 psi, was 128 psi\n" in said
    assert "3 tests and 1 job of this notebook were there already" in said
    after, history = kept(shop)
    assert [(one.test_id, one.began_at) for one in after] == [(one.test_id, one.began_at) for one in before]
    assert listed(shop)[2] == ("2025-11-03", {"PTO": 138.0, "middle": 131.0, "MAG": 139.0})
    assert "131" in shop.run("report", "--test", after[2].test_id)
    changes = history["2025-11-03"][3:]
    assert lines_of(changes) == [("middle", Action.STRUCK, "128 psi"), ("middle", Action.GIVEN, "131 psi")]
    assert {(one.at, one.by, one.event_id) for one in changes} == {(TODAY, "notebook", None)}


def test_the_seasons_are_compared_by_what_was_put_right(shop: Shop) -> None:
    take(shop, NOTEBOOK.replace("138,128,139", "138,138,139"))
    take(shop, NOTEBOOK)
    right = json.loads(shop.run("history", "north-7", "--json"))
    (shop.folder / "bay-3.db").unlink()
    take(shop, NOTEBOOK)
    alone = json.loads(shop.run("history", "north-7", "--json"))
    assert any("middle: gained" in line for line in alone["says"])
    assert (right["says"], right["trends"]) == (alone["says"], alone["trends"])


def test_what_was_put_right_is_there_already_the_next_time_and_can_be_put_back(shop: Shop) -> None:
    right = NOTEBOOK.replace("138,128,139", "138,131,139")
    take(shop, NOTEBOOK)
    take(shop, right)
    assert "4 tests and 1 job of this notebook were there already" in take(shop, right)
    assert "middle 128 psi, was 131 psi" in take(shop, NOTEBOOK)
    _, history = kept(shop)
    assert [action for _, action, _ in lines_of(history["2025-11-03"])[3:]] == [Action.STRUCK, Action.GIVEN] * 2
    assert listed(shop)[2][1]["middle"] == 128.0


def test_the_only_reading_of_a_day_is_put_right_too(shop: Shop) -> None:
    take(shop, HEAD + "2025-03-09,north-7,PTO,139,psi\n")
    assert "north-7 on 2025-03-09: PTO 138.7 psi, was 139.0 psi" in take(
        shop, HEAD + "2025-03-09,north-7,PTO,138.7,psi\n"
    )
    assert listed(shop) == [("2025-03-09", {"PTO": 138.7})]


def test_one_of_several_pulls_of_a_day_is_put_right_and_the_others_stay(shop: Shop) -> None:
    take(shop, TWICE)
    said = take(shop, TWICE.replace("142", "141") + "2025-03-09,north-7,middle,140,psi\n")
    assert "north-7 on 2025-03-09: PTO 141 psi, was 142 psi\n" in said
    assert "north-7 on 2025-03-09: middle 140 psi is new\n" in said
    tests, history = kept(shop)
    assert len(tests) == 1
    counted = [reading for reading in state_of(tests[0]).readings if reading.in_cylinder]
    assert sorted((one.cylinder or "", round(one.peak_kpa / PressureUnit.PSI.kpa)) for one in counted) == [
        ("MAG", 140),
        ("PTO", 139),
        ("PTO", 141),
        ("middle", 140),
    ]
    assert len(history["2025-03-09"]) == 3 + 3


def test_a_pressure_that_was_written_for_the_wrong_cylinder_is_moved(shop: Shop) -> None:
    take(shop, TWICE)
    assert "north-7 on 2025-03-09: 140 psi is middle's, was MAG's\n" in take(shop, TWICE.replace("MAG", "middle"))
    assert listed(shop) == [("2025-03-09", {"PTO": 140.5, "middle": 140.0})]
    _, history = kept(shop)
    assert lines_of(history["2025-03-09"])[3:] == [("middle", Action.MOVED, "140 psi")]


def test_what_is_in_the_notebook_no_more_stays_and_is_said(shop: Shop) -> None:
    take(shop, NOTEBOOK)
    before = listed(shop)
    lines = NOTEBOOK.replace("139,134,140", "139,,140").splitlines(keepends=True)
    said = take(shop, "".join(lines[:3] + lines[4:]))
    assert "Not in this notebook, but in the record from one; nothing is taken out" in said
    assert "north-7 on 2024-11-05: middle 134 psi\n" in said
    assert "north-7 on 2025-11-03: PTO 138 psi, middle 128 psi, MAG 139 psi\n" in said
    assert listed(shop) == before
    assert "Not in this notebook" not in take(shop, NOTEBOOK)
    assert "Not in this notebook" not in take(shop, "".join(lines[:2])), "a notebook of other days"


def jobs_of(shop: Shop) -> list[tuple[str, float | None]]:
    return [(one["job"], one["odometer"]) for one in json.loads(shop.run("history", "north-7", "--json"))["jobs"]]


def test_a_job_whose_counter_was_put_right_is_one_job_and_can_be_put_back(shop: Shop) -> None:
    right = NOTEBOOK.replace("5200,rings", "5205,rings")
    take(shop, NOTEBOOK)
    said = take(shop, right)
    assert "0 tests and 1 job put right" in said
    assert "north-7 on 2025-11-10: rings, counter 5205, was 5200\n" in said
    assert "one test" not in said
    assert jobs_of(shop) == [("rings", 5205.0)]
    assert "4 tests and 1 job of this notebook were there already" in take(shop, right)
    assert "1 job of this notebook were there already" in take(shop, right.replace("5205,rings", ",rings"))
    assert "rings, counter 5200, was 5205" in take(shop, NOTEBOOK)
    assert jobs_of(shop) == [("rings", 5200.0)]


def test_of_two_jobs_of_a_day_the_one_that_says_the_same_stays(shop: Shop) -> None:
    both = NOTEBOOK + "2025-11-10,north-7,,,,,5290,rings,\n"
    take(shop, both)
    assert "rings, counter 5300, was 5290" in take(shop, both.replace("5290", "5300"))
    assert jobs_of(shop) == [("rings", 5200.0), ("rings", 5300.0)]
    assert "north-7 on 2025-11-10: rings, counter 5300\n" in take(shop, NOTEBOOK)
    assert jobs_of(shop) == [("rings", 5200.0), ("rings", 5300.0)]


def test_a_job_that_a_person_struck_is_not_brought_back_by_a_notebook_that_was_put_right(shop: Shop) -> None:
    take(shop, NOTEBOOK)
    shop.run("job", "north-7", "rings", "--strike")
    said = take(shop, NOTEBOOK.replace("138,128,139", "138,131,139"))
    assert "1 test and 0 jobs put right" in said
    assert jobs_of(shop) == []


@pytest.mark.parametrize(
    ("column", "was", "now", "said"),
    [
        ("counter", "1200", "1250", "counter 1250, was 1200"),
        ("counter", "", "1250", "counter 1250, was not noted"),
        ("gauge", "dial", "other dial", "gauge other dial, was dial"),
        ("gauge", "", "dial", "gauge dial, was not named"),
        ("altitude_m", "300", "1300", "air at 1300 m, was at 300 m"),
        ("ambient_abs_kpa", "", "98.2", "air 982 hPa, was at 200 m"),
    ],
)
def test_what_else_the_notebook_says_of_a_test_is_put_right_and_the_sentence_keeps_what_it_was(
    shop: Shop, column: str, was: str, now: str, said: str
) -> None:
    write_shop(shop.folder, SHOP.replace('engine = "triple"', 'engine = "triple"\naltitude_m = 200'))
    book = f"date,machine,PTO,MAG,unit,{column}\n2025-03-09,north-7,139,140,psi,"
    take(shop, book + was + "\n")
    assert f"north-7 on 2025-03-09: {said}\n" in take(shop, book + now + "\n")
    assert "1 test and 0 jobs of this notebook were there already" in take(shop, book + now + "\n")
    assert "were there already" in take(shop, book + "\n"), "what is left out is not taken back"
    (test,), _ = kept(shop)
    plan = state_of(test).plan
    stands = {
        "counter": test.odometer,
        "gauge": plan.gauges["MAG"],
        "altitude_m": plan.conditions.altitude_m,
        "ambient_abs_kpa": plan.conditions.barometer_kpa,
    }
    assert stands[column] == (now if column == "gauge" else float(now))


def test_air_that_is_noted_in_one_line_of_a_day_is_that_of_the_whole_test(shop: Shop) -> None:
    write_shop(shop.folder, SHOP.replace('engine = "triple"', 'engine = "triple"\naltitude_m = 200'))
    book = (
        HEAD.replace("unit", "unit,altitude_m")
        + "2025-03-09,north-7,PTO,139,psi,{}\n2025-03-09,north-7,MAG,140,psi,{}\n"
    )
    take(shop, book.format(1500, ""))
    assert "were there already" in take(shop, book.format("", 1500))
    (test,), _ = kept(shop)
    assert state_of(test).plan.conditions.altitude_m == 1500.0


@pytest.mark.parametrize("zones", [("America/Denver", "UTC", "Asia/Tokyo"), ("Pacific/Auckland", "UTC", "UTC")])
def test_a_notebook_that_was_taken_in_in_another_zone_is_known_and_put_right(
    shop: Shop, zones: tuple[str, str, str]
) -> None:
    # In winter: Auckland's summer time is more than twelve hours ahead.
    book = NOTEBOOK.replace("-11-", "-06-")
    first, then, last = zones
    with living_in(first):
        take(shop, book)
    with living_in(then):
        said = take(shop, book.replace("138,128,139", "138,131,139").replace("5200,rings", "5205,rings"))
    assert "1 test and 1 job put right" in said
    assert "north-7 on 2025-06-03: middle 131 psi, was 128 psi\n" in said
    with living_in(last):
        said = take(shop, book)
    assert "middle 128 psi, was 131 psi" in said
    assert "Not in this notebook" not in said
    tests, history = kept(shop)
    assert len(tests) == 4
    assert sum(map(len, history.values())) == 12 + 2 + 2


def test_another_place_of_the_machine_changes_no_old_test(shop: Shop) -> None:
    take(shop, NOTEBOOK)
    write_shop(shop.folder, SHOP.replace('engine = "triple"', 'engine = "triple"\naltitude_m = 1500'))
    assert "4 tests and 1 job of this notebook were there already" in take(shop, NOTEBOOK)
    tests, _ = kept(shop)
    assert {state_of(test).plan.conditions.altitude_m for test in tests} == {None}


def test_a_test_of_a_simulated_bench_in_the_same_journal_is_another_one(shop: Shop) -> None:
    take(shop, TWICE)
    real = load_shop(shop.file)
    twin = replace(real.as_simulated(), journal=real.journal)
    asyncio.run(import_notebook(twin, Path(shop.write("twin.csv", TWICE.replace("142", "150"))), "psi"))
    assert listed(shop) == [("2025-03-09", {"PTO": 140.5, "MAG": 140.0})]
    assert "were there already" in take(shop, TWICE)


def test_of_two_tests_of_a_day_that_are_in_the_record_the_nearest_is_meant(shop: Shop) -> None:
    """Earlier versions took a pressure that was put right as a test of its own."""
    real = load_shop(shop.file)
    psi = PressureUnit.PSI.to_kpa

    def written(*pressures: float) -> NotebookTest:
        readings = tuple(zip(("PTO", "middle", "MAG"), map(psi, pressures), strict=True))
        return NotebookTest("north-7", date(2025, 3, 9), False, readings, assumed_ambient(), (2,))

    async def both() -> None:
        async with Journal.open(real.journal) as journal:
            await journal.record(new_test(real, written(139, 128, 140), "0" * 12))
            await journal.record(new_test(real, written(139, 131, 140), "1" * 12))

    asyncio.run(both())
    wide: Callable[[str], str] = "date,machine,PTO,middle,MAG,unit\n2025-03-09,north-7,{},psi\n".format
    said = take(shop, wide("139,131,140"))
    assert "1 test and 0 jobs of this notebook were there already" in said
    assert "north-7 on 2025-03-09: PTO 139 psi, middle 128 psi, MAG 140 psi\n" in said
    assert "middle 132 psi, was 131 psi" in take(shop, wide("139,132,140"))
    assert [readings["middle"] for _, readings in listed(shop)] == [128.0, 132.0]
