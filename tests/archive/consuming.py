"""Consumers for the tests: in this process, or in one of their own that can be killed."""

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import Table, select

from gaugelink.archive.consumer import Consumer
from gaugelink.archive.settings import PASSWORD_VARIABLE, ArchivePart
from gaugelink.archive.store import Store
from gaugelink.broker.settings import BrokerSettings

ROOT = Path(__file__).parents[2]
ROOMY = ("allow_anonymous true", "max_queued_messages 0")
"""A broker that keeps whatever a consumer that is away will ask for."""


async def until(enough: Callable[[], bool]) -> None:
    """Wait until it holds."""
    holds = enough()
    while not holds:
        await asyncio.sleep(0.005)
        holds = enough()


@asynccontextmanager
async def consuming(
    port: int, store: Store, name: str = "one", group: str | None = None, **pace: float
) -> AsyncIterator[Consumer]:
    """Run a consumer on a thread; it has subscribed when this is entered."""
    archive = ArchivePart(client_id=f"archive-{name}", group=group, **{"batch_s": 0.05, **pace})
    consumer = Consumer(BrokerSettings(port=port), archive, store)
    running = asyncio.create_task(asyncio.to_thread(consumer.run))
    try:
        await until(lambda: consumer.subscribed.is_set() or running.done())
        yield consumer
    finally:
        consumer.stop()
        await running


def write_file(folder: Path, port: int, database: str, *, batch_messages: int = 50) -> Path:
    """An archive file for consumers in processes of their own."""
    file = folder / "archive.toml"
    file.write_text(
        f"[broker]\nport = {port}\n\n[archive]\ndatabase = {json.dumps(database)}\n"
        f"batch_messages = {batch_messages}\nbatch_s = 0.05\n"
    )
    return file


async def start_process(file: Path, *arguments: str) -> asyncio.subprocess.Process:
    """Start ``gaugelink archive`` as a process of its own."""
    return await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", "from gaugelink.app.cli import main; main()", "archive", "-c", file, *arguments),
        cwd=ROOT,
        env={key: value for key, value in os.environ.items() if key != PASSWORD_VARIABLE},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )


def ids_in(store: Store, table: Table) -> list[str]:
    """The message ids in a table."""
    with store.engine.connect() as connection:
        return list(connection.scalars(select(table.c.message_id)))


async def until_filed(store: Store, table: Table, wanted: Iterable[str]) -> None:
    """Wait until the table has all of these messages."""
    missing = set(wanted)
    while missing:
        missing -= set(await asyncio.to_thread(ids_in, store, table))
        await asyncio.sleep(0.02)


class Publisher:
    """Publishes at QoS 1 and sends again what was not acknowledged, across a restart of the broker."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench", clean_session=False)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._acknowledged: set[int] = set()
        self._client.on_publish = lambda client, data, mid, reason, properties: self._acknowledged.add(mid)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._sent: set[int] = set()

    def send(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1) -> str:
        """Publish; returns the message's id, or an empty text where it has none."""
        self._sent.add(self._client.publish(topic, payload, qos=qos, retain=retain).mid)
        try:
            document = json.loads(payload)
        except ValueError:
            return ""
        return str(document["id"]) if isinstance(document, dict) and "id" in document else ""

    async def delivered(self) -> None:
        """Wait until the broker has acknowledged everything."""
        await until(lambda: self._sent <= self._acknowledged)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


@asynccontextmanager
async def publisher(port: int) -> AsyncIterator[Publisher]:
    """A publisher that is closed after use."""
    one = Publisher(port)
    try:
        yield one
    finally:
        await asyncio.to_thread(one.close)
