"""Runs the page: takes its port, then serves until it is told to stop."""

import asyncio
import socket
import ssl
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from gaugelink.broker.settings import BrokerSettings
from gaugelink.dashboard.connection import PromptConnection
from gaugelink.dashboard.door import Door
from gaugelink.dashboard.hub import Hub
from gaugelink.dashboard.page import Page
from gaugelink.dashboard.reader import BrokerReader
from gaugelink.dashboard.record import Machine, Record
from gaugelink.errors import GaugelinkError, SettingsError

FAULT = "The page ended by a fault of its own and hears nothing any more: start it again."
"""What stands on every open page before it loses its server."""


class _Server(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to whoever runs the page; the bench may be in the same process."""
        yield


@dataclass(frozen=True, slots=True)
class Certificate:
    """What the page proves itself with."""

    certificate: Path
    """PEM, with its chain."""
    key: Path
    """PEM."""


def take_port(door: Door) -> socket.socket:
    """Take the page's port before anything else begins; the door learns which one it is.

    Raises:
        GaugelinkError: it cannot be had.
    """
    family = socket.AF_INET6 if ":" in door.host else socket.AF_INET
    try:
        taken = socket.create_server((door.host, door.port), family=family)
    except OSError as error:
        raise GaugelinkError(
            f"The page cannot listen on {door.host}:{door.port} ({error.strerror}): "
            "give another --port, or 0 for a free one."
        ) from error
    door.port = taken.getsockname()[1]
    return taken


@asynccontextmanager
async def served(
    app: ASGIApp, hub: Hub, listening: socket.socket, certificate: Certificate | None = None
) -> AsyncIterator[asyncio.Task[None]]:
    """Serve an application until the block ends; its open streams are the hub's to end.

    Raises:
        SettingsError: the certificate cannot be used.
    """
    config = uvicorn.Config(
        app,
        lifespan="on",
        # Its warnings are of what strangers send; they would write the log.
        log_level="error",
        access_log=False,
        http=PromptConnection,
        server_header=False,
        ws="none",
        proxy_headers=False,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=1,
        limit_concurrency=200,
        h11_max_incomplete_event_size=16 * 1024,
        ssl_certfile=certificate.certificate if certificate is not None else None,
        ssl_keyfile=certificate.key if certificate is not None else None,
    )
    try:
        config.load()
    except (OSError, ssl.SSLError) as error:
        raise SettingsError(f"The page's certificate or key cannot be used ({error}): give PEM files.") from error
    server = _Server(config)
    task = asyncio.create_task(server.serve([listening]), name="page")
    try:
        yield task
    finally:
        hub.close()
        server.should_exit = True
        await asyncio.wait([task])
        listening.close()


@asynccontextmanager
async def serving(
    listening: socket.socket,
    door: Door,
    broker: BrokerSettings,
    benches: Sequence[str],
    *,
    broker_port: int | None = None,
    machines: Sequence[Machine] = (),
    record: Record | None = None,
    certificate: Certificate | None = None,
    notice: str = "",
) -> AsyncIterator[asyncio.Task[None]]:
    """Serve the page until the block ends.

    Gives a task that ends when the page does. Where the page ends by a fault of its own, every open page is told that
    nothing is heard any more, and the task, and then the block, end with that fault.

    Args:
        listening: from `take_port`.
        door: who may come in.
        broker: where the broker is.
        benches: names of the benches to show.
        broker_port: TCP port instead of the one in `broker`, for an embedded broker on a free port.
        machines: the fleet, for drawing engines and beginning tests.
        record: where tests are looked up.
        certificate: serve HTTPS with it.
        notice: a sentence that stands on the page always.

    Raises:
        SettingsError: the certificate cannot be used.
    """
    hub = Hub(benches, time.monotonic)
    reader = BrokerReader(broker, hub, port=broker_port)
    page = Page(hub, reader, door, machines, record, notice)
    async with served(page.app(time.monotonic), hub, listening, certificate) as server:
        reading = asyncio.create_task(reader.run(), name="page: broker")
        beating = asyncio.create_task(hub.run(), name="page: beat")
        ending = asyncio.create_task(_first_to_end(hub, server, reading, beating), name="page: end")
        try:
            yield ending
        finally:
            tasks = (ending, reading, beating)
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
        if not ending.cancelled():
            ending.result()


async def _first_to_end(hub: Hub, *tasks: asyncio.Task[None]) -> None:
    """Wait until one of the page's tasks ends, which none does before it is asked to, and raise what it ended by."""
    done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    faults = [fault for task in done if not task.cancelled() and (fault := task.exception()) is not None]
    if faults:
        hub.broker(False, FAULT)
        raise faults[0]
