"""A broker that is restarted, stopped and killed while a test runs: every reading arrives, in order, none lost."""

import asyncio
from pathlib import Path

from tests.app.killing import Received, journalled, readings_journalled, start, subscribe, write_shop
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


async def run_beside(folder: Path, repeats: int, speed: float, stopped_s: float) -> tuple[Received, list[str], int]:
    """Run a whole test of the service while its broker is disturbed; give what was received and what is on disk."""
    async with Mosquitto(folder) as broker:
        received, ready = Received(), asyncio.Event()
        reader = asyncio.create_task(subscribe(broker.port, received, ready))
        await ready.wait()
        shop = write_shop(folder, broker.port, repeats)
        disturbing = asyncio.create_task(disturb(broker, received, stopped_s))
        seed, waiting = 11, 1
        while waiting or not disturbing.done():
            # A service whose test was done while the broker was away sends the rest when it is started again.
            service = await start(shop, speed, seed)
            _, complaint = await service.communicate()
            assert service.returncode == 0, complaint.decode()
            events, _, waiting = journalled(folder)
            seed += 1
        await disturbing
        await received.events(set(events))
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
