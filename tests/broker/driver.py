"""A process to be killed: commits numbered events as fast as it can and publishes them.

``python -m tests.broker.driver JOURNAL PORT COUNT`` goes on from what the journal holds, says the number of each
event on standard output once it is committed, and ends when COUNT are committed and sent.
"""

import asyncio
import contextlib
import sys
from pathlib import Path

from gaugelink.broker.convert import cranking_message
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import new_id
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Action, EventEntry, Journal, ReadingEntry, TestEntry
from tests.broker.bench import BENCH
from tests.journal.samples_of import NOON, cranking, samples


async def commit(journal: Journal, number: int) -> None:
    """Write one event, its reading and the state of its test, with the message that tells of it."""
    event = cranking(number)
    event_id = new_id()
    message = cranking_message(event, event_id=event_id, bench=BENCH, gauge="blue", test_id="test-1", at=NOON)
    await journal.record(
        [
            EventEntry(event_id, BENCH, "blue", NOON, event, samples(100, number), "test-1"),
            ReadingEntry("test-1", f"{number}", Action.GIVEN, NOON, "rule", event_id, event.peak_kpa, event.peak_u_kpa),
            TestEntry("test-1", BENCH, "sled-7", f'{{"next": {number + 1}}}', NOON),
        ],
        [message.outgoing()],
    )


async def main(path: Path, port: int, count: int) -> None:
    async with Journal.open(path, alone=True) as journal:
        link = BrokerLink(BrokerSettings(port=port), BENCH, journal)
        task = asyncio.create_task(link.run())
        first = len(await journal.readings("test-1"))
        for number in range(first, count):
            await commit(journal, number)
            print(number, flush=True)
        waiting = 1
        while waiting:
            waiting = (await journal.outbox_depth()).count
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
