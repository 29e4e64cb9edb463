"""The bounded queue between a gauge's link and the house."""

import asyncio
from collections import deque
from dataclasses import replace

from gaugelink.gauge.samples import LinkState, SampleBatch


class Outflow:
    """Batches and states in the order in which they came. When it is full the oldest goes.

    Samples that go are counted in the `lost_before` of the batch behind them, so the house sees the gap. A state that
    goes is made up for by the next one, which is whole.
    """

    def __init__(self, limit: int = 2000) -> None:
        """`limit` is the number of items that may wait."""
        self._limit = limit
        self._items: deque[SampleBatch | LinkState] = deque()
        self._more = asyncio.Event()
        self._closed = False
        self._owed = 0
        self._last_state: LinkState | None = None
        self.dropped_samples = 0
        """Samples that went because the house did not fetch them."""

    def __len__(self) -> int:
        return len(self._items)

    def put(self, item: SampleBatch | LinkState) -> None:
        """Add an item; never waits. After `close` nothing is taken any more."""
        if self._closed:
            return
        if isinstance(item, LinkState) and self._items and isinstance(self._items[-1], LinkState):
            # Two states in a row: whether the first was seen matters only when the phase changed.
            if self._items[-1].phase is item.phase:
                self._items.pop()
        elif len(self._items) >= self._limit:
            self._drop_oldest()
        self._items.append(item)
        self._more.set()

    def _drop_oldest(self) -> None:
        oldest = self._items.popleft()
        if isinstance(oldest, SampleBatch):
            self.dropped_samples += len(oldest.time_s)
            self._owed += len(oldest.time_s) + oldest.lost_before
        else:
            self._last_state = oldest

    def close(self) -> None:
        """No more items will come."""
        self._closed = True
        self._more.set()

    async def get(self) -> SampleBatch | LinkState | None:
        """The next item, or None when the queue is closed and empty."""
        while not self._items:
            if self._closed:
                return None
            self._more.clear()
            await self._more.wait()
        if self._last_state is not None:
            state, self._last_state = self._last_state, None
            if not any(isinstance(item, LinkState) for item in self._items):
                return state
        item = self._items.popleft()
        if isinstance(item, SampleBatch) and self._owed:
            item, self._owed = replace(item, lost_before=item.lost_before + self._owed), 0
        return item
