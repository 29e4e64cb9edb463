"""Work done on a machine stands once in the record, and what was said by mistake can be taken back."""

import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaugelink.app import notebooks
from gaugelink.app.commands import record
from tests.app.shops import shop_in
from tests.app.test_record_commands import NOTEBOOK, Shop
from tests.zones import living_in

PISTONS = ("job", "north-7", "pistons", "--cylinder", "mag", "--on", "2025-08-01")


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    """A shop with an old notebook in its journal, at noon of 2026-11-28."""
    for module in (record, notebooks):
        monkeypatch.setattr(module, "now", lambda: datetime(2026, 11, 28, 12, tzinfo=UTC))
    shop = Shop(tmp_path)
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    return shop


def stand(shop: Shop) -> list[str]:
    return [job["job"] for job in json.loads(shop.run("history", "north-7", "--json"))["jobs"]]


def test_a_job_that_was_said_twice_stands_once(shop: Shop) -> None:
    shop.run(*PISTONS)
    assert "is not written down twice: pistons, MAG, 2025-08-01." in shop.refused(*PISTONS)
    assert stand(shop) == ["pistons", "rings"]
    shop.run(*PISTONS, "--note", "the other brand")
    assert stand(shop) == ["pistons", "pistons", "rings"]


def test_a_job_that_was_struck_is_told_and_counted_no_more(shop: Shop) -> None:
    before = shop.run("history", "north-7")
    shop.run(*PISTONS)
    said = shop.run("history", "north-7")
    assert "After pistons" in said
    assert "job: pistons, MAG, 2025-08-01" in said
    assert "After pistons" in shop.run("report")
    assert shop.run(*PISTONS, "--strike", "--by", "Ada").startswith("Struck: pistons on north-7, MAG, 2025-08-01. ")
    assert shop.run("history", "north-7") == before
    assert "pistons" not in shop.run("report")
    shop.run(*PISTONS)
    assert "After pistons" in shop.run("history", "north-7")


def test_a_notebook_does_not_bring_back_what_was_struck(shop: Shop) -> None:
    shop.run("job", "north-7", "rings", "--strike")
    assert "0 tests and 0 jobs taken" in shop.run("import", shop.write("old.csv", NOTEBOOK))
    assert stand(shop) == []


def test_of_several_jobs_that_could_be_meant_none_is_struck(shop: Shop) -> None:
    shop.run("job", "north-7", "Rings", "--odometer", "6100")
    said = shop.refused("job", "north-7", "rings", "--strike")
    assert "rings, 2025-11-10, at 5200; Rings, 2026-11-28, at 6100. Say which with --on" in said
    assert stand(shop) == ["rings", "Rings"]
    shop.run("job", "north-7", "rings", "--on", "2026-11-28", "--strike")
    assert stand(shop) == ["rings"]
    said = shop.refused("job", "north-7", "rings", "--cylinder", "PTO", "--strike")
    assert said == "north-7 has no such job. Its jobs: rings, 2025-11-10, at 5200."


def test_of_two_lines_of_a_notebook_that_say_the_same_one_is_struck(shop: Shop) -> None:
    twice = NOTEBOOK + "2025-11-10,north-7,,,,,5200,rings,\n"
    shop.run("import", shop.write("old.csv", twice))
    assert stand(shop) == ["rings", "rings"]
    assert shop.run("job", "north-7", "rings", "--strike").endswith("Jobs that say the same and still count: 1.\n")
    assert stand(shop) == ["rings"]
    assert "0 tests and 0 jobs taken" in shop.run("import", shop.write("old.csv", twice))
    assert stand(shop) == ["rings"]


def test_of_jobs_of_which_one_says_no_more_than_the_others_that_one_can_be_struck(shop: Shop) -> None:
    for more in ((), ("--note", "spare"), ("--odometer", "1234567.5"), ("--cylinder", "PTO")):
        shop.run("job", "north-7", "gasket", "--on", "2025-08-01", *more)
    said = shop.run("job", "north-7", "gasket", "--strike")
    assert said.startswith("Struck: gasket on north-7, 2025-08-01. ")
    assert "More than one job is meant" in shop.refused("job", "north-7", "gasket", "--strike")
    said = shop.run("job", "north-7", "gasket", "--odometer", "1234567.5", "--strike")
    assert "gasket on north-7, 2025-08-01, at 1234567.5." in said


@pytest.mark.parametrize("said", [("--on", "2025-11-10", "--odometer", "5200"), ("--on", "2025-11-10")])
def test_a_job_that_a_person_told_is_not_written_down_again_by_a_notebook(shop: Shop, said: tuple[str, ...]) -> None:
    (shop.folder / "bay-3.db").unlink()
    shop.run("job", "north-7", "Rings", *said)
    book = NOTEBOOK if "--odometer" in said else NOTEBOOK.replace("5200,rings", ",rings")
    assert "4 tests and 0 jobs taken" in shop.run("import", shop.write("old.csv", book))
    assert stand(shop) == ["Rings"]


def test_a_job_that_a_person_told_stays_beside_a_notebook_that_says_more_of_it_or_less(shop: Shop) -> None:
    (shop.folder / "bay-3.db").unlink()
    shop.run("job", "north-7", "rings", "--on", "2025-11-10", "--odometer", "5100")
    assert "4 tests and 1 job taken" in shop.run("import", shop.write("old.csv", NOTEBOOK))
    assert stand(shop) == ["rings", "rings"]


def test_a_job_is_known_again_by_its_name_in_other_letters(shop: Shop) -> None:
    book = NOTEBOOK.replace("rings", "Rings")
    assert "4 tests and 1 job of this notebook were there" in shop.run("import", shop.write("old.csv", book))
    assert stand(shop) == ["rings"]


def tested_at(shop: Shop, *hours: int) -> None:
    """Dry tests of north-7 on 2026-03-09, begun at these hours of UTC."""
    shop_file = shop_in(shop.folder)
    with sqlite3.connect(shop_file.journal) as connection:
        ids = [row[0] for row in connection.execute("SELECT test_id FROM tests ORDER BY began_at")]
        for test_id, hour in zip(ids, hours, strict=False):
            at = f"2026-03-09T{hour:02}:00:00.000000+00:00"
            connection.execute("UPDATE tests SET began_at = ? WHERE test_id = ?", (at, test_id))
    connection.close()


def test_a_day_alone_does_not_say_which_tests_of_it_were_before_a_job(shop: Shop) -> None:
    with living_in("UTC"):
        tested_at(shop, 9, 16)
        said = shop.refused("job", "north-7", "rings", "--on", "2026-03-09")
        assert "tested on 2026-03-09 too (test at 09:00, test at 16:00)" in said
        assert "Give the time with it, as --on '2026-03-09 14:30'." in said
        assert stand(shop) == ["rings"]
        shop.run("job", "north-7", "pistons", "--on", "2026-03-09 15:30")
        at = [job["at"] for job in json.loads(shop.run("history", "north-7", "--json"))["jobs"]]
        assert "2026-03-09T15:30:00+00:00" in at
        assert "no such job" in shop.refused("job", "north-7", "pistons", "--on", "2026-03-10", "--strike")
        assert shop.run("job", "north-7", "pistons", "--on", "2026-03-09", "--strike").startswith("Struck")
        shop.run("job", "north-7", "rings", "--on", "2026-03-10")


def test_a_time_of_a_job_is_on_the_clock_of_the_shop_and_not_to_come(shop: Shop) -> None:
    # A zone whose clocks stay as they are: laws about the others change from one tz database to the next.
    with living_in("America/Phoenix"):
        shop.run("job", "north-7", "pistons", "--on", "2026-03-02 07:15")
        at = [job["at"] for job in json.loads(shop.run("history", "north-7", "--json"))["jobs"]]
        assert "2026-03-02T14:15:00+00:00" in at
        said = shop.refused("job", "north-7", "pistons", "--on", "2026-11-28 05:01")
        assert said.startswith("--on: 2026-11-28 05:01 UTC-07:00 is still to come")


def test_in_the_morning_a_job_of_the_day_was_done_by_now(shop: Shop) -> None:
    """Noon is still to come there, and a test that is begun before it would be one before the job."""
    with living_in("America/Vancouver"):
        shop.run("job", "north-7", "pistons", "--on", "2026-11-28")
        at = [job["at"] for job in json.loads(shop.run("history", "north-7", "--json"))["jobs"]]
        assert "2026-11-28T12:00:00+00:00" in at
