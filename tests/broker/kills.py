"""Kills the driver at moments of its run and looks afterwards at what is in the journal and what arrived."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from gaugelink.journal import Journal
from tests.broker.bench import EVENTS
from tests.broker.subscriber import Subscriber, first_times

ROOT = Path(__file__).parents[2]

Lines = AsyncIterator[int]
When = Callable[[Lines], Awaitable[None]]
"""Reads what the driver says, or waits, and returns when it is time to kill it."""


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What was found at the end."""

    said: list[int]
    """Numbers that the driver said it committed."""
    journal_ids: list[str]
    """Events in the journal, in order."""
    cylinders: list[str]
    """Readings in the journal, in order: each event's number."""
    received_ids: list[str]
    """Events that the subscriber received, in order, repeats included."""
    next_number: int
    """Where the stored state of the test stands."""

    def check(self, count: int) -> None:
        """Every committed event is in the journal once and was received at least once, in order."""
        assert self.cylinders == [str(number) for number in range(count)], "each number once, in order"
        assert len(set(self.journal_ids)) == len(self.journal_ids) == count
        assert set(self.said) <= set(range(count))
        assert first_times(self.received_ids) == self.journal_ids
        assert self.next_number == count


async def _start(path: Path, port: int, count: int) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "tests.broker.driver", path, str(port), str(count)),
        cwd=ROOT,
        stdout=asyncio.subprocess.PIPE,
    )


async def _numbers(process: asyncio.subprocess.Process, said: list[int]) -> Lines:
    assert process.stdout is not None
    async for line in process.stdout:
        # The last line of a killed process may be cut short.
        if line.endswith(b"\n"):
            said.append(int(line))
            yield said[-1]


async def kill_at(path: Path, port: int, count: int, moments: list[When]) -> Aftermath:
    """Run the driver, kill it with SIGKILL at each of the moments, let the last one end by itself."""
    said: list[int] = []
    async with Subscriber(port) as subscriber:
        for when in moments:
            process = await _start(path, port, count)
            await when(_numbers(process, said))
            if process.returncode is None:
                process.kill()
            await process.communicate()
        process = await _start(path, port, count)
        async for _ in _numbers(process, said):
            pass
        assert await process.wait() == 0
        async with Journal.open(path) as journal:
            journal_ids = [stored.event_id for stored in await journal.events()]
            cylinders = [line.cylinder for line in await journal.readings("test-1")]
            test = await journal.test("test-1")
        assert test is not None

        def received() -> list[str]:
            return [json.loads(payload)["event_id"] for payload in subscriber.payloads(EVENTS)]

        async with asyncio.timeout(30):
            await subscriber.wait_for(lambda: set(received()) >= set(journal_ids))
        return Aftermath(said, journal_ids, cylinders, received(), json.loads(test.snapshot_json)["next"])
