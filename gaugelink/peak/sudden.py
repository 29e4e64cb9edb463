"""Sudden falls to the ambient pressure in a record: what a gauge shows when its adapter is opened at one go.

Where the pressure itself goes in a millisecond or two, all that lies between the level before and the one after is the
gauge's own doing: its lag and its average (`step_response`).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from gaugelink.peak.burst import smallest_step_kpa
from gaugelink.peak.events import FloatArray

_LEAST_SHARE = 0.1
"""Least height of a fall, as a share of the highest pressure in the record."""
_LEAST_NOISES = 40.0
"""The same in standard deviations of the noise: with less, what is left of a fall drowns."""
_AHEAD_S = 0.1
"""A fall is a sample that is so much higher than the one so long after it."""
_BEFORE_S = 0.5
"""Time before a fall from which its level is taken: the gas has cooled, a hand still presses."""
_FEWEST_BEFORE = 3
_AFTER_S = 0.25, 0.75
"""Time after a fall in which the gauge shows nothing but the ambient pressure."""
_SLOWEST_S = 0.15
"""The longest that a sudden fall can seem: a live gauge that lags by more than a fifth of that shows no stroke."""
_OVER = 0.03
"""Share of a fall that may be left by then, or may have been before it: else something let the pressure out slowly."""
_MOST_SLACK = 0.25
"""How far off its level a sample may be at most."""
_LEVEL_U = 0.003
"""Standard uncertainty of a level, as a share of the fall: what was pressed on has no level, but a slope."""
_MARGIN = 2
"""Samples on the levels that are kept on either side."""


@dataclass(frozen=True, slots=True)
class SuddenFall:
    """One fall, from its level before (1) to that after (0)."""

    at_s: float
    """When, on the record's clock."""
    time_s: FloatArray
    """Shape (n,), rising; 0 at the first sample of less than half."""
    share: FloatArray
    """Shape (n,): what is left of the fall."""
    share_u: float
    """Standard uncertainty of each of these."""
    height_kpa: float
    """How far the pressure fell."""

    @property
    def slack(self) -> float:
        """How far a sample on a level may be off it."""
        return slack_of(self.share_u)

    @property
    def levels_s(self) -> tuple[float, float]:
        """Times of the last sample on the level before, and of the first on that after."""
        begin = int(np.flatnonzero(self.share > 1.0 - self.slack)[-1])
        return float(self.time_s[begin]), float(self.time_s[begin + int(np.argmax(self.share[begin:] < self.slack))])

    @property
    def longest_s(self) -> float:
        """The longest that the fall can have taken."""
        high_s, low_s = self.levels_s
        return low_s - high_s


def slack_of(share_u: float) -> float:
    """How far a sample on a level may be off it, of that standard uncertainty; levels stay apart whatever it is."""
    return min(max(3.0 * share_u, _OVER), _MOST_SLACK)


@dataclass(frozen=True, slots=True)
class UnusableFall:
    """A fall that tells nothing of the gauge."""

    at_s: float
    why: str


def sudden_falls(
    time_s: FloatArray, pressure_kpa: FloatArray, resolution_kpa: float | None = None
) -> tuple[list[SuddenFall], list[UnusableFall]]:
    """Find the falls in a record of shape (n,), its times rising, and those that cannot be used.

    The pressure stands, or creeps, for a while before each fall, and afterwards the gauge is open to the air.
    """
    step_kpa = smallest_step_kpa(pressure_kpa) if resolution_kpa is None else resolution_kpa
    noise_kpa = _noise_kpa(pressure_kpa, step_kpa)
    quick: list[SuddenFall] = []
    unusable: list[UnusableFall] = []
    for half in _halves(time_s, pressure_kpa, noise_kpa):
        fall = _fall(time_s, pressure_kpa, half, noise_kpa)
        if isinstance(fall, SuddenFall):
            quick.append(fall)
        else:
            unusable.append(fall)
    return quick, unusable


def _noise_kpa(pressure_kpa: FloatArray, step_kpa: float) -> float:
    """Standard deviation of a sample, by what neighbours mostly differ; no less than that of its rounding."""
    differences = np.abs(np.diff(pressure_kpa))
    quiet = differences[differences <= np.quantile(differences, 0.8)]
    # the lower four fifths of a normal distribution's sizes have .66 of its standard deviation
    return float(np.hypot(np.sqrt(np.mean(quiet**2) / 2.0) / 0.66, step_kpa / np.sqrt(12.0)))


def _halves(time_s: FloatArray, pressure_kpa: FloatArray, noise_kpa: float) -> Iterator[int]:
    """Index of the first sample of every fall that is below its half."""
    ahead = np.minimum(np.searchsorted(time_s, time_s + _AHEAD_S), len(time_s) - 1)
    drop = pressure_kpa - pressure_kpa[ahead]
    highest = float(pressure_kpa.max() - np.quantile(pressure_kpa, 0.02))
    falling = drop > max(_LEAST_SHARE * highest, _LEAST_NOISES * noise_kpa)
    places = np.flatnonzero(falling)
    for run in np.split(places, np.flatnonzero(np.diff(time_s[places]) > _AHEAD_S) + 1):
        if len(run):
            begin, end = int(run[0]), int(ahead[run[-1]])
            middle = 0.5 * (pressure_kpa[begin] + pressure_kpa[end])
            yield begin + int(np.argmax(pressure_kpa[begin : end + 1] < middle))


def _fall(time_s: FloatArray, pressure_kpa: FloatArray, half: int, noise_kpa: float) -> SuddenFall | UnusableFall:
    at_s = float(time_s[half])
    after = (time_s > at_s + _AFTER_S[0]) & (time_s < at_s + _AFTER_S[1])
    if np.count_nonzero(after) < 2:
        return UnusableFall(at_s, "the record has no samples behind it")
    low = float(np.median(pressure_kpa[after]))
    long_before = (time_s > at_s - _BEFORE_S) & (time_s < at_s)
    if not long_before.any():
        return UnusableFall(at_s, "the record has no samples before it")
    high = float(np.max(pressure_kpa[long_before]))
    near = float(time_s[long_before][pressure_kpa[long_before] > high - 0.1 * (high - low)][-1])
    # as long before the last high sample as it took from there to half, the fall had not begun
    level = long_before & (time_s <= near - (at_s - near) + 1e-9)
    if np.count_nonzero(level) < _FEWEST_BEFORE:
        return UnusableFall(at_s, "the pressure did not stand before it")
    slope, at_half = np.polyfit(time_s[level] - at_s, pressure_kpa[level], 1)
    off_kpa = np.abs(pressure_kpa[level] - at_half - slope * (time_s[level] - at_s))
    height_kpa = float(at_half) - low
    if height_kpa <= 0.0 or float(off_kpa.max()) > max(_OVER * height_kpa, 5.0 * noise_kpa):
        return UnusableFall(at_s, "the pressure did not stand before it")
    # a hand that presses more and more does so up to the fall
    share = (pressure_kpa - low - slope * np.minimum(time_s - at_s, 0.0)) / height_kpa
    share_u = float(np.hypot(noise_kpa / height_kpa, _LEVEL_U))
    slack = slack_of(share_u)
    landed = half + np.flatnonzero((share[half:] < slack) & (time_s[half:] < at_s + _SLOWEST_S))
    later = (time_s > at_s + _SLOWEST_S) & (time_s < at_s + _AFTER_S[1])
    if not len(landed) or np.any(np.abs(share[later]) > 2.0 * slack):
        return UnusableFall(at_s, "the pressure went slowly, or came back")
    begin = int(np.flatnonzero(level)[-1])
    if share[begin] <= 1.0 - slack:
        return UnusableFall(at_s, "the pressure did not stand before it")
    span = slice(max(begin - _MARGIN + 1, 0), int(landed[0]) + _MARGIN + int(landed[0] - half))
    fall = SuddenFall(at_s, time_s[span] - at_s, share[span], share_u, height_kpa)
    return fall if fall.longest_s < _SLOWEST_S else UnusableFall(at_s, "the pressure went slowly, or came back")
