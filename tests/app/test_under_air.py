"""A leak-down beside an open compression test: air in an engine turns its crank, so nobody is sent to pull."""

import asyncio
from pathlib import Path

import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.bench.english_large import large_words
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from tests.app.shops import SHOP, shop_in
from tests.app.test_fingers import AtKeys
from tests.app.test_handing_over import Quiet
from tests.broker.mosquitto import free_port

LEAK_FIRST = "A leak test is under way. Nobody cranks before it has ended and the air is off."


class UnderAir(AtKeys):
    """A bench whose open test hears of the leak-down after every step, as the service tells it."""

    def take(self, step):
        self.session.leak_down(self.leak.active)
        return super().take(step)

    def pass_time(self, seconds: int) -> list[PromptKey]:
        said = []
        for _ in range(seconds):
            self.now_s += 1.0
            said += [one.key for one in self.take(self.session.tick(self.now_s, self.at)).prompts]
        return said


@pytest.fixture
def bench(tmp_path: Path) -> UnderAir:
    made = UnderAir(tmp_path)
    made.begin()
    made.crank(930.0)
    made.air(CommandAction.BEGIN_DECAY, machine="north-7")
    made.press("Enter")
    assert made.leak.cautioned
    return made


def test_nobody_is_reminded_to_pull_while_a_leak_test_runs_nor_at_once_when_it_has_ended(bench: UnderAir) -> None:
    assert bench.pass_time(400) == []
    bench.air(CommandAction.STOP_DECAY)
    assert bench.pass_time(80) == []
    assert bench.pass_time(20) == [PromptKey.WAITING]


def test_what_would_send_somebody_to_pull_says_that_the_leak_test_comes_first(bench: UnderAir) -> None:
    step = bench.take(bench.command(CommandAction.SKIP))
    assert [one.text for one in step.prompts] == [LEAK_FIRST]
    assert large_words(step.prompts[0]) == "DO NOT CRANK"
    assert step.prompts[0].urgent
    bench.take(bench.session.link("amber", False, bench.now_s, bench.at))
    assert bench.pass_time(5) == [PromptKey.LINK_LOST]
    back = bench.take(bench.session.link("amber", True, bench.now_s, bench.at))
    assert [one.text for one in back.prompts] == [LEAK_FIRST]


def test_the_key_that_acknowledged_the_cautions_of_air_does_nothing_of_the_test_beside_it(bench: UnderAir) -> None:
    step = bench.press("Enter")
    assert step.result is None
    assert not step.prompts


def test_a_test_that_is_begun_beside_a_leak_test_sends_nobody_either(bench: UnderAir) -> None:
    bench.take(bench.command(CommandAction.ABANDON))
    bench.take(bench.command(CommandAction.BEGIN, machine="north-7"))
    step = bench.take(bench.command(CommandAction.ACKNOWLEDGE))
    assert bench.session.test is not None
    assert bench.session.test.state.phase is Phase.MEASURING
    assert not any(one.sends_to_pull for one in step.prompts)
    bench.air(CommandAction.STOP_DECAY)
    assert [one.key for one in bench.take(bench.command(CommandAction.SKIP)).prompts] == [PromptKey.SKIPPED]


async def test_the_service_tells_its_test_of_the_leak_down(tmp_path: Path) -> None:
    shop = shop_in(tmp_path, f"{SHOP}\n[broker]\nport = {free_port()}\n")
    daemon = Daemon(shop, silent=True, link=lambda _: Quiet())

    async def asked(action: CommandAction, **how: object) -> list[PromptKey]:
        step = await daemon.obey(Command.model_validate({"id": new_id(), "action": action, **how}))
        return [one.key for one in step.prompts]

    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(daemon.run())
        await daemon.ready.wait()
        await asked(CommandAction.BEGIN_DECAY, machine="north-7")
        await asked(CommandAction.ACKNOWLEDGE)
        await asked(CommandAction.STOP_DECAY)
        await asked(CommandAction.BEGIN, machine="north-7")
        await asked(CommandAction.ACKNOWLEDGE)
        await asked(CommandAction.BEGIN_DECAY, machine="north-7")
        await asked(CommandAction.ACKNOWLEDGE)
        assert await asked(CommandAction.SKIP) == [PromptKey.LEAK_FIRST]
        await asked(CommandAction.STOP_DECAY)
        assert PromptKey.LEAK_FIRST not in await asked(CommandAction.SKIP)
        daemon.stop()
