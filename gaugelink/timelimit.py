"""A limit to the time that something may take: `asyncio.timeout`, and what it gets wrong in Debian 12's Python 3.11.2.

Before Python 3.11.3 a limit inside a task that was cancelled earlier (and a failed task group leaves its parent marked
as cancelled, before Python 3.13) ends with CancelledError where TimeoutError is meant (python/cpython issue 102780).
Whoever says goodbye to a broker that does not answer would be gone for good, without a word.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager


@asynccontextmanager
async def time_limit_at(when_s: float | None) -> AsyncIterator[asyncio.Timeout]:
    """Let the block run until `when_s` on the loop's clock, or as long as it likes.

    Raises:
        TimeoutError: it took longer. A cancellation from outside in the meantime goes on as one.
    """
    task = asyncio.current_task()
    before = 0 if task is None else task.cancelling()
    try:
        async with asyncio.timeout_at(when_s) as limit:  # noqa: TID251
            yield limit
    except asyncio.CancelledError:
        if task is not None and limit.expired() and task.cancelling() <= before:
            raise TimeoutError from None
        raise


@asynccontextmanager
async def time_limit(limit_s: float | None) -> AsyncIterator[asyncio.Timeout]:
    """Let the block run for `limit_s`, or as long as it likes; see `time_limit_at`, also for what it raises."""
    when_s = None if limit_s is None else asyncio.get_running_loop().time() + limit_s
    async with time_limit_at(when_s) as limit:
        yield limit
