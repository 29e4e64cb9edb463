"""Where the evidence of a live event ends, long before its end can be decided: this is what lets it be judged early.

A live gauge is at rest soon after a stroke; whether another stroke follows takes a second to know. So an event is
judged from what was seen up to `EVIDENCE_S` after its last rise. The quiet behind that decides when the event is
over, and says nothing of its strokes.
"""

import math
from dataclasses import replace

import numpy as np

from gaugelink.peak.burst import smallest_step_kpa, wake_over
from gaugelink.peak.events import CrankingEvent, EventSamples, Flag, GaugeTraits
from gaugelink.peak.evidence import spacing
from gaugelink.peak.notices import DetectorSettings
from gaugelink.peak.stretch import last_rise

EVIDENCE_S = 0.4
"""What is seen after the last rise. A stroke falls to its foot within 120 degrees of crank: 0.13 s at 150 rev/min,
0.33 s where the crank crawls over its last top at 60."""
LONGEST_S = 30.0
"""So much of an event is judged: no cord is pulled for longer and no starter pressed, and what noise makes of a minute
takes a minute to fit."""
_SAME = 1e-9
"""Relative difference of two numbers that differ by their rounding alone."""
_USUAL = DetectorSettings()


def evidence_of(samples: EventSamples, traits: GaugeTraits) -> EventSamples:
    """The samples of a live event up to `EVIDENCE_S` after its last rise; all of them where nothing rises.

    Of an event longer than `LONGEST_S` those of its end, which is then flagged as trimmed.

    Args:
        samples: one event of a live gauge, closed or as far as it has got, as the detector gives it.
        traits: what is known of the gauge.
    """
    time_s, pressure_kpa = samples.time_s, samples.pressure_kpa
    if len(time_s) < 2:
        return samples
    rest_kpa = samples.zero_kpa if samples.zero_kpa is not None else float(pressure_kpa.min())
    step_kpa = traits.resolution_kpa if traits.resolution_kpa is not None else smallest_step_kpa(pressure_kpa)
    wake_kpa = wake_over(samples.noise_kpa, step_kpa, _USUAL)
    place = last_rise(pressure_kpa, float(pressure_kpa.max()) - rest_kpa, wake_kpa, spacing(time_s))
    if place is None:
        return samples
    count = int(np.searchsorted(time_s, time_s[place] + EVIDENCE_S, side="right"))
    first = int(np.searchsorted(time_s, time_s[count - 1] - LONGEST_S))
    return replace(
        samples,
        time_s=time_s[first:count],
        pressure_kpa=pressure_kpa[first:count],
        over_range=samples.over_range[first:count],
        flags=samples.flags | {Flag.TRIMMED} if first else samples.flags,
    )


def still_stands(early: EventSamples, closed: EventSamples) -> bool:
    """Whether what was judged early is what would be judged now: the same samples, known in the same way.

    Args:
        early: the evidence of an event (`evidence_of`) before its end was decided.
        closed: the evidence of the event as it was closed.
    """
    return (
        early.kind is closed.kind
        and early.flags == closed.flags
        and early.lost_samples == closed.lost_samples
        and np.array_equal(early.time_s, closed.time_s)
        and np.array_equal(early.pressure_kpa, closed.pressure_kpa)
        and np.array_equal(early.over_range, closed.over_range)
        and (early.zero_kpa is None) is (closed.zero_kpa is None)
        and math.isclose(early.zero_kpa or 0.0, closed.zero_kpa or 0.0, rel_tol=_SAME, abs_tol=_SAME)
        and math.isclose(early.zero_u_kpa, closed.zero_u_kpa, rel_tol=_SAME)
        and math.isclose(early.noise_kpa, closed.noise_kpa, rel_tol=_SAME)
        and math.isclose(early.zero_drift_kpa, closed.zero_drift_kpa, rel_tol=_SAME, abs_tol=_SAME)
    )


def ended_with(event: CrankingEvent, samples: EventSamples) -> CrankingEvent:
    """The event of a closed burst, from where the burst begins to where it ends, not where its evidence does."""
    return replace(event, start_s=float(samples.time_s[0]), end_s=float(samples.time_s[-1]))
