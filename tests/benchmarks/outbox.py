"""What is lost when the service or its broker is killed (nothing), and how long the link takes to leave and return.

``python -m tests.benchmarks.outbox [KILLS]`` kills a service that commits and publishes at random times, looks at the
journal and at what arrived; then measures the pace of a backlog and the time of a shutdown. It fails when an event
is missing, doubled in the journal, or first received out of order.
"""

import argparse
import asyncio
import contextlib
import random
import tempfile
from pathlib import Path

from gaugelink.broker.link import BrokerLink
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Journal
from tests.broker.bench import BENCH, EVENTS, crank, until_connected
from tests.broker.kills import Lines, When, kill_at
from tests.broker.mosquitto import Mosquitto, free_port
from tests.broker.subscriber import Subscriber, first_times


def later(wait_s: float) -> When:
    """A moment `wait_s` after the first event of this start was committed."""

    async def when(numbers: Lines) -> None:
        async for _ in numbers:
            break
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                async for _ in numbers:
                    pass

    return when


async def killed_service(folder: Path, kills: int) -> None:
    """Kill the service at random times."""
    generator = random.Random(2026)
    count = 150 * kills
    moments = [later(generator.uniform(0.0, 0.5)) for _ in range(kills)]
    async with Mosquitto(folder) as broker:
        aftermath = await kill_at(folder / "killed.db", broker.port, count, moments)
    aftermath.check(count)
    repeats = len(aftermath.received_ids) - len(set(aftermath.received_ids))
    print(
        f"service killed {kills} times: {count} events committed, each in the journal once, each received, in order; "
        f"{repeats} repeats, each with the id of the first"
    )


async def killed_broker(folder: Path, kills: int) -> None:
    """Kill the broker at random times while events are committed."""
    generator = random.Random(2026)
    async with Mosquitto(folder) as broker, Subscriber(broker.port) as subscriber:
        async with Journal.open(folder / "broker.db") as journal:
            link = BrokerLink(BrokerSettings(port=broker.port), BENCH, journal)
            task = asyncio.create_task(link.run())
            expected: list[str] = []
            for _ in range(kills):
                for _ in range(generator.randint(5, 40)):
                    expected.append(await crank(journal, len(expected)))
                await asyncio.sleep(generator.uniform(0.0, 0.1))
                await broker.kill()
                for _ in range(generator.randint(1, 10)):
                    expected.append(await crank(journal, len(expected)))
                await broker.start()
            await subscriber.wait_for(lambda: set(subscriber.payloads(EVENTS)) >= set(expected))
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        received = subscriber.payloads(EVENTS)
        assert first_times(received) == expected
    print(
        f"broker killed {kills} times: {len(expected)} events, each received, in order; "
        f"{len(received) - len(set(received))} repeats"
    )


async def backlog(folder: Path) -> None:
    """Send what was committed while there was no broker."""
    loop = asyncio.get_running_loop()
    # The broker saves after 50 changes, as config/mosquitto-acl.example asks for.
    async with (
        Mosquitto(folder, save_every=50) as broker,
        Subscriber(broker.port, strict=False) as subscriber,
        Journal.open(folder / "backlog.db") as journal,
    ):
        expected = [await crank(journal, number) for number in range(1000)]
        link = BrokerLink(BrokerSettings(port=broker.port), BENCH, journal)
        began_s = loop.time()
        task = asyncio.create_task(link.run())
        await subscriber.wait_for(lambda: len(subscriber.received) > 2 * len(expected))
        took_s = loop.time() - began_s
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    print(f"backlog of 2000 messages: {2000 / took_s:.0f} messages/s (held to 400 messages/s)")


async def _say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """A broker that takes connections and never answers."""
    await reader.read()
    writer.close()


async def shutdown(folder: Path) -> None:
    """Leave in different states of the broker."""
    silent = await asyncio.start_server(_say_nothing, "127.0.0.1", 0)
    silent_port = silent.sockets[0].getsockname()[1]
    async with silent, Mosquitto(folder, save_every=50) as broker:
        ports = {"connected": broker.port, "hanging": broker.port, "away": free_port(), "silent": silent_port}
        for state, port in ports.items():
            async with Journal.open(folder / f"{state}.db") as journal:
                link = BrokerLink(BrokerSettings(port=port), BENCH, journal)
                task = asyncio.create_task(link.run())
                if port == broker.port:
                    await until_connected(link)
                if state == "hanging":
                    broker.freeze()
                    await crank(journal, 1)
                await asyncio.sleep(0.2)
                loop = asyncio.get_running_loop()
                began_s = loop.time()
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
                took_s = loop.time() - began_s
                # The silent broker's side of the connection ends too.
                await asyncio.sleep(0.2)
                print(f"shutdown, broker {state}: {took_s:.3f} s (to be under 2 s)")


async def main(kills: int) -> None:
    """Run all of it, each part in a folder of its own."""
    for part in (
        lambda folder: killed_service(folder, kills),
        lambda folder: killed_broker(folder, kills),
        backlog,
        shutdown,
    ):
        with tempfile.TemporaryDirectory() as name:
            await part(Path(name))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kills", type=int, nargs="?", default=30)
    asyncio.run(main(parser.parse_args().kills))
