"""An event loop whose time is driven: it jumps to the next thing that is due instead of waiting for it.

With gauge, radio and daemon in one process nothing has to wait for anything outside, so an hour of reconnecting
passes in seconds and every run with one seed is the same run.
"""

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

Result = TypeVar("Result")

_TURN_S = 1e-9


class _JumpingSelector(selectors.DefaultSelector):
    """Gives what is ready now; when nothing is, tells the loop how far it may jump."""

    jump: Any = None

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            # Nothing is scheduled: only another thread or a socket can wake the loop, so the wait is a real one.
            return super().select(None)
        ready = super().select(0)
        # Every turn of the loop takes a moment, as it does on a real clock: a wait for a time that rounding left
        # just ahead would never end otherwise.
        self.jump(_TURN_S if ready else max(_TURN_S, timeout))
        return ready


class DrivenLoop(asyncio.SelectorEventLoop):
    """An asyncio loop on driven time. `time` starts at 1000 s and moves only when the loop has nothing left to do."""

    def __init__(self) -> None:
        selector = _JumpingSelector()
        self._driven_s = 1000.0
        super().__init__(selector)
        selector.jump = self._jump

    def time(self) -> float:
        """Driven time in seconds."""
        return self._driven_s

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:
        """Wait for the threads however long they take: on driven time any limit is over before a thread has ended."""
        await super().shutdown_default_executor()

    def stand_still(self, seconds: float) -> None:
        """Let time pass in which nothing is done, as on a busy machine that has no time for this process."""
        self._jump(seconds)

    def _jump(self, seconds: float) -> None:
        self._driven_s += seconds


def run_driven(main: Coroutine[Any, Any, Result]) -> Result:
    """Run a coroutine to its end on driven time and give back what it returns."""
    with asyncio.Runner(loop_factory=DrivenLoop) as runner:
        return runner.run(main)
