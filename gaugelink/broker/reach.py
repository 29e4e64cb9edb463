"""Reaches a broker in a way that can be cancelled.

The MQTT client connects on a thread that cannot be, and waits there for an unreachable host or for a TLS handshake
that never comes; a shutdown would wait with it. So whoever connects reaches for the broker first.
"""

import asyncio
import contextlib
import ssl


async def reach(host: str, port: int, tls: ssl.SSLContext | None, timeout_s: float) -> None:
    """Connect, shake hands where TLS is on, and hang up.

    Raises:
        OSError: the broker cannot be reached, or fails the TLS check.
        TimeoutError: it does not answer in time.
    """
    async with asyncio.timeout(timeout_s):
        _, writer = await asyncio.open_connection(
            host, port, ssl=tls, server_hostname=host if tls is not None else None
        )
    writer.close()
    with contextlib.suppress(ConnectionError, ssl.SSLError):
        await writer.wait_closed()
