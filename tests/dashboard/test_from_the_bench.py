"""What a bench itself publishes tells a page that heard nothing before: of its test, and of its gauges."""

from pathlib import Path
from unittest.mock import AsyncMock

from gaugelink.app.link_news import BATTERY_LOW, LinkNews
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.messages import GaugeState, TestState
from gaugelink.dashboard.board import BenchBoard
from gaugelink.gauge.samples import LinkPhase, LinkState
from gaugelink.peak.events import Flag
from tests.app.shops import SHOP, shop_in
from tests.app.test_session import Bench

NOTED = SHOP.replace('engine = "triple"', 'engine = "triple"\nnotes = "Check the belt guard."\ncranked_by = "cord"')


def tell(board: BenchBoard, step: Step) -> None:
    """Let a board hear all that a step publishes."""
    for message in step.messages:
        board.take(message.topic_suffix, message.model_dump_json().encode(), 0.0)


def retained(step: Step) -> bytes:
    """The test as the broker keeps it for whoever comes later."""
    return [one for one in step.messages if isinstance(one, TestState)][-1].model_dump_json().encode()


def test_a_page_server_that_starts_while_cautions_stand_shows_those_of_that_machine(tmp_path: Path) -> None:
    bench, heard, later = Bench(tmp_path, NOTED), BenchBoard("bay-3"), BenchBoard("bay-3")
    step = bench.command(CommandAction.BEGIN, machine="north-7")
    tell(heard, step)
    later.take("test", retained(step), 0.0)
    said = [one.text for one in step.prompts if one.key is not PromptKey.ACKNOWLEDGE]
    assert "This machine: Check the belt guard." in said
    assert not any("starter" in one for one in said)
    assert heard.snapshot()["cautions"] == later.snapshot()["cautions"] == said
    later.take("test", retained(bench.command(CommandAction.ACKNOWLEDGE)), 0.0)
    assert later.snapshot()["cautions"] == []


def test_a_page_server_that_starts_while_cautions_are_said_does_not_double_them(tmp_path: Path) -> None:
    bench, board = Bench(tmp_path, NOTED), BenchBoard("bay-3")
    step = bench.command(CommandAction.BEGIN, machine="north-7")
    board.take("test", retained(step), 0.0)
    standing = board.snapshot()["cautions"]
    for message in step.messages[3:]:
        board.take(message.topic_suffix, message.model_dump_json().encode(), 0.0)
    assert board.snapshot()["cautions"] == standing


def test_a_pull_that_waits_for_an_answer_has_its_number(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    for peak_kpa, wait_s in ((930.0, 6.0), (932.0, 6.0), (929.0, 14.0)):
        step = bench.crank(peak_kpa, wait_s)
    told = TestState.model_validate_json(retained(step))
    assert step.state is not None
    assert told.held_events == (step.state.readings[-1].event_id,)
    assert told.held_pulls == (3,)


def test_nobody_is_asked_on_the_page_about_a_pull_that_was_not_seen_whole(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    for peak_kpa in (930.0, 932.0):
        bench.crank(peak_kpa)
    step = bench.crank(400.0, 14.0, flags=frozenset({Flag.SHORT_RECORD}))
    assert step.state is not None
    assert step.state.readings[-1].status.value == "held"
    assert TestState.model_validate_json(retained(step)).held_events == ()


async def test_the_state_of_a_gauge_says_the_unit_of_its_shop_and_for_how_long_its_battery_is_low(
    tmp_path: Path,
) -> None:
    told: list[GaugeState] = []
    shop = shop_in(tmp_path, SHOP.replace("altitude_m", 'display_unit = "bar"\naltitude_m'))
    news = LinkNews(
        shop,
        publish=lambda _, payload: told.append(GaugeState.model_validate_json(payload)),
        watchers=tuple,
        changed=AsyncMock(),
        say=AsyncMock(),
    )
    (gauge,) = shop.settings.gauges
    limit = gauge.low_battery_percent
    for battery in (None, limit, limit - 1.0, limit + 1.0):
        await news.hear(gauge, LinkState(gauge.name, LinkPhase.STREAMING, battery_percent=battery))
    assert [state.faults for state in told] == [(), (), (BATTERY_LOW,), ()]
    assert {state.display_unit for state in told} == {"bar"}
