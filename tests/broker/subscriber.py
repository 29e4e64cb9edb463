"""A subscriber that comes back: it keeps a session, notes everything and holds it against the contract."""

import asyncio
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import aiomqtt
import jsonschema

from gaugelink.broker.client import Client
from gaugelink.errors import BrokerError
from tests.broker.conformance import check_message


@dataclass(frozen=True, slots=True)
class Received:
    """One message as it arrived."""

    topic: str
    payload: str
    retained: bool
    at_s: float
    """Time of the event loop."""


def first_times(items: Sequence[str]) -> list[str]:
    """The items in the order in which each came first."""
    return list(dict.fromkeys(items))


class Subscriber:
    """``async with Subscriber(port) as subscriber: ...``; entering waits until it is subscribed."""

    def __init__(
        self,
        port: int,
        topics: str = "gaugelink/#",
        *,
        name: str = "shop-tool",
        username: str | None = None,
        password: str | None = None,
        tls: ssl.SSLContext | None = None,
        strict: bool = True,
    ) -> None:
        self._port = port
        self._topics = topics
        self._name = name
        self._username = username
        self._password = password
        self._tls = tls
        self._strict = strict
        self._offence: jsonschema.ValidationError | BrokerError | None = None
        self.received: list[Received] = []
        self.subscribed = asyncio.Event()
        self._news = asyncio.Condition()
        self._task: asyncio.Task[None] | None = None

    def payloads(self, topic: str) -> list[str]:
        """What arrived on one topic."""
        return [message.payload for message in self.received if message.topic == topic]

    async def wait_for(self, enough: Callable[[], bool]) -> None:
        """Wait until `enough` holds; it is asked again after every message.

        Raises:
            jsonschema.ValidationError: a message does not fit the contract.
        """
        async with self._news:
            await self._news.wait_for(lambda: self._offence is not None or enough())
        self._raise_offence()

    def _raise_offence(self) -> None:
        if self._offence is not None:
            raise self._offence

    async def _run(self) -> None:
        while True:
            try:
                await self._session()
            except aiomqtt.MqttError:
                self.subscribed.clear()
                await asyncio.sleep(0.02)

    async def _session(self) -> None:
        async with Client(
            "localhost" if self._tls else "127.0.0.1",
            self._port,
            identifier=self._name,
            clean_session=False,
            username=self._username,
            password=self._password,
            tls_context=self._tls,
        ) as client:
            await client.subscribe(self._topics, qos=1)
            self.subscribed.set()
            async for message in client.messages:
                payload = message.payload
                text = payload.decode() if isinstance(payload, bytes) else str(payload)
                async with self._news:
                    self._check(str(message.topic), text)
                    self.received.append(
                        Received(str(message.topic), text, message.retain, asyncio.get_running_loop().time())
                    )
                    self._news.notify_all()

    def _check(self, topic: str, text: str) -> None:
        if self._strict:
            try:
                check_message(topic, text)
            except (jsonschema.ValidationError, BrokerError) as error:
                self._offence = self._offence or error

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run())
        await self.subscribed.wait()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait({self._task})
        if error is None:
            self._raise_offence()
