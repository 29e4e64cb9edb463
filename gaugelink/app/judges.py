"""Where events are judged: off the event loop, and on processes where several live gauges are cranked together.

A fit is arithmetic from end to end, and threads of one interpreter take turns at that: four gauges on four cylinders
would wait for four fits in a row. One gauge alone needs no process.
"""

import asyncio
import logging
import os
import signal
import threading
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from types import TracebackType
from typing import Self

from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeKind, GaugeTraits
from gaugelink.peak.judge import judge

_LOG = logging.getLogger(__name__)


def workers_for(gauges: Sequence[GaugeTraits], cores: int) -> int:
    """How many processes judge the events of these gauges; 0 for none. Held gauges are judged in no time."""
    live = sum(traits.kind is not GaugeKind.HELD for traits in gauges)
    return min(live, cores) if live > 1 and cores > 1 else 0


class Judges:
    """Judges events. Used as ``async with Judges(workers) as judges: await judges.judge(...)``."""

    def __init__(self, workers: int) -> None:
        """Prepare; with no `workers` events are judged on threads of this process."""
        self._workers = workers
        self._pool: ProcessPoolExecutor | None = None

    async def __aenter__(self) -> Self:
        """Start the processes, so that they are there when the first event is."""
        if self._workers:
            # Never forked: a fork of a process with threads can inherit a lock that nobody will open.
            context = get_context("spawn")
            self._pool = ProcessPoolExecutor(self._workers, mp_context=context, initializer=_begin)
            for _ in range(self._workers):
                self._pool.submit(os.getpid)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the processes; what they are at is let go."""
        if self._pool is not None:
            await asyncio.to_thread(self._pool.shutdown, cancel_futures=True)

    async def judge(self, samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
        """Judge samples (`peak.judge`) while the event loop goes on."""
        pool = self._pool
        if pool is not None:
            try:
                return await asyncio.get_running_loop().run_in_executor(pool, judge, samples, traits, hints)
            except BrokenProcessPool as failed:
                _LOG.warning("Events are judged on threads from now on: %s", failed)
                self._pool = None
        return await asyncio.to_thread(judge, samples, traits, hints)


def _begin() -> None:
    """Begin a judging process: it ends with the service, however that ends, and not by a key that was meant for it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_service, daemon=True).start()


def _end_with_the_service() -> None:
    service = parent_process()
    assert service is not None
    service.join()
    os._exit(1)
