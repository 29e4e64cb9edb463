"""A test that was closed is still the bench's after a restart, and does what it is asked or says why not."""

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.running import Waiter
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker.commands import CommandAction
from gaugelink.journal import Journal
from tests.app.shops import SHOP
from tests.app.test_given_up_later import answer, whole_test
from tests.app.test_leak_beside import differential, running
from tests.app.test_orders import Told
from tests.app.test_presenter import drawn, sentences


@asynccontextmanager
async def started_again(folder: Path, closed_by: CommandAction = CommandAction.FINISH) -> AsyncIterator[Told]:
    """A bench whose service was started again after a test was closed."""
    async with Journal.open(folder / "bay-3.db") as journal:
        before = Told(folder, journal)
        await whole_test(before)
        if closed_by is CommandAction.ABANDON:
            await before.tell(CommandAction.ABANDON)
        again = Told(folder, journal)
        await again.orders.take_up()
        assert (again.steps[-1].prompts, again.steps[-1].messages) == ([], [])
        yield again


@pytest.mark.parametrize("restarted", [False, True])
async def test_taking_back_opens_the_finished_test_again_before_a_restart_and_after_it(
    tmp_path: Path, restarted: bool
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        test_id = await whole_test(told)
        if restarted:
            told = Told(tmp_path, journal)
            await told.orders.take_up()
        back = await told.tell(CommandAction.TAKE_BACK)
        assert answer(back) == (True, "Taken back: finish.")
        assert back.prompts[0].text == "The test is open again. Nothing is left to measure."
        stored = await journal.current_test("bay-3")
        assert (stored.test_id if stored is not None else None) == test_id


@pytest.mark.parametrize(
    ("action", "details", "said"),
    [
        (CommandAction.NOTE, {"note": "rings ordered"}, (True, "Noted with the test of north-7.")),
        (CommandAction.ODOMETER, {"odometer": 812.0}, (True, "Noted with the test of north-7: 812 h.")),
        (CommandAction.STRIKE, {}, (True, "Struck out: pull 6 of MAG.")),
        (CommandAction.FINISH, {}, (False, "The test is closed already.")),
        (
            CommandAction.REDO,
            {},
            (False, "The test is closed: take that back to go on with it, or begin a new one."),
        ),
        (
            CommandAction.ABANDON,
            {},
            (True, "Abandoned: the test of north-7. Kept in the record, where it proves nothing: 6 pulls."),
        ),
    ],
)
async def test_whatever_else_is_asked_is_answered_as_before_the_restart(
    tmp_path: Path, action: CommandAction, details: dict[str, object], said: tuple[bool, str]
) -> None:
    async with started_again(tmp_path) as told:
        step = await told.tell(action, **details)
        assert answer(step) == said
        stands = json.loads((await told.journal.retained("test")).payload_json)
        phase = "abandoned" if action is CommandAction.ABANDON else "finished"
        assert (stands["phase"], stands["closed"]) == (phase, True)
        assert stands["prompt"]


async def test_the_cautions_come_again_before_anybody_pulls_at_a_test_that_is_opened_again(tmp_path: Path) -> None:
    async with started_again(tmp_path) as told:
        await told.tell(CommandAction.TAKE_BACK)
        step = await told.tell(CommandAction.REDO, cylinder="MAG")
        assert step.prompts[-1].key is PromptKey.ACKNOWLEDGE
        assert told.bench.session.test.state.phase is Phase.CAUTIONS
        heard = await told.tell(CommandAction.ACKNOWLEDGE)
        assert heard.prompts[-1].text == "The test of north-7 goes on. Next pull: MAG."


async def test_what_was_given_up_by_its_id_after_a_restart_counts_again_when_that_is_taken_back(tmp_path: Path) -> None:
    """Given up as a test of the record it has no deed of that."""
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        test_id = await whole_test(Told(tmp_path, journal))
        await Told(tmp_path, journal).tell(CommandAction.ABANDON, test_id=test_id)
        for named in (None, test_id):
            told = Told(tmp_path, journal)
            await told.orders.take_up()
            assert told.bench.session.test.state.phase is Phase.ABANDONED
            back = await told.tell(CommandAction.TAKE_BACK, test_id=named)
            assert answer(back) == (True, "Taken back: abandon.")
            assert back.prompts[0].text.startswith("The test counts again.")
            assert told.bench.session.test.state.phase is Phase.FINISHED
            await Told(tmp_path, journal).tell(CommandAction.ABANDON, test_id=test_id)


async def test_a_last_test_that_the_shop_has_no_gauge_for_any_more_is_named_and_so_is_the_way_out(
    tmp_path: Path,
) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        await whole_test(Told(tmp_path, journal))
        told = Told(tmp_path, journal, SHOP.replace('"amber"', '"blue"'))
        await told.orders.take_up()
        ok, said = answer(await told.tell(CommandAction.TAKE_BACK))
        assert not ok
        assert said.startswith("The last test of this bench, of north-7, 2026-03-01 ")
        assert "is closed, and nothing can be done with it: " in said
        assert "amber" in said
        assert said.endswith("Put that right and start the service again, or begin another test.")
        assert answer(await told.tell(CommandAction.BEGIN, machine="north-7"))[0]
        assert answer(await told.tell(CommandAction.NOTE, note="new gauge"))[0]


async def test_a_bench_that_never_had_a_test_says_that_none_is_open(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "bay-3.db") as journal:
        told = Told(tmp_path, journal)
        await told.orders.take_up()
        assert answer(await told.tell(CommandAction.TAKE_BACK)) == (False, "No test is open: begin one first.")


async def test_the_service_takes_it_up_at_its_start_and_tells_nothing_anew(tmp_path: Path) -> None:
    leak = differential(1.0, "MAG", 42.0, "fail")
    async with running(tmp_path, leak, closed_by=CommandAction.FINISH) as daemon:
        assert daemon.session.test is not None
        assert daemon.session.test.state.phase is Phase.FINISHED
        assert daemon._journal is not None
        stands = json.loads((await daemon._journal.retained("test")).payload_json)
        assert daemon._orders is not None
        assert (await daemon._orders.judge_beside()).empty
        assert any("Leak-down of MAG 42 %" in finding["text"] for finding in stands["findings"])
        assert any("Leak-down of MAG 42 %" in finding.text for finding in daemon.session.verdict.findings)


async def test_it_is_on_the_screen_with_its_day_and_is_no_test_that_this_service_has_done(tmp_path: Path) -> None:
    async with started_again(tmp_path) as told:
        (step,) = told.steps
        presenter, waiter = ScenePresenter(told.bench.session.shop, keys=True), Waiter()
        presenter.stepped(step)
        waiter.stepped(step)
        shown = sentences(drawn(presenter))
        assert "dry test, finished, begun 2026-03-01" in shown
        assert "MAG" in shown
        assert not waiter.done.is_set()
