"""What a held gauge showed besides the levels that stayed: the highest of each filling, and how far it fell again.

Compressed gas is hot, and what it fills the hose to falls as it cools. So the highest that was ever shown is a pressure
that the cylinder has reached, where the levels are still on their way to it; and falls between the strokes tell that
the gas stays warm, which changes what each stroke leaves (`climb_law.WARM_MANNERS`).
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray
from gaugelink.peak.held_plateau import Plateau, rounding_u_kpa

_FALL, _FALL_STEPS, _FALL_SHARE = 8.0, 2.0, 0.01
"""A fall counts beyond so many standard deviations of a sample, steps of the output, and shares of the plateau."""
_HIGHEST = 2.0
"""Standard deviations by which the highest of many samples stands above what it is a sample of."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What a gauge showed on the way."""

    highest_kpa: float
    """Pressure that the cylinder has reached at least."""
    u_kpa: float
    """Its standard uncertainty."""
    warm: bool
    """Whether gas cools slowly enough for the pressure to fall between the strokes."""
    fell: bool
    """Whether it fell from the highest to where it stayed: a lag may hide that it did so between the strokes."""
    hidden: bool = False
    """Whether the gauge's lag hides falls between the strokes."""


def shown_by(
    time_s: FloatArray, x: FloatArray, begin_s: float, plateau: Plateau, noise_kpa: float, resolution_kpa: float
) -> Shown:
    """What a gauge showed besides the levels that stayed.

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        begin_s: the climb begins here.
        plateau: where it led.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
    """
    u_kpa = float(np.hypot(noise_kpa, rounding_u_kpa(noise_kpa, resolution_kpa)))
    until = max(int(np.searchsorted(time_s, plateau.end_s, side="right")), 1)
    climbing = slice(min(int(np.searchsorted(time_s, begin_s)), until - 1), until)
    # Median of each sample and the two beside it: one that stands alone is none of a climb.
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(x, 1, mode="edge"), 3)
    t, y = time_s[climbing], np.median(beside, axis=1)[climbing]
    highest = np.maximum.accumulate(y)
    highest_s = t[np.maximum.accumulate(np.where(y >= highest, np.arange(len(y)), 0))]
    during = t <= plateau.begin_s
    fallen = float(np.max((highest - y - plateau.leak_kpa_per_s * (t - highest_s))[during], initial=0.0))
    leaked = plateau.leak_kpa_per_s * max(plateau.begin_s - float(highest_s[-1]), 0.0)
    fallen = max(fallen, float(highest[-1]) - leaked - plateau.level_kpa)
    least = max(_FALL * noise_kpa, _FALL_STEPS * resolution_kpa, _FALL_SHARE * plateau.level_kpa)
    highest_kpa = float(highest[-1]) - _HIGHEST * noise_kpa - 0.5 * resolution_kpa
    return Shown(highest_kpa, u_kpa, warm=fallen > least, fell=highest_kpa > plateau.level_kpa)
