"""Lines that a person types, waited for on the event loop: a wait on a thread goes on after Ctrl-C until Enter."""

import asyncio
import os
import sys


class TypedLines:
    """Standard input, a line at a time."""

    def __init__(self) -> None:
        self._typed = b""

    async def next(self) -> str:
        """The next line without its end; what is left, or nothing, at the end of the input."""
        while b"\n" not in self._typed:
            if not (more := await _typed()):
                break
            self._typed += more
        line, _, self._typed = self._typed.partition(b"\n")
        return line.decode(errors="replace").rstrip("\r")


async def _typed() -> bytes:
    """What was typed since the last call, once there is something; nothing at the end of the input."""
    descriptor, loop = sys.stdin.fileno(), asyncio.get_running_loop()
    readable: asyncio.Future[None] = loop.create_future()

    def wake() -> None:
        if not readable.done():
            readable.set_result(None)

    try:
        loop.add_reader(descriptor, wake)
    except PermissionError:
        # An ordinary file can always be read, and the loop does not watch one.
        return os.read(descriptor, 4096)
    try:
        await readable
    finally:
        loop.remove_reader(descriptor)
    return os.read(descriptor, 4096)
