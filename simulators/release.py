"""A live gauge that is pumped up and let go, again and again: a hose that is blown off its adapter, a cork that flies.

    record = released(rng, LiveGauge(averaging_s=0.01), rate_hz=100.0, times=12)

The pressure is gone within a millisecond or some, evenly or as gas flows out of a small volume, and one fall in ten is
a slow one. It is no engine's pressure, and the gauge makes of it what it makes of an engine's.
"""

from dataclasses import dataclass

import numpy as np

from simulators.gas import FloatArray
from simulators.sensor import LiveGauge, lagged, lost_mask

_FINE_S = 2e-5
_APART_S = 4.0
_PUMP_S, _PUMPED_S = 0.5, 1.2
"""When the pump is pressed, counted from the fall before, and how long it takes."""
_COOLING_S, _COOLED = 0.3, 0.03
"""Time constant, and share of the pressure, with which the pumped gas cools."""


@dataclass(frozen=True, slots=True)
class Released:
    """What arrived, and when the pressure was let go."""

    time_s: FloatArray
    """Shape (n,)."""
    pressure_kpa: FloatArray
    let_go_s: FloatArray
    """Shape (times,)."""


def released(
    rng: np.random.Generator,
    gauge: LiveGauge,
    rate_hz: float,
    *,
    times: int = 12,
    opening_s: float = 0.002,
    slow: float = 0.1,
    highest_kpa: float = 200.0,
) -> Released:
    """Pump a gauge up and let it go `times` times; `slow` of the openings take ten times as long."""
    time_s: FloatArray = np.arange(0.0, _APART_S * times + 1.0, _FINE_S)
    pressure = np.zeros_like(time_s)
    let_go_s = _APART_S * np.arange(1, times + 1) - 1.5 + rng.uniform(-0.2, 0.2, times)
    for at_s in let_go_s.tolist():
        near = slice(*np.searchsorted(time_s, [at_s - 2.3, at_s + 1.2]).tolist())
        since = time_s[near] - at_s
        took_s = opening_s * float(np.exp(rng.normal(0.0, 0.4))) * (10.0 if rng.random() < slow else 1.0)
        even = bool(rng.random() < 0.5)
        left = 1.0 - np.clip(since / took_s, 0.0, 1.0) if even else np.exp(-2.0 * np.maximum(since, 0.0) / took_s)
        pumping = since + 2.3 - _PUMP_S
        warm = 1.0 + _COOLED * np.exp(-np.maximum(pumping - _PUMPED_S, 0.0) / _COOLING_S)
        level = highest_kpa * float(rng.uniform(0.5, 1.0)) + float(rng.normal(0.0, 2.0)) * since
        pressure[near] = np.clip(pumping / _PUMPED_S, 0.0, 1.0) * warm * level * left
    seen = lagged(pressure, _FINE_S, gauge.lag_s)
    at_s = np.arange(rng.uniform(0.0, 1.0 / rate_hz), _APART_S * times, 1.0 / rate_hz)
    if gauge.averaging_s > 0.0:
        total = np.concatenate(([0.0], np.cumsum(0.5 * (seen[1:] + seen[:-1])) * _FINE_S))
        upto, before = (np.interp(each, time_s, total) for each in (at_s, at_s - gauge.averaging_s))
        shown = (upto - before) / gauge.averaging_s
    else:
        shown = np.interp(at_s, time_s, seen)
    noisy, _ = gauge.noisy(shown, at_s, rng)
    arrived = ~lost_mask(len(at_s), gauge, rng)
    return Released(at_s[arrived], noisy[arrived], let_go_s)
