"""The machine's own count is kept with a test, and wear can be counted by it."""

import asyncio
import json
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.session import Session
from gaugelink.app.step import Step
from gaugelink.archive.copy import _test_entry
from gaugelink.broker import messages as published
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.errors import BrokerError
from gaugelink.journal import Journal
from gaugelink.journal.entries import TestEntry
from gaugelink.journal.rows import StoredTest
from tests.app.shops import shop_in
from tests.app.test_given_up_later import whole_test
from tests.app.test_orders import Told
from tests.app.test_session import AT, TWO_MACHINES, Bench, of

DAYS_S = 86_400.0


def run(folder: Path, *words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, [*words, "--config", str(folder / "shop.toml")])
    return result.exit_code, f"{' '.join(result.output.split())} {result.exception or ''}"


def seasons(folder: Path, counts: list[float | None], mags_kpa: list[float]) -> None:
    """One dry test after every hundred days, each with this count of the machine and this reading of MAG."""
    bench = Bench(folder)
    steps: list[Step] = []
    for count, mag_kpa in zip(counts, mags_kpa, strict=True):
        told = {} if count is None else {"odometer": count}
        steps.append(bench.command(CommandAction.BEGIN, machine="north-7", **told))
        steps.append(bench.command(CommandAction.ACKNOWLEDGE))
        for number, kpa in enumerate((930.0, 925.0, mag_kpa)):
            steps += [bench.crank(kpa, 40.0 if number else 6.0), bench.crank(kpa + 2.0)]
        steps.append(bench.command(CommandAction.FINISH))
        bench.now_s += 100.0 * DAYS_S

    async def write() -> None:
        async with Journal.open(shop_in(folder).journal) as journal:
            for step in steps:
                await journal.record(step.entries, step.outgoing())

    asyncio.run(write())


def test_it_is_kept_published_and_put_right_after_the_test_was_finished(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    step = bench.command(CommandAction.BEGIN, machine="north-7", odometer=5200.0)
    (told,) = of(step, published.TestState)
    (entry,) = of(step, TestEntry)
    assert (told.odometer, entry.odometer) == (5200.0, 5200.0)
    bench.command(CommandAction.ACKNOWLEDGE)
    bench.whole_test(930.0, 925.0, 935.0)
    bench.command(CommandAction.FINISH)
    step = bench.command(CommandAction.ODOMETER, odometer=5210.5)
    assert step.result is not None
    assert (step.result.ok, step.result.text) == (True, "Noted with the test of north-7: 5210.5 h.")
    (told,) = of(step, published.TestState)
    (entry,) = of(step, TestEntry)
    assert (told.odometer, entry.odometer, entry.closed) == (5210.5, 5210.5, True)
    # The next test has its own; so has what the archive makes of the published one.
    (next_told,) = of(bench.command(CommandAction.BEGIN, machine="north-7"), published.TestState)
    assert next_told.odometer is None
    assert _test_entry(told, {}).odometer == 5210.5


def test_a_count_that_goes_down_within_a_test_is_asked_for_once_more(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.command(CommandAction.BEGIN, machine="north-7", odometer=5200.0)
    asked = "5200 h is noted with the test of north-7, and 520 h is less: say it once more if that puts it right."

    def told(count: float) -> tuple[bool, str, float | None]:
        step = bench.command(CommandAction.ODOMETER, odometer=count)
        assert step.result is not None
        kept = [entry.odometer for entry in of(step, TestEntry)]
        return step.result.ok, step.result.text, kept[-1] if kept else None

    assert told(520.0) == (False, asked, None)
    # Another one is another slip, and one that is not less needs no asking; what was asked before it is over.
    assert told(52.0) == (False, asked.replace("520 h", "52 h"), None)
    assert told(5200.0) == (True, "Noted with the test of north-7: 5200 h.", 5200.0)
    assert told(52.0)[0] is False
    assert told(520.0) == (False, asked, None)
    note = bench.command(CommandAction.NOTE, note="meter read by torch")
    assert [entry.odometer for entry in of(note, TestEntry)] == [5200.0]
    assert told(520.0) == (True, "Noted with the test of north-7: 520 h, put right from 5200 h.", 520.0)
    assert told(521.0) == (True, "Noted with the test of north-7: 521 h.", 521.0)
    # The next test is another matter: what it is held against is the history's.
    bench.command(CommandAction.ABANDON)
    (begun,) = of(bench.command(CommandAction.BEGIN, machine="north-7"), published.TestState)
    assert begun.odometer is None
    assert told(1.0)[0] is True


def test_it_outlasts_a_restart(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    step = bench.command(CommandAction.BEGIN, machine="north-7", odometer=5200.0)
    (entry,) = of(step, TestEntry)
    stored = StoredTest(
        entry.test_id, "bay-3", "north-7", entry.engine, entry.snapshot_json, AT, AT, False, entry.odometer
    )
    again = Session(shop_in(tmp_path))
    (told,) = of(again.resume(stored, [], 0.0, AT + timedelta(minutes=5)), published.TestState)
    assert told.odometer == 5200.0


def test_without_a_test_there_is_nothing_to_note_it_with(tmp_path: Path) -> None:
    step = Bench(tmp_path).command(CommandAction.ODOMETER, odometer=1.0)
    assert step.result is not None
    assert (step.result.ok, step.result.text) == (False, "No test is open: begin one first.")


@pytest.mark.parametrize("how", [{}, {"odometer": -1.0}, {"odometer": 1e9}, {"odometer": "nan"}])
def test_a_count_that_cannot_be_is_no_command(how: dict[str, object]) -> None:
    with pytest.raises((BrokerError, ValueError), match="odometer"):
        Command.model_validate({"id": "0191c3a0-7c1e-7b52-9d3a-5a4be7c1f201", "action": "odometer", **how})


def test_wear_is_counted_by_it_where_that_is_asked_for(tmp_path: Path) -> None:
    # A machine that ran 40 h between tests, and stood the last hundred days: by the count nothing is missing there.
    seasons(tmp_path, [100.0, 140.0, 180.0, 220.0, None], [935.0, 915.0, 895.0, 875.0, 874.0])
    code, said = run(tmp_path, "history", "north-7", "--per", "odometer", "--json")
    assert code == 0, said
    document = json.loads(said)
    assert document["per"] == "100 h"
    mag = next(trend for trend in document["trends"] if trend["cylinder"] == "MAG")
    # 20 of 935 kPa in 40 h are 5.3 % in 100 h; the prior of usual wear draws it in a little.
    assert mag["percent"] == pytest.approx(-5.3, abs=1.0)
    assert mag["tests"] == 4
    assert [test["odometer"] for test in document["list"]] == [100.0, 140.0, 180.0, 220.0, None]
    _, table = run(tmp_path, "history", "north-7", "--per", "odometer")
    assert "% a 100 h" in table
    assert "1 test without the machine's count: left out here." in table
    assert json.loads(run(tmp_path, "history", "north-7", "--json")[1])["per"] == "season"


def test_where_no_test_has_a_count_it_is_said_how_to_give_it(tmp_path: Path) -> None:
    seasons(tmp_path, [None, None], [935.0, 915.0])
    code, said = run(tmp_path, "history", "north-7", "--per", "odometer")
    assert code == 1
    assert "No test of north-7 has the machine's count: give it with `gaugelink test begin --odometer`" in said


def test_a_count_that_goes_back_is_named_and_nothing_is_fitted_to_it(tmp_path: Path) -> None:
    seasons(tmp_path, [100.0, 1400.0, 180.0], [935.0, 915.0, 895.0])
    code, said = run(tmp_path, "history", "north-7", "--per", "odometer")
    assert code == 1
    assert "The count of north-7 goes back: 1400 h on 2026-" in said
    assert run(tmp_path, "history", "north-7")[0] == 0


def answered(step: Step) -> tuple[bool, str]:
    assert step.result is not None
    return step.result.ok, step.result.text


async def test_a_count_below_that_of_the_test_before_is_told_at_once_and_kept(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal, TWO_MACHINES)
        await whole_test(told, odometer=5200.0)
        # A test that was given up is no test to hold it against, nor is one of another machine.
        await whole_test(told, odometer=9000.0)
        await told.tell(CommandAction.ABANDON)
        await whole_test(told, machine="yard-2", odometer=7000.0)
        below = (
            "520 h is less than the 5200 h of 2026-03-01: if that is a slip, give the count again with `gaugelink test "
            "odometer`; if the meter was replaced, it stands, and `history --per odometer` cannot count across it."
        )
        begun = await told.tell(CommandAction.BEGIN, machine="north-7", odometer=520.0)
        assert answered(begun) == (True, f"Test of north-7 begun. {below}")
        assert of(begun, published.TestState)[-1].odometer == 520.0
        again = answered(await told.tell(CommandAction.ODOMETER, odometer=521.0))
        assert again == (True, f"Noted with the test of north-7: 521 h. {below.replace('520 h', '521 h')}")
        right = answered(await told.tell(CommandAction.ODOMETER, odometer=5210.0))
        assert right == (True, "Noted with the test of north-7: 5210 h.")
        await told.tell(CommandAction.FINISH)
        # So it is for whoever the service was started again by.
        told = Told(tmp_path, journal, TWO_MACHINES)
        await told.orders.take_up()
        assert not answered(await told.tell(CommandAction.ODOMETER, odometer=522.0))[0]
        kept = answered(await told.tell(CommandAction.ODOMETER, odometer=522.0))
        assert kept == (
            True,
            f"Noted with the test of north-7: 522 h, put right from 5210 h. {below.replace('520 h', '522 h')}",
        )


@pytest.mark.parametrize("count", [None, 5200.0, 5300.0])
async def test_a_count_that_is_not_less_is_told_of_in_no_more_words(tmp_path: Path, count: float | None) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        await whole_test(told, odometer=5200.0)
        how = {} if count is None else {"odometer": count}
        begun = await told.tell(CommandAction.BEGIN, machine="north-7", **how)
        assert answered(begun) == (True, "Test of north-7 begun.")


async def test_a_count_is_held_against_none_that_has_been_given_up_since(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        slip = await whole_test(told, odometer=52000.0)
        assert "is less than" in answered(await told.tell(CommandAction.BEGIN, machine="north-7", odometer=5200.0))[1]
        await told.tell(CommandAction.ABANDON, test_id=slip)
        noted = answered(await told.tell(CommandAction.ODOMETER, odometer=5201.0))
        assert noted == (True, "Noted with the test of north-7: 5201 h.")
