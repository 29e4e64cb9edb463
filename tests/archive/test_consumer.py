"""From a real broker into a real database: everything once, whatever is killed, restarted or nonsense in between."""

import asyncio
import json
import signal
import socket
import threading
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from sqlalchemy import func, select

from gaugelink.archive import schema
from gaugelink.archive.consumer import Consumer
from gaugelink.archive.settings import ArchivePart
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import BrokerError
from gaugelink.journal import Journal
from tests.archive.consuming import ROOMY, consuming, ids_in, publisher, start_process, until, until_filed, write_file
from tests.archive.published import KINDS, crank, published
from tests.broker.bench import BENCH, running, until_sent
from tests.broker.bench import crank as bench_crank
from tests.broker.mosquitto import Mosquitto, free_port

EVENTS = schema.EVENTS


@pytest.fixture
def store(postgres, open_store):
    return open_store(postgres.database())


def assert_once(store, sent):
    """Each message is there once, and nothing else is."""
    filed = ids_in(store, EVENTS)
    assert sorted(filed) == sorted(sent)
    assert len(set(sent)) == len(sent)


async def test_every_kind_is_filed_and_states_that_were_there_before_too(tmp_path, store):
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        for suffix in ("test", "gauge/blue/state"):
            bench.send(*published(suffix, "early"), retain=True)
        bench.send("gaugelink/early/availability", b"online", retain=True)
        await bench.delivered()
        async with consuming(broker.port, store):
            for suffix in KINDS:
                bench.send(*published(suffix))
            bench.send("gaugelink/north/availability", b"offline")
            sent = [bench.send(*crank())]
            await until_filed(store, EVENTS, sent)
            with store.engine.connect() as connection:
                for table in (schema.TESTS, schema.GAUGES, schema.BENCHES):
                    benches: list[str] = []
                    while sorted(benches) != ["early", "north"]:
                        benches = list(connection.scalars(select(table.c.bench)))
                        connection.rollback()
                        await asyncio.sleep(0.02)
                for table in (schema.READINGS, schema.DECAYS, schema.PROMPTS, schema.RESULTS):
                    assert connection.scalar(select(func.count()).select_from(table)) == 1


async def test_nonsense_is_kept_aside_and_stops_nothing(tmp_path, store):
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        async with consuming(broker.port, store) as consumer:
            nonsense = [b"{", b"\xff\x00", b"[1]", b'{"id": 7}', crank(gauge="a\0b")[1]]
            sent = []
            for payload in nonsense:
                bench.send("gaugelink/north/cranking", payload)
                sent.append(bench.send(*crank()))
            bench.send("gaugelink/north/test", b"", retain=True)
            sent.append(bench.send(*crank(), qos=0))
            await until_filed(store, EVENTS, sent)
        assert consumer.tally.quarantined == len(nonsense)
        async with consuming(broker.port, store) as again:
            assert not again.tally.received, "all of it was acknowledged"
    with store.engine.connect() as connection:
        kept = connection.execute(select(schema.QUARANTINE.c.payload, schema.QUARANTINE.c.reason)).all()
    assert {bytes(row.payload) for row in kept} == set(nonsense)
    assert all(row.reason for row in kept)
    assert_once(store, sent)


async def test_what_came_while_the_archive_was_away_is_filed_when_it_is_back(tmp_path, store):
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        async with consuming(broker.port, store):
            sent = [bench.send(*crank()) for _ in range(30)]
            await bench.delivered()
        sent += [bench.send(*crank()) for _ in range(300)]
        await bench.delivered()
        async with consuming(broker.port, store, batch_messages=40):
            await until_filed(store, EVENTS, sent)
    assert_once(store, sent)


async def test_a_consumer_killed_in_the_middle_loses_and_doubles_nothing(tmp_path, postgres, open_store):
    database = postgres.database()
    store = open_store(database)
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        # One message to a transaction: slow enough to be killed in the middle.
        file = write_file(tmp_path, broker.port, database, batch_messages=1)
        process = await start_process(file)
        sent = [bench.send(*crank())]
        while process.returncode is None and not ids_in(store, EVENTS):
            # The first ones may come before it has subscribed.
            sent.append(bench.send(*crank()))
            await asyncio.sleep(0.05)
        early = set(sent)
        sent += [bench.send(*crank()) for _ in range(1500)]
        await until(lambda: len(ids_in(store, EVENTS)) >= 200)
        process.kill()
        await process.wait()
        assert len(ids_in(store, EVENTS)) < len(sent), "it was killed too late to show anything"
        sent += [bench.send(*crank()) for _ in range(100)]
        await bench.delivered()
        process = await start_process(write_file(tmp_path, broker.port, database), "--json")
        await until_filed(store, EVENTS, set(sent) - early)
        process.send_signal(signal.SIGTERM)
        out, _ = await process.communicate()
        assert process.returncode == 0
        assert json.loads(out)["filed"] >= 100
    filed = ids_in(store, EVENTS)
    assert len(filed) == len(set(filed))
    assert set(sent) - early <= set(filed) <= set(sent)


async def test_a_broker_restarted_in_the_middle_loses_and_doubles_nothing(tmp_path, store, monkeypatch):
    reached, go_on, write = threading.Event(), threading.Event(), store.write

    def held_in_the_middle(messages):
        if len(ids_in(store, EVENTS)) >= 100:
            reached.set()
            go_on.wait(60)
        return write(messages)

    monkeypatch.setattr(store, "write", held_in_the_middle)
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        async with consuming(broker.port, store, batch_messages=10) as consumer:
            sent = [bench.send(*crank()) for _ in range(500)]
            await until(reached.is_set)
            await broker.stop()
            # The batch under way is committed while there is no broker to tell; it will come again.
            go_on.set()
            sent += [bench.send(*crank()) for _ in range(100)]
            await broker.start()
            await bench.delivered()
            await until_filed(store, EVENTS, sent)
        assert consumer.tally.connects == 2
    assert_once(store, sent)


async def test_a_connection_that_breaks_as_a_batch_is_acknowledged_loses_and_doubles_nothing(
    tmp_path, store, monkeypatch
):
    broken, write = threading.Event(), store.write

    async with Mosquitto(tmp_path, extra=ROOMY) as broker, publisher(broker.port) as bench:
        async with consuming(broker.port, store, batch_messages=10) as consumer:

            def breaking(messages):
                written = write(messages)
                if not broken.is_set():
                    broken.set()
                    # The next write to the broker fails, before the network's thread can have heard of it.
                    consumer._client.socket().shutdown(socket.SHUT_WR)
                return written

            monkeypatch.setattr(store, "write", breaking)
            sent = [bench.send(*crank()) for _ in range(100)]
            await until_filed(store, EVENTS, sent)
        assert broken.is_set()
        assert consumer.tally.connects == 2
    assert_once(store, sent)


@pytest.mark.parametrize("session_present", [True, False])
def test_what_waits_for_the_database_does_not_grow_with_every_connection(store, session_present):
    consumer = Consumer(BrokerSettings(port=free_port()), ArchivePart(), store)
    client, most = consumer._client, 0
    flags, success = mqtt.ConnectFlags(session_present), ReasonCode(PacketTypes.CONNACK, "Success")
    loose = mqtt.MQTTMessage(topic=b"gaugelink/north/prompt")
    consumer._on_message(client, None, loose)
    for _ in range(50):
        consumer._on_connect(client, None, flags, success, None)
        for mid in range(1, 1001):
            message = mqtt.MQTTMessage(mid, b"gaugelink/north/cranking")
            message.qos = 1
            consumer._on_message(client, None, message)
        most = max(most, len(consumer._inbox))
    # A broker that forgot the session sends none of them again.
    assert most <= 21_001 if session_present else most == 50_001
    waiting = [consumer._inbox.get(0.0) for _ in range(len(consumer._inbox))]
    assert [delivery.qos for delivery in waiting if delivery is not None].count(0) == 1


async def test_two_consumers_share_the_work(tmp_path, store):
    async with AsyncExitStack() as stack:
        broker = await stack.enter_async_context(Mosquitto(tmp_path, extra=ROOMY, save_every=1000))
        bench = await stack.enter_async_context(publisher(broker.port))
        one = await stack.enter_async_context(consuming(broker.port, store, "one", "bay"))
        two = await stack.enter_async_context(consuming(broker.port, store, "two", "bay"))
        sent = [bench.send(*crank()) for _ in range(200)]
        await until_filed(store, EVENTS, sent)
    assert_once(store, sent)
    assert one.tally.filed + two.tally.filed == len(sent), "each message went to one of them"
    assert min(one.tally.filed, two.tally.filed) > len(sent) // 4


async def test_what_a_broker_dropped_that_forgot_the_group_is_filed_when_the_bench_tells_it_again(tmp_path, store):
    # mosquitto 2.0 keeps no shared subscription over a restart: what comes before a consumer is back goes to nobody.
    async with AsyncExitStack() as stack:
        broker = await stack.enter_async_context(Mosquitto(tmp_path, extra=ROOMY, save_every=1000))
        journal = await stack.enter_async_context(Journal.open(tmp_path / "north.db"))
        settings = BrokerSettings(port=broker.port)
        async with running(BrokerLink(settings, BENCH, journal)):
            async with consuming(broker.port, store, "one", "bay"):
                events = [json.loads(await bench_crank(journal, 0))["id"]]
                await until_filed(store, EVENTS, events)
            await broker.stop()
            await broker.start()
            events += [json.loads(await bench_crank(journal, number))["id"] for number in (1, 2, 3)]
            await until_sent(journal)
        async with consuming(broker.port, store, "one", "bay"), running(BrokerLink(settings, BENCH, journal)):
            await until_filed(store, EVENTS, events)
    assert_once(store, events)


async def test_a_consumer_that_leaves_takes_its_share_along_and_the_other_goes_on(tmp_path, store, caplog):
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        async with consuming(broker.port, store, "goes", "bay"):
            pass
        async with consuming(broker.port, store, "stays", "bay"):
            sent = [bench.send(*crank()) for _ in range(100)]
            await bench.delivered()
            leaving = Consumer(
                BrokerSettings(port=broker.port), ArchivePart(client_id="archive-goes", group="bay"), store, leave=True
            )
            tally = await asyncio.to_thread(leaving.run)
            assert tally.filed == 50, "the broker had kept every second one for it"
            assert "is away" not in caplog.text
            sent += [bench.send(*crank()) for _ in range(20)]
            await until_filed(store, EVENTS, sent)
    assert_once(store, sent)


async def test_a_database_that_crashes_in_the_middle_loses_and_doubles_nothing(tmp_path, postgres, store):
    async with Mosquitto(tmp_path, extra=ROOMY, save_every=1000) as broker, publisher(broker.port) as bench:
        async with consuming(broker.port, store, batch_messages=20) as consumer:
            sent = [bench.send(*crank()) for _ in range(600)]
            await until(lambda: len(ids_in(store, EVENTS)) >= 100)
            postgres.stop()
            sent += [bench.send(*crank()) for _ in range(50)]
            await bench.delivered()
            postgres.start()
            await until_filed(store, EVENTS, sent)
        assert consumer.tally.connects == 1
    assert_once(store, sent)


async def test_two_consumers_under_one_name_are_told_and_lose_nothing(tmp_path, store, caplog):
    # A broker that says why it throws the first out ends it; mosquitto 2.0.11 does not, and they take turns.
    with suppress(BrokerError):
        async with AsyncExitStack() as stack:
            broker = await stack.enter_async_context(Mosquitto(tmp_path, extra=ROOMY, save_every=1000))
            bench = await stack.enter_async_context(publisher(broker.port))
            first = await stack.enter_async_context(consuming(broker.port, store, "same"))
            sent = [bench.send(*crank()) for _ in range(100)]
            await stack.enter_async_context(consuming(broker.port, store, "same"))
            sent += [bench.send(*crank()) for _ in range(100)]
            hint = "Does another consumer use the client id 'archive-same'?"
            await until(lambda: hint in caplog.text or "under the client id 'archive-same'" in (first.fatal or ""))
            await until_filed(store, EVENTS, sent)
    assert_once(store, sent)


async def test_a_refused_password_is_told_without_the_password(tmp_path, store, caplog):
    secret = tmp_path / "password"
    secret.write_text("hush-hush\n")
    async with Mosquitto(tmp_path, extra=["allow_anonymous false"]) as broker:
        settings = BrokerSettings(port=broker.port, username="archive", password_file=secret)
        consumer = Consumer(settings, ArchivePart(), store)
        running = asyncio.create_task(asyncio.to_thread(consumer.run))
        await until(lambda: "check username and password" in caplog.text)
        consumer.stop()
        await running
    assert "hush-hush" not in caplog.text


@asynccontextmanager
async def answering(answer: bytes) -> AsyncIterator[int]:
    """The port of a broker that has one answer to whoever connects."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if await reader.read(1):
            writer.write(answer)
            while await reader.read(1000):
                pass
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1]


async def test_a_broker_without_mqtt_5_is_told_and_not_asked_for_ever(store):
    # MQTT 3.1.1, section 3.2.2.3: unacceptable protocol version.
    async with answering(bytes.fromhex("20 02 00 01")) as port:
        consumer = Consumer(BrokerSettings(port=port), ArchivePart(), store)
        with pytest.raises(BrokerError, match="speaks no MQTT 5, which the archive needs"):
            await asyncio.to_thread(consumer.run)


async def test_a_broker_that_says_nothing_is_told_of(store, caplog, monkeypatch):
    monkeypatch.setattr("gaugelink.archive.consumer._ANSWER_S", 0.05)
    async with answering(b"") as port:
        consumer = Consumer(BrokerSettings(port=port), ArchivePart(), store)
        running = asyncio.create_task(asyncio.to_thread(consumer.run))
        await until(lambda: "does not answer. Does it speak MQTT 5?" in caplog.text)
        consumer.stop()
        await running


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_a_connection_that_fails_inside_ends_the_consumer(tmp_path, store):
    async with Mosquitto(tmp_path, extra=ROOMY) as broker:
        archive = ArchivePart.model_construct(**ArchivePart().model_dump() | {"group": "no+group"})
        consumer = Consumer(BrokerSettings(port=broker.port), archive, store)
        with pytest.raises(BrokerError, match="ended by a fault"):
            await asyncio.to_thread(consumer.run)


async def test_a_consumer_ends_although_its_broker_is_away(store, caplog):
    consumers = [Consumer(BrokerSettings(port=free_port()), ArchivePart(), store) for _ in range(3)]
    ending = [asyncio.create_task(asyncio.to_thread(consumer.run)) for consumer in consumers]
    for consumer in consumers:
        await until(lambda: "cannot be reached" in caplog.text)
        consumer.stop()
    tallies = await asyncio.gather(*ending)
    assert [tally.connects for tally in tallies] == [0, 0, 0]
