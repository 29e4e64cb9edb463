"""How a gauge blurs what the cylinder does: a first-order lag, and an average over the time of each sample.

A delta-sigma converter, or a processor that adds up many conversions, gives the mean of the pressure since the sample
before. At 100 samples/s that takes a fifth off the top of a stroke, and nothing in the samples shows it: the blurred
pulse looks like the pulse of another engine. So it has to be stated.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter
from scipy.sparse import csr_array

from gaugelink.peak.events import FloatArray, GaugeTraits
from gaugelink.peak.pulse import IndexArray, Pulse, pulse

_GRID = np.linspace(-np.pi, np.pi, 721)
_STEP = float(_GRID[1] - _GRID[0])


@dataclass(frozen=True, slots=True)
class Response:
    """What lies between the cylinder and a sample."""

    lag_s: float = 0.0
    """Time constant of a first-order lag."""
    averaging_s: float = 0.0
    """Time up to a sample over which it is the mean."""

    @property
    def blurs(self) -> bool:
        """Whether a sample is anything but the pressure at its time."""
        return self.lag_s > 0.0 or self.averaging_s > 0.0


def response_of(traits: GaugeTraits) -> Response:
    """What is stated of a gauge; what is not is taken as nothing."""
    return Response(traits.lag_s or 0.0, traits.averaging_s or 0.0)


class BlurredPulse:
    """The shape as a gauge shows it that blurs: one time is another angle of the crank at every speed."""

    def __init__(self, shape: FloatArray, rod_ratio: float, speed: FloatArray, response: Response) -> None:
        """Make ready for the crank's speeds `speed` (radians per second, shape (k,))."""
        bare = pulse(_GRID, shape, rod_ratio)
        rows = np.column_stack((bare.value, bare.d_angle, bare.d_shape.T))
        low, high = float(speed.min()), float(speed.max())
        # The speeds of one event hardly differ: a polynomial through a few of them is right to 1e-4 of the height.
        count = 1 if high < 1.001 * low else 3 if high < 2.0 * low else 5
        nodes = np.linspace(low, high, count) if count > 1 else np.array([0.5 * (low + high)])
        self._seen = np.stack(
            [_through(rows, response.lag_s * node, response.averaging_s * node) for node in nodes.tolist()]
        )
        self._weights = np.ones((len(speed), count))
        for k, node in enumerate(nodes):
            others = np.delete(nodes, k)
            self._weights[:, k] = np.prod((speed[:, None] - others) / (node - others), axis=1)

    @property
    def tops(self) -> FloatArray:
        """Highest value at each speed, shape (k,): what is left of 1."""
        return np.asarray((self._weights @ self._seen[:, :, 0]).max(axis=1))

    def at(self, angle: FloatArray, which: IndexArray) -> tuple[Pulse, FloatArray]:
        """Pulse at `angle` (shape (n,), radians), each at the speed number `which` (shape (n,)).

        Beside it the derivative of its value by the logarithm of that speed, shape (n,), the angle held.
        """
        place = (np.clip(angle, -np.pi, np.pi) + np.pi) / _STEP
        left = np.minimum(place.astype(np.int32), len(_GRID) - 2)
        share = place - left
        count, points, columns = self._seen.shape
        # Of every sample the points of the grid beside it, at all speeds: a sparse matrix times the pulses on the grid.
        weight = self._weights[which]
        beside = np.empty((len(angle), count, 2))
        beside[:, :, 0] = weight * (1.0 - share)[:, None]
        beside[:, :, 1] = weight * share[:, None]
        point = (
            left[:, None, None] + (np.arange(count, dtype=np.int32) * points)[:, None] + np.arange(2, dtype=np.int32)
        )
        every = np.arange(0, beside.size + 1, 2 * count, dtype=np.int32)
        mix = csr_array((beside.ravel(), point.ravel(), every), shape=(len(angle), count * points))
        out = (mix @ self._seen.reshape(count * points, columns)).T
        return Pulse(out[0], out[1], out[2:-1]), out[-1]


def _through(rows: FloatArray, lag: float, averaging: float) -> FloatArray:
    """Columns on the grid of angles, shape (g, c), as seen through a lag and an average, both in radians.

    One more column, shape (g, c + 1), is the derivative of the first by the logarithm of the speed.
    """
    by_speed = np.zeros((len(rows), 1))
    if lag > 0.0:
        # With y + L y' = x: the derivative of y by log L obeys q + L q' = -L y', which is y - x.
        rows = _lagged(rows, lag)
        by_speed = _lagged(rows[:, :1], lag) - rows[:, :1]
    if averaging > 0.0:
        before = np.interp(_GRID - averaging, _GRID, rows[:, 0], left=0.0)
        rows = _averaged(rows, averaging)
        by_speed = _averaged(by_speed, averaging) + (before - rows[:, 0])[:, None]
    return np.column_stack((rows, by_speed))


def _lagged(rows: FloatArray, lag: float) -> FloatArray:
    keep = np.exp(-_STEP / lag)
    # ramp-invariant: exact for a pulse that is straight between the points of the grid
    ramp = lag / _STEP * (1.0 - keep)
    seen: FloatArray = lfilter([1.0 - ramp, ramp - keep], [1.0, -keep], rows, axis=0)
    return seen


def _averaged(rows: FloatArray, averaging: float) -> FloatArray:
    """Mean over the angle `averaging` up to each point of the grid; before the grid there is nothing."""
    total = np.zeros_like(rows)
    np.cumsum(0.5 * (rows[1:] + rows[:-1]), axis=0, out=total[1:])
    back = np.clip((_GRID - averaging + np.pi) / _STEP, 0.0, None)
    left = np.minimum(back.astype(np.intp), len(_GRID) - 2)
    share = (back - left)[:, None]
    # the integral of what is straight between two points bends between them
    upto = total[left] + share * rows[left] + 0.5 * share**2 * (rows[left + 1] - rows[left])
    seen: FloatArray = (total - upto) * (_STEP / averaging)
    return seen
