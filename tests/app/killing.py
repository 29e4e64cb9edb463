"""A service that is killed again and again in the middle of a test, and what its journal and its broker then hold."""

import asyncio
import json
import random
import signal
import sqlite3
import sys
import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt

from gaugelink.broker.client import Client

SHOP = """
[bench]
name = "bay-9"
journal = "bay-9.db"
barometer_abs_kpa = 99.0

[broker]
host = "127.0.0.1"
port = {port}

[[gauges]]
name = "amber"
address = "F0:5A:00:00:00:01"
layout = "gauge.toml"
kind = "held"

[[engines]]
id = "triple"
name = "Triple"
cycle = 2
layout = "side_named"
cylinders = 3

[[machines]]
id = "north-7"
name = "North 7"
engine = "triple"

[test]
machine = "north-7"
repeats = {repeats}
"""


@dataclass(slots=True)
class Received:
    """What a subscriber with a session of its own got."""

    grew: asyncio.Event = field(default_factory=asyncio.Event)
    """Set at every message; whoever waits for one clears it."""
    order: list[tuple[str, str]] = field(default_factory=list)
    """Topic suffix and message id, in order, repeats included."""
    payloads: dict[str, dict[str, object]] = field(default_factory=dict)
    """By message id."""

    async def events(self, wanted: set[str]) -> None:
        """Wait until every one of these events was received."""
        while not wanted <= {str(message["event_id"]) for message in self.first("cranking")}:
            self.grew.clear()
            await self.grew.wait()

    def first(self, suffix: str) -> list[dict[str, object]]:
        """The messages of a topic in the order of their first arrival, repeats dropped by id."""
        ids = dict.fromkeys(message_id for topic, message_id in self.order if topic == suffix)
        return [self.payloads[message_id] for message_id in ids]


async def subscribe(port: int, received: Received, ready: asyncio.Event) -> None:
    """Collect everything that the bench publishes, with a session that outlives a broker's restart."""
    name = f"reader-{uuid.uuid4()}"
    while True:
        try:
            async with Client("127.0.0.1", port, identifier=name, clean_session=False, timeout=3) as client:
                await client.subscribe("gaugelink/bay-9-simulated/#", qos=1)
                ready.set()
                async for message in client.messages:
                    suffix = str(message.topic).split("/", 2)[2]
                    payload = json.loads(message.payload) if message.payload[:1] == b"{" else None
                    if isinstance(payload, dict):
                        received.order.append((suffix, str(payload["id"])))
                        received.payloads[str(payload["id"])] = payload
                        received.grew.set()
        except aiomqtt.MqttError:
            await asyncio.sleep(0.05)


def write_shop(folder: Path, port: int, repeats: int = 2) -> Path:
    """Write a shop with one held gauge and a triple into a folder."""
    layout = Path(__file__).parents[2] / "config" / "gauges" / "streaming-u16.toml"
    (folder / "gauge.toml").write_text(layout.read_text(encoding="utf-8"), encoding="utf-8")
    shop = folder / "shop.toml"
    shop.write_text(SHOP.format(port=port, repeats=repeats), encoding="utf-8")
    return shop


async def start(shop: Path, speed: float, seed: int, *, until_done: bool = True) -> asyncio.subprocess.Process:
    """Start the service on its simulated gauge; it ends by itself when the test is done, unless it is to stay."""
    with _log_of(shop).open("ab") as log:
        return await asyncio.create_subprocess_exec(
            sys.executable,
            *("-m", "gaugelink", "run", "--config", str(shop), "--simulate", "--speed", str(speed)),
            *("--seed", str(seed), "--acknowledge", "--silent", *(["--until-done"] if until_done else [])),
            stdout=log,
            stderr=log,
            stdin=asyncio.subprocess.DEVNULL,
        )


def _log_of(shop: Path) -> Path:
    return shop.with_name("service.log")


def log_of(shop: Path) -> str:
    """All that the shop's services have said so far: plain lines, warnings, how they failed."""
    return _log_of(shop).read_text(encoding="utf-8")


async def run_to_its_end(shop: Path, speed: float, seed: int) -> None:
    """Run the service until its test is done. Whoever stops waiting for that ends it.

    Raises:
        RuntimeError: the service ended with an error of its own.
    """
    process = await start(shop, speed, seed)
    try:
        await process.wait()
    finally:
        if process.returncode is None:
            process.kill()
    if process.returncode:
        raise RuntimeError(log_of(shop))


@asynccontextmanager
async def staying(shop: Path, speed: float, seed: int) -> AsyncIterator[None]:
    """Run the service until the block ends.

    Raises:
        RuntimeError: the service ended by itself, in an ExceptionGroup.
    """
    process = await start(shop, speed, seed, until_done=False)

    async def stays() -> None:
        await process.wait()
        raise RuntimeError(log_of(shop))

    try:
        async with asyncio.TaskGroup() as tasks:
            watching = tasks.create_task(stays())
            yield
            watching.cancel()
    finally:
        if process.returncode is None:
            process.terminate()
            await process.wait()


async def run_with_kills(shop: Path, kills: int, seed: int, speed: float = 6.0) -> int:
    """Kill the service at random moments, then let it come to the end. Gives the number of kills that hit it alive.

    Raises:
        RuntimeError: the service ended with an error of its own.
    """
    chance = random.Random(seed)
    hit = 0
    for number in range(kills):
        process = await start(shop, speed, seed + number)
        waiting = asyncio.ensure_future(process.wait())
        done, _ = await asyncio.wait([waiting], timeout=chance.uniform(1.5, 7.0))
        if done:
            if process.returncode:
                raise RuntimeError(log_of(shop))
            return hit
        process.send_signal(signal.SIGKILL)
        await waiting
        hit += 1
    await run_to_its_end(shop, speed, seed + kills)
    return hit


def readings_journalled(folder: Path) -> list[tuple[str, str]]:
    """Event id and action of every line of the readings' history, in the order of the commits."""
    with closing(sqlite3.connect(folder / "bay-9-simulated.db")) as connection:
        return [tuple(row) for row in connection.execute("SELECT event_id, action FROM readings ORDER BY seq")]


def journalled(folder: Path) -> tuple[list[str], list[tuple[str, str]], int]:
    """Event ids in the order of their commits, the phase and machine of each test, and messages still to be sent."""
    with closing(sqlite3.connect(folder / "bay-9-simulated.db")) as connection:
        events = [row[0] for row in connection.execute("SELECT event_id FROM events ORDER BY seq")]
        tests = [
            (json.loads(row[0])["bench"]["phase"], row[1])
            for row in connection.execute("SELECT snapshot, test_id FROM tests")
        ]
        (waiting,) = connection.execute("SELECT count(*) FROM outbox WHERE sent_at IS NULL").fetchone()
    return events, tests, int(waiting)
