"""The MQTT client everything here uses: aiomqtt's, whose waits a cancellation always ends."""

import asyncio
import math
from collections.abc import Awaitable
from typing import Any, TypeVar

import aiomqtt
import paho.mqtt.client as mqtt
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gaugelink.timelimit import time_limit

T = TypeVar("T")


class Client(aiomqtt.Client):
    """aiomqtt's client, with its wait for the broker's answers replaced.

    It waits with `asyncio.wait_for`, which before Python 3.12 drops a cancellation that comes in the same turn of the
    loop as what is waited for (python/cpython issue 86296): a task that talks to the broker in a loop would then go on
    for good, and whoever waits for its end with it.
    """

    refusal: str | None = None
    """Why the broker did not take the last message that it refused, or None. Only MQTT 5 tells (section 3.4.2.1)."""

    def _on_publish(
        self, client: mqtt.Client, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        if reason_code.is_failure:
            self.refusal = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:
        limit_s = self.timeout if timeout is None else timeout
        try:
            async with time_limit(None if limit_s == math.inf else limit_s):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("Operation timed out") from None


def heed_cancellation() -> None:
    """Raise a cancellation of the current task that an error took the place of.

    Whoever catches the errors of a connection and tries again catches those of a connection that fails while it is
    being taken down, too, and would then never end.
    """
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
