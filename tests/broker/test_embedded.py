"""The broker inside the process: comes and goes cleanly, and loses nothing for a subscriber that comes back."""

import asyncio
import contextlib
import json
import logging

import aiomqtt
import pytest

from gaugelink.app.asking import ask
from gaugelink.broker.client import Client
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.embedded import EmbeddedBroker
from gaugelink.broker.listener import CommandListener
from gaugelink.broker.messages import CommandResult, TestState
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import BrokerError
from tests.broker.bench import AVAILABLE, BENCH, EVENTS, STATE, bench, crank, until_connected, until_sent
from tests.broker.mosquitto import free_port
from tests.broker.subscriber import Subscriber, first_times
from tests.journal.samples_of import NOON

# MQTT 3.1.1, sections 3.1 (clean session, keep-alive 60 s, no client identifier), 3.2 and 3.12.
CONNECT = bytes.fromhex("10 0c 00 04 4d 51 54 54 04 02 00 3c 00 00")
CONNACK = bytes.fromhex("20 02 00 00")
PINGREQ = bytes.fromhex("c0 00")


def settings(port: int, settle_s: float = 0.0) -> BrokerSettings:
    return BrokerSettings(embedded=True, port=port, keepalive_s=5, settle_s=settle_s)


async def test_events_arrive_in_order(tmp_path):
    async with (
        EmbeddedBroker() as broker,
        Subscriber(broker.port) as subscriber,
        bench(tmp_path / "j.db", settings(broker.port)) as (journal, _),
    ):
        expected = [await crank(journal, number) for number in range(60)]
        await subscriber.wait_for(lambda: set(subscriber.payloads(EVENTS)) >= set(expected))
        assert subscriber.payloads(EVENTS) == expected


async def test_nothing_is_lost_when_it_is_started_again_in_the_middle(tmp_path):
    port = free_port()
    # It keeps no sessions, so the bench waits a little until subscribers are back; the subscriber here is quick.
    async with (
        asyncio.timeout(60),
        bench(tmp_path / "j.db", settings(port, settle_s=1.0)) as (journal, link),
    ):
        expected = []
        subscriber = Subscriber(port)
        async with EmbeddedBroker(port), subscriber:
            await until_connected(link)
            expected += [await crank(journal, number) for number in range(20)]
        expected += [await crank(journal, number) for number in range(20, 30)]
        async with EmbeddedBroker(port), subscriber:
            expected += [await crank(journal, number) for number in range(30, 40)]
            await subscriber.wait_for(lambda: set(subscriber.payloads(EVENTS)) >= set(expected))
        assert first_times(subscriber.payloads(EVENTS)) == expected


async def test_retained_states_are_there_for_a_latecomer(tmp_path):
    async with (
        EmbeddedBroker() as broker,
        bench(tmp_path / "j.db", settings(broker.port)) as (journal, _),
    ):
        for number in range(3):
            await crank(journal, number)
        await until_sent(journal)
        async with Subscriber(broker.port) as latecomer:
            await latecomer.wait_for(lambda: bool(latecomer.payloads(STATE)) and bool(latecomer.payloads(AVAILABLE)))
            assert json.loads(latecomer.payloads(STATE)[-1])["revision"] == 2
            assert latecomer.payloads(AVAILABLE) == ["online"]


async def test_a_bench_that_dies_is_said_to_be_offline(tmp_path):
    async with EmbeddedBroker() as broker, Subscriber(broker.port) as subscriber:
        will = aiomqtt.Will(f"gaugelink/{BENCH}/availability", "offline", qos=1, retain=True)
        async with Client("127.0.0.1", broker.port, will=will) as client:
            # The socket goes away without a DISCONNECT packet, as when a process is killed.
            client._client.socket().shutdown(2)
            await subscriber.wait_for(lambda: subscriber.payloads(AVAILABLE) == ["offline"])
            with pytest.raises(aiomqtt.MqttError):
                async for _ in client.messages:
                    pass


async def test_a_command_arrives(tmp_path):
    async with (
        EmbeddedBroker() as broker,
        bench(tmp_path / "j.db", settings(broker.port)) as (_, link),
        Client("127.0.0.1", broker.port) as client,
    ):
        await until_connected(link)
        command = {"id": "01a20fb0-7686-7033-a341-c04d278849e8", "action": "redo"}
        await client.publish(f"gaugelink/{BENCH}/command", json.dumps(command), qos=1)
        assert (await link.commands.get()).id == command["id"]


async def test_what_is_retained_for_others_is_taken_for_no_command_and_for_no_answer(monkeypatch):
    # A broker that hands it over all the same.
    monkeypatch.delattr("gaugelink.broker.embedded._Broker._publish_retained_messages_for_subscription")
    command = Command(id="01a20fb0-7686-7033-a341-c04d278849e8", action=CommandAction.REDO)
    listener, answers = CommandListener(BENCH), []
    async with EmbeddedBroker() as broker, Client("127.0.0.1", broker.port) as page:
        await page.subscribe(f"gaugelink/{BENCH}/#", qos=1)
        state = TestState(bench=BENCH, test_id="test-1", machine="sled-7", began_at=NOON, cylinders=())
        await page.publish(STATE, state.model_dump_json(), qos=1, retain=True)
        async with Client("127.0.0.1", broker.port) as client, asyncio.timeout(30):
            await listener.subscribe(client)
            listening = asyncio.create_task(listener.listen(client, answers.append))
            asking = asyncio.create_task(ask(settings(broker.port), BENCH, command, 20.0))
            assert (await listener.commands.get()).id == command.id
            result = CommandResult(bench=BENCH, command_id=command.id, ok=True, text="Once more.")
            await page.publish(f"gaugelink/{BENCH}/command/result", result.model_dump_json(), qos=1)
            assert (await asking).text == "Once more."
            listening.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await listening
    assert (listener.refused, answers) == (0, [])


async def test_a_client_gets_only_what_it_asks_for():
    async with EmbeddedBroker() as broker, Client("127.0.0.1", broker.port) as page, asyncio.timeout(30):
        await page.subscribe(f"gaugelink/{BENCH}/#", qos=1)
        await page.publish(STATE, "the test", qos=1, retain=True)
        await page.publish(AVAILABLE, "online", qos=1, retain=True)
        async with Client("127.0.0.1", broker.port) as tool:
            await tool.subscribe(AVAILABLE, qos=1)
            await tool.subscribe(EVENTS, qos=1)
            await page.publish(EVENTS, "an event", qos=1)
            messages = aiter(tool.messages)
            got = [await anext(messages) for _ in range(2)]
            assert [(str(one.topic), one.qos, one.retain) for one in got] == [(AVAILABLE, 1, True), (EVENTS, 1, False)]


async def test_a_stray_message_where_the_answers_are_is_not_taken_for_the_answer(caplog):
    command = Command(id="01a20fe0-60b9-73a7-b1cc-77cacb24d914", action=CommandAction.REDO)
    async with EmbeddedBroker() as broker, Client("127.0.0.1", broker.port) as bench, asyncio.timeout(30):
        await bench.subscribe(f"gaugelink/{BENCH}/command", qos=1)
        asking = asyncio.create_task(ask(settings(broker.port), BENCH, command, 20.0))
        assert str((await anext(aiter(bench.messages))).topic) == f"gaugelink/{BENCH}/command"
        result = CommandResult(bench=BENCH, command_id=command.id, ok=True, text="Once more.")
        for payload in (b"", b"yes", b"[" * 3000, b'{"ok": true}', result.model_dump_json()):
            await bench.publish(f"gaugelink/{BENCH}/command/result", payload, qos=1)
        assert (await asking).text == "Once more."
    assert len([one for one in caplog.records if "not of the contract" in one.getMessage()]) == 4


async def test_a_nested_message_that_the_broker_keeps_does_not_end_the_link_at_every_start(tmp_path):
    command = Command(id="01a20fe0-60b9-73a7-b1cc-77cacb24d915", action=CommandAction.REDO)
    async with EmbeddedBroker() as broker, Client("127.0.0.1", broker.port) as person, asyncio.timeout(30):
        await person.publish(f"gaugelink/{BENCH}/command", b"[" * 3000, qos=1, retain=True)
        async with bench(tmp_path / "j.db", settings(broker.port)) as (_, link):
            await until_connected(link)
            await person.publish(f"gaugelink/{BENCH}/command", b"[" * 3000, qos=1)
            await person.publish(f"gaugelink/{BENCH}/command", command.model_dump_json(exclude_none=True), qos=1)
            assert (await link.commands.get()).id == command.id


async def test_it_listens_on_loopback_only_and_says_where():
    async with EmbeddedBroker() as broker:
        assert broker.host == "127.0.0.1"
        assert broker.port > 0
    with pytest.raises(OSError):
        await asyncio.open_connection(broker.host, broker.port)


async def test_a_port_that_is_taken_is_told():
    async with EmbeddedBroker() as broker:
        with pytest.raises(BrokerError, match=r"cannot listen .* for a free one"):
            async with EmbeddedBroker(broker.port):
                pass


async def test_a_client_that_speaks_no_mqtt_does_no_harm():
    async with EmbeddedBroker() as broker:
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write(b"GET / HTTP/1.1\r\n\r\n")
        writer.close()
        await reader.read()
        async with Subscriber(broker.port):
            pass


async def test_a_client_of_a_later_protocol_that_goes_at_once_is_not_told_as_a_fault(caplog):
    # MQTT 5, section 3.1: user name flag and clean start, keep-alive 60 s, no properties, no client identifier, "u".
    connect = bytes.fromhex("10 10 00 04 4d 51 54 54 05 82 00 3c 00 00 00 00 01 75")
    async with EmbeddedBroker() as broker:
        for _ in range(5):
            _, writer = await asyncio.open_connection("127.0.0.1", broker.port)
            writer.write(connect)
            writer.close()
            await writer.wait_closed()
        async with Subscriber(broker.port):
            pass
    assert caplog.records == []


async def test_its_logging_is_quiet_and_as_before_afterwards(caplog):
    before = logging.getLogger("amqtt").level
    async with EmbeddedBroker() as broker, Subscriber(broker.port):
        pass
    assert not [record for record in caplog.records if record.name.startswith(("amqtt", "transitions"))]
    assert logging.getLogger("amqtt").level == before


async def test_it_ends_in_the_middle_of_what_its_clients_say():
    """A packet that comes in the same turn of the loop as the end: tried often, as no single try is sure to meet it."""

    async def chatter(port: int, talks: asyncio.Barrier) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(CONNECT)
        try:
            assert await reader.readexactly(4) == CONNACK
            await talks.wait()
            while not reader.at_eof():
                writer.write(PINGREQ)
                await writer.drain()
                await reader.read(64)
        except ConnectionError:
            pass
        finally:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    for turns in range(20):
        talk = asyncio.Barrier(5)
        async with asyncio.timeout(30), asyncio.TaskGroup() as clients, EmbeddedBroker() as broker:
            talking = [clients.create_task(chatter(broker.port, talk)) for _ in range(4)]
            await talk.wait()
            for _ in range(turns):
                await asyncio.sleep(0)
            assert not any(client.done() for client in talking)
