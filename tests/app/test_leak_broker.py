"""A leak-down asked for over the broker: the answer, the progress, and the result that is on disk before it is told."""

import asyncio
import json
from pathlib import Path

import aiomqtt
import pytest

from gaugelink.app.asking import ask
from gaugelink.app.daemon import Daemon, Watcher
from gaugelink.app.demo import MACHINE
from gaugelink.app.leak_demo import LeakEar, leak_shop, pump_and_hold
from gaugelink.app.service import Clock
from gaugelink.broker.client import Client
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.journal import Journal
from simulators.shop import engine_under, simulated_shop
from tests.broker.conformance import check_message

SPEED = 4.0
"""At ten times the pace a stalled machine works off its backlog so slowly that it looks like a pause of the gauge."""


class Door(Watcher):
    """Learns where the broker is."""

    def __init__(self) -> None:
        self.port: asyncio.Future[int] = asyncio.get_running_loop().create_future()

    def listening(self, address: str) -> None:
        """Keep the port."""
        self.port.set_result(int(address.rsplit(":", 1)[1]))


async def heard_by_a_client(port: int, bench: str, subscribed: asyncio.Event) -> dict[str, list[str]]:
    """Everything of the leak-down that a client hears, until its result."""
    heard: dict[str, list[str]] = {"decay": [], "decay/state": [], "decay/progress": []}
    async with Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V311) as client:
        await client.subscribe(f"gaugelink/{bench}/decay/#", qos=1)
        subscribed.set()
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            text = message.payload.decode()
            check_message(str(message.topic), text)
            heard[str(message.topic).removeprefix(f"gaugelink/{bench}/")].append(text)
            if heard["decay"]:
                return heard
    return heard


async def test_a_leak_down_is_steered_and_heard_over_the_broker(tmp_path: Path) -> None:
    shop = leak_shop(tmp_path)
    ear, door, subscribed = LeakEar(), Door(), asyncio.Event()
    gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
    async with (
        simulated_shop(gauges, engine_under(shop.fleet.engine_of(MACHINE)), speed=SPEED, seed=5) as simulated,
        asyncio.timeout(60.0),
        asyncio.TaskGroup() as tasks,
    ):
        daemon = Daemon(shop, simulated.radio, clock=Clock(SPEED), watchers=[ear, door], silent=True)
        service = tasks.create_task(daemon.run())
        port = await door.port
        broker = shop.settings.broker.model_copy(update={"port": port})
        listening = tasks.create_task(heard_by_a_client(port, shop.name, subscribed))
        await subscribed.wait()
        await daemon.ready.wait()
        command = Command(
            id=new_id(), action=CommandAction.BEGIN_DECAY, machine=MACHINE, leak=LeakRequest(volume_cm3=900.0)
        )
        first = await ask(broker, shop.name, command, 20.0)
        again = await ask(broker, shop.name, command, 20.0)
        assert (first.ok, first.text) == (True, "Leak test of Ridge 7, crankcase, begun.")
        assert (again.ok, again.text) == (first.ok, first.text)
        await ask(broker, shop.name, Command(id=new_id(), action=CommandAction.ACKNOWLEDGE), 20.0)
        pumping = tasks.create_task(pump_and_hold(simulated, 0.25, 5))
        heard = await listening
        pumping.cancel()
        daemon.stop()
        await service
    result = Decay.model_validate_json(heard["decay"][0])
    assert result.verdict == "fail"
    assert result.numbers["hole_low_mm"] <= 0.25 <= result.numbers["hole_high_mm"]
    notes = [json.loads(text)["note"] for text in heard["decay/progress"]]
    assert "holding" in notes
    assert [json.loads(text)["phase"] for text in heard["decay/state"]] == ["cautions", "measuring", "ended"]
    async with Journal.open(shop.journal, read_only=True) as journal:
        (stored,) = await journal.decays()
    assert stored.decay_id == result.decay_id
    assert Decay.model_validate_json(stored.result_json).id == result.id
    assert stored.samples is not None
    assert stored.samples.pressure_kpa.max() == pytest.approx(41.0, abs=4.0)
