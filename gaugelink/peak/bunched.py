"""Samples whose times are those at which a radio let them go: several at one time, or at its turns and never between.

A gauge of which no rate is known is put on its clock once it was listened to for some seconds (`gauge.pace`). A pull
that comes before that has times of arrival alone, and by them the samples of a stroke lie on one another. Nobody
samples in bunches or at a radio's turns, so they are put on the line that they keep to.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from gaugelink.gauge.arrivals import steadied
from gaugelink.peak.events import EventSamples, FloatArray

_TOGETHER: Final = 0.2
"""Share of the time between samples within which two came together."""
_MANY: Final = 0.2
"""Share of the samples that must have come so."""
_FEW: Final = 0.1
"""Share of the samples that must have come after as many turns as one and as one more."""
_SHORTEST_TURN: Final = 0.25
"""In times between samples; of shorter ones a sample's time is as good."""
_OFF_A_TURN: Final = 0.2
"""How far off a whole number of turns a sample may come, in turns."""
_KEPT: Final = 0.9
"""Share of the samples that must keep to the turns."""
_OVER_A_TURN: Final = 1.5
"""In turns, between what came soonest and what came latest: one, and what comes late besides."""


def unbunched(samples: EventSamples) -> EventSamples:
    """The samples at the times at which they were taken, where a radio's turns show in those at which they came."""
    found = steadied(samples.time_s)
    if found is None or not found.bounded:
        return samples
    moves = np.diff(samples.time_s) / found.spacing_s
    if float(np.mean(moves < _TOGETHER)) < _MANY:
        turn = _turn_of(moves)
        # What a gauge did not send, because nothing had changed, makes ever more turns.
        if turn is None or found.late_s > _OVER_A_TURN * turn * found.spacing_s:
            return samples
    return replace(samples, time_s=found.time_s)


def _turn_of(moves: FloatArray) -> float | None:
    """A radio's turn, where moves, shape (n,), are so many of them, or one more, and hardly anything else; None where
    they scatter as they like, and most lie between. All in times between samples."""
    early, late = np.percentile(moves, (100.0 * _FEW / 2.0, 100.0 - 100.0 * _FEW / 2.0))
    longer = moves > 0.5 * (early + late)
    if not longer.any() or longer.all():
        return None
    turn = float(np.median(moves[longer]) - np.median(moves[~longer]))
    if turn < _SHORTEST_TURN:
        return None
    turns = np.round(moves / turn)
    kept = np.abs(moves / turn - turns) < _OFF_A_TURN
    share = float(np.mean(longer))
    return turn if _FEW <= share <= 1.0 - _FEW and float(np.mean(kept)) >= _KEPT else None
