"""The model of a whole event: every stroke's height, time, speed and foot, and one shape for all of them.

Strokes share their shape and the law of their times. Each keeps its own height, so that a weak stroke stays weak.
What is known beforehand enters as Gaussian terms of the same sum of squares, so that an event with few samples leans
on the physics and an event with many leans on its samples.
"""

from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.pulse import SHAPE_NAMES, IndexArray, pulse
from gaugelink.peak.response import BlurredPulse, Response

LOCAL = 6
"""Parameters of one stroke: peak, time, logarithm of the speed at the peak, foot, step of the foot, lean."""
SHARED = len(SHAPE_NAMES) + 1
"""Parameters of the pulses of an event: those of the shape, and `Strokes.dwell`."""
EVENT = 2
"""Parameters of the whole event besides: `Strokes.gain` and `Strokes.sag`."""
_AS_USUAL, _MOST_DWELL = 0.1, 0.5
"""By how much less than the periods tell a last stroke's log speed may be and the stroke be like the others, and the
most beyond that makes a difference."""
_FOOT_REACH = 1.2
"""Half-widths over which the foot changes from its level before the pulse to that after it."""


@dataclass(frozen=True, slots=True)
class Strokes:
    """The parameters of an event with K strokes."""

    peak: FloatArray
    """Shape (K,). Pressure at the peak over the zero, in units of the event's typical height."""
    time_s: FloatArray
    """Shape (K,), rising."""
    log_speed: FloatArray
    """Shape (K,). Natural logarithm of the crank's speed at the peak in rad/s."""
    foot: FloatArray
    """Shape (K,). Level on which the pulse stands: pumping, drift of the gauge."""
    step: FloatArray
    """Shape (K,). Half the change of that level across the pulse: leak and heat."""
    lean: FloatArray
    """Shape (K,). How much faster the crank turns after the peak than before it, as a share: a crank that is about to
    stop, or that is thrown back, leans."""
    shape: FloatArray
    """Shape (7,), shared."""
    dwell: float
    """How much faster, as a share, the crank turns on both sides of a peak of height 1 than at it, beyond what the
    shape has: the gas slows a light one down at the top alone, and throws it on."""
    gain: float
    """Natural logarithm of the crank angle that one period would turn at the speed of the peak."""
    sag: float
    """How that logarithm changes with the logarithm of the period within the event."""

    def moved(self, step: FloatArray) -> "Strokes":
        """These strokes with a step of all parameters added, shape (6 K + 8 + 2,)."""
        own = LOCAL * len(self.peak)
        local = step[:own].reshape(-1, LOCAL)
        return Strokes(
            self.peak + local[:, 0],
            self.time_s + local[:, 1],
            self.log_speed + local[:, 2],
            self.foot + local[:, 3],
            self.step + local[:, 4],
            self.lean + local[:, 5],
            self.shape + step[own : own + SHARED - 1],
            self.dwell + float(step[own + SHARED - 1]),
            self.gain + float(step[-2]),
            self.sag + float(step[-1]),
        )

    def with_another(self, place: int, peak: float, time_s: float) -> "Strokes":
        """These strokes with one more before index `place`, like its neighbour in all but peak and time."""
        like = min(place, len(self.peak) - 1) if place == 0 else place - 1
        return replace(
            self,
            peak=np.insert(self.peak, place, peak),
            time_s=np.insert(self.time_s, place, time_s),
            log_speed=np.insert(self.log_speed, place, self.log_speed[like]),
            foot=np.insert(self.foot, place, self.foot[like]),
            step=np.insert(self.step, place, 0.0),
            lean=np.insert(self.lean, place, 0.0),
        )


@dataclass(frozen=True, slots=True)
class Seen:
    """The model at the samples."""

    value: FloatArray
    """Shape (n,)."""
    slope: FloatArray
    """Shape (n,): change per second."""
    height: FloatArray
    """Shape (n,): normalised pulse, 0 to 1."""
    slopes: FloatArray
    """Shape (6 + 8, n): derivatives for the parameters of the sample's own stroke, the shape and the dwell."""
    starts: IndexArray
    """Shape (K + 1,): the samples of stroke k are ``starts[k]:starts[k + 1]``."""


def around(log_period: FloatArray, first: FloatArray, last: FloatArray) -> FloatArray:
    """Mean logarithm of the periods on both sides of each stroke, shape (K,), of shape (K - 1,).

    The ends have a period on one side: `first` and `last`, of shape (1,), stand there, or (0,) for a single stroke.
    """
    return np.concatenate((first, 0.5 * (log_period[1:] + log_period[:-1]), last))


def _dwells(strokes: Strokes) -> tuple[FloatArray, FloatArray]:
    """By how much faster the crank is away from the top than at it, and the derivative by the log speed, shape (K,).

    A last stroke that crawls over its top, or is thrown back from it, is slow at the top alone: a radian away the crank
    has the speed that the periods tell. Times and law are held in the derivative.
    """
    dwell, slope = np.zeros(len(strokes.peak)), np.zeros(len(strokes.peak))
    log_period = np.log(np.diff(strokes.time_s))
    if len(log_period) > 2:
        ends = 1.5 * log_period[[0, -1]] - 0.5 * log_period[[1, -2]]
        mean = around(log_period, ends[:1], ends[1:])
        expected = strokes.gain + strokes.sag * float(mean[-1] - mean.mean()) - float(mean[-1])
        slower = expected - float(strokes.log_speed[-1]) - _AS_USUAL
        dwell[-1] = np.expm1(min(max(slower, 0.0), _MOST_DWELL))
        slope[-1] = -(1.0 + dwell[-1]) if 0.0 < slower < _MOST_DWELL else 0.0
    return dwell, slope


def boundaries(time_s: FloatArray, strokes: Strokes) -> IndexArray:
    """First sample of each stroke, shape (K + 1,): a sample belongs to the nearest peak."""
    middle = 0.5 * (strokes.time_s[1:] + strokes.time_s[:-1])
    return np.concatenate(([0], np.searchsorted(time_s, middle), [len(time_s)])).astype(np.intp)


def see(time_s: FloatArray, strokes: Strokes, rod_ratio: float, response: Response) -> Seen:
    """Model and derivatives at `time_s` (shape (n,), rising), in units of the typical height."""
    starts = boundaries(time_s, strokes)
    counts = np.diff(starts)
    speed = np.repeat(np.exp(strokes.log_speed), counts)
    even = speed * (time_s - np.repeat(strokes.time_s, counts))
    # the crank's speed goes smoothly from its value before the peak to that after it, within about a radian
    turn_over = even / np.sqrt(1.0 + even**2)
    lean = np.repeat(strokes.lean, counts)
    square = turn_over**2
    last, d_last = _dwells(strokes)
    # what slows the crank down at a top is the work of its gas
    dwell, d_dwell = np.repeat(last + strokes.dwell * strokes.peak, counts), np.repeat(d_last, counts)
    angle = even * (1.0 + lean * turn_over + dwell * square)
    d_even = 1.0 + lean * turn_over * (2.0 - square) + dwell * square * (3.0 - 2.0 * square)
    if response.blurs:
        owner = np.repeat(np.arange(len(counts)), counts)
        shape, blur = BlurredPulse(strokes.shape, rod_ratio, np.exp(strokes.log_speed), response).at(angle, owner)
    else:
        shape, blur = pulse(angle, strokes.shape, rod_ratio), np.zeros(len(time_s))
    height = shape.value
    turn = np.tanh(angle / _FOOT_REACH)
    step = np.repeat(strokes.step, counts)
    foot = np.repeat(strokes.foot, counts) + step * turn
    rise = np.repeat(strokes.peak, counts) - foot
    rest = 1.0 - height
    by_angle = rise * shape.d_angle + step * (1.0 - turn**2) / _FOOT_REACH * rest
    along = by_angle * d_even
    slopes = np.empty((LOCAL + SHARED, len(time_s)))
    by_dwell = by_angle * even * square
    slopes[0] = height + by_dwell * strokes.dwell
    np.multiply(along, -speed, out=slopes[1])
    slopes[2] = along * even + by_dwell * d_dwell + rise * blur
    slopes[3] = rest
    np.multiply(rest, turn, out=slopes[4])
    slopes[5] = by_angle * even * turn_over
    np.multiply(rise, shape.d_shape, out=slopes[LOCAL:-1])
    slopes[-1] = by_dwell * np.repeat(strokes.peak, counts)
    return Seen(rise * height + foot, -slopes[1], height, slopes, starts)
