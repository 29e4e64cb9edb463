"""Plain pulses, staircases and quiet, for tests that need no engine."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gaugelink.peak.detector import Detector, EventClosed, Notice
from gaugelink.peak.events import EventSamples, GaugeTraits

Array = NDArray[np.float64]


def clock(duration_s: float, rate_hz: float) -> Array:
    return np.arange(round(duration_s * rate_hz)) / rate_hz


def pulses(t: Array, begin_s: float, count: int, period_s: float = 0.2, top_kpa: float = 900.0) -> Array:
    """Live strokes: bells of 33 ms at half height, the first one half as high (from a standstill)."""
    x = np.zeros_like(t)
    for k in range(count):
        x += top_kpa * (0.5 if k == 0 else 1.0) * np.exp(-(((t - begin_s - k * period_s) / 0.02) ** 2))
    return x


def stairs(
    t: Array, begin_s: float, count: int, period_s: float = 0.2, goal_kpa: float = 900.0, share: float = 0.4
) -> Array:
    """A held gauge's levels: each stroke takes `share` of what is left."""
    done = np.clip(np.floor((t - begin_s) / period_s + 1e-9) + 1, 0, count)
    return goal_kpa * (1.0 - (1.0 - share) ** done)


def bled(t: Array, at_s: float, tau_s: float = 0.1) -> Array:
    """Factor by which the vent empties a held gauge."""
    return np.exp(-np.maximum(t - at_s, 0.0) / tau_s)


def shown(x: Array, seed: int = 1, noise_kpa: float = 1.0, step_kpa: float = 1.0, zero_kpa: float = 3.0) -> Array:
    """What a gauge gives out for it."""
    rng = np.random.default_rng(seed)
    return np.round((x + zero_kpa + rng.normal(0.0, noise_kpa, len(x))) / step_kpa) * step_kpa


def feed(
    t: Array, p: Array, frame: int = 10, detector: Detector | None = None, traits: GaugeTraits | None = None
) -> list[tuple[float, Notice]]:
    """Everything a detector says, with the time of the newest sample when it said so."""
    detector = detector or Detector(traits or GaugeTraits())
    said: list[tuple[float, Notice]] = []
    for i in range(0, len(t), frame):
        part = slice(i, i + frame)
        said += [(float(t[part][-1]), notice) for notice in detector.push(t[part], p[part])]
    said += [(float(t[-1]), notice) for notice in detector.finish()]
    return said


def closed(said: Sequence[tuple[float, Notice]]) -> list[EventSamples]:
    return [notice.samples for _, notice in said if isinstance(notice, EventClosed)]
