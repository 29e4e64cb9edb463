"""What a gauge shows before regulated air comes in: whether it is at rest, and how much of that may still leave.

Air of before may be leaving a cylinder, slowly where its rings are tight. Then what is shown is no zero.
"""

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np

from gaugelink.leak.flow import FloatArray
from gaugelink.leak.steady import Window

REST_SHARE = 0.002
"""At rest no more than this share of the supply is left to leave: a fifth of a percent of loss. No source."""
_PACE_SHARE = 1e-4
"""Slower than this share of the supply in a second is a gauge that warms up. Common practice, no source."""
_STRETCH_SHARE = 0.05
"""What was further from the level now than this share of the supply was let off, and tells nothing of what leaks."""
_APART_S = (5.0, 2.5, 0.8)
"""Three levels so far apart, one after the other, tell what moves; the longest that there is time for."""
_LEVEL_S = 0.8
"""A level is the median of so long."""
_SDS, _SURE_SDS = 3.5, 5.0
_STEPS = 1.5
"""A reading that moved by one step of the gauge may stand on the edge between two."""


@dataclass(frozen=True, slots=True)
class Rest:
    """How a reading stands."""

    rests: bool
    """Whether no more than `REST_SHARE` is left to leave."""
    is_sure: bool
    """False where it was heard for too short a time to tell what goes slowly."""
    left_kpa: float
    """What may still leave, or what it moved over the last seconds where no end of that is seen; 0 at rest."""
    pace_kpa_per_s: float
    """How fast it goes up; 0 where noise may be all of it."""
    falls: bool
    """Whether it surely goes down, and on."""


class BeforeAir:
    """Takes the cylinder's pressure as the gauge shows it. Bounded in memory, whatever the rate."""

    def __init__(self, supply_kpa: float) -> None:
        self._supply_kpa = supply_kpa
        self._window = Window(2.0 * _APART_S[0] + 2.0 * _LEVEL_S)

    def take(self, time_s: FloatArray, pressure_kpa: FloatArray) -> None:
        """Take samples, shapes (n,)."""
        for t, p in zip(time_s.tolist(), pressure_kpa.tolist(), strict=True):
            self._window.take(t, p)

    @property
    def level_kpa(self) -> float:
        """What is shown now; there must have been a sample."""
        return _level(*self._window.arrays(), 0.0)[0]

    def rest(self) -> Rest | None:
        """How the reading stands; None before that can be told.

        What leaves by a leak goes down by the same share in the same time, near enough: of two falls, one after the
        other, the second and its share of the first tell what is left after them.
        """
        time_s, shown, was_let_off = self._stretch()
        if len(time_s) < 3:
            return None
        noise = float(np.std(np.diff(shown))) / sqrt(2.0)
        gaps = np.diff(np.unique(shown))
        step = float(gaps.min()) if len(gaps) else 0.0
        span_s, every_s = float(time_s[-1] - time_s[0]), float(np.median(np.diff(time_s)))
        found: Rest | None = None
        for apart_s in _APART_S:
            if apart_s < 2.0 * every_s or span_s < 2.0 * apart_s + _LEVEL_S - 1.5 * every_s:
                continue
            now, few = _level(time_s, shown, 0.0)
            fall = _level(time_s, shown, apart_s)[0] - now
            before = _level(time_s, shown, 2.0 * apart_s)[0] - now - fall
            # The median of normal noise is 1.25 times as uncertain as its mean; a fall has two of them.
            sd = 1.25 * noise * sqrt(2.0 / few)
            least, ends = max(_PACE_SHARE * self._supply_kpa * apart_s, _STEPS * step), REST_SHARE * self._supply_kpa
            sure = was_let_off or apart_s > _APART_S[-1]
            if abs(fall) <= max(least, _SDS * sd):
                return found or Rest(True, sure, 0.0, 0.0, falls=False)
            left = _left(fall, before)
            if _left(fall + 2.0 * sd, before - 2.0 * sd) <= ends:
                return Rest(True, sure, left, -fall / apart_s, falls=False)
            falls = fall > max(least, _SURE_SDS * sd, ends) and left > 2.0 * ends
            found = found or Rest(False, sure, left if left < inf else abs(fall), -fall / apart_s, falls=falls)
        return found

    def _stretch(self) -> tuple[FloatArray, FloatArray, bool]:
        """The samples since the reading came near where it is now, shapes (n,), and whether it came from elsewhere."""
        time_s, shown = self._window.arrays()
        if not len(time_s):
            return time_s, shown, False
        away = np.flatnonzero(np.abs(shown - self.level_kpa) > _STRETCH_SHARE * self._supply_kpa)
        begin = int(away[-1]) + 1 if len(away) else 0
        return time_s[begin:], shown[begin:], begin > 0


def _level(time_s: FloatArray, shown: FloatArray, before_s: float) -> tuple[float, int]:
    """What was shown so long before the last sample, and of how many samples that is."""
    at_s = float(time_s[-1]) - before_s
    end = max(1, int(np.searchsorted(time_s, at_s + 1e-6)))
    begin = min(end - 1, int(np.searchsorted(time_s, at_s - _LEVEL_S + 1e-6)))
    return float(np.median(shown[begin:end])), end - begin


def _left(fall_kpa: float, before_kpa: float) -> float:
    """What is left after a fall that followed another one of the same time; infinite where no end is seen."""
    return fall_kpa * fall_kpa / (before_kpa - fall_kpa) if fall_kpa > 0.0 and fall_kpa < before_kpa else inf
