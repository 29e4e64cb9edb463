"""How well the cranking speed of live gauges is told on simulated engines, sample rate by sample rate.

    python -m tests.benchmarks.cranking_speed --events 300 --seed 7
    python -m tests.benchmarks.cranking_speed --events 100 --slipped

The speed is that of the middle turn; the truth is read from the simulated crank's angle. Beside it stand what a judge
would be off by who knows the true pressure peaks of the strokes that went over the top (a peak comes before the top,
by leak and heat), and how far the middle turn is from the mean over all turns: what a pause and a last turn that runs
down do to a mean.
"""

import argparse
from collections.abc import Iterator

import numpy as np

from gaugelink.peak.events import EngineHints
from gaugelink.peak.live import fit_live
from simulators.cranking import CylinderTrace, tops_passed
from simulators.scenarios import SLIP_S, crank_many, random_live_gauge, random_turn, turned_over
from simulators.sensor import sample
from tests.benchmarks.peak_accuracy import RATES_HZ, event_samples, traits_of

AT_ONCE = 50
ASKED = 2.0
"""Percent."""


def traces(rng: np.random.Generator, count: int, slipped: bool) -> Iterator[CylinderTrace]:
    while count > 0:
        strokes = [int(rng.integers(6, 11)) if slipped else None for _ in range(AT_ONCE)]
        for trace in crank_many([random_turn(rng, strokes=n, slipped_hand=slipped) for n in strokes]):
            if not turned_over(trace):
                continue
            tops = tops_passed(trace.time_s, trace.crank_angle, trace.spec.cycle)
            if slipped and np.diff(tops).max() < SLIP_S:
                continue
            if count > 0:
                count -= 1
                yield trace


def off(told: float, truth: float) -> float:
    """Percent."""
    return 100.0 * abs(told / truth - 1.0)


def line(name: str, errors: list[float], untold: int = 0) -> str:
    e = np.array(errors)
    return (
        f"{name:>24} {len(e):6d} {untold:6d} | {np.median(e):6.2f} {np.percentile(e, 95):6.2f} {e.max():6.1f} |"
        f" {100 * np.mean(e <= ASKED):6.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--events", type=int, default=300, help="simulated events in all, shared by the rates")
    parser.add_argument("--rate", type=float, action="append", help="samples/s; may be given again")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slipped", action="store_true", help="the hand slips off in the middle of every event")
    arguments = parser.parse_args()
    rates = tuple(arguments.rate or RATES_HZ)
    rng = np.random.default_rng(arguments.seed)
    errors: dict[float, list[float]] = {rate: [] for rate in rates}
    untold = dict.fromkeys(rates, 0)
    by_peaks: list[float] = []
    by_mean: list[float] = []
    for number, trace in enumerate(traces(rng, -(-arguments.events // len(rates)), arguments.slipped)):
        gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
        truth = trace.cranking_rpm
        turns = trace.spec.cycle // 2
        peaks = np.diff([s.time_s for s in trace.strokes if s.passed_top])
        tops = tops_passed(trace.time_s, trace.crank_angle, trace.spec.cycle)
        by_peaks.append(off(60.0 * turns / float(np.median(peaks)), truth))
        by_mean.append(off(60.0 * turns * (len(tops) - 1) / (tops[-1] - tops[0]), truth))
        for rate in rates:
            shown = sample(trace, gauge, rate, arguments.seed * 1_000_003 + number, before_s=2.5, after_s=1.0)
            event = fit_live(event_samples(shown), traits_of(shown), EngineHints(cycle=shown.cycle))
            if event.cranking_rpm is None:
                untold[rate] += 1
            else:
                errors[rate].append(off(event.cranking_rpm, truth))
    print(f"{'':24} events untold | error, %: med p95 max | within {ASKED:g} %, %")
    for rate in rates:
        print(line(f"{rate:g}/s", errors[rate], untold[rate]))
    print(line("true peaks", by_peaks))
    print(line("mean against middle", by_mean))


if __name__ == "__main__":
    main()
