"""How quick a live gauge is: its average and its lag from sudden falls of the pressure.

A step that is quicker than the gauge shows the gauge's own response (ISA-37.16.01, A Guide for the Dynamic Calibration
of Pressure Transducers, quick-opening devices; from memory). A slow gauge has a sample or none on a step, but every
step falls on another place between two samples: where a gauge averages over its whole interval, any share of the step
is left in the one sample as often as any other, and where it does not, hardly any step shows a sample between.

So all falls are explained together, by Bayes' rule: an average and a lag that all share; the moment of each, anywhere
between two samples; and how long the opening itself took, from one fall to the next as different as hands are.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.signal import lfilter

from gaugelink.peak.events import FloatArray
from gaugelink.peak.sudden import SuddenFall

FEWEST_FALLS: Final = 6
"""Falls below which nothing is said: two or three may all have fallen between samples."""

_OPENINGS_S: Final = 1e-3 * np.geomspace(0.5, 32.0, 10)
"""How long it may take until the pressure is out: evenly, or with half of it as a time constant."""
_SWIFT_S: Final = 2e-3
"""Usual openings that take longer are the less likely, by the square: a cork that is blown off is a diameter away in
that time."""
_LIKE_OTHERS: Final = 0.5
"""How far the logarithms of openings scatter about the usual one of a set of falls."""
_OTHERWISE: Final = 0.1
"""Share of falls whose opening has nothing to do with the usual one: a hose that stuck."""
_ODD: Final = 0.05
"""Share of falls that go by no even opening at all: then any share may be left at any time."""
_NONE, _WHOLE = 0.3, 0.3
"""Probability beforehand of a gauge that averages nothing, and of one whose samples are means since the sample before,
as converters give them; the rest is for any other time."""
_NO_LAG: Final = 0.5
"""Probability beforehand of a lag that is next to nothing."""
_LEAST_S: Final = 2e-4
"""Shortest lag or average that is told from none."""
_TRIED = 9
"""Averages, and lags, of a grid, beside those that are likely beforehand."""
_COARSER: Final = (16.0, 4.0, 1.0, 1.0)
"""By how much more doubt each grid looks at the falls: a coarse one would miss what is sharp."""
_LEFT_OUT = 1e-3
"""Probability at the ends of a grid that the next one does without."""
_MOMENTS = 24
"""Moments, of those at which a fall can have begun, that are tried."""
_FINE = 64
"""Points of a response's table between two samples."""
_SHAPE_U = 0.05
"""Standard uncertainty of what is left half-way: no opening is quite even, or quite exponential."""
_TAIL = 6.0
"""Time constants after which a lag is over."""


@dataclass(frozen=True, slots=True)
class StepResponse:
    """What sudden falls tell of a gauge. Intervals contain the value with 95 % probability."""

    averages_s: FloatArray
    """Shape (a,): the averages that were tried."""
    lags_s: FloatArray
    """Shape (l,): the lags that were tried."""
    probability: FloatArray
    """Shape (a, l), of each pair; they sum to 1."""
    spacing_s: float
    """Time between two samples."""
    falls: int

    @property
    def averaging_s(self) -> float:
        """The mean of the averages, weighed; the whole interval between two samples where that is as likely as not."""
        shares = self.probability.sum(axis=1)
        likely = int(np.argmax(shares))
        return float(self.averages_s[likely] if shares[likely] > 0.5 else shares @ self.averages_s)

    @property
    def lag_s(self) -> float:
        """The mean of the lags, weighed; none where that is as likely as not."""
        shares = self.probability.sum(axis=0)
        return 0.0 if shares[0] > 0.5 else float(shares @ self.lags_s)

    @property
    def averaging_interval_s(self) -> tuple[float, float]:
        """Between which values the average lies."""
        return _interval(self.averages_s, self.probability.sum(axis=1))

    @property
    def lag_interval_s(self) -> tuple[float, float]:
        """Between which values the lag lies."""
        return _interval(self.lags_s, self.probability.sum(axis=0))


def step_response(falls: Sequence[SuddenFall], spacing_s: float) -> StepResponse:
    """The average and the lag of a gauge whose samples are `spacing_s` apart.

    Raises:
        ValueError: `falls` are fewer than `FEWEST_FALLS`.
    """
    if len(falls) < FEWEST_FALLS:
        raise ValueError(f"{len(falls)} falls; {FEWEST_FALLS} are needed")
    # every fall is at least as long as the gauge makes it
    most_s = max(float(np.median([fall.longest_s for fall in falls])), 4.0 * _LEAST_S)
    averages = _Axis.of(1.1 * most_s, {0.0: _NONE, spacing_s: _WHOLE})
    lags = _Axis.of(most_s / 3.0, {0.0: _NO_LAG})
    probability = np.empty(0)
    for number, coarser in enumerate(_COARSER):
        if number:
            averages = averages.narrowed(probability.sum(axis=1))
            lags = lags.narrowed(probability.sum(axis=0))
        probability = _posterior(_Falls.of(falls, coarser), averages, lags, spacing_s)
    return StepResponse(averages.values, lags.values, probability, spacing_s, len(falls))


@dataclass(frozen=True, slots=True)
class _Axis:
    """Values that are tried: some that are likely beforehand, and even steps of the logarithm between two others."""

    values: FloatArray
    """Shape (n,), rising."""
    weights: FloatArray
    """Shape (n,): probability beforehand, up to a factor."""
    likely: dict[float, float]
    density: float
    """Probability beforehand of each unit of the logarithm."""

    @classmethod
    def of(cls, most_s: float, likely: dict[float, float]) -> "_Axis":
        """From next to none to `most_s`."""
        most_s = max(most_s, 2.0 * _LEAST_S)
        density = (1.0 - sum(likely.values())) / float(np.log(most_s / _LEAST_S))
        return cls._between(_LEAST_S, most_s, likely, density)

    @classmethod
    def _between(cls, low_s: float, high_s: float, likely: dict[float, float], density: float) -> "_Axis":
        steps = np.geomspace(low_s, high_s, _TRIED)
        each = density * float(np.log(high_s / low_s)) / _TRIED
        values = np.concatenate((steps, list(likely)))
        weights = np.concatenate((np.full(_TRIED, each), list(likely.values())))
        order = np.argsort(values, kind="stable")
        return cls(values[order], weights[order], likely, density)

    def narrowed(self, probability: FloatArray) -> "_Axis":
        """As many values where most of the probability is, shape (n,)."""
        other = np.flatnonzero(~np.isin(self.values, list(self.likely)))
        upto = np.cumsum(probability[other])
        upto /= max(float(upto[-1]), 1e-300)
        first = max(int(np.searchsorted(upto, _LEFT_OUT)) - 1, 0)
        last = min(int(np.searchsorted(upto, 1.0 - _LEFT_OUT)) + 1, len(other) - 1)
        return self._between(
            float(self.values[other[first]]), float(self.values[other[last]]), self.likely, self.density
        )


@dataclass(frozen=True, slots=True)
class _Falls:
    """All falls side by side; the shorter ones are filled up with samples that do not count."""

    time_s: FloatArray
    """Shape (f, n)."""
    share: FloatArray
    counts: FloatArray
    """Shape (f, n): 1 for a sample, 0 for none."""
    share_u: FloatArray
    """Shape (f,)."""
    slack: FloatArray
    on_high_s: FloatArray
    """Shape (f,), of the last sample on the level before."""
    on_low_s: FloatArray
    odd: FloatArray
    """Shape (f,): logarithm of how probable the fall is if it goes in any way, in the units of `_evidence`."""

    @classmethod
    def of(cls, falls: Sequence[SuddenFall], coarser: float) -> "_Falls":
        """With `coarser` times the uncertainty of every sample."""
        longest = max(len(fall.share) for fall in falls)
        time_s, share, counts = (np.zeros((len(falls), longest)) for _ in range(3))
        odd = np.empty(len(falls))
        wider = [replace(fall, share_u=coarser * fall.share_u) for fall in falls]
        for j, fall in enumerate(wider):
            n = len(fall.share)
            time_s[j, :n], share[j, :n], counts[j, :n] = fall.time_s, fall.share, 1.0
            between = np.count_nonzero(np.abs(fall.share - 0.5) < 0.5 - 3.0 * fall.share_u)
            odd[j] = between * np.log(fall.share_u * np.sqrt(2.0 * np.pi))
        levels_s = np.array([fall.levels_s for fall in wider])
        return cls(
            time_s,
            share,
            counts,
            np.array([fall.share_u for fall in wider]),
            np.array([fall.slack for fall in wider]),
            levels_s[:, 0],
            levels_s[:, 1],
            odd,
        )


def _posterior(falls: _Falls, averages: _Axis, lags: _Axis, spacing_s: float) -> FloatArray:
    """Probability of each average and lag, shape (a, l)."""
    alike = _alike()
    together = np.empty((len(averages.values), len(lags.values), len(_OPENINGS_S)))
    for a, averaging_s in enumerate(averages.values):
        for b, lag_s in enumerate(lags.values):
            told = np.array(
                [
                    _evidence(falls, averaging_s, lag_s, opening_s, evenly, spacing_s)
                    for evenly in (True, False)
                    for opening_s in _OPENINGS_S
                ]
            )
            best = np.maximum(told.max(axis=0), falls.odd)
            usual = np.exp(told - best).T @ alike
            unusual = np.exp(falls.odd - best)[:, None]
            together[a, b] = np.sum(best[:, None] + np.log((1.0 - _ODD) * usual + _ODD * unusual), axis=0)
    swift = 1.0 / (1.0 + (_OPENINGS_S / _SWIFT_S) ** 2)
    out: FloatArray = np.exp(together - together.max()) @ swift
    out *= averages.weights[:, None] * lags.weights
    out /= out.sum()
    return out


def _alike() -> FloatArray:
    """Shape (2 v, v): how probable each opening of a fall, in either way, is for each usual one of the set."""
    apart = np.log(_OPENINGS_S[:, None] / _OPENINGS_S[None, :]) / _LIKE_OTHERS
    near = np.exp(-0.5 * apart**2)
    either = (1.0 - _OTHERWISE) * near / near.sum(axis=0) + _OTHERWISE / len(_OPENINGS_S)
    return 0.5 * np.vstack((either, either))


def _evidence(
    falls: _Falls, averaging_s: float, lag_s: float, opening_s: float, evenly: bool, spacing_s: float
) -> FloatArray:
    """Logarithm of how probable each fall is, shape (f,), whenever it began."""
    fine_s = min(spacing_s / _FINE, opening_s / 8.0)
    length_s = averaging_s + (1.0 if evenly else 0.5 * _TAIL) * opening_s + _TAIL * lag_s
    since_s = np.arange(0.0, length_s + 2.0 * fine_s, fine_s)
    gone = np.minimum(since_s / opening_s, 1.0) if evenly else 1.0 - np.exp(-2.0 * since_s / opening_s)
    left = np.concatenate(([1.0], 1.0 - _shown(gone, fine_s, averaging_s, lag_s), [0.0]))
    # it began so that the last sample on the one level and the first on the other can be there
    begun = np.searchsorted(-left, 2.0 * falls.slack - 1.0)
    ended = np.searchsorted(-left, -2.0 * falls.slack)
    earliest_s = falls.on_high_s - fine_s * begun
    wide_s = np.maximum(falls.on_low_s - fine_s * (ended - 2) - earliest_s, fine_s)
    step_s = wide_s / _MOMENTS
    edges_s = earliest_s[:, None] + step_s[:, None] * np.arange(_MOMENTS + 1)
    place = np.rint((falls.time_s[:, None, :] - edges_s[:, :, None]) / fine_s).astype(np.intp) + 1
    edges = left[np.clip(place, 0, len(left) - 1)]
    seen, change = 0.5 * (edges[:, 1:] + edges[:, :-1]), edges[:, 1:] - edges[:, :-1]
    # what is left changes between one moment that is tried and the next: evenly, so by the rectangle's variance
    noise = falls.share_u[:, None, None] ** 2
    variance = noise + change**2 / 12.0 + (_SHAPE_U * 4.0 * seen * (1.0 - seen)) ** 2
    off = (falls.share[:, None, :] - seen) ** 2 / variance + np.log(variance / noise)
    logs = -0.5 * np.sum(off * falls.counts[:, None, :], axis=2)
    best = logs.max(axis=1)
    return np.asarray(best + np.log(np.sum(np.exp(logs - best[:, None]), axis=1) * step_s / spacing_s))


def _shown(gone: FloatArray, step_s: float, averaging_s: float, lag_s: float) -> FloatArray:
    """What a gauge shows of a pressure, shape (n,), that is 0 before its first point and straight between points."""
    if lag_s > 0.0:
        keep = float(np.exp(-step_s / lag_s))
        ramp = lag_s / step_s * (1.0 - keep)
        gone = lfilter([1.0 - ramp, ramp - keep], [1.0, -keep], gone)
    if averaging_s > 0.0:
        total = np.concatenate(([0.0], np.cumsum(0.5 * (gone[1:] + gone[:-1])) * step_s))
        time_s = step_s * np.arange(len(gone))
        gone = (total - np.interp(time_s - averaging_s, time_s, total, left=0.0)) / averaging_s
    return np.asarray(gone)


def _interval(values: FloatArray, probability: FloatArray) -> tuple[float, float]:
    """The values between which 95 % of the probability lies, as far out as half-way to the next that were tried."""
    upto = np.cumsum(probability)
    low, high = (int(np.searchsorted(upto, share)) for share in (0.025, 0.975))
    high = min(high, len(values) - 1)
    below = values[low] if low == 0 else np.sqrt(values[low] * values[low - 1])
    above = values[high] if high in (0, len(values) - 1) else np.sqrt(values[high] * values[high + 1])
    return float(below), float(above)
