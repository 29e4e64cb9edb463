"""A small MQTT broker inside the process, on loopback: for the demo, and for a bench that has no broker of its own.

It keeps no sessions: a subscriber gets what is published while it is connected, and the retained messages.
"""

import asyncio
import logging
from types import TracebackType
from typing import Self

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig, ListenerType
from amqtt.session import Session

from gaugelink.errors import BrokerError
from gaugelink.reasons import reason

_LOG = logging.getLogger(__name__)

_LISTENER = "default"
_HOST = "127.0.0.1"
_CLOSE_S = 1.5


class _Broker(Broker):
    """The library's broker, which gives a client what is retained on its own subscriptions alone.

    The library goes through everybody's when a client connects (seen in 0.12.1): a client would be handed topics that
    it never asked for.
    """

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        subscribers = self._subscriptions.get(subscription[0], [])
        if any(subscriber.client_id == session.client_id for subscriber, _ in subscribers):
            await super()._publish_retained_messages_for_subscription(subscription, session)


class EmbeddedBroker:
    """Used as ``async with EmbeddedBroker(port=0) as broker: broker.port``.

    Args:
        port: TCP port on loopback; 0 takes a free one.
    """

    def __init__(self, port: int = 0) -> None:
        self._asked = port
        self._port = port
        self._server: asyncio.Server | None = None
        self._broker: Broker | None = None
        self._connections: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._levels: list[tuple[logging.Logger, int]] = []

    @property
    def port(self) -> int:
        """The port that it listens on."""
        return self._port

    @property
    def host(self) -> str:
        """Always loopback."""
        return _HOST

    async def __aenter__(self) -> Self:
        """Listen.

        Raises:
            BrokerError: the port is taken.
        """
        # It logs every client that comes and goes, and a state machine's every step, as warnings and information.
        for name, level in (("amqtt", logging.CRITICAL), ("transitions", logging.WARNING)):
            logger = logging.getLogger(name)
            self._levels.append((logger, logger.level))
            logger.setLevel(level)
        self._broker = _Broker(
            BrokerConfig(
                # The socket is ours, because the library cannot tell which free port it was given.
                listeners={_LISTENER: ListenerConfig(type=ListenerType.EXTERNAL, bind=f"{_HOST}:{self._asked}")},
                plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            )
        )
        await self._broker.start()
        try:
            self._server = await asyncio.start_server(self._connected, _HOST, self._asked)
        except OSError as error:
            await self._broker.shutdown()
            self._restore_logging()
            raise BrokerError(
                f"The embedded broker cannot listen on {_HOST}:{self._asked} ({reason(error)}): "
                "set broker.port to another port, or to 0 for a free one."
            ) from error
        self._port = self._server.sockets[0].getsockname()[1]
        return self

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None or self._broker is None:
            raise RuntimeError("a connection is served outside of the broker's context")
        self._connections[task] = writer
        try:
            await self._broker.external_connected(StreamReaderAdapter(reader), StreamWriterAdapter(writer), _LISTENER)
        except (OSError, asyncio.IncompleteReadError) as error:
            _LOG.debug("A client of the embedded broker went away without a word: %s", error)
        finally:
            # The library leaves the socket open when the client never said what it wanted.
            writer.close()
            del self._connections[task]

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._server is not None:
            self._server.close()
        # The clients are hung up on before the library shuts down. It would end each client's reading by cancelling it,
        # wait for that without limit, and it reads with `asyncio.wait_for`: before Python 3.12 that drops a
        # cancellation that comes in the same turn of the loop as a packet.
        for writer in self._connections.values():
            writer.close()
        if self._connections:
            _, stuck = await asyncio.wait(set(self._connections), timeout=_CLOSE_S)
            for task in stuck:
                task.cancel()
            await asyncio.gather(*stuck, return_exceptions=True)
        if self._broker is not None:
            await self._broker.shutdown()
        self._restore_logging()

    def _restore_logging(self) -> None:
        for logger, level in self._levels:
            logger.setLevel(level)
        self._levels.clear()
