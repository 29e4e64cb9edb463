"""The service beside a broker that is restarted, stopped for a minute and killed: ``--stopped 60``.

Prints what was committed, what was received and in what order, and how many repeats were told by id.
"""

import argparse
import asyncio
import tempfile
from pathlib import Path

from tests.app.test_broker_away import run_beside


async def main() -> None:
    """Run once and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stopped", type=float, default=60.0)
    parser.add_argument("--repeats", type=int, default=3)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        received, events, waiting = await run_beside(Path(folder), arguments.repeats, 5.0, arguments.stopped)
    got = [str(message["event_id"]) for message in received.first("cranking")]
    print(
        f"{len(events)} events committed, {len(set(events) - set(got))} not received, in order: {got == events}, "
        f"repeats told by id: {len(received.order) - len(received.payloads)}, still to be sent: {waiting}"
    )


if __name__ == "__main__":
    asyncio.run(main())
