"""A clock that was set back between two tests is told wherever their order counts, and no test is moved for it."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.records import Records
from gaugelink.app.shoppage import JournalRecord
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker import messages as published
from gaugelink.broker.commands import CommandAction
from gaugelink.journal import Journal
from gaugelink.journal.entries import Entry, TestEntry
from tests.app.test_given_up_later import whole_test
from tests.app.test_orders import Told
from tests.app.test_record_commands import Shop
from tests.app.test_records import dry_test, recorded
from tests.app.test_session import TWO_MACHINES, Bench, of

WENT_BACK = "The clock of bay-3 went back between two tests of north-7: "


def two_tests(bench: Bench, days_between: float) -> list[Step]:
    steps = dry_test(bench, (900.0, 905.0, 910.0), CommandAction.FINISH, later_days=days_between)
    return steps + dry_test(bench, (800.0, 805.0, 810.0), CommandAction.FINISH)


def _at_bay_4(entry: Entry, all_but: str) -> Entry:
    return replace(entry, bench="bay-4") if isinstance(entry, TestEntry) and entry.test_id != all_but else entry


async def told(records: Records) -> tuple[Sequence[str], Sequence[str]]:
    tests = [test.stored.test_id for test in await records.tests("north-7")]
    return (await records.report(None)).notes, tests


def test_a_clock_that_went_back_between_two_tests_is_told_with_both(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    (note,), (second, first) = recorded(bench, two_tests(bench, -300.0), told)
    assert note.startswith(f"{WENT_BACK}{first}, begun 20")
    assert f"and the next, {second}, begun 20" in note
    shown = CliRunner().invoke(app, ["history", "north-7", "--config", str(tmp_path / "shop.toml")]).output
    assert WENT_BACK in " ".join(shown.split())
    words = ["history", "north-7", "--json", "--config", str(tmp_path / "shop.toml")]
    assert json.loads(CliRunner().invoke(app, words).output)["clock"] == [note]


async def test_the_page_tells_it_too(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    steps = two_tests(bench, -300.0)
    async with Journal.open(bench.session.shop.journal) as journal:
        for step in steps:
            await journal.record(step.entries)
    page = await JournalRecord(bench.session.shop).history("north-7")
    assert page.says[-1].startswith(WENT_BACK)


@pytest.mark.parametrize("other", ["later", "another bench"])
def test_tests_in_order_and_those_of_another_bench_tell_nothing(tmp_path: Path, other: str) -> None:
    bench = Bench(tmp_path)
    steps = two_tests(bench, 30.0 if other == "later" else -300.0)
    if other == "another bench":
        (first, *_) = [entry.test_id for step in steps for entry in step.entries if isinstance(entry, TestEntry)]
        steps = [replace(step, entries=[_at_bay_4(entry, first) for entry in step.entries]) for step in steps]
    assert recorded(bench, steps, told)[0] == ()


def test_a_notebook_of_earlier_years_is_no_clock_that_went_back(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    recorded(bench, two_tests(bench, 30.0), told)
    shop = Shop(tmp_path)
    shop.run("import", shop.write("old.csv", "date,machine,PTO,middle,MAG,unit\n2021-11-02,north-7,140,139,141,psi\n"))
    assert len(json.loads(shop.run("history", "north-7", "--json"))["list"]) == 3
    assert json.loads(shop.run("history", "north-7", "--json"))["clock"] == []


async def test_the_bench_says_once_that_the_clock_was_set_back(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal, TWO_MACHINES)

        async def begun(machine: str, days: float) -> list[PromptKey]:
            told.bench.now_s += 86_400.0 * days
            step = await told.tell(CommandAction.BEGIN, machine=machine)
            await told.tell(CommandAction.ABANDON)
            return [prompt.key for prompt in step.prompts]

        await whole_test(told)
        assert PromptKey.CLOCK_BACK not in await begun("north-7", 1.0)
        first, *cautions = await begun("yard-2", -300.0)
        assert (first, cautions[-1]) == (PromptKey.CLOCK_BACK, PromptKey.ACKNOWLEDGE)
        assert PromptKey.CLOCK_BACK not in await begun("north-7", 0.1)
        assert caplog.text.count("clock was set back since the last pull. Check its date and time.") == 1
        assert "The last pull is of 2026-03-01" in caplog.text
        # A pull by the clock as it is now is the last one from here on; set back once more it is said once more.
        await whole_test(told)
        assert PromptKey.CLOCK_BACK not in await begun("north-7", 0.1)
        assert (await begun("north-7", -10.0))[0] is PromptKey.CLOCK_BACK


async def test_what_the_page_asks_first_stays_in_sight_where_the_clock_was_set_back(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal, TWO_MACHINES)
        await whole_test(told)
        told.bench.now_s -= 300.0 * 86_400.0
        step = await told.tell(CommandAction.BEGIN, machine="yard-2")
        (state,) = of(step, published.TestState)
        assert state.prompt.startswith("Confirm that you heard the cautions")
        texts = [message.text for message in of(step, published.Prompt)]
        assert texts[0] == "This computer's clock was set back since the last pull. Check its date and time."
