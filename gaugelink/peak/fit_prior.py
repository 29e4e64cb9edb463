"""What is known of a cranked engine before its samples are seen, linearised around the present strokes."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.fit_arrow import BORDER, Arrow, Everywhere, Tie
from gaugelink.peak.fit_model import LOCAL, SHARED, Strokes, around
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN, SHAPE_WHITEN

SPEED_SD = 0.015
"""Scatter, stroke to stroke, of the speed at the peak over the mean speed around it (a ratio)."""
SAG_MEAN, SAG_SD = -0.3, 0.3
"""How that ratio follows the logarithm of the period: the slower the crank, the more one compression slows it.

With a kinetic energy E between strokes and a work W of compression, the speed at the peak is that between strokes
times sqrt(1 - W/E), and E falls with the square of the period.
"""
LIFT_MEAN, LIFT_SD = 0.2, 0.12
"""How much faster, as a logarithm, a stroke without any height would be passed: W goes with the height."""
PERIOD_BEND_SD = 0.005
"""Typical second difference of the logarithm of the period: a crank gains or loses speed smoothly."""
PERIOD_CHANGE_SD = 0.25
"""Typical change of the logarithm of the period between strokes, spin-up from a standstill included."""
FOOT_SD = 0.02
"""Level of the foot over the zero, as a share of the height: pumping, exhaust, drift of the gauge."""
FOOT_SCATTER_SD = 0.006
"""Change of the foot between neighbouring strokes, as a share of the height."""
STEP_MEAN = -0.003
STEP_SD = 0.008
"""Half the change of the foot across a pulse, as a share of the height."""
LEAN_MEAN, LEAN_SD = 0.08, 0.1
"""Change of the speed across a peak, alike for all strokes of an event."""
COASTING_LEAN, DWELL_OF_LEAN, DWELL_SD = 0.05, 1.5, 0.1
"""A crank coasts over its top nearly evenly. What gains more speed across it than the first gets that from the gas or
from a push, and the more there is of either, for its inertia, the more it was slowed down before: how much faster it is
on both sides of the top, for each unit of that lean, and how far single engines are from it. From 320 simulated pulls,
half of them of cranks that leave four fifths of their inertia behind."""
LEAN_CHANGE_SD = 0.008
"""Typical difference of that change between neighbouring strokes."""
LEAN_END_LOOSER = 2.0
"""By how much freer it is at the ends: the first stroke comes from standstill, the last may stop or be thrown back."""
ODD_LOOSER = 3.0
"""By how much step and lean of a stroke are freer for a height that differs from the usual one by all of it."""
PEAK_CHANGE_SD = 0.008
"""Typical change of height between neighbours, with tails heavy enough to let a weak stroke be weak."""
END_LOOSER = 3.75
"""By how much freer the heights of the first and the last stroke are: one starts from standstill, one ends in it."""
FADE = 0.1
"""By how much, as a share, heights fall with the logarithm of the period: a slower stroke has longer to leak and to
cool. The median of 713 simulated events."""
_MOST_SLOWING = 0.3
"""Largest change of that logarithm that heights follow: beyond it the crank is about to stop."""
FIRST_LOWER = 0.04
"""By how much the first stroke of a crank that stood still is usually lower than the second, as a share."""
LAST_OTHER, LAST_WIDER = 0.1, 20.0
"""A crank that stops or is thrown back goes by no law: beside the density of the last stroke's height, lean and period
by those before it, another one that is so much lower at its top and so many times wider.
"""
LAST_OTHER_ON_TIME, LAST_OTHER_LATE, ON_TIME_SD = 0.01, 0.6, 0.02
"""The same of the last stroke's speed. One that comes on time, by the second difference of the logarithm of the period,
mostly has the speed of the others; one that does not, hardly ever."""
_TAIL = 3.0

_PEAK, _TIME, _SPEED, _FOOT, _STEP, _LEAN = range(LOCAL)


@dataclass(frozen=True, slots=True)
class Held:
    """What the terms depend on and is held while strokes are moved: else they could be made to cost less."""

    usual: float
    """Height to which changes of height are compared."""
    odd: FloatArray
    """Shape (K,): how far, as a share of it, each stroke is from it."""
    last_other: float
    """See `LAST_OTHER_ON_TIME`."""
    rise: FloatArray
    """Shape (K - 1,): by how much each stroke is expected to be higher than the one before, as a share."""
    from_rest: bool
    """Whether the crank stood still before the first stroke."""
    dwell: float
    """What is expected of `Strokes.dwell`."""


def held_at(strokes: Strokes, from_rest: bool) -> Held:
    """What is held while strokes are moved from `strokes` on."""
    usual = max(float(np.median(strokes.peak)), 0.1)
    log_period = np.log(np.diff(strokes.time_s))
    last_other = LAST_OTHER
    if len(log_period) > 2:
        bend = float(np.diff(log_period[-3:], 2)[0])
        on_time = float(np.exp(-0.5 * (bend / ON_TIME_SD) ** 2))
        last_other = LAST_OTHER_LATE + (LAST_OTHER_ON_TIME - LAST_OTHER_LATE) * on_time
    slowing = np.diff(around(log_period, log_period[:1], log_period[-1:]))
    rise = -FADE * np.clip(slowing, -_MOST_SLOWING, _MOST_SLOWING)
    dwell = DWELL_OF_LEAN * max(float(strokes.lean[_inner(strokes)].mean()) - COASTING_LEAN, 0.0)
    return Held(usual, np.abs(strokes.peak / usual - 1.0), last_other, rise, from_rest, dwell)


def _inner(strokes: Strokes) -> slice:
    """The strokes between others, or all of two."""
    count = len(strokes.time_s)
    return slice(1, count - 1) if count > 2 else slice(count)


@dataclass(frozen=True, slots=True)
class Terms:
    """Rows of the prior: residuals and their derivatives, both over their standard deviations."""

    ties: list[Tie]
    everywhere: Everywhere
    cost: float
    """Negative log prior, up to a constant."""

    def arrow(self) -> Arrow:
        """Their normal equations."""
        return Arrow(self.ties, self.everywhere)


class _Gathered:
    def __init__(self) -> None:
        self.ties: list[Tie] = []
        self.cost = 0.0

    def weighed(
        self, residual: FloatArray, degrees: FloatArray | float | None = None, other: FloatArray | float = 0.0
    ) -> tuple[FloatArray, FloatArray]:
        """Count normalised residuals; give their weights, and themselves weighed.

        With `degrees` they follow Student's t, so that far ones count less. `other` is how high, beside the top of that
        density, another one stands that is `LAST_WIDER` times wider: of what may be like the rest or nothing like it.
        """
        if degrees is None:
            self.cost += 0.5 * float((residual**2).sum())
            return np.ones_like(residual), residual
        square = residual**2
        power = 0.5 * (degrees + 1.0)
        alike = (1.0 - other) * np.power(1.0 + square / degrees, -power)
        wide = other * np.power(1.0 + square / (degrees * LAST_WIDER**2), -power)
        self.cost -= float(np.log(alike + wide).sum())
        slope = alike / (degrees + square) + wide / (degrees * LAST_WIDER**2 + square)
        weight = np.sqrt((degrees + 1.0) * slope / (alike + wide))
        return weight, residual * weight

    def tie(
        self,
        residual: FloatArray,
        own: FloatArray,
        degrees: FloatArray | float,
        border: FloatArray | None = None,
        mean: FloatArray | None = None,
        other: FloatArray | float = 0.0,
    ) -> None:
        """Add normalised residuals that tie neighbouring strokes; `degrees` is for all, or of shape (r,)."""
        weight, residual = self.weighed(residual, degrees, other)
        self.ties.append(
            Tie(
                residual,
                own * weight[:, :, None, None],
                None if border is None else border * weight[:, :, None],
                None if mean is None else mean * weight,
            )
        )


def terms(strokes: Strokes, held: Held, gain_mean: float, gain_sd: float) -> Terms:
    """Prior terms at `strokes`; `gain_mean` and `gain_sd` are what is expected of `Strokes.gain`."""
    count = len(strokes.time_s)
    out = _Gathered()
    # A stroke that is weaker than the others lost its gas or its speed: both show beside its peak.
    step_sd = STEP_SD * (1.0 + ODD_LOOSER * held.odd)
    own = np.zeros((count, 2, 1, LOCAL))
    own[:, 0, 0, _FOOT] = 1.0 / FOOT_SD
    own[:, 1, 0, _STEP] = 1.0 / step_sd
    own[:, 1, 0, _PEAK] = -STEP_MEAN / step_sd
    step = (strokes.step - STEP_MEAN * strokes.peak) / step_sd
    out.tie(np.column_stack((strokes.foot / FOOT_SD, step)), own, _TAIL)
    mean = np.zeros((count, LOCAL))
    if count > 1:
        _neighbours(out, strokes, held)
        mean[:, _TIME] = _speed(out, strokes, held)
    return Terms(out.ties, _everywhere(out, strokes, held, mean, gain_mean, gain_sd), out.cost)


def _everywhere(
    out: _Gathered, strokes: Strokes, held: Held, mean: FloatArray, gain_mean: float, gain_sd: float
) -> Everywhere:
    """Terms of the whole event: its shape and dwell, the law between speed and period, and the lean of its strokes."""
    weight, shape = out.weighed(SHAPE_WHITEN @ (strokes.shape - SHAPE_PRIOR_MEAN), _TAIL)
    _, event = out.weighed(np.array([(strokes.gain - gain_mean) / gain_sd, (strokes.sag - SAG_MEAN) / SAG_SD]))
    _, dwell = out.weighed(np.array([(strokes.dwell - held.dwell) / DWELL_SD]))
    border = np.zeros((BORDER, BORDER))
    border[: SHARED - 1, : SHARED - 1] = SHAPE_WHITEN * weight[:, None]
    border[SHARED - 1, SHARED - 1] = 1.0 / DWELL_SD
    border[SHARED:, SHARED:] = np.diag([1.0 / gain_sd, 1.0 / SAG_SD])
    count = len(strokes.time_s)
    inner = _inner(strokes)
    leans = strokes.lean[inner]
    row = np.zeros((count, LOCAL))
    row[inner, _LEAN] = 1.0 / (len(leans) * LEAN_SD)
    _, lean = out.weighed(np.array([(leans.mean() - LEAN_MEAN) / LEAN_SD]))
    anchor = np.zeros((count, LOCAL))
    anchor[count // 2, _LEAN] = 1.0 / LEAN_SD
    return Everywhere(mean, row, float(lean[0]), anchor, border, np.concatenate((shape, dwell, event)))


def _neighbours(out: _Gathered, strokes: Strokes, held: Held) -> None:
    """Terms that tie a stroke to those before and after it."""
    count = len(strokes.time_s)
    ends = np.ones(count - 1)
    ends[[0, -1]] = END_LOOSER
    lean_sd = LEAN_CHANGE_SD * (1.0 + ODD_LOOSER * np.maximum(held.odd[1:], held.odd[:-1]))
    lean_sd[0] *= LEAN_END_LOOSER
    lean_sd[-1] *= LEAN_END_LOOSER
    own = np.zeros((count - 1, 3, 2, LOCAL))
    residual = np.empty((count - 1, 3))
    scatter: list[tuple[int, FloatArray, FloatArray]] = [
        (_FOOT, strokes.foot, np.full(count - 1, FOOT_SCATTER_SD)),
        (_PEAK, strokes.peak, PEAK_CHANGE_SD * held.usual * ends),
        (_LEAN, strokes.lean, lean_sd),
    ]
    for row, (which, values, sd) in enumerate(scatter):
        own[:, row, 0, which] = -1.0 / sd
        own[:, row, 1, which] = 1.0 / sd
        residual[:, row] = np.diff(values) / sd
    residual[:, 1] -= held.rise * held.usual / scatter[1][2]
    if held.from_rest:
        residual[0, 1] -= FIRST_LOWER * held.usual / scatter[1][2][0]
    other = np.zeros((count - 1, 3))
    other[-1, 1:] = LAST_OTHER
    out.tie(residual, own, np.array([_TAIL, 1.0, 2.0]), other=other)
    period = np.diff(strokes.time_s)
    log_period = np.log(period)
    if count > 2:
        own = np.zeros((count - 2, 1, 3, LOCAL))
        own[:, 0, :, _TIME] = _by_times(period, (-1.0, 1.0)) / PERIOD_CHANGE_SD
        out.tie(np.diff(log_period)[:, None] / PERIOD_CHANGE_SD, own, _TAIL)
    if count > 3:
        own = np.zeros((count - 3, 1, 4, LOCAL))
        own[:, 0, :, _TIME] = _by_times(period, (1.0, -2.0, 1.0)) / PERIOD_BEND_SD
        other = np.zeros((count - 3, 1))
        other[-1] = LAST_OTHER
        out.tie(np.diff(log_period, 2)[:, None] / PERIOD_BEND_SD, own, 1.5, other=other)


def _by_times(period: FloatArray, mix: tuple[float, ...]) -> FloatArray:
    """Derivatives of every mix of neighbouring log periods by the times of the strokes, shape (m, len(mix) + 1)."""
    rows = len(period) - len(mix) + 1
    out = np.zeros((rows, len(mix) + 1))
    for place, share in enumerate(mix):
        slope = share / period[place : place + rows]
        out[:, place] -= slope
        out[:, place + 1] += slope
    return out


def _speed(out: _Gathered, strokes: Strokes, held: Held) -> FloatArray:
    """Tie the speed at a peak to the mean of the periods around it; an end leans on the trend of its neighbours.

    Returns the derivatives of the mean of all that by the times of the strokes, shape (K,).
    """
    count = len(strokes.time_s)
    period = np.diff(strokes.time_s)
    log_period = np.log(period)
    # Of each row of a window: which of its strokes it is about, how it mixes the window's periods, in which windows.
    first, last = ((1.5, -0.5), (-0.5, 1.5)) if count > 3 else ((1.0, 0.0), (0.0, 1.0))
    parts: list[tuple[int, tuple[float, ...], slice]] = [
        (0, first, slice(0, 1)),
        (1, (0.5, 0.5), slice(None)),
        (2, last, slice(-1, None)),
    ]
    if count == 2:
        parts = [(0, (1.0,), slice(None)), (1, (1.0,), slice(None))]
    span = min(count, 3)
    windows = count - span + 1
    slopes = np.zeros((windows, len(parts), span))
    stroke = np.zeros((windows, len(parts)), dtype=np.intp)
    there = np.zeros((windows, len(parts), 1))
    beside = np.empty(count)
    for row, (place, mix, where) in enumerate(parts):
        slopes[where, row] = _by_times(period, mix)[where]
        stroke[:, row] = np.arange(windows) + place
        there[where, row] = 1.0
        mixed = np.convolve(log_period, mix[::-1], mode="valid")
        beside[stroke[where, row]] = mixed[where]
    d_mean = np.zeros(count)
    for j in range(span):
        d_mean[j : j + windows] += slopes[:, :, j].sum(axis=1) / count
    load = beside - beside.mean()
    # an end has a period on one side only, which says less of its speed; what its height says of it is no less sure
    speed_sd = np.full(count, SPEED_SD)
    speed_sd[[0, -1]] *= 1.5
    spread = np.hypot(speed_sd, LIFT_SD * held.odd)
    residual = (
        strokes.log_speed + beside - strokes.gain - strokes.sag * load + LIFT_MEAN * (strokes.peak / held.usual - 1.0)
    )
    # A row that is not in a window weighs nothing there.
    sure = there / spread[stroke][:, :, None]
    own = np.zeros((windows, len(parts), span, LOCAL))
    own[:, :, :, _TIME] = (1.0 - strokes.sag) * slopes * sure
    for row, (place, _, _) in enumerate(parts):
        own[:, row, place, _PEAK] = LIFT_MEAN / held.usual * sure[:, row, 0]
        own[:, row, place, _SPEED] = sure[:, row, 0]
    border = np.zeros((windows, len(parts), BORDER))
    border[:, :, -2:] = np.stack((np.full_like(load, -1.0), -load), axis=1)[stroke] * sure
    other = np.zeros((windows, len(parts)))
    other[-1, -1] = held.last_other
    out.tie(residual[stroke] * sure[:, :, 0], own, _TAIL, border, strokes.sag * sure[:, :, 0], other)
    return d_mean
