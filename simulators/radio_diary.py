"""A diary of one gauge's link: everything that came out of it, with the loop's time. For tests and demonstrations."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import numpy as np
from numpy.typing import NDArray

from gaugelink.gauge.link import GaugeLink
from gaugelink.gauge.samples import LinkPhase, LinkState, SampleBatch
from gaugelink.timelimit import time_limit


class Diary:
    """Follows a link. Used as ``async with keep_diary(link) as diary``."""

    def __init__(self) -> None:
        self.states: list[tuple[float, LinkState]] = []
        self.batches: list[SampleBatch] = []
        self._news = asyncio.Condition()

    @property
    def state(self) -> LinkState:
        """The last state."""
        return self.states[-1][1]

    @property
    def phases(self) -> list[LinkPhase]:
        """The phases in order, each run of one phase once."""
        runs: list[LinkPhase] = []
        for _, state in self.states:
            if not runs or runs[-1] is not state.phase:
                runs.append(state.phase)
        return runs

    @property
    def faults(self) -> set[str]:
        """Every fault that was ever told."""
        return {fault for _, state in self.states for fault in state.faults}

    @property
    def time_s(self) -> NDArray[np.float64]:
        """All sample times, shape (n,)."""
        return np.concatenate([batch.time_s for batch in self.batches]) if self.batches else np.empty(0)

    @property
    def pressure_kpa(self) -> NDArray[np.float64]:
        """All pressures, shape (n,)."""
        return np.concatenate([batch.pressure_kpa for batch in self.batches]) if self.batches else np.empty(0)

    @property
    def lost(self) -> int:
        """Samples that the batches say are missing between them."""
        return sum(batch.lost_before for batch in self.batches)

    async def follow(self, link: GaugeLink) -> None:
        """Write down what comes out of a link until it is closed."""
        loop = asyncio.get_running_loop()
        async for item in link.items():
            if isinstance(item, LinkState):
                self.states.append((loop.time(), item))
            else:
                self.batches.append(item)
            async with self._news:
                self._news.notify_all()

    async def until(self, holds: Callable[[], bool], limit_s: float = 60.0) -> None:
        """Wait until something holds. Raise TimeoutError when it does not within `limit_s` seconds of loop time."""
        async with time_limit(limit_s), self._news:
            await self._news.wait_for(holds)

    async def until_phase(self, phase: LinkPhase, limit_s: float = 60.0) -> None:
        """Wait until the link is in a phase."""
        await self.until(lambda: bool(self.states) and self.state.phase is phase, limit_s)

    async def more(self, batches: int = 1, limit_s: float = 60.0) -> None:
        """Wait for so many more batches."""
        wanted = len(self.batches) + batches
        await self.until(lambda: len(self.batches) >= wanted, limit_s)


@asynccontextmanager
async def keep_diary(link: GaugeLink) -> AsyncIterator[Diary]:
    """Open a link, keep its diary, and close it at the end of the block. What the link raises is raised."""
    diary = Diary()
    async with asyncio.TaskGroup() as group, link:
        group.create_task(diary.follow(link))
        yield diary
