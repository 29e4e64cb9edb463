"""The shape of one compression pulse: a gas squeezed by a crank-slider.

The shape is normalised: 1 at the peak, 0 where the cylinder is open. Its argument is the crank angle from the peak.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaugelink.peak.events import FloatArray

IndexArray = NDArray[np.intp]

SHAPE_NAMES = ("clearance", "exponent", "open", "skew3", "even4", "skew5", "even6")
"""The shared shape parameters, in the order in which `pulse` returns their derivatives."""

SHAPE_PRIOR_MEAN = np.array([1.63, 1.35, 0.105, -0.014, -0.0085, -0.0045, -0.0045])
"""Shape before any sample is seen. Clearance is the logarithm of an effective compression ratio less one.

Once a pulse is scaled to its height and width, the shapes of cranked engines hardly differ: 1,500 one-zone engines
(both cycles, trapped ratios 4 to 12, rods of 3 to 5 crank radii, 150 to 900 rpm, wall heat transfer of 80 to
500 W/(m2 K), leaks of 0.02 to 1.2 mm2 at 60 mm bore, up to three quarters of the crank's energy lost to one
compression) were integrated and this function fitted to each; see tests/benchmarks/pulse_shapes.py.
"""

SHAPE_PRIOR_SD = 1.5 * np.array([0.066, 0.0167, 0.0177, 0.0119, 0.0054, 0.0032, 0.004])
"""Standard deviations of the same, half as much again for what such a model leaves out."""

_CORRELATION = np.array(
    [
        [1.0, 0.738, 0.580, 0.619, -0.163, 0.283, -0.602],
        [0.738, 1.0, 0.849, 0.253, -0.619, -0.145, -0.742],
        [0.580, 0.849, 1.0, -0.134, -0.262, -0.494, -0.330],
        [0.619, 0.253, -0.134, 1.0, -0.161, 0.802, -0.660],
        [-0.163, -0.619, -0.262, -0.161, 1.0, -0.008, 0.693],
        [0.283, -0.145, -0.494, 0.802, -0.008, 1.0, -0.278],
        [-0.602, -0.742, -0.330, -0.660, 0.693, -0.278, 1.0],
    ]
)
_SOFT = 0.95
"""Trust in those correlations: keeps the matrix well away from singular."""
_BLEND = _SOFT * _CORRELATION + (1.0 - _SOFT) * np.eye(len(SHAPE_NAMES))

SHAPE_WHITEN = np.linalg.inv(np.linalg.cholesky(_BLEND)) / SHAPE_PRIOR_SD
"""Shape (7, 7): turns a difference from the mean into independent values of unit variance."""

_OPENING_ANGLE, _OPENING_SPREAD = 2.1, 0.3
"""Radians from the peak at which a cylinder opens, and over which it does: 100 to 150 degrees in engines."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """The shape and its derivatives at some crank angles."""

    value: FloatArray
    """Shape (n,)."""
    d_angle: FloatArray
    """Shape (n,): derivative with respect to the crank angle, per radian."""
    d_shape: FloatArray
    """Shape (7, n): derivatives with respect to the shape parameters, in the order of `SHAPE_NAMES`."""


def half_angle(shape: FloatArray, rod_ratio: float) -> float:
    """Crank angle in radians from the peak to half the height, corrections left out.

    Inverts the slider-crank volume (Heywood, Internal Combustion Engine Fundamentals, eq. 2.4 to 2.6).
    """
    return _half_angle(shape, rod_ratio)[0]


def _half_angle(shape: FloatArray, rod_ratio: float) -> tuple[float, FloatArray]:
    """That angle and its derivatives by clearance, exponent and opening, shape (3,)."""
    clearance, exponent, opening = np.exp(shape[0]), shape[1], shape[2]
    half = 0.5 * (1.0 + opening)
    volume = half ** (-1.0 / exponent)
    travel = 2.0 * (volume - 1.0) / clearance
    # travel = 1 - cos + R - sqrt(R^2 - sin^2) solved exactly for cos, from the cosine rule at the crank pin
    reach = rod_ratio + 1.0 - travel
    cosine = (reach**2 + 1.0 - rod_ratio**2) / (2.0 * reach)
    if not -1.0 < cosine < 1.0:
        return float(np.arccos(np.clip(cosine, -1.0, 1.0))), np.zeros(3)
    by_volume = 2.0 / clearance * volume
    d_travel = np.array([-travel, by_volume * np.log(half) / exponent**2, -by_volume / (exponent * (1.0 + opening))])
    by_travel = 0.5 * (1.0 + (rod_ratio**2 - 1.0) / reach**2) / np.sqrt(1.0 - cosine**2)
    return float(np.arccos(cosine)), by_travel * d_travel


def _inside(angle: FloatArray, shape: FloatArray, rod_ratio: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shape at angles inside half a turn."""
    clearance, exponent, opening = np.exp(shape[0]), shape[1], shape[2]
    # Half the angle keeps 1 - cos exact near the peak, and the root is never negative inside half a turn.
    lifted = np.sin(0.5 * angle)
    square = lifted * lifted
    sine = 2.0 * lifted * np.sqrt(1.0 - square)
    root = np.sqrt(rod_ratio**2 - sine**2)
    volume = square + 0.5 * (rod_ratio - root)
    rows = np.empty((len(SHAPE_NAMES), len(angle)))
    rows[0] = volume
    volume *= clearance
    volume += 1.0
    log_volume = np.log(volume)
    absolute = np.exp(-exponent * log_volume)
    scale = 1.0 / (1.0 - opening)
    value = (absolute - opening) * scale
    # Ports or valves open: whatever is left of the pulse goes, and the foot is all that remains.
    closed = 1.0 / (1.0 + np.exp((2.0 / _OPENING_SPREAD) * (np.abs(angle) - _OPENING_ANGLE)))
    inside = scale * closed * (value > 0.0)
    slope = -exponent * clearance * absolute / volume * inside
    rows[0] *= slope
    absolute *= inside
    rows[1] = -log_volume * absolute
    rows[2] = (absolute - inside) * scale
    value = np.where(value > 0.0, value * closed, 0.0)
    d_travel = 0.5 * sine * (1.0 + (1.0 - 2.0 * square) / root)
    d_angle = slope * d_travel - (2.0 / _OPENING_SPREAD) * value * (1.0 - closed) * np.sign(angle)

    # Smooth corrections that leave height, place and curvature of the peak alone: u^j exp(-u^2), largest value 1.
    unit, d_unit = _half_angle(shape, rod_ratio)
    u = angle / unit
    square = u * u
    bell = np.exp(-square)
    power = square * bell
    by_u = np.zeros_like(u)
    for column in range(3, len(SHAPE_NAMES)):
        # power is u^(column - 1) exp(-u^2) here, and its derivative needs it before u^column
        norm = (column / 2.0) ** (-column / 2.0) * np.exp(column / 2.0)
        by_u += (shape[column] * norm) * (column - 2.0 * square) * power
        power *= u
        np.multiply(norm, power, out=rows[column])
        value += shape[column] * rows[column]
    d_angle += by_u / unit
    # The corrections are as wide as the rest of the pulse: what changes its width stretches them.
    rows[:3] -= np.outer(d_unit / unit, by_u * u)
    return value, d_angle, rows


def pulse(angle: FloatArray, shape: FloatArray, rod_ratio: float) -> Pulse:
    """Normalised pulse at crank angles `angle` (radians from the peak, shape (n,)).

    In gauge pressure, with the volume V(angle) of the slider-crank and a polytropic exponent m,
    ``s = ((V_c / V)^m - c) / (1 - c)`` where c is the ambient over the absolute peak pressure
    (Heywood, Internal Combustion Engine Fundamentals, eq. 2.4 to 2.6 and section 9.2: p V^m is constant while
    the cylinder is closed), plus four smooth corrections.
    """
    value, d_angle, rows = _inside(np.clip(angle, -np.pi, np.pi), shape, rod_ratio)
    d_angle *= np.abs(angle) <= np.pi
    return Pulse(value, d_angle, rows)
