"""A limit to the time of a block, in tasks that were cancelled before, are cancelled meanwhile, or never."""

import asyncio

import pytest

from gaugelink.timelimit import time_limit


async def test_what_takes_too_long_ends_with_a_timeout_and_what_does_not_goes_on() -> None:
    with pytest.raises(TimeoutError):
        async with time_limit(0.001):
            await asyncio.Event().wait()
    async with time_limit(None) as limit:
        await asyncio.sleep(0)
    assert not limit.expired()


async def test_a_task_that_was_cancelled_before_still_gets_a_timeout() -> None:
    async def tidies_up() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            with pytest.raises(TimeoutError):
                async with time_limit(0.001):
                    await asyncio.Event().wait()

    task = asyncio.create_task(tidies_up())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_a_failed_group_leaves_a_limit_what_it_is() -> None:
    async def fails() -> None:
        raise OSError

    async def says_goodbye() -> str:
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(fails())
                await asyncio.Event().wait()
        except* OSError:
            pass
        try:
            async with time_limit(0.001):
                await asyncio.Event().wait()
        except TimeoutError:
            return "gone"
        return "answered"

    assert await asyncio.create_task(says_goodbye()) == "gone"


async def test_a_cancellation_that_comes_meanwhile_goes_on_as_one() -> None:
    async def waits() -> None:
        async with time_limit(60.0):
            await asyncio.Event().wait()

    task = asyncio.create_task(waits())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
