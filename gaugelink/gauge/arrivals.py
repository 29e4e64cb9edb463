"""Times at which the samples of a steady gauge arrived, put back on the gauge's own clock.

Whoever logs a wireless gauge from outside, a phone or a script, writes down when each notification came: late by what
was left until the radio's next turn and by what the logger did meanwhile, often several at one time. The gauge sampled
steadily all the same, so the line "time = start + spacing * number" through all of them tells when each was taken.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from gaugelink.gauge.samples import FloatArray

FEWEST: Final = 50
"""Times below which steady samples that came unevenly are not told from uneven ones."""
PAUSE_S: Final = 0.3
"""A move longer than this, and than `_PAUSE_SPACINGS`, is a pause of the gauge or its radio: no line goes over it."""
_PAUSE_SPACINGS: Final = 8.0
_BOUNDED: Final = 1.5
"""By so many of the longest moves times may lie apart from the line. What comes late is made up for by the next; where
gauge or logger wait unevenly, the distance from any line grows without end. No source."""
_BESIDE: Final = 40
"""Samples on either side of a long move that tell whether what is behind it stays late, and turns of the radio that
they take at least. No source."""
_BESIDE_TURNS: Final = 4.0
_HOLE_SPACINGS: Final = 6.0
_HOLE_TURNS: Final = 2.5
"""A move longer than so many samples last, and so many turns of the radio, may be one over missing ones. No source."""
_BURST: Final = 0.25
"""Share of a long move within which what was held back comes behind it."""
_UNEVEN: Final = 0.03
"""Share of the spacing that shows in a peak."""
_MANY: Final = 0.2
"""Share of the times; a radio that loses as many is no link."""


@dataclass(frozen=True, slots=True)
class Steadied:
    """Times on the clock of a steady gauge, from the times at which its samples arrived."""

    time_s: FloatArray
    """Shape (n,), strictly rising."""
    late_s: float
    """Between what came soonest and what came latest."""
    scatter_s: float
    """Standard deviation of that."""
    spacing_s: float
    """Time from one sample to the next."""
    bounded: bool
    """Whether the times keep to the line as those of a steady gauge do."""
    whole: bool
    """Whether there is no pause in them."""
    uneven: bool
    """Whether many of them are further apart, or closer, than a steady clock's; some missing samples are not many."""


def steadied(time_s: FloatArray, *, holes: bool = False) -> Steadied | None:
    """Put times of arrival, shape (n,), on a steady clock: no sample is missing but in a pause, or with `holes` where
    all that come behind a long move are late by it, and do not make up for it.

    None where they are too few, go back, or where pauses leave no clock.
    """
    moves = np.diff(time_s)
    if len(time_s) < FEWEST or not (np.isfinite(moves).all() and (moves >= 0.0).all()):
        return None
    parts = _between_pauses(time_s, moves)
    numbers = [np.arange(float(len(part))) for part in parts]
    if holes:
        numbers = [number + _missing(part) for part, number in zip(parts, numbers, strict=True)]
    number = np.concatenate(numbers)
    own = np.concatenate([np.full(len(part), float(part.mean())) for part in parts])
    middle = np.concatenate([np.full(len(one), float(one.mean())) for one in numbers])
    run = number - middle
    if not run.any():
        return None
    spacing = float(run @ (time_s - own)) / float(run @ run)
    line = own + spacing * run
    if not (np.diff(line) > 0.0).all():
        return None
    apart = time_s - line
    within = np.concatenate([np.diff(part) for part in parts])
    late = max(float(np.ptp(each)) for each in np.split(apart, np.cumsum([len(part) for part in parts[:-1]])))
    # Most moves of samples that come in bursts are none; those of a clock that loses some are its own.
    usual = max(float(np.median(within)), 0.5 * spacing)
    uneven = float(np.mean(np.abs(within - usual) > _UNEVEN * usual)) > _MANY
    bounded = late <= _BOUNDED * float(within.max())
    return Steadied(line, late, float(apart.std()), spacing, bounded, len(parts) == 1, uneven)


def _missing(part: FloatArray) -> FloatArray:
    """Samples that are missing before each time of a stretch, shape (n,): what was held back comes in a burst behind a
    long move, what was lost does not."""
    missing = np.zeros(len(part))
    moves = np.diff(part)
    if len(part) <= 2 * _BESIDE:
        return missing
    ordered = np.sort(moves)
    turn = float(ordered[np.searchsorted(np.cumsum(ordered), 0.5 * float(ordered.sum()))])
    long = np.flatnonzero(moves > max(_HOLE_SPACINGS * float(moves.mean()), _HOLE_TURNS * turn))
    behind = [last + 1 + int(np.searchsorted(part[last + 1 :], part[last + 1] + _BURST * moves[last])) for last in long]
    spacing = _spacing([part[begins:ends] for begins, ends in zip([0, *behind], [*(long + 1), None], strict=True)])
    if spacing <= 0.0:
        return missing
    beside = max(_BESIDE, round(_BESIDE_TURNS * turn / spacing))
    off = part - spacing * np.arange(len(part))
    for last, burst in zip(long.tolist(), behind, strict=True):
        before, after = off[max(0, last + 1 - beside) : last + 1], off[burst : burst + beside]
        if min(len(before), len(after)) < _BESIDE // 2:
            continue
        step = float(np.median(after) - np.median(before))
        if step > 0.5 * moves[last]:
            missing[last + 1 :] += round(step / spacing)
    return missing


def _spacing(runs: Sequence[FloatArray]) -> float:
    """Slope of the one line, its start apart, that goes through times between which none is missing; 0 for none."""
    numbers = np.concatenate([np.arange(len(run)) - 0.5 * (len(run) - 1) for run in runs])
    apart = np.concatenate([run - run.mean() for run in runs if len(run)])
    return float(numbers @ apart) / float(numbers @ numbers) if numbers.any() else 0.0


def _between_pauses(time_s: FloatArray, moves: FloatArray) -> list[FloatArray]:
    """The stretches that one line goes through."""
    usual = float(moves[moves <= PAUSE_S].mean()) if (moves <= PAUSE_S).any() else 0.0
    return np.split(time_s, np.flatnonzero(moves > max(PAUSE_S, _PAUSE_SPACINGS * usual)) + 1)
