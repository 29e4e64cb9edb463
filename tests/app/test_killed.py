"""A service that dies at any moment comes back to the same test at the same cylinder, and nothing is lost."""

import asyncio
from pathlib import Path

from tests.app.killing import Received, journalled, run_with_kills, subscribe, write_shop
from tests.broker.mosquitto import Mosquitto


async def test_a_service_killed_in_the_middle_finishes_the_same_test_with_nothing_lost(tmp_path: Path) -> None:
    async with Mosquitto(tmp_path) as broker, asyncio.TaskGroup() as tasks:
        received, ready = Received(), asyncio.Event()
        reader = tasks.create_task(subscribe(broker.port, received, ready))
        await ready.wait()
        hit = await run_with_kills(write_shop(tmp_path, broker.port, repeats=1), kills=2, seed=5, speed=10.0)
        events, done, waiting = journalled(tmp_path)
        await received.events(set(events))
        reader.cancel()
    assert hit == 2
    assert [phase for phase, _ in done] == ["done"]
    assert len(events) == len(set(events)) >= 3
    assert [m["event_id"] for m in received.first("cranking")] == events
    readings = [m for m in received.first("reading") if m["action"] == "given"]
    assert {m["cylinder"] for m in readings} == {"PTO", "middle", "MAG"}
    assert waiting == 0
    assert not (tmp_path / "bay-9.db").exists(), "a simulation wrote into the shop's own record"
