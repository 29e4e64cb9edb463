"""A bench that publishes: a journal, a link to a broker, and numbered events."""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import new_id
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Journal, Outgoing

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
    message_id = new_id()
    payload = json.dumps({"id": message_id, "number": number})
    state = json.dumps({"id": new_id(), "revision": number})
    await journal.record(
        [],
        [
            Outgoing("cranking", payload, 1, False, message_id),
            Outgoing("test", state, 1, True, json.loads(state)["id"]),
        ],
    )
    return payload


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
