"""The zero of an absolute gauge: its reading at ambient, taken from the first quiet time."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STANDARD_KPA = 101.325
"""Standard atmosphere (ISO 2533), used until anything better is known."""
LOWEST_KPA, HIGHEST_KPA = 50.0, 110.0
"""Ambient pressures where engines are worked on: about 5500 m of altitude to the deepest valley in a high."""
QUIET_SAMPLES = 10
QUIET_S = 0.5
QUIET_KPA = 0.5
"""A stretch of this many samples and seconds, within this much or four resolution steps, is quiet."""


class AmbientZero:
    """Finds what an absolute gauge reads at ambient.

    The first believable reading stands in until a quiet stretch settles it; once settled it stays, so that no step
    of the zero is ever seen inside a test.
    """

    __slots__ = ("_band_kpa", "_recent", "settled", "zero_kpa")

    zero_kpa: float
    """What is taken off."""
    settled: bool
    """Whether it rests on a stated ambient or a quiet stretch."""

    def __init__(self, ambient_abs_kpa: float | None, resolution_kpa: float | None) -> None:
        self.settled = ambient_abs_kpa is not None
        self.zero_kpa = STANDARD_KPA if ambient_abs_kpa is None else ambient_abs_kpa
        self._band_kpa = max(QUIET_KPA, 4.0 * (resolution_kpa or 0.0))
        self._recent: deque[tuple[float, float]] = deque(maxlen=4096)

    def see(self, time_s: FloatArray, pressure_kpa: FloatArray) -> None:
        """Take in absolute pressures, shape (n,), until the zero is settled."""
        recent = self._recent
        for time, pressure in zip(time_s.tolist(), pressure_kpa.tolist(), strict=True):
            if self.settled:
                return
            if not LOWEST_KPA <= pressure <= HIGHEST_KPA or (recent and abs(pressure - recent[0][1]) > self._band_kpa):
                recent.clear()
                if not LOWEST_KPA <= pressure <= HIGHEST_KPA:
                    continue
            if self.zero_kpa == STANDARD_KPA:
                self.zero_kpa = pressure
            recent.append((time, pressure))
            if len(recent) >= QUIET_SAMPLES and time - recent[0][0] >= QUIET_S:
                self.zero_kpa = float(np.median([value for _, value in recent]))
                self.settled = True
                recent.clear()
