"""Which readings of a cylinder agree, and what the cylinder's reading is."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from gaugelink.bench.reading import Reading
from gaugelink.bench.repeats import (
    CRANKING_SCATTER,
    Scatter,
    cranking_of_picked_kpa,
    expanded_kpa,
    grown_scatter,
    none_is_below,
    telling,
    tolerance_kpa,
    u_of_mean_kpa,
)
from gaugelink.peak.events import Flag

SHORT_OF_THE_TOP = frozenset({Flag.STILL_RISING, Flag.OVER_RANGE, Flag.SHORT_RECORD})
"""Flags of a peak that is below the cylinder's pressure by an unknown amount."""
RADIO_GAP = frozenset({Flag.SHORT_RECORD})
"""Flags of a pull whose beginning or end was not seen: that is no fault of who cranked, and no try."""
UNFINISHED = frozenset({Flag.STILL_RISING, Flag.FEW_STROKES, Flag.LOST_SAMPLES})
"""Flags of a pull that ended too early; where the radio was lost during it, it is the record that did."""


USUAL_SCATTER = Scatter(CRANKING_SCATTER)


@dataclass(frozen=True, slots=True)
class Agreement:
    """The readings of one cylinder, sorted out."""

    agreed: bool
    value_kpa: float | None
    """Gauge pressure; None without a reading."""
    u_kpa: float | None
    """Expanded uncertainty, coverage about 95 %, everything in it: gauge, sampling and cranking."""
    behind: tuple[Reading, ...]
    """The readings that `value_kpa` is the mean of, highest first."""


def agree(readings: Sequence[Reading], repeats: int, share: float, scatter: Scatter = USUAL_SCATTER) -> Agreement:
    """Find the readings that agree and take their mean.

    Pulls fail downwards: a weak pull, a loose gauge and a short crank all read low, so of several groups that
    agree the highest is the cylinder's. Inside the group the mean is taken, not the highest reading, which
    would grow with the number of tries. Peaks that are short of the top never agree: however alike, they are
    below the cylinder's by an unknown amount. A poor pull agrees with nearly anything, so it confirms nothing;
    where one pull is all that is asked for it may be poor.

    `scatter` is that of cranking, as far as it is known (`scatter_of`); a cylinder's own pulls may show more.
    """
    readings = tries_of(readings)
    counting = [reading for reading in readings if repeats < 2 or not reading.repeat.is_poor]
    full = [reading for reading in counting if not reading.flags & SHORT_OF_THE_TOP]
    group = _highest_group(full, repeats, share)
    if group:
        return Agreement(True, *combine(group, scatter, readings), tuple(group))
    found = _best_there_is(readings, full, repeats, share)
    return (
        Agreement(False, *combine(found, scatter, readings), tuple(found))
        if found
        else Agreement(False, None, None, ())
    )


def tries_of(readings: Sequence[Reading]) -> list[Reading]:
    """The pulls that count as tries: those that were seen whole."""
    return [reading for reading in readings if not reading.flags & RADIO_GAP]


def scatter_of(cylinders: Sequence[Sequence[Reading]], repeats: int, share: float) -> Scatter:
    """Scatter of cranking from one pull to the next, as all readings on all cylinders tell it together."""
    read = [(agree(readings, repeats, share).value_kpa, readings) for readings in cylinders]
    known = [(value_kpa, readings) for value_kpa, readings in read if value_kpa is not None]
    return grown_scatter(lambda scatter: [_telling(value_kpa, readings, scatter) for value_kpa, readings in known])


def _telling(value_kpa: float, readings: Sequence[Reading], share: float) -> tuple[float, ...]:
    return telling(value_kpa, [one.repeat for one in readings if not one.flags & SHORT_OF_THE_TOP], share)


def leave_open(readings: Sequence[Reading], share: float) -> bool:
    """Whether pulls that do not agree leave it open what the cylinder has, and contradict each other in nothing.

    A pull that was cut short is a lower bound, and one that is too uncertain denies nothing: it takes one that was seen
    to its top, and is lower than another by more than both could be off, to show that they are apart.
    """
    readings = tries_of(readings)
    whole = [reading for reading in readings if not reading.flags & SHORT_OF_THE_TOP]
    if len(whole) == len(readings) and not any(reading.repeat.is_poor for reading in readings):
        return False
    return none_is_below([reading.repeat for reading in whole], [reading.repeat for reading in readings], share)


def combine(
    group: Sequence[Reading], scatter: Scatter = USUAL_SCATTER, tries: Sequence[Reading] = ()
) -> tuple[float, float]:
    """Return the reading of a cylinder from one pull or several, and its expanded uncertainty, in kPa.

    Standard uncertainty: the common part in full, each reading's own part as for a mean of independent values
    (JCGM 100:2008, 5.1.2), and what cranking adds, by `scatter` or what all `tries` on the cylinder show where that is
    more. Noise is in the own part and in the scatter both, which errs to the safe side.
    """
    peaks = [reading.peak_kpa for reading in group]
    value_kpa = sum(peaks) / len(peaks)
    measured_kpa = hypot(common_u_of_mean_kpa(group), u_of_mean_kpa([reading.repeat for reading in group]))
    cranking_kpa = cranking_of_picked_kpa(lambda share: _telling(value_kpa, tries, share), peaks, scatter.share)
    return value_kpa, expanded_kpa(measured_kpa, cranking_kpa, scatter)


def common_u_of_mean_kpa(group: Sequence[Reading]) -> float:
    """Standard uncertainty of a mean that its readings share: fully correlated, it does not average out (5.2.2)."""
    return sum(reading.common_u_kpa for reading in group) / len(group)


def _best_there_is(readings: Sequence[Reading], full: list[Reading], repeats: int, share: float) -> list[Reading]:
    """What stands for a cylinder whose readings do not agree: the highest, or the mean of poor ones that say alike."""
    poor = [reading for reading in readings if not reading.flags & SHORT_OF_THE_TOP]
    if not full and poor:
        group = _highest_group(poor, repeats, share)
        if group:
            return group
    rest = full or poor or readings
    return [max(rest, key=lambda reading: reading.peak_kpa)] if rest else []


def _highest_group(readings: Sequence[Reading], repeats: int, share: float) -> list[Reading]:
    falling = sorted(readings, key=lambda reading: reading.peak_kpa, reverse=True)
    for first, top in enumerate(falling):
        group = [
            one
            for one in falling[first:]
            if top.peak_kpa - one.peak_kpa <= tolerance_kpa(top.repeat, one.repeat, share)
        ]
        if len(group) >= repeats:
            return group
    return []
