"""A service that is killed: what it said it committed is there once, and arrives.

Thirty kills at random times are run by ``python -m tests.benchmarks.outbox``.
"""

import random

from tests.broker.kills import Lines, When, kill_at
from tests.broker.mosquitto import Mosquitto


def after(lines: int) -> When:
    async def when(numbers: Lines) -> None:
        left = lines
        async for _ in numbers:
            left -= 1
            if left <= 0:
                return

    return when


async def test_every_committed_event_is_there_once_and_arrives_in_order(tmp_path):
    seed = 5
    moments = [after(random.Random(seed + kill).randint(1, 12)) for kill in range(5)]
    async with Mosquitto(tmp_path) as broker:
        aftermath = await kill_at(tmp_path / "journal.db", broker.port, 120, moments)
    aftermath.check(120)
    assert aftermath.said
