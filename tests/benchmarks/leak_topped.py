"""Leaking volumes that air comes into while they are held, and honest ones. ``--tests 400 --jobs 2``.

The vessels and gauges of `leak_accuracy`, judged as the service does while the samples come. Three kinds of tests:
leaks of 1.5 to 6 times the limit that are topped up one to three times by 0.5 to 4 kPa each, within 0.5 to 20 s; any
volume that nobody touches; the same after some air was let off to set the pressure, so that what is left is colder
than the wall by up to 0.7 % of its temperature.
"""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from gaugelink.app.leak_runs import DecayRun
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.leak_messages import LeakRequest
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import FloatArray, SampleBatch
from gaugelink.leak.decay import DecayVerdict
from gaugelink.leak.limits import DecayLimit
from simulators.vessel import Vessel, VesselRecord, watch
from tests.benchmarks.leak_accuracy import BOOK, draw

AT_ONCE_S = 0.5


class Kind(StrEnum):
    """What is done to the volume."""

    TOPPED = "topped up"
    UNTOUCHED = "untouched"
    COLD = "let off before"


@dataclass(frozen=True, slots=True)
class Outcome:
    """One test, until it is over or the book's time is."""

    seed: int
    kind: Kind
    leaks: bool
    """The true leak is over the limit."""
    said: str
    """Pass, fail, told that it is no fall of a leak, or open."""
    took_s: float
    anew: int
    """How often the measurement started anew."""


def once(job: tuple[int, Kind]) -> Outcome:
    """One test."""
    seed, kind = job
    rng = np.random.default_rng(seed + 10**6)
    vessel, record, limit, resolution = draw(seed, seed % 5 == 4)
    if kind is not Kind.UNTOUCHED:
        if kind is Kind.TOPPED:
            aim = limit.rate_kpa_per_min * float(rng.uniform(1.5, 6.0))
            vessel = replace(vessel, hole_mm=max(vessel.hole_mm, 0.2))
            record = _again(vessel, record, resolution, seed, 1.0)
            vessel = replace(vessel, hole_mm=vessel.hole_mm * float(np.sqrt(aim / record.leak_kpa_per_min)))
        else:
            vessel = replace(vessel, heated=-float(rng.uniform(0.0, 0.007)))
        record = _again(vessel, record, resolution, seed, 60.0 * BOOK.minutes)
    shown = record.pressure_kpa
    if kind is Kind.TOPPED:
        for _ in range(int(rng.integers(1, 4))):
            begin, lasts = record.closed_s + rng.uniform(8.0, 60.0), np.exp(rng.uniform(np.log(0.5), np.log(20.0)))
            kpa = np.exp(rng.uniform(np.log(0.5), np.log(4.0)))
            shown = shown + kpa * np.clip((record.time_s - begin) / lasts, 0.0, 1.0)
        shown = np.round(shown / resolution) * resolution
    said, took_s, anew = judged(record.time_s, shown, limit.model_copy(update={"highest_kpa": 100.0}))
    leaks = record.leak_kpa_per_min > limit.rate_kpa_per_min
    return Outcome(seed, kind, leaks, said, took_s - record.closed_s, anew)


def _again(vessel: Vessel, record: VesselRecord, resolution: float, seed: int, duration_s: float) -> VesselRecord:
    """The record of another vessel by the same gauge."""
    rate_hz = 1.0 / float(np.median(np.diff(record.time_s)))
    return watch(
        vessel,
        record.start_kpa,
        duration_s,
        rate_hz=rate_hz,
        resolution_kpa=resolution,
        noise_kpa=0.5 * resolution,
        seed=seed,
    )


def judged(time_s: FloatArray, pressure_kpa: FloatArray, limit: DecayLimit) -> tuple[str, float, int]:
    """What the service says, when, and how often it started anew; arrays of shape (n,)."""
    run = DecayRun(LeakRequest(), limit, "amber", Prompter(PressureUnit.KPA, ENGLISH), 101.325)
    each = max(1, round(AT_ONCE_S / float(np.median(np.diff(time_s)))))
    anew = 0
    for first in range(0, len(time_s), each):
        part = slice(first, first + each)
        batch = SampleBatch("amber", time_s[part], pressure_kpa[part], np.zeros(len(time_s[part]), dtype=np.bool_))
        anew += sum(prompt.key is PromptKey.LEAK_ANEW for prompt in run.hear(batch).prompts)
        look = run.due()
        if look is None:
            continue
        result = look()
        if run.judged(result).ended:
            said = "unlike a leak" if result.verdict is DecayVerdict.OPEN else result.verdict.value
            return said, float(time_s[part][-1]), anew
    return "open", float(time_s[-1]), anew


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    kinds = tuple(Kind)
    jobs = [(arguments.seed + i, kinds[i % len(kinds)]) for i in range(arguments.tests)]
    with ProcessPoolExecutor(arguments.jobs) as pool:
        outcomes = list(pool.map(once, jobs, chunksize=4))
    for kind in kinds:
        for leaks in (True, False):
            some = [o for o in outcomes if o.kind is kind and o.leaks is leaks]
            if not some:
                continue
            wrong = [o for o in some if o.said == ("pass" if leaks else "fail")]
            said = dict(Counter(o.said for o in some))
            print(
                f"{kind}, {'over' if leaks else 'within'} the limit: {len(some)}, said {said}, "
                f"started anew in {sum(o.anew > 0 for o in some)}, median {np.median([o.took_s for o in some]):.0f} s, "
                f"judged wrong by seed: {[o.seed for o in wrong]}"
            )
            print(f"  unlike a leak by seed: {[o.seed for o in some if o.said == 'unlike a leak']}")


if __name__ == "__main__":
    main()
