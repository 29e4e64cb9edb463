"""Decays of simulated vessels: size of the hole, early pass or fail, and coverage. ``--tests 1000 --jobs 2``.

Volumes 0.3 to 8 l, holes 0.05 to 1 mm or none, 20 to 70 kPa, gauges of 0.01 to 0.7 kPa at 1 to 20 samples/s, air
that settles in 10 to 120 s from up to 5 % of its pressure, walls that drift by up to 3 K/h.
"""

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from gaugelink.leak.decay import DecayResult, DecayVerdict, analyse
from gaugelink.leak.limits import DecayLimit, Practice, practice_limit
from simulators.vessel import Vessel, VesselRecord, watch

BOOK = practice_limit(Practice.USUAL)
FIRST_LOOK_S, NEXT_LOOK = 10.0, 1.4
SEEN_TIMES = 2.0
"""A leak can be seen above drift when it is at least so many times what 3 K/h do to the pressure."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One simulated test."""

    seed: int
    tight: bool
    seen: bool
    hole_error: float
    """Relative error of the diameter after the whole time by the book; NaN for a tight volume."""
    covered: bool
    verdict: DecayVerdict
    right: bool
    stopped_share: float
    """Time until the early stop, over the time by the book."""
    near: bool
    """The true leak is within 5 % of the limit."""
    look_s: float
    """Processor time of the look at the whole record."""


def draw(seed: int, tight: bool) -> tuple[Vessel, VesselRecord, DecayLimit, float]:
    """A random vessel and a record of the whole time by the book."""
    rng = np.random.default_rng(seed)
    start = float(rng.uniform(20.0, 70.0))
    volume = float(np.exp(rng.uniform(np.log(300.0), np.log(8000.0))))
    resolution = float(np.exp(rng.uniform(np.log(0.01), np.log(0.7))))
    vessel = Vessel(
        volume_cm3=volume,
        hole_mm=0.0 if tight else float(np.exp(rng.uniform(np.log(0.05), np.log(1.0)))),
        settling_s=float(np.exp(rng.uniform(np.log(10.0), np.log(120.0)))),
        heated=float(rng.uniform(0.0, 0.05)) * start / (101.325 + start),
        drift_k_per_h=float(rng.uniform(-3.0, 3.0)),
    )
    record = watch(
        vessel,
        start,
        60.0 * BOOK.minutes,
        rate_hz=float(rng.choice([1.0, 2.0, 5.0, 10.0, 20.0])),
        resolution_kpa=resolution,
        noise_kpa=resolution * float(rng.uniform(0.1, 1.0)),
        seed=seed,
    )
    limit = BOOK.model_copy(
        update={"test_kpa": start, "highest_kpa": 80.0, "volume_cm3": volume, "volume_u_percent": 0.0}
    )
    return vessel, record, limit, resolution


def judged(record: VesselRecord, limit: DecayLimit, resolution: float, until_s: float) -> DecayResult:
    """Judge the part of a record up to `until_s` after the valve closed."""
    part = (record.time_s >= record.closed_s - 1e-9) & (record.time_s <= record.closed_s + until_s)
    return analyse(record.time_s[part], record.pressure_kpa[part], limit, resolution_kpa=resolution)


def once(job: tuple[int, bool]) -> Outcome:
    """One test: early looks until it is certain, then the whole record."""
    seed, tight = job
    vessel, record, limit, resolution = draw(seed, tight)
    book_s = 60.0 * BOOK.minutes
    until, early = FIRST_LOOK_S, None
    while until < book_s:
        early = judged(record, limit, resolution, until)
        if early.verdict is not DecayVerdict.OPEN:
            break
        until *= NEXT_LOOK
    began = time.process_time()
    whole = judged(record, limit, resolution, book_s)
    look_s = time.process_time() - began
    if early is None or early.verdict is DecayVerdict.OPEN:
        early, until = whole, book_s
    truth = record.leak_kpa_per_min
    drift = 3.0 / 60.0 / 293.15 * (101.325 + record.start_kpa)
    passes = truth <= limit.rate_kpa_per_min
    verdict = early.verdict
    if verdict is DecayVerdict.OPEN:
        verdict = DecayVerdict.PASS if early.probability_pass > 0.5 else DecayVerdict.FAIL
    error = float("nan")
    if not tight and whole.hole_mm is not None:
        error = whole.hole_mm.value / vessel.hole_mm - 1.0
    return Outcome(
        seed=seed,
        tight=tight,
        seen=truth > SEEN_TIMES * drift,
        hole_error=error,
        covered=whole.leak_kpa_per_min.low <= truth <= whole.leak_kpa_per_min.high,
        verdict=verdict,
        right=(verdict is DecayVerdict.PASS) == passes,
        stopped_share=until / book_s,
        near=abs(truth / limit.rate_kpa_per_min - 1.0) < 0.05,
        look_s=look_s,
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    jobs = [(arguments.seed + i, i % 5 == 4) for i in range(arguments.tests)]
    with ProcessPoolExecutor(arguments.jobs) as pool:
        outcomes = list(pool.map(once, jobs, chunksize=4))
    leaky = [o for o in outcomes if not o.tight and o.seen]
    tight = [o for o in outcomes if o.tight]
    errors = np.abs([o.hole_error for o in leaky])
    print(f"tests {len(outcomes)}, of them tight {len(tight)}, leak seen above drift {len(leaky)}")
    print(
        f"hole diameter: median error {100 * np.median(errors):.2f} %, "
        f"95th percentile {100 * np.percentile(errors, 95):.1f} %, within 10 %: {100 * np.mean(errors < 0.10):.1f} %"
    )
    covered = [o.covered for o in outcomes if not o.tight]
    print(f"truth in the stated 95 % interval: {100 * np.mean(covered):.1f} % (leaky)")
    print(f"right pass or fail, early stop: {100 * np.mean([o.right for o in outcomes]):.2f} %")
    clear = [o.right for o in outcomes if not o.near]
    print(f"  the same without leaks within 5 % of the limit: {100 * np.mean(clear):.2f} %")
    shares = [o.stopped_share for o in outcomes]
    print(
        f"time to the early stop over the time by the book: median {np.median(shares):.3f}, mean {np.mean(shares):.3f}"
    )
    looks = 1000.0 * np.array([o.look_s for o in outcomes])
    print(
        f"processor time of a look: median {np.median(looks):.0f} ms, 95th percentile {np.percentile(looks, 95):.0f} ms"
    )
    failed = [o.verdict is DecayVerdict.FAIL for o in tight]
    print(f"tight volumes that were failed: {sum(failed)} of {len(tight)}")
    print(f"judged wrong, by seed: {[o.seed for o in outcomes if not o.right]}")


if __name__ == "__main__":
    main()
