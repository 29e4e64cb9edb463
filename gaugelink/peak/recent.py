"""The last samples of one gauge, in a fixed amount of memory."""

import numpy as np

from gaugelink.peak.events import BoolArray, FloatArray

LEAST = 4096
"""Smallest capacity that holds some seconds of quiet and a short event at a usual rate."""


class Recent:
    """A sliding window over a stream of samples. Arrays are allocated once and never grow.

    The newest `count` samples lie in order at the start of `time_s`, `pressure_kpa` and `over_range`. Whoever
    appends makes room first.
    """

    __slots__ = ("capacity", "count", "over_range", "pressure_kpa", "time_s")

    def __init__(self, capacity: int) -> None:
        if capacity < LEAST:
            raise ValueError(f"a capacity of {capacity} samples is too small for an event; give {LEAST} or more")
        self.capacity = capacity
        self.count = 0
        self.time_s: FloatArray = np.empty(capacity)
        self.pressure_kpa: FloatArray = np.empty(capacity)
        self.over_range: BoolArray = np.empty(capacity, dtype=np.bool_)

    @property
    def nbytes(self) -> int:
        """Bytes held by the arrays."""
        return self.time_s.nbytes + self.pressure_kpa.nbytes + self.over_range.nbytes

    @property
    def last_s(self) -> float:
        """Time of the newest sample; there has to be one."""
        return float(self.time_s[self.count - 1])

    def append(self, time_s: FloatArray, pressure_kpa: FloatArray, over_range: BoolArray | bool) -> None:
        """Add samples at the end; shapes (n,)."""
        first = self.count
        last = first + len(time_s)
        self.time_s[first:last] = time_s
        self.pressure_kpa[first:last] = pressure_kpa
        self.over_range[first:last] = over_range
        self.count = last

    def latest(self, from_s: float) -> FloatArray:
        """The pressures since `from_s`: five at least, so that two wild ones do not carry their median."""
        first = int(self.time_s[: self.count].searchsorted(from_s))
        return self.pressure_kpa[max(0, min(first, self.count - 5)) : self.count]

    def keep_last(self, count: int) -> None:
        """Forget all but the newest `count` samples."""
        if count < self.count:
            self._cut(0, self.count - count)

    def make_room(self, count: int, start: int) -> tuple[int, bool]:
        """Make room for `count` more: let go of what is before `start`, or else of the middle of what is after it.

        Returns:
            Where `start` is now, and whether the middle was cut out.
        """
        if self.count + count <= self.capacity:
            return start, False
        if start > self.capacity // 4:
            self.keep_last(self.count - start)
            return 0, False
        # The beginning stays for its first stroke and its zero, the latest part for its end.
        self._cut(self.count // 2, 3 * self.count // 4)
        return start, True

    def _cut(self, first: int, last: int) -> None:
        count = self.count
        moved = count - last
        for array in (self.time_s, self.pressure_kpa, self.over_range):
            array[first : first + moved] = array[last:count]
        self.count = first + moved


def part_of(
    t: FloatArray, p: FloatArray, o: BoolArray | bool, i: int, j: int
) -> tuple[FloatArray, FloatArray, BoolArray | bool]:
    """Samples `i` to `j` (excluded) of a record."""
    return t[i:j], p[i:j], o if isinstance(o, bool) else o[i:j]
