"""A test that was closed is given up after the fact, days later too, and counts again when that is taken back."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.commands import asked
from gaugelink.app.notebooks import import_notebook
from gaugelink.app.records import Records
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.bench.taking_back import NOT_GIVEN_UP
from gaugelink.broker import messages as published
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Journal
from gaugelink.journal.entries import CommandEntry
from gaugelink.verdict.findings import RuleName
from tests.app.shops import write_shop
from tests.app.test_orders import Told
from tests.app.test_session import TWO_MACHINES, of

PEAKS_KPA = (900.0, 905.0, 700.0)


async def whole_test(told: Told, peaks_kpa: tuple[float, ...] = PEAKS_KPA, **begin: object) -> str:
    """Do a test to its end; gives its id."""
    await told.tell(CommandAction.BEGIN, **{"machine": "north-7", **begin})
    await told.tell(CommandAction.ACKNOWLEDGE)
    for number, peak_kpa in enumerate(peaks_kpa):
        for step in (told.bench.crank(peak_kpa, 40.0 if number else 6.0), told.bench.crank(peak_kpa + 2.0)):
            await told.journal.record(step.entries, step.outgoing())
    await told.tell(CommandAction.FINISH)
    told.bench.now_s += 86_400.0
    assert told.bench.session.test_id is not None
    return told.bench.session.test_id


async def counted(told: Told) -> dict[str, list[str]]:
    """The ids of the tests that count in the history of each machine."""
    records = Records(told.bench.session.shop, told.journal)
    machines = [machine.id for machine in told.bench.session.shop.fleet.machine]
    return {machine: [test.test_id for test in (await records.history(machine))[1]] for machine in machines}


def answer(step: Step) -> tuple[bool, str]:
    assert step.result is not None
    return step.result.ok, step.result.text


async def test_a_test_on_the_wrong_machine_is_given_up_when_the_next_one_is_under_way(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal, TWO_MACHINES)
        kept = await whole_test(told)
        wrong = await whole_test(told, (600.0, 610.0, 605.0))
        await told.tell(CommandAction.BEGIN, machine="yard-2")
        await told.tell(CommandAction.ACKNOWLEDGE)
        before = told.bench.session.test.state
        rows = await journal.readings(wrong)
        assert (await counted(told))["north-7"] == [kept, wrong]
        given_up = await told.tell(CommandAction.ABANDON, test_id=wrong[:18])
        ok, said = answer(given_up)
        assert ok
        assert said.startswith("The test of north-7, 2026-03-02 ")
        assert said.endswith("is given up: it stays in the record and proves nothing.")
        assert await counted(told) == {"north-7": [kept], "yard-2": []}
        records = Records(told.bench.session.shop, journal)
        assert (await records.report(wrong)).given_up
        ranked = {one.machine: one.reasons for one in await records.ranked(told.bench.at)}
        assert not any("605" in reason or "610" in reason for reason in ranked["north-7"])
        assert (await records.last_dry("north-7")).stored.test_id == kept
        # Nothing is deleted, and what the bench is doing goes on.
        assert await journal.readings(wrong) == rows
        assert told.bench.session.test.state == before
        assert (given_up.prompts, given_up.state) == ([], None)
        assert json.loads((await journal.retained("test")).payload_json)["machine"] == "yard-2"
        (message,) = of(given_up, published.ClosedTest)
        assert (message.topic_suffix, message.test_id, message.phase, message.closed) == (
            "test/closed", wrong, "abandoned", True,
        )  # fmt: skip
        assert (len(of(given_up, published.TestState)), len(of(given_up, CommandEntry))) == (1, 1)
        back = await told.tell(CommandAction.TAKE_BACK, test_id=wrong)
        assert answer(back)[1].endswith("counts again.")
        assert (await counted(told))["north-7"] == [kept, wrong]
        (again,) = of(back, published.ClosedTest)
        assert (again.phase, again.revision, again.cylinders) == ("finished", message.revision + 1, message.cylinders)
        assert again.verdict is not None


async def test_a_test_that_stands_at_a_bench_that_was_started_again_is_given_up_where_it_stands(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        test_id = await whole_test(Told(tmp_path, journal))
        again = Told(tmp_path, journal)
        assert not answer(await again.tell(CommandAction.ABANDON))[0]
        given_up = await again.tell(CommandAction.ABANDON, test_id=test_id)
        assert [prompt.key for prompt in given_up.prompts] == [PromptKey.ABANDONED]
        stands = json.loads((await journal.retained("test")).payload_json)
        said = "The test of north-7 is abandoned. Pulls kept in the record: 6."
        assert (stands["test_id"], stands["phase"], stands["prompt"]) == (test_id, "abandoned", said)
        back = await again.tell(CommandAction.TAKE_BACK, test_id=test_id)
        assert back.prompts[0].text == "The test counts again."
        stands = json.loads((await journal.retained("test")).payload_json)
        assert (stands["phase"], stands["closed"]) == ("finished", True)
        assert await journal.current_test("bay-3") is None


async def test_the_id_of_the_test_that_the_bench_has_asks_the_bench_itself(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        test_id = await whole_test(told)
        for name in (test_id, test_id[:18]):
            await told.tell(CommandAction.ABANDON, test_id=name)
            assert told.bench.session.test.state.phase is Phase.ABANDONED
            assert (await counted(told))["north-7"] == []
            await told.tell(CommandAction.TAKE_BACK, test_id=name)
            assert told.bench.session.test.state.phase is Phase.FINISHED
            assert (await counted(told))["north-7"] == [test_id]


@pytest.mark.parametrize("closed", [CommandAction.FINISH, None], ids=["finished", "open"])
async def test_a_test_that_counts_again_is_left_as_it_is_when_that_is_asked_for_once_more(
    tmp_path: Path, closed: CommandAction | None
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        test_id = await whole_test(told)
        if closed is None:
            await told.tell(CommandAction.TAKE_BACK)
        bench = told.bench.session.test
        last = bench.state.readings[-1].event_id
        for name in (test_id, test_id[:18]):
            before = bench.state
            await told.tell(CommandAction.ABANDON, test_id=name)
            assert answer(await told.tell(CommandAction.TAKE_BACK, test_id=name)) == (True, "Taken back: abandon.")
            assert (bench.state.phase, bench.state.readings) == (before.phase, before.readings)
            for _ in range(2):
                again = await told.tell(CommandAction.TAKE_BACK, test_id=name)
                assert answer(again) == (False, NOT_GIVEN_UP)
                assert (again.prompts, bench.state.phase) == ([], before.phase)
        # What is put right after that is no part of the giving up, which it has to wait for.
        await told.tell(CommandAction.ABANDON)
        wanted = {"event_id": last, "cylinder": "PTO"}
        ok, said = answer(await told.tell(CommandAction.ASSIGN, **wanted))
        assert (ok, said.split(":")[0]) == (
            False, "The test of north-7 was given up, and its readings count nowhere",
        )  # fmt: skip
        await told.tell(CommandAction.TAKE_BACK, test_id=test_id)
        await told.tell(CommandAction.ASSIGN, **wanted)
        # An open one has MAG to measure again now.
        assert bench.state.phase is (Phase.FINISHED if closed else Phase.MEASURING)
        assert bench.state.readings[-1].cylinder == "PTO"
        assert answer(await told.tell(CommandAction.TAKE_BACK)) == (True, "Taken back: assign PTO.")
        assert bench.state.readings[-1].cylinder == "MAG"


async def test_whoever_gives_a_test_up_is_told_of_which_machine_and_what_is_kept(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal, TWO_MACHINES)
        await told.tell(CommandAction.BEGIN, machine="yard-2")
        begun = await told.tell(CommandAction.ABANDON)
        assert begun.prompts[0].text == "The test of yard-2 is abandoned. Pulls kept in the record: 0."
        assert begun.prompts[0].spoken == "The test of yard two is abandoned. Pulls kept in the record: zero."
        await whole_test(told, (900.0,))
        given_up = await told.tell(CommandAction.ABANDON)
        kept = "Abandoned: the test of north-7. Kept in the record, where it proves nothing: 2 pulls."
        assert answer(given_up) == (True, kept)
        assert answer(await told.tell(CommandAction.ABANDON)) == (False, "The test of north-7 was abandoned already.")


async def test_of_a_test_of_the_record_nothing_else_can_be_asked(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        test_id = await whole_test(told)
        event_id = told.bench.session.test.state.readings[0].event_id
        await whole_test(told)
        stored = await journal.test(test_id)
        for action, details, said in (
            (CommandAction.STRIKE, {"event_id": event_id}, "its readings stay as they are"),
            (CommandAction.TAKE_BACK, {"event_id": event_id}, "its readings stay as they are"),
            (CommandAction.FINISH, {}, "its readings stay as they are"),
            (CommandAction.TAKE_BACK, {}, "was not given up"),
        ):
            step = await told.tell(action, test_id=test_id, **details)
            assert answer(step)[0] is False
            assert said in answer(step)[1]
            assert len(of(step, CommandEntry)) == 1
        assert await journal.test(test_id) == stored
        refused = answer(await told.tell(CommandAction.ABANDON, test_id=test_id[:3]))
        assert refused == (False, f"{test_id[:3]} is too little of an id to change a test by: give 4 characters of it.")
        ok, said = answer(await told.tell(CommandAction.ABANDON, test_id="zzzz"))
        assert (ok, "has no test zz" in said) == (False, True)
        await told.tell(CommandAction.ABANDON, test_id=test_id)
        assert "was given up already" in answer(await told.tell(CommandAction.ABANDON, test_id=test_id))[1]


async def test_a_wet_test_is_not_held_against_a_dry_one_that_is_given_up(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        dry = await whole_test(told)
        await whole_test(told, (960.0, 965.0, 920.0), kind="wet")
        session = told.bench.session

        def held_against_none() -> bool:
            assert session.verdict is not None
            said = [one.text for one in session.verdict.findings if one.rule is RuleName.WET_DRY]
            return ["held against no dry test" in one for one in said] == [True]

        # The orders go by this computer's clock, for which the dry test is too old.
        await told.orders.look_back("north-7", session.began_at)
        await told.take(session.held_anew)
        assert not held_against_none()
        await told.tell(CommandAction.ABANDON, test_id=dry)
        assert held_against_none()
        assert "held against no dry test" in (await journal.retained("test")).payload_json
        await told.tell(CommandAction.TAKE_BACK, test_id=dry)
        assert not held_against_none()


async def test_a_notebook_that_is_read_again_does_not_make_its_test_count_again(tmp_path: Path) -> None:
    book = tmp_path / "old.csv"
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        shop = told.bench.session.shop
    for psi in (134, 136):
        book.write_text(f"date,machine,PTO,middle,MAG\n2025-03-09,north-7,140,{psi},139\n", encoding="utf-8")
        await import_notebook(shop, book, "psi")
        async with Journal.open(shop.journal) as journal:
            told = Told(tmp_path, journal)
            (test,) = await Records(shop, journal).tests()
            if psi == 134:
                given_up = await told.tell(CommandAction.ABANDON, test_id=test.stored.test_id)
                assert answer(given_up)[0]
                assert of(given_up, published.TestState) == []
            else:
                assert test.given_up
                assert (await counted(told))["north-7"] == []
                assert "put right" in json.dumps([row.note for row in await journal.readings(test.stored.test_id)])
                await told.tell(CommandAction.TAKE_BACK, test_id=test.stored.test_id)
                assert (await counted(told))["north-7"] == [test.stored.test_id]


@pytest.mark.parametrize(("word", "action"), [("abandon", "abandon"), ("take-back", "take_back")])
def test_the_command_line_names_the_test_by_the_beginning_of_its_id(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, word: str, action: str
) -> None:
    sent: list[Command] = []

    async def ask(
        settings: BrokerSettings, bench: str, command: Command
    ) -> tuple[published.CommandResult, tuple[str, ...]]:
        sent.append(command)
        return published.CommandResult(bench=bench, command_id=command.id, ok=True, text="Done."), ()

    monkeypatch.setattr(asked, "ask_and_hear", ask)
    words = ["test", word, "--test", "0193f2aa", "--config", str(write_shop(tmp_path))]
    assert CliRunner().invoke(app, words, catch_exceptions=False).exit_code == 0
    assert [(command.action.value, command.test_id, command.event_id) for command in sent] == [
        (action, "0193f2aa", None)
    ]
