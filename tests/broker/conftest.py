"""A broker of a test's own."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.broker.mosquitto import Mosquitto


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    """A real broker that is up, on a port of its own."""
    async with Mosquitto(tmp_path) as broker:
        yield broker
