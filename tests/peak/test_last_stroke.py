"""A pull runs out: the last strokes are weak or crawl, and are read as what they are."""

from pathlib import Path

import numpy as np
import pytest

from gaugelink.peak.events import EngineHints, EventSamples, Flag, GaugeKind, GaugeTraits
from gaugelink.peak.live import fit_live, reading
from simulators.cranking import Cranking, CylinderTrace
from simulators.engine import EngineSpec
from simulators.integrator import crank
from simulators.sensor import LiveGauge, sample
from tests.benchmarks.peak_accuracy import event_samples, traits_of


@pytest.fixture(scope="module")
def trace() -> CylinderTrace:
    """One cylinder of a small three-cylinder two-stroke, pulled through seven turns by hand."""
    spec = EngineSpec(bore_mm=69.0, stroke_mm=53.5, trapped_ratio=6.2, cylinders=3)
    return crank(spec, Cranking(duration_s=4.0, stall_nm=55.0, free_rpm=620.0, turns=7.0, start_angle_deg=120.0))


@pytest.mark.parametrize("seed", range(6))
def test_a_last_stroke_that_crawls_is_not_read_too_high(trace: CylinderTrace, seed: int) -> None:
    seen = sample(trace, LiveGauge(noise_kpa=1.0), 100.0, np.random.default_rng(seed), before_s=2.5, after_s=1.0)
    event = fit_live(event_samples(seen), traits_of(seen), EngineHints(cycle=2))
    assert event.peak_kpa == pytest.approx(trace.cylinder_peak_kpa, rel=0.01)
    tall = [stroke for stroke in seen.strokes if stroke.peak_kpa > 0.5 * trace.cylinder_peak_kpa]
    crawled = tall[-1]
    told = min(event.strokes, key=lambda stroke: abs(stroke.time_s - crawled.time_s))
    assert told.peak_kpa == pytest.approx(crawled.peak_kpa, rel=0.05)
    assert event.strokes[reading(list(event.strokes))] is not told


def test_the_samples_of_a_weak_stroke_are_no_outliers() -> None:
    """A simulated starter lets go, at 100 samples/s: of ten strokes the ninth is a third lower and comes late."""
    t, p = np.loadtxt(Path(__file__).with_name("weak_stroke.csv"), delimiter=",", skiprows=1, unpack=True)
    quiet = np.zeros(len(t), dtype=np.bool_)
    samples = EventSamples(t, p, quiet, 0, GaugeKind.LIVE, zero_kpa=7.1, zero_u_kpa=0.2, noise_kpa=3.1)
    event = fit_live(samples, GaugeTraits(resolution_kpa=0.69), EngineHints(cycle=4))
    assert Flag.UNDER_SAMPLED not in event.flags
    weak = min(event.strokes, key=lambda stroke: abs(stroke.time_s - 2.469))
    assert weak.peak_kpa == pytest.approx(778.7, rel=0.03)
    others = [1100.3, 1193.9, 1218.0, 1240.8, 1226.5, 1234.5, 1242.1, 1223.6]
    assert [stroke.peak_kpa for stroke in event.strokes[:8]] == pytest.approx(others, rel=0.03)
