"""The clock of another place, for tests of what people there read."""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def living_in(zone: str) -> Iterator[None]:
    """Let this process live in a zone of the tz database (``America/Vancouver``), and bring it back."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = zone
    time.tzset()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        time.tzset()
