"""A gauge's own time stamps: a steady line under stamps that are cut to whole ticks, and what it says of losses."""

import numpy as np

LEARN_STAMPS = 5
LEARN_TICKS = 40
"""Frames, and ticks, from which an unknown time between samples is learnt: whole ticks tell it to one in so many."""
STAMP_MEMORY = 40
"""Frames over which whole ticks are smoothed: the least-squares line of that many stamps, kept recursively."""
STAMP_STRAY = 2.5
"""Ticks by which a stamp may stray from a steady gauge's line; further, and the line starts again."""
STEP_REACH = 0.05
"""Share by which the line may lead away from the step that was stated or learnt at first."""
_ALIKE = 0.02
"""Moves of the stamp that differ by no more than this share, or by two ticks, are one pace."""


class StampLine:
    """Follows the stamps of one gauge, in ticks since the first. The stamp is followed, not copied."""

    def __init__(self, step: float) -> None:
        """`step` is the stated time from one sample to the next in ticks, or 0 to learn it."""
        self.step = step
        """Ticks from one sample to the next; 0 while it is not known."""
        self.at = 0.0
        """Where the line is at the last stamp."""
        self._first_step = step
        self.restart()

    def restart(self) -> None:
        """The next stamp is a first one; what is known of the step stays."""
        self.at = self._raw = 0.0
        self._seen = LEARN_STAMPS
        self._off: list[tuple[int, int, int | None]] = []
        """Stamps that taught no step yet, or that are off the line, as they came."""

    def follow(self, moved: int, samples: int, lost: int | None) -> list[int]:
        """Take a stamp. Gives how many samples, in whole frames and beside those that a counter told, were lost before
        each of the stamps of which that is known only now, this one last; nothing while the step is not known.

        Args:
            moved: ticks since the stamp before, at least 1.
            samples: samples between the two stamps when no frame was lost.
            lost: samples lost between them as a counter says, or None where nothing else counts.
        """
        if self.step:
            return [self._along(moved, samples, lost)]
        self.at += moved
        self._off.append((moved, samples, lost))
        if len(self._off) < LEARN_STAMPS or sum(each for each, _, _ in self._off) < LEARN_TICKS:
            return []
        untold = self._off
        self._learn()
        self.restart()
        return [self._along(*each) for each in untold]

    def _along(self, moved: int, samples: int, told: int | None) -> int:
        self._raw += moved
        lost = told
        if lost is None:
            # A stamp is up to half a tick off the line, or one while the line is young: a frame that lasts little more
            # is not lost for that.
            doubt = 0.5 if self._seen < 2 * LEARN_STAMPS else 0.25
            lost = samples * max(0, round((self._raw - self.at - doubt) / (self.step * samples)) - 1)
        passed = samples + lost
        ahead = self.at + self.step * passed
        rest = self._raw - ahead
        steady = abs(rest) < STAMP_STRAY
        if steady:
            n = self._seen = min(self._seen + 1, STAMP_MEMORY)
            self.at = ahead + rest * 2 * (2 * n - 1) / (n * (n + 1))
            step = self.step + rest * 6 / (n * (n + 1)) / passed
            self.step = min(max(step, (1 - STEP_REACH) * self._first_step), (1 + STEP_REACH) * self._first_step)
        else:
            self.at, self._seen = self._raw, LEARN_STAMPS
        # Frames are lost here and there, not every second one: the gauge has changed its rate, or runs at another one
        # than is stated.
        if steady and (told is not None or not lost):
            self._off = []
        else:
            self._off = [*self._off[1 - LEARN_STAMPS :], (moved, samples, told)]
            paces = [each / count for each, count in self._counted()]
            alike = max(2.0 / samples, _ALIKE * paces[0])
            if len(self._off) == LEARN_STAMPS and max(paces) - min(paces) <= alike:
                self._learn()
                self.at, self._seen = self._raw, LEARN_STAMPS
        return lost if told is None else 0

    def _counted(self) -> list[tuple[int, int]]:
        """Ticks and samples from each of the stamps off the line to the next, as far as a counter tells them."""
        return [(moved, samples + (told or 0)) for moved, samples, told in self._off]

    def _learn(self) -> None:
        moves = self._counted()
        usual = float(np.median([moved / samples for moved, samples in moves]))
        # The stamps of a steady gauge move by a whole number of ticks or by the next one; their mean is its pace.
        kept = [(moved, samples) for moved, samples in moves if abs(moved - usual * samples) <= 1.0]
        self.step = sum(moved for moved, _ in kept) / sum(samples for _, samples in kept) if kept else usual
        self._first_step = self.step
        self._off = []
