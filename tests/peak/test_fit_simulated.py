"""A small, seeded share of the accuracy benchmark: simulated engines, their own truth."""

import numpy as np
import pytest

from simulators.integrator import crank_many
from simulators.scenarios import random_live_gauge, random_turn, turned_over
from simulators.sensor import SampledTrace, sample
from tests.benchmarks.peak_accuracy import Tally, measure

ENGINES = 14


@pytest.fixture(scope="module")
def traces() -> dict[float, list[SampledTrace]]:
    rng = np.random.default_rng(20)
    out: dict[float, list[SampledTrace]] = {100.0: [], 1000.0: []}
    for number, trace in enumerate(crank_many([random_turn(rng) for _ in range(ENGINES)])):
        if turned_over(trace):
            gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
            for rate, seen in out.items():
                seen.append(sample(trace, gauge, rate, number, before_s=2.5, after_s=1.0))
    return out


@pytest.mark.parametrize(("rate_hz", "median", "share"), [(100.0, 1.0, 0.8), (1000.0, 0.3, 0.88)])
def test_peaks_of_simulated_engines(
    traces: dict[float, list[SampledTrace]], rate_hz: float, median: float, share: float
) -> None:
    tally = Tally()
    for trace in traces[rate_hz]:
        measure(trace, tally)
    assert tally.events >= 10
    assert len(tally.error) >= 0.99 * tally.strokes
    assert np.median(tally.error) < median
    assert np.median(tally.error) < 0.6 * np.median(tally.highest) or rate_hz > 500.0
    assert np.mean(tally.inside) >= share
    assert np.median(tally.rpm_error) < 2.0
