"""Tests that open Chromium share the event loop in which the kept one's driver lives."""

import inspect
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio

from tests.dashboard.chromium import KEPT, nothing_goes_on


def pytest_itemcollected(item: pytest.Item) -> None:
    """Run a test in that loop where its module opens Chromium."""
    if isinstance(item, pytest.Function) and inspect.iscoroutinefunction(item.obj) and hasattr(item.module, "chromium"):
        item.add_marker(pytest.mark.asyncio(loop_scope="session"), append=False)
        item.fixturenames.append(with_the_kept_chromium.__name__)


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def kept_until_the_last_test() -> AsyncIterator[None]:
    """End Chromium with the last test."""
    yield
    await KEPT.end()


@pytest_asyncio.fixture(loop_scope="session")
async def with_the_kept_chromium(kept_until_the_last_test: None) -> AsyncIterator[None]:
    """Have Chromium run before a test, and leave nothing of the test to go on beside the next, however it ended."""
    await KEPT.start()
    async with nothing_goes_on():
        yield
