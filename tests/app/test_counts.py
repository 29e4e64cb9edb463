"""The counts that jobs and notebooks have of a machine's own meter are laid beside those of before and after."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaugelink.app import notebooks
from gaugelink.app.commands import record
from gaugelink.broker.commands import CommandAction
from gaugelink.journal import Journal
from tests.app.test_given_up_later import whole_test
from tests.app.test_left_out import damage
from tests.app.test_odometer import answered
from tests.app.test_orders import Told
from tests.app.test_record_commands import Shop

BOOK = """date,machine,PTO,middle,MAG,unit,counter,job
2024-11-02,north-7,140,139,141,psi,5100,
2025-11-02,north-7,139,138,140,psi,5300,
2025-11-10,north-7,,,,,5310,rings
"""


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    """A shop with two tests and a job, whose counts rise, at noon of 2026-11-28."""
    for module in (record, notebooks):
        monkeypatch.setattr(module, "now", lambda: datetime(2026, 11, 28, 12, tzinfo=UTC))
    shop = Shop(tmp_path)
    assert "go back" not in shop.run("import", shop.write("old.csv", BOOK))
    return shop


@pytest.mark.parametrize(
    ("day", "count", "said"),
    [
        ("2026-03-09", "520", "520 h is less than the 5310 h of 2025-11-10"),
        ("2025-03-09", "53000", "53000 h is more than the 5300 h of 2025-11-02"),
        ("2025-03-09", "5200", ""),
        ("2026-03-09", "5310", ""),
        # Of one day it is not known which was first.
        ("2025-11-10", "5305", ""),
    ],
)
def test_a_count_of_a_job_that_goes_back_is_told_and_kept(shop: Shop, day: str, count: str, said: str) -> None:
    told = shop.run("job", "north-7", "pistons", "--on", day, "--odometer", count)
    way_out = ": if that is a slip, strike the job with --strike and tell it anew; else it stands."
    assert told == f"Written down: pistons on north-7, {day}, at {count}.{f' {said}{way_out}' if said else ''}\n"
    assert f"job: pistons, {day}, at {count}" in shop.run("history", "north-7")


def test_a_count_is_held_against_the_nearest_one(shop: Shop) -> None:
    shop.run("job", "north-7", "meter replaced", "--on", "2026-01-05", "--odometer", "0")
    assert shop.run("job", "north-7", "pistons", "--on", "2026-03-09", "--odometer", "30").endswith("at 30.\n")


def test_a_count_of_a_test_that_cannot_be_read_is_no_count_to_hold_another_against(shop: Shop) -> None:
    damage(shop.folder, "UPDATE tests SET snapshot = '{' WHERE began_at > '2025-11-01'")
    shop.run("job", "north-7", "rings", "--strike")
    said = shop.run("job", "north-7", "pistons", "--on", "2026-03-09", "--odometer", "520")
    assert "520 h is less than the 5100 h of 2024-11-02" in said


def test_a_count_of_a_notebook_that_goes_back_is_told_and_kept(shop: Shop) -> None:
    more = BOOK.splitlines()[0] + (
        "\n2023-11-02,north-7,140,139,141,psi,51000,\n2026-11-02,north-7,139,138,140,psi,540,\n"
        "2026-11-10,north-7,,,,,530,pistons\n"
    )
    said = shop.run("import", shop.write("more.csv", more)).splitlines()
    told = said.index("Counts that go back; they are kept:")
    assert said[told + 1 : told + 5] == [
        "  north-7 on 2023-11-02: 51000 h is more than the 5100 h of 2024-11-02",
        "  north-7 on 2026-11-02: 540 h is less than the 5310 h of 2025-11-10",
        "  north-7 on 2026-11-10: 530 h is less than the 540 h of 2026-11-02",
        "If one is a slip, put it right in its notebook and import that again.",
    ]
    # What was told and stands is not news; what is put right is held against the others anew.
    assert "go back" not in shop.run("import", shop.write("more.csv", more))
    right = more.replace("51000", "5000").replace("540", "5400").replace("530", "5350")
    said = shop.run("import", shop.write("more.csv", right))
    assert "go back" in said
    assert said.count(" is less than ") == 1
    assert "5350 h is less than the 5400 h of 2026-11-02" in said


async def test_a_count_at_the_bench_is_held_against_those_of_jobs_too(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        await whole_test(Told(tmp_path, journal), odometer=5200.0)
    words = ("job", "north-7", "pistons", "--on", "2026-03-09", "--odometer", "5300")
    shop = Shop(tmp_path)
    said = await asyncio.to_thread(shop.run, *words)
    assert said.endswith("at 5300.\n")
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        begun = await Told(tmp_path, journal).tell(CommandAction.BEGIN, machine="north-7", odometer=5250.0)
        assert "5250 h is less than the 5300 h of 2026-03-09" in answered(begun)[1]
