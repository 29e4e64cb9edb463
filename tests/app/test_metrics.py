"""Health for monitoring: what a scrape says, read by the monitoring library's own parser."""

import asyncio
import socket
import urllib.request

import pytest
from prometheus_client.parser import text_string_to_metric_families

from gaugelink import __version__
from gaugelink.app.metrics import Health, health_endpoint
from gaugelink.app.neighbours import neighbours
from gaugelink.app.step import Step
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import JournalError, SettingsError
from gaugelink.gauge.samples import FrameCounts, LinkPhase, LinkState
from gaugelink.journal import Action, Journal, ReadingEntry
from tests.app.shops import SHOP, shop_in
from tests.broker.bench import running, until_connected, until_sent
from tests.broker.mosquitto import Mosquitto, free_port
from tests.journal.samples_of import NOON, entry, message

Scraped = dict[tuple[str, tuple[tuple[str, str], ...]], float]


def read(port: int) -> Scraped:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
        text = answer.read().decode()
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


async def scrape(port: int) -> Scraped:
    return await asyncio.to_thread(read, port)


def of(scraped: Scraped, name: str, **labels: str) -> float:
    return scraped[name, tuple(sorted(labels.items()))]


async def test_a_scrape_tells_links_frames_events_outbox_and_broker(tmp_path):
    async with Journal.open(tmp_path / "j.db") as journal:
        link = BrokerLink(BrokerSettings(port=free_port()), "bay-3", journal)
        health = Health("bay-3", journal, link)
        counts = FrameCounts(good=70, malformed=2, short=1, duplicated=3, lost_samples=11, reconnects=4)
        state = LinkState(
            "amber", LinkPhase.STREAMING, battery_percent=80.0, rssi_dbm=-61, rate_hz=99.5, counts=counts, faults=("x",)
        )
        health.linked(state)
        reading = ReadingEntry("test-1", "PTO", Action.GIVEN, NOON, "rule", "event-1")
        health.stepped(Step(entries=[entry(1), entry(2), reading]))
        await journal.record([], [message(1), message(2)])
        async with health_endpoint(0, health) as port:
            seen = await scrape(port)
    assert of(seen, "gaugelink_link_phase", gauge="amber", gaugelink_link_phase="streaming") == 1
    assert of(seen, "gaugelink_link_phase", gauge="amber", gaugelink_link_phase="lost") == 0
    assert of(seen, "gaugelink_frames_total", gauge="amber", result="good") == 70
    assert of(seen, "gaugelink_frames_total", gauge="amber", result="malformed") == 2
    assert of(seen, "gaugelink_frames_total", gauge="amber", result="duplicated") == 3
    assert of(seen, "gaugelink_samples_lost_total", gauge="amber") == 11
    assert of(seen, "gaugelink_reconnects_total", gauge="amber") == 4
    assert of(seen, "gaugelink_battery_ratio", gauge="amber") == pytest.approx(0.8)
    assert of(seen, "gaugelink_link_faults", gauge="amber") == 1
    assert of(seen, "gaugelink_cranking_events_total", gauge="blue") == 2
    assert of(seen, "gaugelink_readings_total", action="given") == 1
    assert of(seen, "gaugelink_outbox_messages") == 2
    assert 0.0 < of(seen, "gaugelink_outbox_oldest_age_seconds") < 3600.0
    assert of(seen, "gaugelink_broker_connected") == 0
    assert of(seen, "gaugelink_journal_writable") == 1
    assert of(seen, "process_resident_memory_bytes") > 0


async def test_a_scrape_follows_the_broker_and_the_outbox(tmp_path):
    async with (
        Mosquitto(tmp_path) as broker,
        Journal.open(tmp_path / "j.db") as journal,
        running(BrokerLink(BrokerSettings(port=broker.port), "bay-3", journal)) as link,
        health_endpoint(0, Health("bay-3", journal, link)) as port,
    ):
        await until_connected(link)
        await journal.record([], [message(number) for number in range(5)])
        await until_sent(journal)
        up = await scrape(port)
        await broker.stop()
        await until_connected(link, connected=False)
        await journal.record([], [message(9)])
        down = await scrape(port)
    assert of(up, "gaugelink_broker_connected") == 1
    assert of(up, "gaugelink_messages_sent_total") >= 5
    assert of(up, "gaugelink_outbox_messages") == 0
    assert of(up, "gaugelink_outbox_oldest_age_seconds") == 0
    assert of(down, "gaugelink_broker_connected") == 0
    assert of(down, "gaugelink_outbox_messages") == 1


async def test_it_listens_on_loopback_only_and_is_off_unless_asked_for(tmp_path):
    async with Journal.open(tmp_path / "j.db") as journal:
        link = BrokerLink(BrokerSettings(port=free_port()), "bay-3", journal)
        async with neighbours(shop_in(tmp_path), journal, link) as watchers:
            assert watchers == ()
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
            shop = shop_in(tmp_path, f"{SHOP}\n[metrics]\nport = {port}\n")
            with pytest.raises(SettingsError, match="give another"):
                async with neighbours(shop, journal, link):
                    pass
        async with neighbours(shop, journal, link) as watchers:
            assert [type(one) for one in watchers] == [Health]
            # The same port on another address of this machine is still free: nothing listens on all of them.
            with socket.create_server(("127.0.0.2", port)):
                assert of(await scrape(port), "gaugelink_info", bench="bay-3", version=__version__) == 1


async def test_a_journal_that_cannot_be_read_leaves_the_outbox_out_and_the_rest_in(tmp_path, monkeypatch):
    async def fails() -> None:
        raise JournalError("The disk is gone.")

    async with Journal.open(tmp_path / "j.db") as journal:
        link = BrokerLink(BrokerSettings(port=free_port()), "bay-3", journal)
        monkeypatch.setattr(journal, "outbox_depth", fails)
        async with health_endpoint(0, Health("bay-3", journal, link)) as port:
            seen = await scrape(port)
    assert ("gaugelink_outbox_messages", ()) not in seen
    assert of(seen, "gaugelink_broker_connected") == 0
