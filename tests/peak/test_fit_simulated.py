"""A small, seeded share of the accuracy benchmark: simulated engines, their own truth."""

import numpy as np
import pytest

from gaugelink.peak.events import FloatArray
from simulators.integrator import crank_many
from simulators.scenarios import random_live_gauge, random_turn, turned_over
from simulators.sensor import SampledTrace, sample, seen_pressure_kpa
from tests.benchmarks.peak_accuracy import BEFORE_S, Tally, measure

ENGINES = 14
Seen = dict[float, list[tuple[SampledTrace, FloatArray]]]


@pytest.fixture(scope="module")
def traces() -> Seen:
    rng = np.random.default_rng(20)
    out: Seen = {100.0: [], 1000.0: []}
    for number, trace in enumerate(crank_many([random_turn(rng) for _ in range(ENGINES)])):
        if turned_over(trace):
            gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
            for rate, seen in out.items():
                sampled = sample(trace, gauge, rate, number, before_s=BEFORE_S, after_s=1.0)
                seen.append((sampled, seen_pressure_kpa(trace, gauge, sampled.time_s - BEFORE_S)))
    return out


@pytest.mark.parametrize(("rate_hz", "median", "share"), [(100.0, 1.0, 0.8), (1000.0, 0.3, 0.88)])
def test_peaks_of_simulated_engines(traces: Seen, rate_hz: float, median: float, share: float) -> None:
    tally = Tally()
    for trace, clean_kpa in traces[rate_hz]:
        measure(trace, clean_kpa, tally)
    assert tally.events >= 10
    assert len(tally.error) >= 0.99 * tally.strokes
    assert np.median(tally.error) < median
    assert np.median(tally.error) < 0.6 * np.median(tally.highest) or rate_hz > 500.0
    assert np.mean(tally.inside) >= share
    assert np.median(tally.rpm_error) < 2.0
