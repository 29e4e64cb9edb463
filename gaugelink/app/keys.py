"""Keys of the terminal, one press at a time, and what they ask for: a foot switch or a presenter sends the same."""

import asyncio
import os
import sys
import termios
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated

from pydantic import Field

from gaugelink.bench.reading import AGAIN_S
from gaugelink.broker.commands import Command

_LONGEST_SEQUENCE = 16
_SEQUENCES = {
    "\x1b[5~": "PageUp",
    "\x1b[6~": "PageDown",
    "\x1b[A": "Up",
    "\x1b[B": "Down",
    "\x1b[C": "Right",
    "\x1b[D": "Left",
    "\r": "Enter",
    "\n": "Enter",
    "\x1bOM": "Enter",
    " ": "Space",
    "\x7f": "Backspace",
}


class Pressed(Command):
    """What a hand at a key asks for. What strikes or closes is done when the same key is pressed once more."""

    key: Annotated[str, Field(exclude=True)]
    """The key's name."""
    again_s: Annotated[float, Field(exclude=True)] = AGAIN_S
    """How long it is waited for once more, on the service's clock."""
    returns: Annotated[bool, Field(exclude=True)] = False
    """Whether a skipped cylinder is to be gone back to with what it has, instead of struck and measured again."""


def key_names(typed: str) -> list[str]:
    """The names of the keys in what a terminal sent: ``r``, ``Enter``, ``PageDown``.

    A presenter sends PageUp and PageDown. An escape sequence that is not known gives nothing, so that a stray
    key never acts.
    """
    names: list[str] = []
    rest = typed
    while rest:
        for sequence, name in _SEQUENCES.items():
            if rest.startswith(sequence):
                names.append(name)
                rest = rest[len(sequence) :]
                break
        else:
            if rest[0] == "\x1b":
                rest = rest[_escape_length(rest) :]
                continue
            if rest[0].isprintable():
                names.append(rest[0])
            rest = rest[1:]
    return names


def _escape_length(text: str) -> int:
    if len(text) < 2 or text[1] not in "[O":
        return 1
    for index, character in enumerate(text[2:_LONGEST_SEQUENCE], start=2):
        if "@" <= character <= "~":
            return index + 1
    return len(text)


@asynccontextmanager
async def terminal_keys() -> AsyncIterator["asyncio.Queue[str]"]:
    """Give a queue of key names while the terminal is in its key-at-a-time mode; put it back afterwards.

    Where standard input is not a terminal the queue stays empty.
    """
    queue: asyncio.Queue[str] = asyncio.Queue()
    if not sys.stdin.isatty():
        yield queue
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    loop = asyncio.get_running_loop()

    def read() -> None:
        for name in key_names(os.read(descriptor, 256).decode(errors="ignore")):
            queue.put_nowait(name)

    tty.setcbreak(descriptor)
    loop.add_reader(descriptor, read)
    try:
        yield queue
    finally:
        loop.remove_reader(descriptor)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
