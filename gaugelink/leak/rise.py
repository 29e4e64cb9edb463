"""Tells that air came into a hold: a closed volume loses pressure, and rises by so little that it can be told.

A leak that is fed from outside looks tight. No model of the leak is needed to see it: only a wall that warms, and air
that was colder than the wall when the valve closed, let the pressure of a closed volume rise.
"""

import numpy as np

from gaugelink.leak.flow import FloatArray
from gaugelink.leak.hold import ROOM_K
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.posterior import COOLED_SD

_DRIFT_SDS, _COOLED_SDS = 3.0, 3.0
_LEVELS = 12
_NOISE_SDS = 3.5
"""Of the lower and of the upper level each: there are some tens of pairs, and a hold is looked at a dozen times."""
_SLOPE_SDS = 4.0
_LEAST_BLOCKS = 4
_SMALL = 0.25
"""A rise of so much of the limit's rate hides no leak that matters: common practice, no source."""


def allowed_kpa_per_s(limit: DecayLimit, pressure_kpa: float, ambient_abs_kpa: float = 101.325) -> float:
    """How fast a closed volume at this gauge pressure may rise because its wall warms, or without harm."""
    drift = _DRIFT_SDS * limit.drift_k_per_h / 3600.0 / ROOM_K * (ambient_abs_kpa + pressure_kpa)
    return max(drift, _SMALL * limit.rate_kpa_per_min / 60.0)


def was_fed(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    u_kpa: FloatArray,
    limit: DecayLimit,
    *,
    step_kpa: float = 0.0,
    ambient_abs_kpa: float = 101.325,
) -> bool:
    """Whether some level of a hold lies above an earlier one by more than noise, drift and cold air make of it.

    Cold air rises from the beginning on: after a fall it is no reason.

    Args:
        time_s: shape (m,), rising.
        pressure_kpa: shape (m,), gauge pressures of blocks.
        u_kpa: shape (m,), their standard uncertainties.
        limit: what drift is expected, and what rate matters.
        step_kpa: the gauge's resolution; two levels may differ by one step because of rounding alone.
        ambient_abs_kpa: ambient pressure.
    """
    t, p, u = _levels(time_s, pressure_kpa, u_kpa)
    start = float(p[0])
    fell = np.maximum.accumulate(p - _NOISE_SDS * u) > p + _NOISE_SDS * u + step_kpa
    cold = np.where(fell, 0.0, _COOLED_SDS * COOLED_SD * (ambient_abs_kpa + max(start, 0.0)))
    # What is allowed grows with time: with it taken off, each level is compared with the lowest before it.
    rest = p - allowed_kpa_per_s(limit, start, ambient_abs_kpa) * t
    lowest = np.minimum.accumulate(rest + _NOISE_SDS * u + cold)
    return bool(np.any(rest - _NOISE_SDS * u - step_kpa > lowest))


def _levels(
    time_s: FloatArray, pressure_kpa: FloatArray, u_kpa: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Blocks taken together to `_LEVELS` at most: times, pressures and standard uncertainties, shapes (k,)."""
    starts = np.unique(np.linspace(0, len(time_s), _LEVELS, endpoint=False).astype(int))
    w = u_kpa**-2.0
    sums = np.add.reduceat(w, starts)
    return np.add.reduceat(w * time_s, starts) / sums, np.add.reduceat(w * pressure_kpa, starts) / sums, sums**-0.5


def still_rises(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    u_kpa: FloatArray,
    limit: DecayLimit,
    *,
    ambient_abs_kpa: float = 101.325,
) -> bool:
    """Whether the later half of a hold rises, by a straight line; arguments as of `was_fed`.

    Air that came in cold has taken the wall's temperature after a while; what feeds a leak goes on.
    """
    first = min(int(np.searchsorted(time_s, 0.5 * time_s[-1])), max(0, len(time_s) - _LEAST_BLOCKS))
    t, p, w = time_s[first:], pressure_kpa[first:], u_kpa[first:] ** -2.0
    x = t - np.average(t, weights=w)
    spread = float(w @ x**2)
    slope = float((w * x) @ p) / spread
    allowed = allowed_kpa_per_s(limit, float(pressure_kpa[0]), ambient_abs_kpa)
    return slope - _SLOPE_SDS / float(np.sqrt(spread)) > allowed
