"""The page's client of the broker, against Debian's mosquitto."""

import asyncio
import contextlib
import json
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import pytest

from gaugelink.app.demo import MACHINE
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import AIR_CAUTIONS
from gaugelink.broker.client import Client
from gaugelink.broker.commands import Command, CommandAction, parse_command
from gaugelink.broker.leak_messages import LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import CommandResult
from gaugelink.broker.settings import BrokerSettings
from gaugelink.dashboard import reader as page_reader
from gaugelink.dashboard.hub import Hub, Listener
from gaugelink.dashboard.reader import BrokerReader
from gaugelink.errors import BrokerError
from tests.broker.mosquitto import Mosquitto
from tests.dashboard.said import BENCH, GAUGE, prompt, state
from tests.dashboard.test_hub import Clock


@asynccontextmanager
async def reading(port: int, name: str = BENCH) -> AsyncIterator[tuple[BrokerReader, Hub, Listener]]:
    """A reader that runs, and an open page that has heard that the broker is there."""
    hub = Hub([name], Clock())
    reader = BrokerReader(BrokerSettings(port=port), hub)
    task = asyncio.create_task(reader.run())
    try:
        async with hub.listening() as listener:
            events = listener.events()
            while not hub.broker_up:
                await anext(events)
            yield reader, hub, listener
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def until(listener: Listener, *, up: bool, hub: Hub) -> None:
    """Wait until the pages are told that the broker is there, or gone."""
    events = listener.events()
    while hub.broker_up != up:
        await anext(events)


@asynccontextmanager
async def bench(port: int, answers: bool = True) -> AsyncIterator[Client]:
    """A bench that takes commands."""
    async with Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V311) as client:
        await client.subscribe(f"gaugelink/{BENCH}/command", qos=1)

        async def obey() -> None:
            async for message in client.messages:
                command = parse_command(bytes(message.payload))  # type: ignore[arg-type]
                result = CommandResult(bench=BENCH, command_id=command.id, ok=True, text=f"{command.action.value}!")
                if answers:
                    await client.publish(f"gaugelink/{BENCH}/command/result", result.model_dump_json(), qos=1)

        task = asyncio.create_task(obey())
        try:
            yield client
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task


def redo() -> Command:
    """A command."""
    return Command(id=new_id(), action=CommandAction.REDO)


async def test_a_page_server_that_is_started_again_shows_the_cautions_of_a_leak_down_that_stand(tmp_path: Path) -> None:
    session = LeakSession(leak_shop(tmp_path))
    name, at = session.shop.name, datetime(2026, 2, 3, 12, 0, tzinfo=UTC)

    def asked(action: CommandAction, **how: object) -> Step:
        return session.command(Command(id=new_id(), action=action, **how), None, 0.0, at)

    async with Mosquitto(tmp_path) as broker, Client("127.0.0.1", broker.port) as client:
        begun = asked(CommandAction.BEGIN_DECAY, machine=MACHINE, leak=LeakRequest())
        cautions = [prompt.text for prompt in begun.prompts if prompt.key in AIR_CAUTIONS]
        assert len(cautions) == len(AIR_CAUTIONS)
        for step, standing in ((begun, cautions), (asked(CommandAction.ACKNOWLEDGE), [])):
            for row in step.outgoing():
                await client.publish(f"gaugelink/{name}/{row.topic_suffix}", row.payload_json, 1, retain=row.retain)
            async with reading(broker.port, name) as (_, hub, listener):
                events = listener.events()
                while (await anext(events))[0] != "decay_state":
                    continue
                assert hub.boards[name].snapshot()["cautions"] == standing


async def test_a_command_goes_out_and_its_own_answer_comes_back(tmp_path: Path) -> None:
    async with Mosquitto(tmp_path) as broker, bench(broker.port), reading(broker.port) as (reader, _, _):
        first, second = redo(), Command(id=new_id(), action=CommandAction.SKIP)
        answers = await asyncio.gather(reader.ask(BENCH, first), reader.ask(BENCH, second))
    assert [answer.command_id for answer in answers] == [first.id, second.id]
    assert [answer.text for answer in answers] == ["redo!", "skip!"]


async def test_a_bench_that_does_not_answer_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_reader, "ANSWER_S", 0.2)
    async with Mosquitto(tmp_path) as broker, bench(broker.port, answers=False), reading(broker.port) as (reader, _, _):
        with pytest.raises(BrokerError, match="did not answer"):
            await reader.ask(BENCH, redo())


async def test_retained_state_is_there_for_a_page_that_comes_late(tmp_path: Path) -> None:
    async with Mosquitto(tmp_path) as broker, bench(broker.port) as client:
        await client.publish(f"gaugelink/{BENCH}/availability", "online", qos=1, retain=True)
        await client.publish(f"gaugelink/{BENCH}/test", state(), qos=1, retain=True)
        async with reading(broker.port) as (_, hub, listener):
            events = listener.events()
            while hub.boards[BENCH].snapshot()["test"] is None:
                await anext(events)
            assert hub.boards[BENCH].snapshot()["availability"] == "online"


PRESSURE = f"/gauge/{GAUGE}/pressure"


@pytest.mark.parametrize(
    ("suffix", "payload", "refused"),
    [
        ("/test", b"\x00\xff", 1),
        ("/command/result", b"[" * 5000, 1),
        # Whoever subscribes to all below a topic is sent what is on the topic itself, too (MQTT 3.1.1, 4.7.1.2).
        ("", b"hello", 0),
        ("/", b"hello", 0),
        (PRESSURE, b'[{"n":"pressure","u":"Pa","v":"1.5","t":0}]', 1),
        (PRESSURE, b'[{"bn":"x/","bt":null,"n":"pressure","u":"Pa","v":1,"t":0}]', 0),
        (PRESSURE, b'[{"n":null,"u":"Pa","v":1,"t":0}]', 0),
        (PRESSURE, b'[{"bn":"x/","n":"pressure","u":"Pa","bv":1e308,"v":1e308,"t":0}]', 1),
    ],
)
async def test_a_message_that_is_not_of_the_contract_does_not_stop_the_page(
    tmp_path: Path, suffix: str, payload: bytes, refused: int
) -> None:
    async with (
        asyncio.timeout(30),
        Mosquitto(tmp_path) as broker,
        bench(broker.port) as client,
        reading(broker.port) as (_, hub, listener),
    ):
        await client.publish(f"gaugelink/{BENCH}{suffix}", payload, qos=1)
        await client.publish(f"gaugelink/{BENCH}/prompt", prompt("Pull when ready."), qos=1)
        events = listener.events()
        while hub.boards[BENCH].snapshot()["prompt"] is None:
            await anext(events)
        assert hub.boards[BENCH].refused == refused


async def test_a_flood_of_messages_that_are_none_does_not_flood_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with (
        asyncio.timeout(30),
        Mosquitto(tmp_path) as broker,
        bench(broker.port) as client,
        reading(broker.port) as (_, hub, listener),
    ):
        for _ in range(50):
            await client.publish(f"gaugelink/{BENCH}/prompt", b"{", qos=1)
        await client.publish(f"gaugelink/{BENCH}/prompt", prompt("Pull when ready."), qos=1)
        events = listener.events()
        while hub.boards[BENCH].snapshot()["prompt"] is None:
            await anext(events)
        assert hub.boards[BENCH].refused == 50
    assert caplog.text.count("is not of the contract") == 1


async def test_a_broker_that_hangs_or_goes_is_noticed_and_taken_up_again(tmp_path: Path) -> None:
    async with Mosquitto(tmp_path) as broker, reading(broker.port) as (reader, hub, listener):
        broker.freeze()
        await until(listener, up=False, hub=hub)
        with pytest.raises(BrokerError, match="nothing was sent"):
            await reader.ask(BENCH, redo())
        broker.thaw()
        await until(listener, up=True, hub=hub)
        await broker.kill()
        await until(listener, up=False, hub=hub)
        await broker.start()
        await until(listener, up=True, hub=hub)


async def test_a_bench_that_does_not_run_is_said_in_words_with_what_to_look_at() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    hub = Hub([BENCH], Clock())
    async with hub.listening() as listener:
        task = asyncio.create_task(BrokerReader(BrokerSettings(port=port), hub).run())
        told = [json.loads(data) for name, data in [await anext(listener.events()) for _ in range(2)] if name == "beat"]
        task.cancel()
        await asyncio.wait([task])
    assert told[0]["problem"] == (
        f"The broker at 127.0.0.1:{port} is away (nothing listens there). See whether the bench runs."
    )
