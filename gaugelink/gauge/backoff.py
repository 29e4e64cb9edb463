"""How long to wait before trying again: doubling, with a limit and jitter."""

import random


class Backoff:
    """Waits that double from `first_s` up to `limit_s`, each shortened by a random share up to `jitter`.

    The jitter keeps several gauges that vanished together (an adapter pulled out) from knocking together.
    """

    def __init__(
        self, first_s: float, limit_s: float, *, jitter: float = 0.5, random_source: random.Random | None = None
    ) -> None:
        """Raise ValueError unless 0 < `first_s` <= `limit_s` and 0 <= `jitter` < 1."""
        if not (0.0 < first_s <= limit_s and 0.0 <= jitter < 1.0):
            raise ValueError("need 0 < first_s <= limit_s and 0 <= jitter < 1")
        self._first_s = first_s
        self._limit_s = limit_s
        self._jitter = jitter
        self._random = random_source or random.Random()
        self._next_s = first_s

    def next_s(self) -> float:
        """The next wait in seconds."""
        full_s = self._next_s
        self._next_s = min(self._limit_s, 2.0 * full_s)
        return full_s * (1.0 - self._jitter * self._random.random())

    def reset(self) -> None:
        """Start from the first wait again: something worked."""
        self._next_s = self._first_s
