"""Hands what happens on the benches to every page that is open. A page that falls behind is given everything anew."""

import asyncio
import json
from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any

from gaugelink.dashboard.board import BenchBoard, Change

Sent = tuple[str, str]
"""Name of a server-sent event, and its data as JSON."""

BEAT_S = 1.0
"""A page that hears nothing for some of these takes what it shows for old."""
LOOK_S = 0.2
"""How often it is looked whether something fell silent."""
MOST_WAITING = 400
"""Events that may wait for one page."""


class Listener:
    """One open page."""

    def __init__(self, snapshot: Callable[[], Sent]) -> None:
        self._snapshot = snapshot
        self._waiting: deque[Sent] = deque()
        self._something = asyncio.Event()
        self._something.set()
        self._behind = True
        self._closed = False

    @property
    def waiting(self) -> int:
        """Events that wait."""
        return len(self._waiting)

    def tell(self, sent: Sent) -> None:
        """Queue an event; when too many wait, drop them all and begin anew with what stands."""
        if len(self._waiting) >= MOST_WAITING:
            self._behind = True
        if self._behind:
            # The snapshot that comes next has it.
            self._waiting.clear()
        else:
            self._waiting.append(sent)
        self._something.set()

    def close(self) -> None:
        """End `events` after what waits."""
        self._closed = True
        self._something.set()

    async def events(self) -> AsyncIterator[Sent]:
        """What the page is to be told, the whole state first."""
        while True:
            if self._behind and not self._closed:
                self._behind = False
                yield self._snapshot()
            elif self._waiting:
                yield self._waiting.popleft()
            elif self._closed:
                return
            else:
                self._something.clear()
                await self._something.wait()


class Hub:
    """The benches' boards, the broker's state, and the pages that are open."""

    def __init__(self, benches: Sequence[str], clock: Callable[[], float]) -> None:
        self.boards = {bench: BenchBoard(bench) for bench in benches}
        self._clock = clock
        self._listeners: set[Listener] = set()
        self._broker_up = False
        self._problem = "The broker is being looked for."
        self._beat_s = float("-inf")
        self._told_silent: dict[str, list[str]] = {}

    @property
    def broker_up(self) -> bool:
        """Whether the broker answers."""
        return self._broker_up

    @property
    def listeners(self) -> int:
        """Pages that are open."""
        return len(self._listeners)

    def take(self, bench: str, suffix: str, payload: bytes) -> Change | None:
        """Take a message of a bench, and tell the pages what it changed.

        Raises:
            BrokerError: the message is not of the contract.
        """
        change = self.boards[bench].take(suffix, payload, self._clock())
        if change is not None:
            self._tell(change.kind, {"bench": bench, "data": change.data})
        return change

    def broker(self, up: bool, problem: str = "") -> None:
        """Note whether the broker answers, and tell the pages at once."""
        if (up, problem) != (self._broker_up, self._problem):
            self._broker_up, self._problem = up, problem
            self.beat()

    def beat(self) -> None:
        """Tell the pages that the server is there, and what is not heard."""
        self._beat_s, self._told_silent = self._clock(), self._silent()
        self._tell("beat", {"broker": self._broker_up, "problem": self._problem, "silent": self._told_silent})

    async def run(self) -> None:
        """Beat until cancelled; out of turn when a gauge falls silent or is heard again."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)

    def look(self) -> None:
        """Beat when it is time, or when something other is silent than at the last beat."""
        if self._clock() - self._beat_s >= BEAT_S or self._silent() != self._told_silent:
            self.beat()

    def _silent(self) -> dict[str, list[str]]:
        now_s = self._clock()
        return {bench: names for bench, board in self.boards.items() if (names := board.silent_gauges(now_s))}

    def close(self) -> None:
        """Say goodbye to every page."""
        for listener in self._listeners:
            listener.close()

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[Listener]:
        """Open a page."""
        listener = Listener(self._snapshot)
        self._listeners.add(listener)
        try:
            yield listener
        finally:
            self._listeners.discard(listener)

    def _snapshot(self) -> Sent:
        everything = {
            "broker": self._broker_up,
            "problem": self._problem,
            "benches": [board.snapshot() for board in self.boards.values()],
        }
        return "snapshot", _written(everything)

    def _tell(self, name: str, data: dict[str, Any]) -> None:
        if self._listeners:
            sent = (name, _written(data))
            for listener in self._listeners:
                listener.tell(sent)


def _written(data: dict[str, Any]) -> str:
    return json.dumps(data, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
