"""Find the strokes of an event: by their tops where the gauge is fast enough, by the law of their times where not.

A slow gauge shows a stroke as one or two samples somewhere on its pulse. What gives it away is its company: periods
change smoothly, and nothing rises between pulses. The most likely train of strokes is found by dynamic programming
over time and period (Viterbi, IEEE Trans. Inf. Theory 13, 1967).
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.signal import find_peaks, medfilt

from gaugelink.peak.events import FloatArray

IndexArray = NDArray[np.intp]

LONGEST_PERIOD_S = 1.2
SHORTEST_PERIOD_S = 0.05
_WIDTHS = (0.08, 0.13, 0.21, 0.33)
"""Width of a pulse at half its height over the period: four-stroke and slow to two-stroke with a low ratio."""
_FOOT_NOISE = 0.03
"""Standard deviation of the samples between pulses, as a share of the highest one: pumping and exhaust."""
_HEIGHTS = np.geomspace(0.15, 4.5, 16)
_WIDTH_STEP = 0.08
_PLACES = np.linspace(0.0, 3.2, 97)
"""Places on a pulse, in half widths from its peak."""
_LEVELS = (1.0, 1.8, 3.2)
"""Height of the peaks over the highest sample: a slow gauge may have missed every one of them."""
_LIKELY_WIDTHS = 2
"""Widths for which the other levels are tried too."""
_GRID_S = 0.0025
_PERIOD_STEP = 0.045
"""Step of the logarithm of the period."""
_REACH = 9
"""Largest change of the period between strokes, in steps."""
_STROKE_TOLL = 3.0
"""Log likelihood that a stroke must bring to be believed."""
_TRIAL_S = 2.5
"""Length of record on which the guesses are tried."""
_LONG_RUN, _FAST_S = 6, 0.006
"""Samples above half of the highest one, one after the other, of a gauge with at most that time between samples."""
_LEAST_HEIGHT = 0.09
"""Least height of a stroke, as a share of the highest sample: below it, pumping and exhaust look the same."""


@dataclass(frozen=True, slots=True)
class Train:
    """The strokes as first found."""

    time_s: FloatArray
    """Shape (K,)."""
    height: FloatArray
    """Shape (K,), in the unit of the samples."""
    width_s: float
    """Width of the pulses at half height."""
    score: float
    """Log likelihood gained over no strokes at all."""


def densely_sampled(time_s: FloatArray, pressure: FloatArray) -> bool:
    """True when most pulses hold at least three samples above half of the highest one.

    Noise splits a pulse that is crossing that level: with a fast gauge it is enough that most such samples lie in long
    runs. (With a slow one, that may be pressure that leaks away after the last stroke.)
    """
    above = np.concatenate(([0], (pressure > 0.5 * pressure.max()).astype(int), [0]))
    change = np.diff(above)
    runs = np.flatnonzero(change == -1) - np.flatnonzero(change == 1)
    fast = len(time_s) > 1 and float(np.median(np.diff(time_s))) <= _FAST_S
    long_runs = fast and np.median(np.repeat(runs, runs)) >= _LONG_RUN
    return bool(np.median(runs) >= 3 or long_runs) and len(time_s) >= 8


def by_their_tops(time_s: FloatArray, pressure: FloatArray, noise: float) -> Train | None:
    """Strokes of a densely sampled event, or None when there are none."""
    smooth = medfilt(pressure, 3)
    spacing = float(np.median(np.diff(time_s)))
    least = max(_LEAST_HEIGHT * float(np.max(smooth)), 8.0 * noise)
    padded = np.concatenate(([smooth.min()], smooth, [smooth.min()]))
    distance = max(1, int(0.5 * SHORTEST_PERIOD_S / spacing))
    # A stroke stands over the zero: behind a draught the noise of the quiet stands as far over that as a stroke would.
    tops, info = find_peaks(padded, height=least, prominence=least, distance=distance, width=1, rel_height=0.5)
    if len(tops) == 0:
        return None
    widths = info["widths"] * spacing
    width = float(np.median(widths))
    keep = widths > 0.25 * width
    tops = tops[keep] - 1
    heights = pressure[tops]
    return Train(time_s[tops], np.maximum(heights, 1e-9), width, float("nan"))


def by_their_times(time_s: FloatArray, pressure: FloatArray) -> list[Train]:
    """Most likely trains of strokes of a sparsely sampled event, best first.

    One for each relative width of the pulses and each guess of how far the highest sample lies below the peaks.
    """
    top = float(pressure.max())
    cell = np.round((time_s - time_s[0]) / _GRID_S).astype(np.intp)
    y = np.clip(pressure / top, -0.1, 1.0)
    cells = int(cell[-1]) + 1
    trial = min(cells, int(_TRIAL_S / _GRID_S))
    # The trial looks where the event is loudest.
    start = max(0, min(int(cell[int(np.argmax(y))]) - trial // 2, cells - trial))
    chosen = (cell >= start) & (cell < start + trial)
    tried = cell[chosen] - start, y[chosen], trial
    found = _trains(*tried, [(width, _LEVELS[0]) for width in _WIDTHS])
    likely = sorted(found, key=lambda guess: -found[guess].score)[:_LIKELY_WIDTHS]
    found |= _trains(*tried, [(width, level) for width, _ in likely for level in _LEVELS[1:]])
    if trial < cells:
        promising = sorted(found, key=lambda guess: -found[guess].score)[:3]
        found = _trains(cell, y, cells, promising)
    trains = [
        Train(time_s[0] + train.time_s, train.height * top, train.width_s, train.score) for train in found.values()
    ]
    return sorted(trains, key=lambda train: -train.score)


def _trains(
    cell: IndexArray, y: FloatArray, cells: int, guesses: list[tuple[float, float]]
) -> dict[tuple[float, float], Train]:
    tables: dict[int, FloatArray] = {}
    costs = _costs(y)
    found = {}
    for share, level in guesses:
        train = _train(cell, costs, cells, share, level, tables)
        if train is not None:
            found[share, level] = train
    return found


def _huber(ratio: FloatArray) -> FloatArray:
    """Cost of a normalised residual: a square up to 3, then a straight line, so that no single sample decides."""
    size = np.abs(ratio)
    return np.where(size < 3.0, 0.5 * size**2, 3.0 * size - 4.5)


def _costs(y: FloatArray) -> FloatArray:
    """Log likelihood that each sample gains when it lies at each of `_PLACES` of a pulse, shape (n, u, h)."""
    kernel = (1.0 + 0.55 * _PLACES**2) ** -1.6
    kernel = np.clip((kernel - kernel[-1]) / (1.0 - kernel[-1]), 0.0, None)
    model = kernel[:, None] * _HEIGHTS[None, :]
    # A rough pulse is most wrong on its flanks, where a small error of time or width weighs most.
    spread = np.hypot(_FOOT_NOISE, model * ((0.05 + 0.45 * (1.0 - kernel)) * np.sqrt(kernel))[:, None])
    quiet = _huber(y / _FOOT_NOISE)[:, None, None]
    cost = _huber((y[:, None, None] - model) / spread)
    out: FloatArray = quiet - cost - np.log(spread / _FOOT_NOISE)
    return out


def _gains(cell: IndexArray, costs: FloatArray, cells: int, width: float) -> FloatArray:
    """Log likelihood gained at each cell by a pulse of `width` cells and each of `_HEIGHTS`, shape (cells, h)."""
    reach = int(1.6 * width) + 1
    place = np.abs(np.arange(-reach, reach + 1)) / (0.5 * width)
    nearest = np.minimum(np.round(place / _PLACES[1]).astype(np.intp), len(_PLACES) - 1)
    gains = np.zeros((cells + 2 * reach, len(_HEIGHTS)))
    for own, at in zip(costs, cell.tolist(), strict=True):
        gains[at : at + 2 * reach + 1] += own[nearest]
    return gains[reach : reach + cells]


def _train(
    cell: IndexArray, costs: FloatArray, cells: int, share: float, level: float, tables: dict[int, FloatArray]
) -> Train | None:
    """Most likely train of pulses whose width is `share` of their period; times in seconds from the first cell."""
    longest = max(min(LONGEST_PERIOD_S / _GRID_S, cells), 2.0 * SHORTEST_PERIOD_S / _GRID_S)
    count = int(np.log(longest * _GRID_S / SHORTEST_PERIOD_S) / _PERIOD_STEP) + 1
    logs = np.log(SHORTEST_PERIOD_S / _GRID_S) + _PERIOD_STEP * np.arange(count)
    periods = np.round(np.exp(logs)).astype(np.intp)
    # Heights cluster around the level, but a stroke may be much weaker than the others.
    unlikely = np.minimum(0.5 * (np.log(_HEIGHTS / level) / 0.18) ** 2, 2.0 + 1.5 * np.abs(np.log(_HEIGHTS / level)))
    unlikely[1.5 * level < _HEIGHTS] = 30.0
    gains = np.empty((count, cells))
    heights = np.empty((count, cells))
    picked = -1
    for j, period in enumerate(periods):
        width = max(round(np.log(max(share * float(period), 2.0)) / _WIDTH_STEP), 1)
        if width == picked:
            gains[j], heights[j] = gains[j - 1], heights[j - 1]
            continue
        picked = width
        if width not in tables:
            tables[width] = _gains(cell, costs, cells, float(np.exp(width * _WIDTH_STEP)))
        likely = tables[width] - unlikely
        pick = likely.argmax(axis=1)
        gains[j] = likely[np.arange(cells), pick]
        heights[j] = _HEIGHTS[pick]
    gains -= _STROKE_TOLL
    shifts = np.arange(-_REACH, _REACH + 1)
    change = shifts * _PERIOD_STEP / 0.10
    toll = -0.5 * np.minimum(change**2, 4.0 + np.abs(change))
    # `best` holds the score of a train that ends at a cell (row) with a period (column), `onward` that of the best
    # such train for a next stroke of each period. The row after the last cell stands for "before the record".
    best = np.full((cells, count), -np.inf)
    onward = np.full((cells + 1, count), -np.inf)
    through = np.zeros((cells + 1, count), dtype=np.intp)
    came = np.full((cells, count), -1, dtype=np.intp)
    state = np.arange(count)
    for start in range(0, cells, int(periods[0])):
        now = slice(start, min(start + int(periods[0]), cells))
        before = np.arange(now.start, now.stop)[:, None] - periods
        before[before < 0] = cells
        value = onward[before, state]
        better = value > 0.0
        best[now] = gains[:, now].T + np.where(better, value, 0.0)
        came[now] = np.where(better, through[before, state], -1)
        padded = np.pad(best[now], ((0, 0), (_REACH, _REACH)), constant_values=-np.inf)
        reach = sliding_window_view(padded, 2 * _REACH + 1, axis=1) + toll
        arg = reach.argmax(axis=2)
        onward[now] = np.take_along_axis(reach, arg[:, :, None], axis=2)[:, :, 0]
        through[now] = state + arg - _REACH
    where = int(best.argmax())
    at, now_state = where // count, where % count
    score = float(best[at, now_state])
    if score <= 0.0:
        return None
    times: list[int] = []
    tall: list[float] = []
    used: list[int] = []
    while True:
        times.append(at)
        tall.append(float(heights[now_state, at]))
        used.append(int(periods[now_state]))
        previous = int(came[at, now_state])
        if previous < 0:
            break
        at, now_state = at - int(periods[now_state]), previous
    return Train(
        np.array(times[::-1], dtype=np.float64) * _GRID_S,
        np.array(tall[::-1]),
        share * float(np.median(used)) * _GRID_S,
        score,
    )
