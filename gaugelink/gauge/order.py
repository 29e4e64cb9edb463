"""A counter that wraps: what came next, again, late, or from a gauge that started over."""

import math
from enum import Enum

from gaugelink.gauge.layout import GaugeLayout


class Verdict(Enum):
    """What a count says about its frame."""

    NEXT = "next"
    REPEAT = "repeat"
    LATE = "late"
    RESTART = "restart"
    """A first frame, or a counter that started over."""


MOST_LATE = 64
"""A frame further back than this is no late frame but a counter that started over."""
LATE_IN_A_ROW = 3
"""As many frames in a row, all late and in order among themselves, are a counter that started over."""
FASTER = 1.02
"""A gauge that runs faster than is stated, by its cheap oscillator. Common practice, no source."""
EARLY_S = 0.15
"""By how much a frame may come earlier than the one before it did: the radio's usual delay."""
BACKLOG_S = 1.0
"""A radio can deliver this much in one go; a count that ran further ahead than that and time allow started over."""


class Counter:
    """Follows one wrapping counter. Whole wraps that were missed are found from the time that passed."""

    __slots__ = ("_last", "_late", "_late_run", "period")

    def __init__(self, period: int) -> None:
        self.period = period
        self._last: int | None = None
        self._late: int | None = None
        self._late_run = 0

    def restart(self) -> None:
        """The link was lost: the next count is a first one."""
        self._last = None
        self.forget_order()

    def forget_order(self) -> None:
        """Forget what came late."""
        self._late, self._late_run = None, 0

    def back(self, moved: int) -> None:
        """The frame that moved it so far is refused: the count before stands."""
        if self._last is not None:
            self._last = (self._last - moved) % self.period

    def see(self, value: int, elapsed_s: float | None, unit_s: float | None) -> tuple[Verdict, int]:
        """Judge a count; with NEXT, how far it moved. `unit_s` is the time of one count, where it is known."""
        last, period = self._last, self.period
        if last is None:
            self._last = value % period
            return Verdict.RESTART, 0
        moved = (value - last) % period
        if unit_s and elapsed_s is not None:
            expected = max(1.0, elapsed_s / unit_s)
            turns = round((expected - moved) / period)
            # A gauge cannot have sent more than there was time for; what the radio held back comes behind a silence
            # with the next count, and no turn was missed.
            possible = (FASTER * elapsed_s + EARLY_S) / unit_s
            moved += period * min(turns, max(0, math.floor((possible - moved) / period)))
            ahead_s = moved * unit_s - 1.25 * elapsed_s
        else:
            moved -= period if moved > period // 2 else 0
            ahead_s = 0.0
        if moved > 0 and (ahead_s <= BACKLOG_S or moved == 1):
            self._last = value % period
            self._late_run = 0
            return Verdict.NEXT, moved
        if moved == 0:
            return Verdict.REPEAT, 0
        in_order = self._late is not None and 0 < (value - self._late) % period <= MOST_LATE
        self._late_run = self._late_run + 1 if in_order else 1
        self._late = value
        if moved > 0 or -moved > MOST_LATE or self._late_run >= LATE_IN_A_ROW:
            self._last = value % period
            self.forget_order()
            return Verdict.RESTART, 0
        return Verdict.LATE, moved


def counter_of(layout: GaugeLayout) -> Counter | None:
    """What follows the count of a layout's frames, lines or samples; None where they are not counted."""
    if layout.text is not None and layout.text.sequence is not None:
        return Counter(layout.text.sequence_wrap)
    return None if layout.sequence is None else Counter(layout.sequence.period)
