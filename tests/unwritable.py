"""A folder in which nobody may write, or that nobody may enter, for a while, whoever runs the tests."""

import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

NOBODY = 65534
"""User id of nobody on Linux."""


def nobody_writes_in(folder: Path) -> AbstractContextManager[None]:
    """Take away the right to write in a folder, from an administrator by being nobody for that long.

    Folders above it must be open to all: those of `tempfile` are, pytest's own are not.
    """
    return _as_nobody(folder, 0o555)


def nobody_enters(folder: Path) -> AbstractContextManager[None]:
    """Take away the right to look into a folder, in the same way."""
    return _as_nobody(folder, 0o000)


@contextmanager
def _as_nobody(folder: Path, allowed: int) -> Iterator[None]:
    user, mode = os.geteuid(), folder.stat().st_mode
    folder.chmod(allowed)
    if user == 0:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(user)
        folder.chmod(mode)
