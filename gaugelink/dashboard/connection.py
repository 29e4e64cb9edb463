"""A connection that is hung up on when no whole request comes over it.

The server waits for a first request for as long as it takes, and for the rest of one that began. So two hundred
connections of a stranger who says nothing, or of phones that left the network, would be all that it has.
"""

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

WHOLE_S = 20.0
"""A request is whole this long after its connection began, or after its first byte on one that is kept."""


class PromptConnection(H11Protocol):
    """The server's own connection, with a limit to its wait."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._limit: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Wait until a request is whole; its answer may take as long as it likes."""
        if self._limit is None:
            self._wait()
        super().data_received(data)
        if self.conn.their_state in (h11.DONE, h11.MUST_CLOSE, h11.CLOSED):
            self._end_wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._end_wait()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._limit = self.loop.call_later(WHOLE_S, self.transport.close)

    def _end_wait(self) -> None:
        if self._limit is not None:
            self._limit.cancel()
            self._limit = None
