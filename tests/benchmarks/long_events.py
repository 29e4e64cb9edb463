"""How long the fit of a long event takes: ten seconds of cranking at 1000 samples/s, few strokes to many.

    python -m tests.benchmarks.long_events

The aim is less than 300 ms of a core. What a core does in that time differs from machine to machine, so a plain linear
least squares of as many samples is timed beside it (`numpy.linalg.lstsq`, 100 unknowns): what its square alone costs.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from gaugelink.peak.events import EngineHints
from gaugelink.peak.live import fit_live
from simulators.integrator import Turn, crank
from simulators.scenarios import random_live_gauge, random_turn
from simulators.sensor import SampledTrace, sample
from tests.benchmarks.peak_accuracy import event_samples, traits_of

RATE_HZ = 1000.0
LASTS_S = 10.0
TURNED = ((280.0, 4), (200.0, 2), (420.0, 4), (700.0, 4), (360.0, 2), (660.0, 2))
"""Speeds that are aimed at, rpm, and cycles."""
UNKNOWNS = 100


def long_turn(rng: np.random.Generator, rpm: float, cycle: int) -> Turn:
    """A starter that is held for ten seconds."""
    turn = random_turn(rng, cycle=cycle, cord=False, strokes=round(LASTS_S * rpm / 60.0 * 2.0 / cycle), rpm=rpm)
    return replace(turn, cranking=replace(turn.cranking, duration_s=LASTS_S, longest_s=LASTS_S + 3.0))


def long_event(rng: np.random.Generator, rpm: float, cycle: int) -> SampledTrace:
    """Draw engines until one keeps turning."""
    while True:
        turn = long_turn(rng, rpm, cycle)
        trace = crank(turn.spec, turn.cranking)
        if sum(s.passed_top for s in trace.strokes) > 0.6 * LASTS_S * rpm / 60.0 * 2.0 / cycle:
            gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
            return sample(trace, gauge, RATE_HZ, rng, before_s=2.5, after_s=2.5)


def least_s(work: Callable[[], object]) -> float:
    """Least processor time of five runs, the first of which only makes ready."""
    work()
    taken = []
    for _ in range(4):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return min(taken)


def main() -> None:
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    rng = np.random.default_rng(4242)
    print(f"{'strokes':>7} {'samples':>8} {'fit, s':>7} {'lstsq, s':>9} {'ratio':>6}  error of peaks, %: median, p95")
    for rpm, cycle in TURNED:
        trace = long_event(rng, rpm, cycle)
        samples, traits, hints = event_samples(trace), traits_of(trace), EngineHints(cycle=cycle)
        n = len(samples.time_s)
        rows, right = rng.normal(size=(n, UNKNOWNS)), rng.normal(size=n)
        yard_s = least_s(partial(np.linalg.lstsq, rows, right, rcond=None))
        fit_s = least_s(partial(fit_live, samples, traits, hints))
        found = fit_live(samples, traits, hints).strokes
        truth = np.array([[s.time_s, s.peak_kpa] for s in trace.strokes])
        near = [int(np.argmin(np.abs(truth[:, 0] - stroke.time_s))) for stroke in found]
        error = 100.0 * np.abs(np.array([s.peak_kpa for s in found]) / truth[near, 1] - 1.0)
        middle, far = np.percentile(error, [50, 95])
        ratio = fit_s / yard_s
        print(f"{len(found):7} {n:8} {fit_s:7.3f} {yard_s:9.3f} {ratio:6.2f}  {middle:25.3f}, {far:.3f}")


if __name__ == "__main__":
    main()
