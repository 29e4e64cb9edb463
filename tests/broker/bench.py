"""A bench that publishes: a journal, a link to a broker, and numbered events."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from gaugelink.broker.convert import cranking_message
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import GaugeState, Prompt, TestState
from gaugelink.broker.settings import BrokerSettings
from gaugelink.gauge.samples import LinkPhase
from gaugelink.journal import EventEntry, Journal, Outgoing
from tests.broker.subscriber import Subscriber
from tests.journal.samples_of import NOON, cranking

BENCH = "north"
EVENTS = f"gaugelink/{BENCH}/cranking"
STATE = f"gaugelink/{BENCH}/test"
AVAILABLE = f"gaugelink/{BENCH}/availability"


@asynccontextmanager
async def running(link: BrokerLink) -> AsyncIterator[BrokerLink]:
    """Run a link, and stop it as the daemon does."""
    task = asyncio.create_task(link.run())
    try:
        yield link
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def bench(path: Path, settings: BrokerSettings) -> AsyncIterator[tuple[Journal, BrokerLink]]:
    """A journal and a link that runs."""
    async with Journal.open(path) as journal, running(BrokerLink(settings, BENCH, journal)) as link:
        yield journal, link


async def crank(journal: Journal, number: int) -> str:
    """Commit one numbered event with the state of its test; return the event's message as it will be published."""
    event_id = new_id()
    message = cranking_message(cranking(number), event_id=event_id, bench=BENCH, gauge="blue", test_id="test-1")
    state = TestState(bench=BENCH, test_id="test-1", revision=number, machine="sled-7", began_at=NOON, cylinders=())
    event = EventEntry(event_id, BENCH, "blue", NOON, cranking(number), None, "test-1")
    await journal.record([event], [message.outgoing(), state.outgoing()])
    return message.model_dump_json()


def prompt(text: str) -> Outgoing:
    """A prompt to publish."""
    return Prompt(bench=BENCH, text=text).outgoing()


def gauge_state(phase: LinkPhase) -> str:
    """A state of a gauge to publish."""
    return GaugeState(bench=BENCH, gauge="blue", phase=phase).model_dump_json()


def settings(port: int) -> BrokerSettings:
    """How a link finds a broker that soon tells whether it is there."""
    return BrokerSettings(port=port, keepalive_s=2)


def has_all(subscriber: Subscriber, expected: list[str]) -> bool:
    """Whether all of these events have arrived."""
    return set(subscriber.payloads(EVENTS)) >= set(expected)


async def until_connected(link: BrokerLink, *, connected: bool = True) -> None:
    """Wait until the link is, or is not, connected."""
    while link.connected != connected:
        link.changed.clear()
        await link.changed.wait()


async def until_sent(journal: Journal) -> None:
    """Wait until the broker has acknowledged everything in the outbox."""
    count = 1
    while count:
        count = (await journal.outbox_depth()).count
