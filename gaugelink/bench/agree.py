"""Which readings of a cylinder agree, and what the cylinder's reading is."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from gaugelink.bench.reading import Reading
from gaugelink.peak.events import Flag

SHORT_OF_THE_TOP = frozenset({Flag.STILL_RISING, Flag.OVER_RANGE, Flag.SHORT_RECORD})
"""Flags of a peak that is below the cylinder's pressure by an unknown amount."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """The readings of one cylinder, sorted out."""

    agreed: bool
    value_kpa: float | None
    """Gauge pressure; None without a reading."""
    u_kpa: float | None
    """Expanded uncertainty, coverage about 95 %."""
    behind: tuple[Reading, ...]
    """The readings that `value_kpa` is the mean of, highest first."""


def agree(readings: Sequence[Reading], repeats: int, share: float, last_try: bool) -> Agreement:
    """Find the readings that agree and take their mean.

    Pulls fail downwards: a weak pull, a loose gauge and a short crank all read low, so of several groups that
    agree the highest is the cylinder's. Inside the group the mean is taken, not the highest reading, which
    would grow with the number of tries. Peaks that are short of the top count only on the `last_try`.
    """
    full = [reading for reading in readings if not reading.flags & SHORT_OF_THE_TOP]
    for usable in (full, list(readings)) if last_try else (full,):
        group = _highest_group(usable, repeats, share)
        if group:
            return Agreement(True, *combine(group), tuple(group))
    rest = full or readings
    if not rest:
        return Agreement(False, None, None, ())
    highest = max(rest, key=lambda reading: reading.peak_kpa)
    return Agreement(False, highest.peak_kpa, highest.peak_u_kpa, (highest,))


def tolerance_kpa(one: Reading, other: Reading, share: float) -> float:
    """Largest difference of two readings that agree: a share of their mean, or the uncertainty of their difference.

    What both readings share (the gauge's calibration) cancels in the difference (JCGM 100:2008, 5.2).
    """
    return max(share * (one.peak_kpa + other.peak_kpa) / 2, 2 * sqrt(_own_u(one) ** 2 + _own_u(other) ** 2))


def combine(group: Sequence[Reading]) -> tuple[float, float]:
    """Return mean and expanded uncertainty of readings that agree, in kPa.

    Standard uncertainty: the common part in full, each reading's own part as for a mean of independent values,
    and the scatter of the pulls as the experimental standard deviation of the mean (JCGM 100:2008, 4.2.3 and
    5.1.2); coverage factor 2. Noise is in the own part and in the scatter both, which errs to the safe side.
    """
    count = len(group)
    mean = sum(reading.peak_kpa for reading in group) / count
    common = sum(reading.common_u_kpa for reading in group) / count
    own = sum(_own_u(reading) ** 2 for reading in group) / count**2
    scatter = sum((reading.peak_kpa - mean) ** 2 for reading in group) / (count - 1) / count if count > 1 else 0.0
    return mean, 2 * sqrt(common**2 + own + scatter)


def _own_u(reading: Reading) -> float:
    return sqrt(max((reading.peak_u_kpa / 2) ** 2 - reading.common_u_kpa**2, 0.0))


def _highest_group(readings: Sequence[Reading], repeats: int, share: float) -> list[Reading]:
    falling = sorted(readings, key=lambda reading: reading.peak_kpa, reverse=True)
    for first, top in enumerate(falling):
        group = [one for one in falling[first:] if top.peak_kpa - one.peak_kpa <= tolerance_kpa(top, one, share)]
        if len(group) >= repeats:
            return group
    return []
