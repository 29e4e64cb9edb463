"""What is known of a cranked engine before its samples are seen, as linear Gaussian terms around the present strokes."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.fit_model import LOCAL, SHARED, Strokes
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN, SHAPE_WHITEN

SPEED_SD = 0.04
"""Scatter, stroke to stroke, of the speed at the peak over the mean speed around it (a ratio)."""
PERIOD_BEND_SD = 0.012
"""Typical second difference of the logarithm of the period: a crank gains or loses speed smoothly."""
PERIOD_CHANGE_SD = 0.25
"""Typical change of the logarithm of the period between strokes, spin-up from a standstill included."""
FOOT_SD = 0.02
"""Level of the foot over the zero, as a share of the height: pumping, exhaust, drift of the gauge."""
FOOT_SCATTER_SD = 0.006
"""Change of the foot between neighbouring strokes, as a share of the height."""
STEP_MEAN = -0.01
STEP_SD = 0.012
"""Half the change of the foot across a pulse, as a share of the height."""
PEAK_CHANGE_SD = 0.03
"""Typical change of height between neighbours, with tails heavy enough to let a weak stroke be weak."""
_TAIL = 3.0


@dataclass(frozen=True, slots=True)
class Terms:
    """Rows of the prior: residuals and their derivatives for all parameters, both over their standard deviations."""

    residual: FloatArray
    """Shape (m,)."""
    rows: FloatArray
    """Shape (m, 5 K + 7 + 1): strokes one after the other, then the shape, then the speed over the pulse rate."""


def _heavy(residual: FloatArray, degrees: float) -> FloatArray:
    """Square roots of the Student-t weights of normalised residuals: far ones count less."""
    return np.sqrt((degrees + 1.0) / (degrees + residual**2))


def terms(strokes: Strokes, gain: float, gain_mean: float, gain_sd: float) -> Terms:
    """Prior terms at `strokes`; `gain` is the logarithm of the angle turned per period at the speed of the peak."""
    count = len(strokes.time_s)
    size = LOCAL * count + SHARED + 1
    residuals: list[FloatArray] = []
    blocks: list[FloatArray] = []

    def add(residual: FloatArray, rows: FloatArray, degrees: float | None = None) -> None:
        if degrees is not None:
            weight = _heavy(residual, degrees)
            residual, rows = residual * weight, rows * weight[:, None]
        residuals.append(residual)
        blocks.append(rows)

    shape_rows = np.zeros((SHARED, size))
    shape_rows[:, LOCAL * count : LOCAL * count + SHARED] = SHAPE_WHITEN
    add(SHAPE_WHITEN @ (strokes.shape - SHAPE_PRIOR_MEAN), shape_rows)
    gain_row = np.zeros((1, size))
    gain_row[0, -1] = 1.0 / gain_sd
    add(np.array([(gain - gain_mean) / gain_sd]), gain_row)

    index = np.arange(count)
    scale = np.maximum(np.abs(strokes.peak), 0.1)
    for offset, values, sd in ((3, strokes.foot, FOOT_SD), (4, strokes.step - STEP_MEAN * scale, STEP_SD)):
        rows = np.zeros((count, size))
        rows[index, LOCAL * index + offset] = 1.0 / (sd * scale**0.5)
        add(values / (sd * scale**0.5), rows, _TAIL)
    if count < 2:
        return Terms(np.concatenate(residuals), np.vstack(blocks))

    first = np.arange(count - 1)
    rows = np.zeros((count - 1, size))
    rows[first, LOCAL * first + 3] = -1.0 / FOOT_SCATTER_SD
    rows[first, LOCAL * first + LOCAL + 3] = 1.0 / FOOT_SCATTER_SD
    add(np.diff(strokes.foot) / FOOT_SCATTER_SD, rows, _TAIL)
    rows = np.zeros((count - 1, size))
    rows[first, LOCAL * first] = -1.0 / PEAK_CHANGE_SD
    rows[first, LOCAL * first + LOCAL] = 1.0 / PEAK_CHANGE_SD
    add(np.diff(strokes.peak) / PEAK_CHANGE_SD, rows, 1.0)

    period = np.diff(strokes.time_s)
    log_period = np.log(period)
    # derivative of each log period for each time
    d_period = np.zeros((count - 1, size))
    d_period[first, LOCAL * first + 1] = -1.0 / period
    d_period[first, LOCAL * first + LOCAL + 1] = 1.0 / period
    if count > 2:
        add(np.diff(log_period) / PERIOD_CHANGE_SD, np.diff(d_period, axis=0) / PERIOD_CHANGE_SD, _TAIL)
    if count > 3:
        add(np.diff(log_period, 2) / PERIOD_BEND_SD, np.diff(d_period, 2, axis=0) / PERIOD_BEND_SD, 2.0)

    # Speed at a peak against the mean of the periods around it; an end leans on the trend of its neighbours.
    mix = np.zeros((count, count - 1))
    inner = np.arange(1, count - 1)
    mix[inner, inner - 1] = mix[inner, inner] = 0.5
    mix[0, 0] = mix[-1, -1] = 1.0
    if count > 3:
        mix[0, :2] = 1.5, -0.5
        mix[-1, -2:] = -0.5, 1.5
    rows = -(mix @ -d_period)
    rows[index, LOCAL * index + 2] += 1.0
    rows[:, -1] -= 1.0
    spread = np.full(count, SPEED_SD)
    spread[[0, -1]] *= 1.5
    add((strokes.log_speed + mix @ log_period - gain) / spread, rows / spread[:, None], 4.0)
    return Terms(np.concatenate(residuals), np.vstack(blocks))
