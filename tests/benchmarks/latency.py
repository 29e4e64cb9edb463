"""From the commit of an event to a subscriber on loopback, beside a bare publish to the same broker.

``python -m tests.benchmarks.latency [COUNT]`` prints median and 99th percentile, for mosquitto and for the embedded
broker. The publisher sends one message after another has arrived, as a bench does: cranks come seconds apart. What
is compared is alternated within one run, so that a busy machine slows both alike.
"""

import argparse
import asyncio
import statistics
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path

from gaugelink.broker.client import Client
from gaugelink.broker.convert import cranking_message
from gaugelink.broker.embedded import EmbeddedBroker
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import new_id, topic
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Action, EventEntry, Journal, ReadingEntry
from tests.broker.bench import BENCH, running, until_connected
from tests.broker.mosquitto import Mosquitto
from tests.journal.samples_of import NOON, cranking, samples

EVENT = cranking(1)
SAMPLES = samples(300)
"""Three seconds of a gauge at 100 samples/s."""


class Listener:
    """Notes when each message arrives."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._waiting: dict[str, asyncio.Future[float]] = {}

    async def run(self) -> None:
        loop = asyncio.get_running_loop()
        async for message in self._client.messages:
            payload = message.payload if isinstance(message.payload, bytes) else str(message.payload).encode()
            # The id stands first in every message.
            message_id = payload[7:43].decode()
            if message_id in self._waiting:
                self._waiting.pop(message_id).set_result(loop.time())

    async def time_of(self, message_id: str, send: Callable[[], Awaitable[None]]) -> float:
        """Milliseconds from now until the message has arrived."""
        loop = asyncio.get_running_loop()
        arrived: asyncio.Future[float] = loop.create_future()
        self._waiting[message_id] = arrived
        began_s = loop.time()
        await send()
        return 1000.0 * (await arrived - began_s)


def line(name: str, times_ms: list[float], bare_ms: list[float]) -> str:
    """One line of the table."""
    median, bare = statistics.median(times_ms), statistics.median(bare_ms)
    p99, bare_p99 = statistics.quantiles(times_ms, n=100)[98], statistics.quantiles(bare_ms, n=100)[98]
    return f"  {name:<38} {median:7.2f} ms {p99:8.2f} ms   {median / bare:5.2f} × {p99 / bare_p99:6.2f} ×"


async def measure(broker: str, port: int, count: int, folder: Path) -> None:
    """Measure one broker."""
    bare_ms: list[float] = []
    recorded_ms: list[float] = []
    commit_ms: list[float] = []
    loop = asyncio.get_running_loop()
    async with (
        Client("127.0.0.1", port) as subscriber,
        Client("127.0.0.1", port) as publisher,
        Journal.open(folder / f"{broker}.db") as journal,
        running(BrokerLink(BrokerSettings(port=port), BENCH, journal)) as link,
    ):
        await subscriber.subscribe("gaugelink/#", qos=1)
        listener = Listener(subscriber)
        listening = asyncio.create_task(listener.run())
        await until_connected(link)

        async def bare() -> None:
            message = cranking_message(EVENT, event_id=new_id(), bench=BENCH, gauge="blue", at=NOON)

            async def send() -> None:
                await publisher.publish(topic(BENCH, "cranking"), message.model_dump_json(), qos=1)

            bare_ms.append(await listener.time_of(message.id, send))

        async def recorded() -> None:
            event_id = new_id()
            message = cranking_message(EVENT, event_id=event_id, bench=BENCH, gauge="blue", at=NOON)

            async def send() -> None:
                began_s = loop.time()
                await journal.record(
                    [
                        EventEntry(event_id, BENCH, "blue", NOON, EVENT, SAMPLES, "test-1"),
                        ReadingEntry("test-1", "PTO", Action.GIVEN, NOON, "rule", event_id, EVENT.peak_kpa, 8.3),
                    ],
                    [message.outgoing()],
                )
                commit_ms.append(1000.0 * (loop.time() - began_s))

            recorded_ms.append(await listener.time_of(message.id, send))

        for warm in range(20 + count):
            await bare()
            await recorded()
            if warm == 19:
                for times in (bare_ms, recorded_ms, commit_ms):
                    times.clear()
        listening.cancel()
    print(f"{broker}, {count} events        {'median':>24} {'p99':>11}     of a bare publish")
    print(line("bare publish (aiomqtt, QoS 1)", bare_ms, bare_ms))
    print(line("commit alone (synced, 300 samples)", commit_ms, bare_ms))
    print(line("commit, outbox, link", recorded_ms, bare_ms))
    after_ms = [whole - commit for whole, commit in zip(recorded_ms, commit_ms, strict=True)]
    print(line("  of it after the commit", after_ms, bare_ms))


async def main(count: int) -> None:
    """Measure both brokers."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        async with Mosquitto(folder, save_every=50) as mosquitto:
            await measure("mosquitto", mosquitto.port, count, folder)
        async with EmbeddedBroker() as embedded:
            await measure("embedded", embedded.port, count, folder)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("count", type=int, nargs="?", default=500, help="events to each broker")
    asyncio.run(main(parser.parse_args().count))
