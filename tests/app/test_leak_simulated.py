"""A whole differential leak-down at a simulated bench: cautions, air in, the loss, where it is heard, air off."""

import asyncio
from pathlib import Path

import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.leak_demo import LeakEar
from gaugelink.app.mechanic import SIMULATED_MECHANIC, MechanicsEar
from gaugelink.app.service import Clock, acknowledgement
from gaugelink.app.step import Step
from gaugelink.app.watcher import Watcher
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import DecayKind, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.leak.heard import Heard
from simulators.bench import Manner
from simulators.shop import engine_under, simulated_shop
from tests.app.shops import SHOP, shop_in

SPEED = 5.0
SUPPLY_KPA = 550.0
BRISK = Manner(move_s=8.0, listen_s=3.0)


class Keys(Watcher):
    """What is said, by its key, and what is pulled."""

    def __init__(self) -> None:
        self.said: list[PromptKey] = []
        self.pulls = 0

    def stepped(self, step: Step) -> None:
        self.said += [prompt.key for prompt in step.prompts]
        self.pulls += step.event is not None


async def test_a_differential_test_runs_whole_at_a_simulated_bench(tmp_path: Path) -> None:
    shop = shop_in(tmp_path, f"{SHOP}\n[broker]\nembedded = true\nport = 0\n").as_simulated()
    gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
    engine = engine_under(shop.fleet.engine_of("north-7"), worn="MAG")
    keys, ear = Keys(), LeakEar()
    leak = LeakRequest(kind=DecayKind.DIFFERENTIAL, supply_kpa=SUPPLY_KPA, orifice_mm=1.016, orifice_discharge=1.0)

    def order(action: CommandAction, **details: object) -> Command:
        return Command.model_validate({"id": new_id(), "action": action, "by": SIMULATED_MECHANIC, **details})

    async with (
        asyncio.timeout(120.0),
        simulated_shop(gauges, engine, held=True, speed=SPEED, manner=BRISK, seed=3) as simulated,
        asyncio.TaskGroup() as tasks,
    ):
        watchers = [MechanicsEar(simulated), keys, ear]
        daemon = Daemon(shop, simulated.radio, clock=Clock(SPEED), watchers=watchers, silent=True)
        service = tasks.create_task(daemon.run())
        await daemon.ready.wait()
        losses = []
        for cylinder in ("PTO", "MAG"):
            ear.done.clear()
            begun = await daemon.obey(
                order(CommandAction.BEGIN_DECAY, machine="north-7", cylinder=cylinder, leak=leak.model_dump())
            )
            assert begun.result is not None
            assert begun.result.ok, begun.result.text
            # Nobody lets air in before the cautions were acknowledged.
            assert begun.prompts[-1].key is PromptKey.ACKNOWLEDGE
            assert len(simulated.bench.under_air) == len(losses)
            await daemon.obey(acknowledgement(SIMULATED_MECHANIC))
            await ear.done.wait()
            assert ear.result is not None
            assert not simulated.bench.air_off.is_set()
            await simulated.bench.air_off.wait()
            losses.append((ear.result.cylinder, ear.result.verdict, ear.result.leak_percent))
        found = await daemon.obey(order(CommandAction.LEAK_FOUND, heard=[Heard.EXHAUST], cylinder="MAG"))
        assert found.found is not None
        assert found.found.heard == (Heard.EXHAUST,)
        daemon.stop()
        await service
    assert [(one[0], str(one[1])) for one in losses] == [("PTO", "pass"), ("MAG", "fail")]
    for (_, _, percent), (_, rest_kpa) in zip(losses, simulated.bench.under_air, strict=True):
        assert percent == pytest.approx(100.0 * (1.0 - rest_kpa / SUPPLY_KPA), abs=1.5)
    assert keys.said.count(PromptKey.LEAK_PERCENT) == 2
    # The air was off before it was let in once more, and nobody cranked under it.
    assert PromptKey.LEAK_MOVED not in keys.said
    assert keys.pulls == 0
    assert simulated.bench.truth == []
