"""The top of a stroke over which the crank was held: a slider-crank and a polytrope turned by an uneven hand.

p V^m is constant while the cylinder is closed, and V follows from the crank (Heywood, Internal Combustion Engine
Fundamentals, eq. 2.4 to 2.6 and section 9.2).
"""

import numpy as np
import pytest

from gaugelink.peak.fit_top import lone_top
from gaugelink.peak.response import Response
from tests.peak.shapes import Array

STEP_S = 1e-5
RATIO, ROD, EXPONENT, CLOSES = 9.0, 3.8, 1.3, 2.1


def volume(angle: Array) -> Array:
    """Of the clearance's."""
    lift = 1.0 + ROD - np.cos(angle) - np.sqrt(ROD**2 - np.sin(angle) ** 2)
    return np.asarray(1.0 + 0.5 * (RATIO - 1.0) * lift)


def held(slow: float, hold_s: float) -> tuple[Array, Array]:
    """Times and gauge pressure of a crank that comes at 35 rad/s, is held at `slow` before its top and pulled over."""
    t = np.arange(0.0, 0.6, STEP_S)
    stops, goes = (1.0 / (1.0 + np.exp((at - t) / rise)) for at, rise in ((0.2, 0.012), (0.22 + hold_s, 0.008)))
    angle = np.cumsum(35.0 - (35.0 - slow) * stops + (55.0 - slow) * goes) * STEP_S
    angle -= np.interp(0.2, t, angle) + 0.35
    closed = 100.0 * ((volume(np.array([CLOSES])) / volume(angle)) ** EXPONENT - 1.0)
    return t, np.where(np.abs(angle) < CLOSES, closed, 0.0)


@pytest.mark.parametrize("rate", [200.0, 500.0, 1000.0])
@pytest.mark.parametrize(("slow", "hold_s"), [(4.0, 0.06), (3.0, 0.1), (2.0, 0.15)])
def test_a_stroke_that_was_held_before_its_top_is_told_within_a_thousandth(
    rate: float, slow: float, hold_s: float
) -> None:
    t, p = held(slow, hold_s)
    at = np.arange(0.0013, 0.6, 1.0 / rate)
    rng = np.random.default_rng(1)
    top = lone_top(at, np.interp(at, t, p) + rng.normal(0.0, 0.4, len(at)), 0.4, Response())
    assert top is not None
    off = abs(top.peak - p.max())
    assert off < 0.0012 * p.max()
    assert off < 3.0 * np.hypot(top.standard_u, top.cut * top.peak)
