"""A broker that is restarted, stopped and killed while a test runs: every reading arrives, in order, none lost."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.app.killing import (
    Received,
    journalled,
    log_of,
    readings_journalled,
    run_to_its_end,
    staying,
    subscribe,
    write_shop,
)
from tests.broker.mosquitto import Mosquitto


async def cranked(received: Received, count: int) -> None:
    """Wait until so many cranking events were received."""
    while len(received.first("cranking")) < count:
        received.grew.clear()
        await received.grew.wait()


async def disturb(broker: Mosquitto, received: Received, stopped_s: float) -> None:
    """After the first, second and third event: restart the broker, stop it for a while, kill it."""
    await cranked(received, 1)
    await broker.stop()
    await broker.start()
    await cranked(received, 2)
    await broker.stop()
    await asyncio.sleep(stopped_s)
    await broker.start()
    await cranked(received, 3)
    await broker.kill()
    await broker.start()


async def all_sent(folder: Path) -> None:
    """Wait until nothing is left to be sent."""
    waiting = journalled(folder)[2]
    while waiting:
        await asyncio.sleep(0.05)
        waiting = journalled(folder)[2]


@contextmanager
def told_when_it_hangs(folder: Path, received: Received, disturbing: asyncio.Task[None]) -> Iterator[None]:
    """Print what is missing when the block does not come to its end, whatever ends it."""
    ended = False
    try:
        yield
        ended = True
    finally:
        if not ended:
            print(log_of(folder / "shop.toml"))
            print(f"Disturbing the broker: {disturbing!r}")
            events, tests, waiting = journalled(folder)
            missing = set(events) - {str(message["event_id"]) for message in received.first("cranking")}
            print(f"{len(events)} events on disk, {len(missing)} of them not received, {waiting} messages not sent")
            print(f"Tests: {tests}")


async def run_beside(folder: Path, repeats: int, speed: float, stopped_s: float) -> tuple[Received, list[str], int]:
    """Run a whole test of the service while its broker is disturbed; give what was received and what is on disk."""
    async with Mosquitto(folder) as broker, asyncio.TaskGroup() as tasks:
        received, ready = Received(), asyncio.Event()
        reader = tasks.create_task(subscribe(broker.port, received, ready))
        await ready.wait()
        shop = write_shop(folder, broker.port, repeats)
        disturbing = tasks.create_task(disturb(broker, received, stopped_s))
        with told_when_it_hangs(folder, received, disturbing):
            await run_to_its_end(shop, speed, seed=11)
            events, _, _ = journalled(folder)
            # Its test may have been done while the broker was away, or before the broker was killed: a service that is
            # started again and stays sends the rest, and tells again what the broker lost.
            async with staying(shop, speed, seed=12):
                await disturbing
                await received.events(set(events))
                await all_sent(folder)
        reader.cancel()
    return received, events, journalled(folder)[2]


async def test_every_reading_arrives_in_order_whatever_happens_to_the_broker(tmp_path: Path) -> None:
    received, events, waiting = await run_beside(tmp_path, repeats=2, speed=10.0, stopped_s=0.3)
    assert len(events) >= 6
    assert [message["event_id"] for message in received.first("cranking")] == events
    told = [(message["event_id"], message["action"]) for message in received.first("reading")]
    assert told == readings_journalled(tmp_path)
    assert {event_id for event_id, _ in told} == set(events)
    assert waiting == 0
    # Repeats are allowed, and told by id: no id ever came with two contents.
    assert len({message_id for _, message_id in received.order}) == len(received.payloads)
