"""Reaches a broker in a way that can be cancelled.

The MQTT client connects on a thread that cannot be, and waits there for an unreachable host or for a TLS handshake
that never comes; a shutdown would wait with it. So whoever connects reaches for the broker first.
"""

import asyncio
import contextlib
import ssl

import aiomqtt

from gaugelink.broker.client import Client
from gaugelink.timelimit import time_limit

GOODBYE_S = 1.0
"""Longest time spent on saying goodbye to a broker."""
HANG_UP_S = 0.1
"""Longest time spent on closing a connection that never became a session."""


async def reach(host: str, port: int, tls: ssl.SSLContext | None, timeout_s: float) -> None:
    """Connect, shake hands where TLS is on, and hang up.

    Raises:
        OSError: the broker cannot be reached, or fails the TLS check.
        TimeoutError: it does not answer in time.
    """
    async with time_limit(timeout_s):
        _, writer = await asyncio.open_connection(
            host, port, ssl=tls, server_hostname=host if tls is not None else None
        )
    writer.close()
    with contextlib.suppress(ConnectionError, ssl.SSLError):
        await writer.wait_closed()


async def enter(client: Client) -> None:
    """Begin a session; when that fails or is cancelled, no thread and no socket is left behind.

    Raises:
        aiomqtt.MqttError: the broker refuses it, or is away.
    """
    connecting = asyncio.ensure_future(client.__aenter__())
    try:
        # Shielded, so that a cancelled shutdown does not leave the connecting thread with a socket of its own.
        await asyncio.shield(connecting)
    except BaseException:
        await asyncio.wait({connecting}, timeout=GOODBYE_S)
        # The library gives up on a broker that does not answer, and keeps the socket. It is closed before the
        # task is cancelled, because the library cannot close it once its own future is.
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            async with time_limit(HANG_UP_S):
                await client.__aexit__(None, None, None)
        connecting.cancel()
        await asyncio.gather(connecting, return_exceptions=True)
        raise
