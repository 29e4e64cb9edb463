"""The MQTT client's wait for an answer ends when it is told to, whatever arrives meanwhile."""

import asyncio
from collections.abc import Awaitable
from pathlib import Path
from typing import TypeVar

import aiomqtt
import pytest

from gaugelink.broker.client import Client
from tests.broker.mosquitto import Mosquitto

T = TypeVar("T")


@pytest.mark.parametrize("timeout", [None, 5.0, float("inf")])
async def test_a_cancellation_in_the_moment_of_the_answer_is_not_lost(timeout: float | None) -> None:
    client = Client("127.0.0.1")
    answer = asyncio.get_running_loop().create_future()
    waiting = asyncio.create_task(client._wait_for(answer, timeout))
    await asyncio.sleep(0)
    answer.set_result(None)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting


async def test_the_library_waits_for_every_answer_in_this_one_place(tmp_path: Path) -> None:
    """Were the method renamed, what the class replaces would no longer be what the library calls."""

    class Counting(Client):
        waits = 0

        async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:
            self.waits += 1
            return await super()._wait_for(fut, timeout)

    async with Mosquitto(tmp_path) as broker:
        seen = []
        async with Counting("127.0.0.1", broker.port) as client:
            seen.append(client.waits)
            await client.subscribe("a", qos=1)
            seen.append(client.waits)
            await client.publish("a", b"", qos=1)
            seen.append(client.waits)
            await client.unsubscribe("a")
            seen.append(client.waits)
        seen.append(client.waits)
    assert seen == [1, 2, 3, 4, 5]


async def test_an_answer_that_does_not_come_is_the_librarys_own_error() -> None:
    with pytest.raises(aiomqtt.MqttError, match="timed out"):
        await Client("127.0.0.1")._wait_for(asyncio.get_running_loop().create_future(), 0.01)
