"""What is known of a cranked engine before its samples are seen, linearised around the present strokes."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.fit_model import EVENT, LOCAL, SHARED, Strokes
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
LEAN_CHANGE_SD = 0.008
"""Typical difference of that change between neighbouring strokes."""
LEAN_END_LOOSER = 2.0
"""By how much freer it is at the ends: the first stroke comes from standstill, the last may stop or be thrown back."""
ODD_LOOSER = 3.0
"""By how much step and lean of a stroke are freer for a height that differs from the usual one by all of it."""
PEAK_CHANGE_SD = 0.012
"""Typical change of height between neighbours, with tails heavy enough to let a weak stroke be weak."""
END_LOOSER = 2.5
"""By how much freer the heights of the first and the last stroke are: one starts from standstill, one ends in it."""
_TAIL = 3.0


@dataclass(frozen=True, slots=True)
class Terms:
    """Rows of the prior: residuals and their derivatives for all parameters, both over their standard deviations."""

    residual: FloatArray
    """Shape (m,), weighted so that its square's gradient is that of `cost`."""
    rows: FloatArray
    """Shape (m, 6 K + 7 + 2): strokes one after the other, the shape, `gain` and `sag`."""
    cost: float
    """Negative log prior, up to a constant."""


class _Gathered:
    def __init__(self, count: int) -> None:
        self.size = LOCAL * count + SHARED + EVENT
        self._residuals: list[FloatArray] = []
        self._rows: list[FloatArray] = []
        self._cost = 0.0

    def add(self, residual: FloatArray, rows: FloatArray, degrees: float | None = None) -> None:
        """Add normalised residuals; with `degrees` they follow Student's t, so that far ones count less."""
        if degrees is None:
            self._cost += 0.5 * float(residual @ residual)
        else:
            self._cost += 0.5 * (degrees + 1.0) * float(np.log1p(residual**2 / degrees).sum())
            weight = np.sqrt((degrees + 1.0) / (degrees + residual**2))
            residual, rows = residual * weight, rows * weight[:, None]
        self._residuals.append(residual)
        self._rows.append(rows)

    def terms(self) -> Terms:
        return Terms(np.concatenate(self._residuals), np.vstack(self._rows), self._cost)


def terms(strokes: Strokes, usual: float, odd: FloatArray, gain_mean: float, gain_sd: float) -> Terms:
    """Prior terms at `strokes`.

    `usual` is the height to which changes of height are compared, `odd` (shape (K,)) how far, as a share of it, each
    stroke is from it: both are held while strokes are moved. `gain_mean` and `gain_sd` are what is expected of
    `Strokes.gain`.
    """
    count = len(strokes.time_s)
    out = _Gathered(count)
    size = out.size
    index = np.arange(count)

    shape_rows = np.zeros((SHARED, size))
    shape_rows[:, LOCAL * count : LOCAL * count + SHARED] = SHAPE_WHITEN
    out.add(SHAPE_WHITEN @ (strokes.shape - SHAPE_PRIOR_MEAN), shape_rows, _TAIL)
    event_rows = np.zeros((EVENT, size))
    event_rows[0, -2] = 1.0 / gain_sd
    event_rows[1, -1] = 1.0 / SAG_SD
    out.add(np.array([(strokes.gain - gain_mean) / gain_sd, (strokes.sag - SAG_MEAN) / SAG_SD]), event_rows)

    rows = np.zeros((count, size))
    rows[index, LOCAL * index + 3] = 1.0 / FOOT_SD
    out.add(strokes.foot / FOOT_SD, rows, _TAIL)
    rows = np.zeros((count, size))
    # A stroke that is weaker than the others lost its gas or its speed: both show beside its peak.
    looser = 1.0 + ODD_LOOSER * odd
    step_sd = STEP_SD * looser
    rows[index, LOCAL * index + 4] = 1.0 / step_sd
    rows[index, LOCAL * index] = -STEP_MEAN / step_sd
    out.add((strokes.step - STEP_MEAN * strokes.peak) / step_sd, rows, _TAIL)
    inner = index[1:-1] if count > 2 else index
    rows = np.zeros((1, size))
    rows[0, LOCAL * inner + 5] = 1.0 / (len(inner) * LEAN_SD)
    out.add(np.array([(strokes.lean[inner].mean() - LEAN_MEAN) / LEAN_SD]), rows)
    if count > 1:
        _neighbours(out, strokes, usual, odd)
    return out.terms()


def _neighbours(out: _Gathered, strokes: Strokes, usual: float, odd: FloatArray) -> None:
    """Terms that tie a stroke to those before and after it."""
    count, size = len(strokes.time_s), out.size
    index = np.arange(count)
    first = np.arange(count - 1)
    ends = np.ones(count - 1)
    ends[[0, -1]] = END_LOOSER
    for offset, values, sd, degrees in (
        (3, strokes.foot, np.full(count - 1, FOOT_SCATTER_SD), _TAIL),
        (0, strokes.peak, PEAK_CHANGE_SD * usual * ends, 1.0),
    ):
        rows = np.zeros((count - 1, size))
        rows[first, LOCAL * first + offset] = -1.0 / sd
        rows[first, LOCAL * first + LOCAL + offset] = 1.0 / sd
        out.add(np.diff(values) / sd, rows, degrees)
    lean_sd = LEAN_CHANGE_SD * (1.0 + ODD_LOOSER * np.maximum(odd[1:], odd[:-1]))
    lean_sd[0] *= LEAN_END_LOOSER
    lean_sd[-1] *= LEAN_END_LOOSER
    rows = np.zeros((count - 1, size))
    rows[first, LOCAL * first + 5] = -1.0 / lean_sd
    rows[first, LOCAL * first + LOCAL + 5] = 1.0 / lean_sd
    out.add(np.diff(strokes.lean) / lean_sd, rows, 2.0)

    period = np.diff(strokes.time_s)
    log_period = np.log(period)
    d_period = np.zeros((count - 1, size))
    d_period[first, LOCAL * first + 1] = -1.0 / period
    d_period[first, LOCAL * first + LOCAL + 1] = 1.0 / period
    if count > 2:
        out.add(np.diff(log_period) / PERIOD_CHANGE_SD, np.diff(d_period, axis=0) / PERIOD_CHANGE_SD, _TAIL)
    if count > 3:
        out.add(np.diff(log_period, 2) / PERIOD_BEND_SD, np.diff(d_period, 2, axis=0) / PERIOD_BEND_SD, 1.5)

    # Speed at a peak against the mean of the periods around it; an end leans on the trend of its neighbours.
    mix = np.zeros((count, count - 1))
    inner = np.arange(1, count - 1)
    mix[inner, inner - 1] = mix[inner, inner] = 0.5
    mix[0, 0] = mix[-1, -1] = 1.0
    if count > 3:
        mix[0, :2] = 1.5, -0.5
        mix[-1, -2:] = -0.5, 1.5
    around, d_around = mix @ log_period, mix @ d_period
    load = around - around.mean()
    rows = d_around - strokes.sag * (d_around - d_around.mean(axis=0))
    rows[index, LOCAL * index] += LIFT_MEAN / usual
    rows[index, LOCAL * index + 2] += 1.0
    rows[:, -2] = -1.0
    rows[:, -1] = -load
    spread = np.hypot(SPEED_SD, LIFT_SD * odd)
    spread[[0, -1]] *= 1.5
    residual = strokes.log_speed + around - strokes.gain - strokes.sag * load + LIFT_MEAN * (strokes.peak / usual - 1.0)
    out.add(residual / spread, rows / spread[:, None], _TAIL)
