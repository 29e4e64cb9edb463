"""A folder in which nobody may write, for a while, whoever runs the tests."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NOBODY = 65534
"""User id of nobody on Linux."""


@contextmanager
def nobody_writes_in(folder: Path) -> Iterator[None]:
    """Take away the right to write in a folder, from an administrator by being nobody for that long.

    Folders above it must be open to all: those of `tempfile` are, pytest's own are not.
    """
    user, mode = os.geteuid(), folder.stat().st_mode
    folder.chmod(0o555)
    if user == 0:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(user)
        folder.chmod(mode)
