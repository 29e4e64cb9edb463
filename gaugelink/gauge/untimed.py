"""Frames that came before it was known how far apart their samples are: they wait until it is."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from gaugelink.gauge.samples import FloatArray

MOST = 256
"""Frames that wait; of more the oldest goes."""


@dataclass(slots=True)
class Placed:
    """A frame in its place among the others."""

    first: float
    """Number of its first sample on the clock's scale."""
    pressure: FloatArray
    over: bool
    arrival_s: float
    lost: int
    """Samples lost between the frame before and this one."""


class Untimed:
    """Keeps the frames of one gauge, in order."""

    __slots__ = ("_frames",)

    def __init__(self) -> None:
        self._frames: list[Placed] = []

    def __len__(self) -> int:
        return len(self._frames)

    def __iter__(self) -> Iterator[Placed]:
        return iter(self._frames)

    def keep(self, frame: Placed) -> int:
        """Add a frame. Gives the samples that are lost because there are too many; they are before the first left."""
        self._frames.append(frame)
        if len(self._frames) <= MOST:
            return 0
        oldest = self._frames.pop(0)
        self._frames[0].lost += oldest.lost + len(oldest.pressure)
        return len(oldest.pressure)

    def lost(self, before: Sequence[int]) -> None:
        """It has turned out how many samples were lost before each of the newest frames."""
        for frame, samples in zip(reversed(self._frames), reversed(before), strict=False):
            frame.lost += samples

    def take(self) -> list[Placed]:
        """All of them; none are left."""
        frames, self._frames = self._frames, []
        return frames

    def forget(self) -> tuple[int, int]:
        """They will never be timed. Gives the samples in them, and those that were lost between them."""
        frames = self.take()
        return sum(len(frame.pressure) for frame in frames), sum(frame.lost for frame in frames)
