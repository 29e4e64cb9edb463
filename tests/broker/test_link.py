"""The link against a real broker that is restarted, stopped and killed: nothing is lost, order is kept."""

import asyncio
import json

import pytest

from gaugelink.broker.client import Client
from gaugelink.broker.link import THROWN_OUT, TOLD_AGAIN, WINDOW, BrokerLink
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import CommandResult
from gaugelink.broker.senml import live_pressure
from gaugelink.gauge.samples import LinkPhase
from gaugelink.journal import Journal
from tests.broker.bench import (
    AVAILABLE,
    BENCH,
    EVENTS,
    STATE,
    bench,
    crank,
    gauge_state,
    has_all,
    prompt,
    running,
    settings,
    until_connected,
    until_sent,
)
from tests.broker.mosquitto import free_port
from tests.broker.subscriber import Subscriber, first_times
from tests.journal.samples_of import NOON


async def test_events_arrive_in_the_order_in_which_they_were_committed(tmp_path, mosquitto):
    async with (
        Subscriber(mosquitto.port) as subscriber,
        bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, _),
    ):
        expected = [await crank(journal, number) for number in range(60)]
        await subscriber.wait_for(lambda: has_all(subscriber, expected))
        assert subscriber.payloads(EVENTS) == expected


async def test_a_bench_is_online_and_says_when_it_leaves(tmp_path, mosquitto):
    async with Subscriber(mosquitto.port) as subscriber:
        async with bench(tmp_path / "j.db", settings(mosquitto.port)):
            await subscriber.wait_for(lambda: subscriber.payloads(AVAILABLE) == ["online"])
        await subscriber.wait_for(lambda: subscriber.payloads(AVAILABLE) == ["online", "offline"])
    async with Subscriber(mosquitto.port, name="latecomer") as latecomer:
        await latecomer.wait_for(lambda: latecomer.payloads(AVAILABLE) == ["offline"])
        assert latecomer.received[0].retained


async def test_events_of_a_time_without_a_broker_arrive_when_it_comes(tmp_path, mosquitto):
    async with Subscriber(mosquitto.port) as subscriber:
        await mosquitto.stop()
        async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link):
            expected = [await crank(journal, number) for number in range(50)]
            assert not link.connected
            assert (await journal.outbox_depth()).count == 100
            await mosquitto.start()
            await subscriber.wait_for(lambda: has_all(subscriber, expected))
            assert subscriber.payloads(EVENTS) == expected


@pytest.mark.parametrize("how", ["restarted", "killed"])
async def test_no_event_is_lost_when_the_broker_goes_away_in_the_middle(tmp_path, mosquitto, how):
    async with (
        Subscriber(mosquitto.port) as subscriber,
        bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link),
    ):
        expected = []
        for number in range(90):
            if number in (30, 60):
                await (mosquitto.stop() if how == "restarted" else mosquitto.kill())
                await until_connected(link, connected=False)
            if number in (40, 70):
                await mosquitto.start()
            expected.append(await crank(journal, number))
        await subscriber.wait_for(lambda: has_all(subscriber, expected))
        assert first_times(subscriber.payloads(EVENTS)) == expected
        ids = [json.loads(payload)["id"] for payload in subscriber.payloads(EVENTS)]
        assert set(ids) == {json.loads(payload)["id"] for payload in expected}, "a repeat has the id of the first"


async def test_a_connection_that_is_lost_is_told_in_plain_words(tmp_path, mosquitto, caplog):
    async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (_, link):
        await until_connected(link)
        await mosquitto.kill()
        await until_connected(link, connected=False)
    assert f"The broker at 127.0.0.1:{mosquitto.port} is away: the connection was lost." in caplog.text


async def test_a_broker_killed_while_a_backlog_is_sent_gets_it_all(tmp_path, mosquitto):
    async with Subscriber(mosquitto.port) as subscriber, Journal.open(tmp_path / "j.db") as journal:
        expected = [await crank(journal, number) for number in range(120)]
        async with running(BrokerLink(settings(mosquitto.port), BENCH, journal)):
            for enough in (15, 40, 75):
                await subscriber.wait_for(lambda enough=enough: len(set(subscriber.payloads(EVENTS))) >= enough)
                await mosquitto.kill()
                await mosquitto.start()
            await subscriber.wait_for(lambda: has_all(subscriber, expected))
        assert first_times(subscriber.payloads(EVENTS)) == expected


async def test_what_a_killed_broker_acknowledged_but_did_not_save_is_told_again(tmp_path, mosquitto):
    async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link):
        async with Subscriber(mosquitto.port):
            await until_connected(link)
        last_save = mosquitto.saved()
        expected = [await crank(journal, number) for number in range(10)]
        await until_sent(journal)
        await mosquitto.kill()
        mosquitto.restore(last_save)
        await mosquitto.start()
        async with Subscriber(mosquitto.port) as subscriber:
            await subscriber.wait_for(lambda: has_all(subscriber, expected))
            assert subscriber.payloads(EVENTS) == expected


async def test_a_prompt_is_not_told_again(tmp_path, mosquitto):
    async with (
        Subscriber(mosquitto.port) as subscriber,
        bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link),
    ):
        await journal.record([], [prompt("Crank.")])
        await crank(journal, 1)
        await until_sent(journal)
        await mosquitto.stop()
        await until_connected(link, connected=False)
        await mosquitto.start()
        last = await crank(journal, 2)
        await subscriber.wait_for(lambda: last in subscriber.payloads(EVENTS))
        # By the broker's own log, because it may repeat to the subscriber what it was told once.
        received = ("Received PUBLISH from gaugelink-north", f"'gaugelink/{BENCH}/prompt'")
        assert mosquitto.count(*received) == 1
        assert mosquitto.count(received[0], f"'{EVENTS}'") == 3


async def test_a_disk_that_takes_no_note_of_what_was_sent_makes_no_flood(tmp_path, mosquitto, monkeypatch, caplog):
    monkeypatch.setattr("gaugelink.broker.link.JOURNAL_WAIT_S", 0.02)
    async with (
        Subscriber(mosquitto.port) as subscriber,
        Journal.open(tmp_path / "j.db") as journal,
    ):
        first = await crank(journal, 1)
        await pragma(journal, "query_only = ON")
        async with running(BrokerLink(settings(mosquitto.port), BENCH, journal)) as link:
            await subscriber.wait_for(lambda: first in subscriber.payloads(EVENTS))
            link.publish_unrecorded(prompt("The disk is read-only."))
            await subscriber.wait_for(lambda: bool(subscriber.payloads(f"gaugelink/{BENCH}/prompt")))
            await refusals(caplog, 5)
            assert mosquitto.count("Received PUBLISH from gaugelink-north", EVENTS) == 1
            await pragma(journal, "query_only = OFF")
            second = await crank(journal, 2)
            await subscriber.wait_for(lambda: second in subscriber.payloads(EVENTS))
            await until_sent(journal)
        assert mosquitto.count("Received PUBLISH from gaugelink-north", EVENTS) == 2


async def pragma(journal: Journal, setting: str) -> None:
    await journal._on_thread(lambda: journal._opened.connection.execute(f"PRAGMA {setting}").fetchall())


async def refusals(caplog: pytest.LogCaptureFixture, count: int) -> None:
    """Wait until the link has tried so often to note what it sent."""
    while caplog.text.count("The outbox waits") < count:
        caplog.handler.flush()
        await asyncio.sleep(0)


async def test_retained_states_are_back_after_the_broker_lost_everything(tmp_path, mosquitto):
    async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link):
        for number in range(3):
            await crank(journal, number)
        link.publish_state("gauge/blue/state", gauge_state(LinkPhase.SEARCHING))
        link.publish_state("gauge/blue/state", gauge_state(LinkPhase.STREAMING))
        await until_sent(journal)
        await mosquitto.kill()
        mosquitto.restore({})
        await mosquitto.start()
        await until_connected(link)
        async with Subscriber(mosquitto.port, name="latecomer") as latecomer:
            gauge = f"gaugelink/{BENCH}/gauge/blue/state"
            await latecomer.wait_for(lambda: bool(latecomer.payloads(STATE)) and bool(latecomer.payloads(gauge)))
            assert json.loads(latecomer.payloads(STATE)[-1])["revision"] == 2
            assert json.loads(latecomer.payloads(gauge)[-1])["phase"] == "streaming"


async def test_live_pressure_is_dropped_while_the_broker_is_away(tmp_path, mosquitto):
    live = f"gaugelink/{BENCH}/gauge/blue/pressure"
    async with (
        Subscriber(mosquitto.port) as subscriber,
        bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, link),
    ):
        await until_connected(link)
        first, second, third = (live_pressure(BENCH, "blue", NOON, [0.0], [kpa]) for kpa in (1.0, 2.0, 3.0))
        link.publish_live("gauge/blue/pressure", first)
        await subscriber.wait_for(lambda: subscriber.payloads(live) == [first])
        await mosquitto.stop()
        await until_connected(link, connected=False)
        link.publish_live("gauge/blue/pressure", second)
        await mosquitto.start()
        back = await crank(journal, 1)
        await subscriber.wait_for(lambda: back in subscriber.payloads(EVENTS))
        link.publish_live("gauge/blue/pressure", third)
        await subscriber.wait_for(lambda: third in subscriber.payloads(live))
        assert subscriber.payloads(live) == [first, third]


async def test_what_cannot_wait_for_the_journal_waits_for_the_broker_only(tmp_path, mosquitto):
    prompts = f"gaugelink/{BENCH}/prompt"
    async with Subscriber(mosquitto.port) as subscriber:
        await mosquitto.stop()
        async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (_, link):
            waiting = [prompt(f"The disk is full ({number}).") for number in range(3)]
            for message in waiting:
                link.publish_unrecorded(message)
            await mosquitto.start()
            await subscriber.wait_for(lambda: len(subscriber.payloads(prompts)) == 3)
            assert subscriber.payloads(prompts) == [message.payload_json for message in waiting]


async def test_a_command_arrives_and_a_bad_one_is_answered(tmp_path, mosquitto):
    async with (
        Subscriber(mosquitto.port, f"gaugelink/{BENCH}/command/result") as subscriber,
        bench(tmp_path / "j.db", settings(mosquitto.port)) as (_, link),
        running_client(mosquitto.port) as client,
    ):
        await until_connected(link)
        bad = new_id()
        await client.publish(f"gaugelink/{BENCH}/command", json.dumps({"id": bad, "action": "format"}), qos=1)
        good = new_id()
        await client.publish(f"gaugelink/{BENCH}/command", json.dumps({"id": good, "action": "redo"}), qos=1)
        command = await link.commands.get()
        assert (command.id, command.action) == (good, "redo")
        answers = f"gaugelink/{BENCH}/command/result"
        await subscriber.wait_for(lambda: bool(subscriber.payloads(answers)))
        answer = CommandResult.model_validate_json(subscriber.payloads(answers)[0])
        assert (answer.command_id, answer.ok) == (bad, False)
        assert "action" in answer.text


async def test_a_command_from_before_the_bench_was_there_is_not_carried_out(tmp_path, mosquitto):
    async with running_client(mosquitto.port) as client:
        old = json.dumps({"id": new_id(), "action": "finish"})
        await client.publish(f"gaugelink/{BENCH}/command", old, qos=1)
        await client.publish(f"gaugelink/{BENCH}/command", old, qos=1, retain=True)
        async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (_, link):
            await until_connected(link)
            new = new_id()
            await client.publish(f"gaugelink/{BENCH}/command", json.dumps({"id": new, "action": "redo"}), qos=1)
            assert (await link.commands.get()).id == new
            assert link.commands.empty()


async def test_two_benches_of_one_name_do_not_stop_each_other_for_good(tmp_path, mosquitto):
    """The broker lets the newer one in; both keep trying, and nothing is lost."""
    async with (
        Subscriber(mosquitto.port) as subscriber,
        bench(tmp_path / "one.db", settings(mosquitto.port)) as (one, _),
        bench(tmp_path / "two.db", settings(mosquitto.port)) as (two, _),
    ):
        expected = [await crank(journal, number) for number in range(5) for journal in (one, two)]
        await subscriber.wait_for(lambda: has_all(subscriber, expected))


async def test_a_bench_whose_name_another_one_has_is_told_so_and_not_that_the_broker_is_away(tmp_path, mosquitto):
    async with (
        bench(tmp_path / "one.db", settings(mosquitto.port)) as (_, one),
        bench(tmp_path / "two.db", settings(mosquitto.port)) as (_, two),
    ):
        for link in (one, two):
            while not (link.has_rival and link.away):
                link.changed.clear()
                await link.changed.wait()
            assert link.status.problem is not None
            assert "another service may be connected under that name. Give each bench a name" in link.status.problem


async def test_a_broker_that_goes_away_for_good_is_no_other_bench_of_the_same_name(tmp_path, mosquitto):
    async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (_, link):
        for _ in range(THROWN_OUT):
            await until_connected(link)
            await mosquitto.kill()
            await until_connected(link, connected=False)
            await mosquitto.start()
        await until_connected(link)
        await mosquitto.kill()
        await until_connected(link, connected=False)
        while link.has_rival:
            link.changed.clear()
            await link.changed.wait()
        assert link.status.problem is not None
        assert f"The broker at 127.0.0.1:{mosquitto.port} is away" in link.status.problem


async def test_a_broker_that_is_not_there_is_told_in_a_sentence(tmp_path):
    port = free_port()
    async with bench(tmp_path / "j.db", settings(port)) as (_, link):
        await link.changed.wait()
        assert link.status.problem is not None
        assert f"The broker at 127.0.0.1:{port} is away" in link.status.problem


def test_few_messages_are_under_way_at_once():
    # mosquitto.conf(5), max_inflight_messages: 20 by default; max_queued_messages: 1000 by default.
    assert WINDOW == 20
    assert TOLD_AGAIN.total_seconds() > 60


def running_client(port: int) -> Client:
    return Client("127.0.0.1", port)
