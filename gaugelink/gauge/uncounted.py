"""Losses of a gauge that counts nothing, as far as the arrivals of its frames tell them.

A radio holds frames back until its next connection event, or while it fades, and lets them go together. So a late frame
proves nothing: it waits, and those behind it, until they make up for it, as what was held back does, or until they have
been as late for longer than a radio holds any back.
"""

from dataclasses import dataclass

from gaugelink.gauge.clock import LATE_S, SampleClock
from gaugelink.gauge.decode import Frame

HOLD_S = 0.1
"""Least time for which frames must be late to prove a loss: some connection events of a radio. Common practice, no
source; what is held for longer makes up for it within `clock.LATE_S`."""
NEARLY = 0.75
"""A frame that is late by this share of what it lasts, or by more, comes where the next one belongs."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """Frames that can be placed, and what was lost before the first of them."""

    frames: tuple[tuple[Frame, float], ...]
    """Each with its time of arrival."""
    lost: int
    """Samples."""


class Arrivals:
    """Keeps late frames back until it is known whether others were lost before them."""

    __slots__ = ("_better_s", "_clock", "_least_s", "_samples", "_waiting")

    def __init__(self, clock: SampleClock) -> None:
        self._clock = clock
        self._waiting: list[tuple[Frame, float]] = []
        self._samples = 0
        self._least_s = self._better_s = 0.0

    def forget(self) -> int:
        """The link was lost: nothing comes behind what waits. Gives the samples in it."""
        samples, self._samples = self._samples, 0
        self._waiting.clear()
        return samples

    def rest(self) -> Arrived:
        """What waits, when nothing comes behind it any more."""
        return self._go(0)

    def see(self, frame: Frame, arrival_s: float, number: float, spacing_s: float) -> Arrived | None:
        """Take a frame; None while it waits.

        Args:
            frame: as decoded.
            arrival_s: when it came.
            number: of the first sample behind those that were placed.
            spacing_s: time from one sample to the next.
        """
        clock, waiting = self._clock, self._waiting
        if waiting:
            arrival_s = max(arrival_s, waiting[-1][1])
        size = len(frame.pressure_kpa)
        frame_s = spacing_s * size
        waiting.append((frame, arrival_s))
        self._samples += size
        late_s = clock.delay_s(number + self._samples - 1, arrival_s)
        usual_s = max(NEARLY * frame_s, clock.long_delay_s)
        if late_s is None or late_s <= usual_s:
            return self._go(0)
        if len(waiting) == 1 or late_s < self._least_s - 0.5 * frame_s:
            self._better_s = arrival_s
        self._least_s = late_s if len(waiting) == 1 else min(self._least_s, late_s)
        long = arrival_s - waiting[0][1] > LATE_S
        if not long and arrival_s - self._better_s <= max(HOLD_S, NEARLY * frame_s, clock.long_delay_s):
            return None
        # The least of n delays that are spread evenly lies at 2 / (n + 1) of their mean.
        usual_s = 2.0 * clock.usual_delay_s / (len(waiting) + 1)
        return self._go(size * max(0, round((self._least_s - usual_s) / frame_s)))

    def astray(self, number: float, size: int, spacing_s: float, arrival_s: float) -> int:
        """By how many samples the count is behind, or negative: ahead, when a frame is placed.

        Args:
            number: of its last sample.
            size: its samples.
            spacing_s: time from one sample to the next.
            arrival_s: when it came.
        """
        clock, frame_s = self._clock, spacing_s * size
        late_s = clock.delay_s(number, arrival_s)
        if late_s is None:
            return 0
        always_s = clock.least_recent_delay_s
        if always_s > max(NEARLY * frame_s, clock.usual_delay_s - always_s):
            # Single frames were lost, none late enough to wait: all are later now than the radio makes them.
            return size * round(always_s / frame_s)
        return -size * max(1, round(-late_s / frame_s)) if late_s < -0.5 * frame_s else 0

    def _go(self, lost: int) -> Arrived:
        arrived = Arrived(tuple(self._waiting), lost)
        self.forget()
        return arrived
