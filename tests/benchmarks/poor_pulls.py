"""What a limit on poor pulls costs and brings: pulls a cylinder, cylinders agreed, and how far their readings are off.

    python -m tests.benchmarks.poor_pulls [--engines 90] [--cylinders 6000]

Simulated engines are sampled a few times at every rate, each time at other moments, and fitted: that gives pulls with
their real errors and with the uncertainties that are told of them. From those, cylinders are drawn, pull by pull, until
the bench calls them agreed or their tries run out. Every pull scatters as cranking does, and one in twenty is weak.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gaugelink.bench import repeats
from gaugelink.bench.agree import agree
from gaugelink.bench.plan import Plan
from gaugelink.bench.reading import Reading, Status
from gaugelink.bench.repeats import common_u_kpa, own_u_kpa
from gaugelink.peak.events import EngineHints, GaugeKind
from gaugelink.peak.live import fit_live
from simulators.scenarios import crank_many, random_live_gauge, random_turn, turned_over
from simulators.sensor import sample
from tests.benchmarks.peak_accuracy import BEFORE_S, event_samples, traits_of

RATES_HZ = (50.0, 100.0, 200.0)
TIMES = 5
"""How often the trace of one engine is sampled at each rate."""
LIMITS = (float("inf"), 0.08, 0.07, 0.06, 0.05, 0.035)
WEAK = 0.05
TOP_KPA = 900.0


@dataclass(frozen=True, slots=True)
class Pull:
    """One fit, as shares of the true peak."""

    peak: float
    u: float
    """Expanded uncertainty."""
    common: float
    """Standard uncertainty that pulls by the gauge share."""
    own: float
    """Standard uncertainty of the pull alone."""


def fitted(engines: int, seed: int) -> dict[float, list[list[Pull]]]:
    """By rate, and by engine, its pulls."""
    rng = np.random.default_rng(seed)
    found: dict[float, list[list[Pull]]] = {rate: [] for rate in RATES_HZ}
    number = 0
    for trace in crank_many([random_turn(rng) for _ in range(engines)]):
        if not turned_over(trace):
            continue
        gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
        for rate in RATES_HZ:
            pulls = []
            for _ in range(TIMES):
                number += 1
                seen = sample(trace, replace(gauge), rate, seed * 1_000_003 + number, before_s=BEFORE_S, after_s=1.0)
                event = fit_live(event_samples(seen), traits_of(seen), EngineHints(cycle=seen.cycle))
                top = max(stroke.peak_kpa for stroke in seen.strokes)
                pulls.append(
                    Pull(
                        event.peak_kpa / top, event.peak_u_kpa / top, common_u_kpa(event) / top, own_u_kpa(event) / top
                    )
                )
            found[rate].append(pulls)
    return found


def reading(pull: Pull, factor: float, number: int) -> Reading:
    """A pull on a cylinder whose pressure cranking has multiplied by `factor`."""
    scale = factor * TOP_KPA
    return Reading(
        event_id=f"e{number}",
        test_id="t",
        gauge="red",
        kind=GaugeKind.LIVE,
        pull=number,
        peak_kpa=scale * pull.peak,
        peak_u_kpa=scale * pull.u,
        common_u_kpa=scale * pull.common,
        flags=frozenset(),
        status=Status.GIVEN,
        cylinder="1",
        confidence=1.0,
        candidates=(),
        own_u_kpa=scale * pull.own,
    )


def played(engines: Sequence[Sequence[Pull]], cylinders: int, seed: int) -> str:
    """Draw cylinders and put in one line what became of them."""
    rng = np.random.default_rng(seed)
    plan = Plan(test_id="t", cylinders=("1",), gauges={"1": "red"})
    tries, errors = [], []
    for _ in range(cylinders):
        pulls = engines[rng.integers(len(engines))]
        got: list[Reading] = []
        while True:
            weak = rng.uniform(0.75, 0.97) if rng.random() < WEAK else 1.0
            factor = weak * float(rng.normal(1.0, repeats.CRANKING_SCATTER))
            got.append(reading(pulls[rng.integers(len(pulls))], factor, len(got)))
            found = agree(got, plan.repeats, plan.agreement)
            if found.agreed or len(got) >= plan.max_tries:
                break
        tries.append(len(got))
        if found.agreed and found.value_kpa is not None:
            errors.append(abs(found.value_kpa / TOP_KPA - 1.0))
    error = 100.0 * np.array(errors)
    return (
        f"{np.mean(tries):5.2f} {100.0 * len(errors) / cylinders:7.1f} %"
        f" {np.median(error):8.2f} {np.quantile(error, 0.95):6.2f} % {100.0 * np.mean(error > 5.0):10.2f} %"
    )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--engines", type=int, default=90)
    parser.add_argument("--cylinders", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=11)
    arguments = parser.parse_args()
    print("   /s  limit  pulls  agreed  error: median, p95   off by > 5 %")
    for rate, engines in fitted(arguments.engines, arguments.seed).items():
        for limit in LIMITS:
            repeats.POOR_SHARE = limit
            print(
                f"{rate:5.0f} {100.0 * limit:5.1f}% {played(engines, arguments.cylinders, arguments.seed)}", flush=True
            )


if __name__ == "__main__":
    main()
