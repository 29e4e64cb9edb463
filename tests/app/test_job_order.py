"""A notebook dates by the day: the order of its rows tells whether a job was before or after a test of that day."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaugelink.app import notebooks
from gaugelink.app.commands import record
from gaugelink.app.records import Records
from gaugelink.broker.commands import CommandAction
from tests.app.test_record_commands import NOTEBOOK, Shop
from tests.app.test_records import dry_test, recorded
from tests.app.test_session import Bench
from tests.zones import living_in

HEAD = "date,machine,PTO,middle,MAG,unit,job,wet\n"
BEFORE = "2025-11-02,north-7,140,139,100,psi,,\n"
TEST = "2025-11-10,north-7,139,138,140,psi,,\n"
WET = "2025-11-10,north-7,139,138,140,psi,,yes\n"
JOB = "2025-11-10,north-7,,,,,pistons,\n"
LATER = "2026-11-02,north-7,140,139,141,psi,,\n"
OTHER_DAY = "2025-11-12,north-7,,,,,gasket,\n"
ASSUMED = "  north-7 on 2025-11-10: pistons, taken as done before the test of that day\n"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    """A shop without a journal yet, at noon of 2026-11-28."""
    for module in (record, notebooks):
        monkeypatch.setattr(module, "now", lambda: datetime(2026, 11, 28, 12, tzinfo=UTC))
    return Shop(tmp_path)


def order(shop: Shop) -> list[str]:
    """Tests and pistons as the record has them, a job before a test of the same time, as a history reads them."""
    told = json.loads(shop.run("history", "north-7", "--json"))
    tests = [(test["at"], 1, test["kind"]) for test in told["list"]]
    jobs = [(job["at"], 0, job["job"]) for job in told["jobs"]]
    return [what for at, _, what in sorted(tests + jobs) if at.startswith("2025-11-10") and what != "gasket"]


@pytest.mark.parametrize(
    ("rows", "found", "assumed"),
    [
        (BEFORE + TEST + JOB + LATER, ["dry", "pistons"], False),
        (BEFORE + JOB + TEST + LATER, ["pistons", "dry"], False),
        # Newest first.
        (LATER + JOB + TEST + BEFORE, ["dry", "pistons"], False),
        (LATER + TEST + JOB + BEFORE, ["pistons", "dry"], False),
        (TEST + JOB, ["dry", "pistons"], False),
        (TEST + WET + JOB, ["dry", "wet", "pistons"], False),
        # The jobs in a list of their own, in one row with the test, between its rows, and days that go up and down.
        (BEFORE + TEST + LATER + JOB + OTHER_DAY, ["pistons", "dry"], True),
        (BEFORE + TEST.replace("psi,,", "psi,pistons,") + LATER, ["pistons", "dry"], True),
        (BEFORE + TEST + JOB + TEST + LATER, ["pistons", "dry"], True),
        (BEFORE + LATER + TEST + JOB + LATER + BEFORE, ["pistons", "dry"], True),
    ],
)
def test_the_order_of_rows_tells_and_where_it_does_not_it_is_said(
    shop: Shop, rows: str, found: list[str], assumed: bool
) -> None:
    said = shop.run("import", shop.write("old.csv", HEAD + rows))
    assert order(shop) == found
    assert (ASSUMED in said) is assumed
    again = shop.run("import", shop.write("old.csv", HEAD + rows))
    assert "0 tests and 0 jobs taken" in again
    assert "put right" not in again
    assert order(shop) == found


def test_rows_of_another_machine_are_not_asked(shop: Shop) -> None:
    shop.file.write_text(
        shop.file.read_text(encoding="utf-8").replace(
            "[test]", '[[machines]]\nid = "south-2"\nname = "South 2"\nengine = "triple"\n\n[test]'
        ),
        encoding="utf-8",
    )
    between = LATER.replace("north-7", "south-2")
    shop.run("import", shop.write("old.csv", HEAD + BEFORE + TEST + between + JOB + LATER))
    assert order(shop) == ["dry", "pistons"]


def test_what_a_job_changed_goes_by_the_test_that_stands_behind_it(shop: Shop) -> None:
    """MAG read low on the day of its pistons too, before they were done."""
    low = TEST.replace("140,psi", "100,psi")
    shop.run("import", shop.write("old.csv", HEAD + BEFORE + low + JOB + LATER))
    effects = json.loads(shop.run("history", "north-7", "--json"))["says"]
    assert any("pistons (2025-11-10) MAG: gained 4" in line and "a real change" in line for line in effects)


def test_a_record_that_has_it_the_other_way_is_put_right(shop: Shop) -> None:
    for zone in ("UTC", "America/Anchorage", "Pacific/Auckland"):
        with living_in(zone):
            shop.run("import", shop.write("old.csv", HEAD + JOB + TEST))
            assert order(shop) == ["pistons", "dry"]
            said = shop.run("import", shop.write("old.csv", HEAD + TEST + JOB))
            assert "  north-7 on 2025-11-10: pistons, after the test of that day, was before it\n" in said
            assert order(shop) == ["dry", "pistons"]
            # Without the test the rows tell nothing, and nothing is changed.
            assert "put right" not in shop.run("import", shop.write("old.csv", HEAD + JOB))
            assert order(shop) == ["dry", "pistons"]
            said = shop.run("import", shop.write("old.csv", HEAD + JOB + TEST))
            assert "  north-7 on 2025-11-10: pistons, before the test of that day, was after it\n" in said
    # A counter that is put right leaves it where it is.
    shop.run("import", shop.write("old.csv", HEAD + TEST + JOB))
    said = shop.run(
        "import", shop.write("old.csv", HEAD.replace("wet", "counter") + JOB.replace("pistons,", "pistons,5200"))
    )
    assert "pistons, counter 5200, was not noted" in said
    assert order(shop) == ["dry", "pistons"]


def test_of_tests_at_the_bench_it_is_said_on_which_side_of_noon_they_were(shop: Shop) -> None:
    with living_in("UTC"):
        bench = Bench(shop.folder)
        for _ in range(2):
            recorded(bench, dry_test(bench, (900.0, 905.0), CommandAction.FINISH, later_days=0.25), Records.tests)
        said = shop.run("import", shop.write("jobs.csv", HEAD + JOB.replace("2025-11-10", "2026-03-01")))
        sides = "taken as done at noon, after the test at 09:01, before the test at 15:02"
        assert f"  north-7 on 2026-03-01: pistons, {sides}" in said
        (job,) = json.loads(shop.run("history", "north-7", "--json"))["jobs"]
        assert job["at"] == "2026-03-01T12:00:00+00:00"
        assert "taken as done" not in shop.run("import", shop.write("jobs.csv", HEAD + OTHER_DAY))


def test_a_test_that_an_earlier_notebook_has_by_its_day_is_told_without_a_time(shop: Shop) -> None:
    shop.run("import", shop.write("old.csv", HEAD + TEST))
    said = shop.run("import", shop.write("jobs.csv", HEAD + JOB))
    assert "  north-7 on 2025-11-10: pistons, taken as done at noon, before the test of an earlier notebook" in said


@pytest.mark.parametrize("zone", ["UTC", "Australia/Brisbane", "America/Vancouver"])
def test_a_test_that_a_notebook_has_by_its_day_is_shown_by_its_day(shop: Shop, zone: str) -> None:
    """Nobody knows its time, and noon would be taken for it."""
    with living_in(zone):
        shop.run("import", shop.write("old.csv", NOTEBOOK))
        out = shop.folder / "page.html"
        shop.run("report", "--out", str(out))
        said = shop.run("report")
        assert said.splitlines()[0].rstrip() == "North 7, 2025-11-11"
        assert ":00" not in said
        page = out.read_text(encoding="utf-8")
        assert "2025-11-11  ·" in page
        assert "12:00" not in page
        refused = shop.refused("job", "north-7", "rings", "--on", "2025-11-11")
        assert "test of a notebook, taken as at noon" in refused
        assert "12:00" not in refused
    with living_in("Pacific/Auckland"):
        assert "2025-11-11  dry" in shop.run("history", "north-7")
