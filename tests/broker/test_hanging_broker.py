"""A broker that hangs, or never says a word, is noticed and left, and holds up no shutdown."""

import asyncio
import itertools
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from paho.mqtt.client import MQTTMessageInfo

from gaugelink.broker.client import Client
from gaugelink.broker.link import GOODBYE_S, BrokerLink
from gaugelink.gauge.samples import LinkPhase
from gaugelink.journal import Journal
from tests.broker.bench import (
    BENCH,
    EVENTS,
    bench,
    crank,
    gauge_state,
    has_all,
    settings,
    until_connected,
)
from tests.broker.subscriber import Subscriber, first_times


async def test_a_broker_that_hangs_is_noticed_and_gets_everything_when_it_goes_on(tmp_path, mosquitto, monkeypatch):
    monkeypatch.setattr("gaugelink.broker.link.ACK_S", 1.0)
    async with (
        Subscriber(mosquitto.port) as subscriber,
        bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link),
    ):
        await until_connected(link)
        mosquitto.freeze()
        expected = [await crank(journal, number) for number in range(30)]
        await until_connected(link, connected=False)
        mosquitto.thaw()
        await subscriber.wait_for(lambda: has_all(subscriber, expected))
        assert first_times(subscriber.payloads(EVENTS)) == expected


async def test_a_broker_that_hangs_does_not_hold_up_the_shutdown(tmp_path, mosquitto):
    """How long it takes is measured by ``python -m tests.benchmarks.outbox``."""
    async with Journal.open(tmp_path / "j.db") as journal:
        link = BrokerLink(settings(mosquitto.port), BENCH, journal)
        task = asyncio.create_task(link.run())
        await until_connected(link)
        mosquitto.freeze()
        await crank(journal, 1)
        task.cancel()
        await asyncio.wait({task}, timeout=30)
        assert task.cancelled()
        assert GOODBYE_S <= 1.0


@asynccontextmanager
async def mute() -> AsyncIterator[tuple[int, asyncio.Queue[str]]]:
    """A port that takes connections and never says a word, and what happens there: ``asked`` and ``left``."""
    happened: asyncio.Queue[str] = asyncio.Queue()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # A connection that asks for nothing only looked whether the port is there.
        if await reader.read(1):
            happened.put_nowait("asked")
            await reader.read()
            happened.put_nowait("left")
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1], happened


async def test_a_broker_that_never_says_a_word_is_left_and_asked_again(tmp_path, monkeypatch):
    monkeypatch.setattr("gaugelink.broker.link.ACK_S", 0.2)
    async with mute() as (port, happened), bench(tmp_path / "j.db", settings(port)) as (_, link):
        assert [await happened.get() for _ in range(4)] == ["asked", "left"] * 2
        assert link.status.problem is not None
        assert not link.connected


async def test_a_shutdown_in_the_middle_of_connecting_leaves_no_socket(tmp_path, monkeypatch, caplog):
    monkeypatch.setattr("gaugelink.broker.link.GOODBYE_S", 0.2)
    async with mute() as (port, happened), Journal.open(tmp_path / "j.db") as journal:
        task = asyncio.create_task(BrokerLink(settings(port), BENCH, journal).run())
        assert await happened.get() == "asked"
        task.cancel()
        await asyncio.wait({task}, timeout=30)
        assert task.cancelled()
        assert await happened.get() == "left"
        assert not [record for record in caplog.records if record.name == "asyncio"]


def unanswered(sent: asyncio.Event) -> Client:
    """The link's client, of which every message leaves and waits for an answer."""
    client = Client("127.0.0.1")
    numbers = itertools.count(1)

    def publish(*_: object) -> MQTTMessageInfo:
        sent.set()
        return MQTTMessageInfo(next(numbers))

    client._client.publish = publish
    return client


@pytest.mark.parametrize("loop_of", ["_send_aside", "_send_live", "_drain"])
async def test_a_cancellation_in_the_moment_of_an_answer_ends_the_link_all_the_same(tmp_path, loop_of):
    """The answer and the cancellation come in one turn of the loop, where `asyncio.wait_for` loses the latter."""
    async with Journal.open(tmp_path / "j.db") as journal:
        link = BrokerLink(settings(1), BENCH, journal)
        link.publish_state("gauge/blue/state", gauge_state(LinkPhase.STREAMING))
        link._connected = True
        link.publish_live("gauge/blue/pressure", "[]")
        await crank(journal, 1)
        sent = asyncio.Event()
        client = unanswered(sent)
        task = asyncio.create_task(getattr(link, loop_of)(client))
        await sent.wait()
        await asyncio.sleep(0)
        assert client._pending_publishes
        for answer in client._pending_publishes.values():
            answer.set()
        task.cancel()
        await asyncio.wait({task}, timeout=5)
        assert task.cancelled()
