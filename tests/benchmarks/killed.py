"""Kills the service at random moments of a three-cylinder test and counts what was lost: ``--kills 30``.

Prints kills that hit it alive, events committed, events received, repeats, and what is missing or doubled.
"""

import argparse
import asyncio
import contextlib
import tempfile
from pathlib import Path

from tests.app.killing import Received, journalled, run_with_kills, subscribe, write_shop
from tests.broker.mosquitto import Mosquitto

PATIENCE_S = 20.0


async def once(kills: int, seed: int) -> tuple[int, int]:
    """Run one test with up to so many kills; print its line. Gives the kills that hit and the events missing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        async with Mosquitto(folder) as broker:
            received, ready = Received(), asyncio.Event()
            reader = asyncio.create_task(subscribe(broker.port, received, ready))
            await ready.wait()
            hit = await run_with_kills(write_shop(folder, broker.port), kills, seed)
            events, tests, waiting = journalled(folder)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(PATIENCE_S):
                    await received.events(set(events))
            reader.cancel()
        got = [str(m["event_id"]) for m in received.first("cranking")]
        missing = set(events) - set(got)
        foreign = set(got) - set(events)
        in_order = got == events
        phases = ", ".join(phase for phase, _ in tests)
        repeats = len(received.order) - len(received.payloads)
        print(
            f"seed {seed}: {hit} kills, {len(tests)} test ({phases}), {len(events)} events committed, "
            f"{len(events) - len(set(events))} twice in the journal, {len(missing)} not received, "
            f"{len(foreign)} received but not committed, in order: {in_order}, repeats told by id: {repeats}, "
            f"still to be sent: {waiting}"
        )
        return hit, len(missing) + len(foreign) + (not in_order)


async def main() -> None:
    """Run tests until enough kills have hit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    hit = wrong = 0
    seed = arguments.seed
    while hit < arguments.kills:
        some, bad = await once(min(8, arguments.kills - hit), seed)
        hit, wrong, seed = hit + some, wrong + bad, seed + 100
    print(f"{hit} kills in all; {wrong} things wrong")


if __name__ == "__main__":
    asyncio.run(main())
