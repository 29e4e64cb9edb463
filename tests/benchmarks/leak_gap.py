"""Decays that are interrupted and gone on with: what is contradicted, what the rest says. ``--tests 1000 --jobs 2``.

The vessels and gauges of `leak_accuracy`. After 8 to 240 s of the hold the samples stop for 5 to 300 s. In one half of
the tests nobody touches the volume meanwhile; in the other 2 to 50 % of its pressure are let off or pumped in.
"""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from gaugelink.leak.decay import DecayFlag, DecayResult, DecayVerdict, analyse
from gaugelink.leak.gap import Gap, analyse_over
from gaugelink.leak.hold import Contradiction, contradiction
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.watch import DecayWatch, WatchPhase
from simulators.vessel import Vessel, VesselRecord, watch
from tests.benchmarks.leak_accuracy import BOOK, draw

NEXT_LOOK = 1.3


@dataclass(frozen=True, slots=True)
class Outcome:
    """One interrupted decay."""

    seed: int
    touched: float
    """Share of the pressure that was let off (negative) or pumped in; 0 when nobody touched it."""
    held: bool
    """There was a hold to be kept when the samples stopped, and it was not judged yet."""
    against: Contradiction | None = None
    verdict: DecayVerdict = DecayVerdict.OPEN
    right: bool = True
    covered: bool = True
    moved: bool = False
    """It is told that before and after the gap do not fit together."""
    width: float = 1.0
    """Width of the interval, over that of the same decay without the interruption, judged at the same time."""


def once(job: tuple[int, bool]) -> Outcome:
    """One decay, interrupted."""
    seed, touch = job
    rng = np.random.default_rng(seed + 10**6)
    vessel, record, limit, resolution = draw(seed, seed % 5 == 4)
    share = float(rng.choice([-1.0, 1.0]) * np.exp(rng.uniform(np.log(0.02), np.log(0.5)))) if touch else 0.0
    before_s, gap_s = (float(np.exp(rng.uniform(np.log(a), np.log(b)))) for a, b in ((8.0, 240.0), (5.0, 300.0)))
    watching = DecayWatch(limit, resolution_kpa=resolution)
    before = record.time_s < record.closed_s + before_s
    watching.push(record.time_s[before], record.pressure_kpa[before])
    hold = watching.hold()
    passes = record.leak_kpa_per_min <= limit.rate_kpa_per_min
    if hold is None or look(watching, limit, resolution).verdict is not DecayVerdict.OPEN:
        return Outcome(seed, share, held=False)
    time_s, pressure_kpa = after(vessel, record, before_s + gap_s, share, resolution, seed)
    level_kpa = float(np.median(pressure_kpa[:5])) - hold.zero_kpa
    against = contradiction(hold, limit, float(np.median(time_s[:5])) - hold.last_s, level_kpa)
    if against is not None:
        return Outcome(seed, share, held=True, against=against)
    going = DecayWatch.resumed(limit, hold, level_kpa)
    gap = Gap(float(time_s[0]) - hold.last_s, float(time_s[0]))
    next_s, said = gap.end_s + gap.looked_after_s - hold.closed_s, None
    for first in range(0, len(time_s), 20):
        going.push(time_s[first : first + 20], pressure_kpa[first : first + 20])
        if going.phase is not WatchPhase.HOLDING:
            break
        if going.elapsed_s >= next_s and going.evidence() is not None:
            evidence = going.evidence()
            assert evidence is not None
            said = analyse_over(gap, evidence, limit)
            next_s = NEXT_LOOK * going.elapsed_s
            if said.verdict is not DecayVerdict.OPEN or DecayFlag.POOR_FIT in said.flags:
                break
    if said is None:
        return Outcome(seed, share, held=True)
    rate = said.leak_kpa_per_min
    until = (record.time_s >= record.closed_s) & (record.time_s <= record.closed_s + said.duration_s)
    whole = analyse(record.time_s[until], record.pressure_kpa[until], limit, resolution_kpa=resolution)
    return Outcome(
        seed,
        share,
        held=True,
        verdict=said.verdict,
        right=said.verdict is DecayVerdict.OPEN or (said.verdict is DecayVerdict.PASS) == passes,
        covered=rate.low <= record.leak_kpa_per_min <= rate.high,
        moved=DecayFlag.POOR_FIT in said.flags,
        width=rate.u / max(whole.leak_kpa_per_min.u, 1e-9),
    )


def look(watching: DecayWatch, limit: DecayLimit, resolution: float) -> DecayResult:
    """Judge what is held."""
    evidence = watching.evidence()
    assert evidence is not None
    return analyse(
        evidence.time_s,
        evidence.pressure_kpa,
        limit,
        resolution_kpa=resolution,
        rest_kpa=evidence.rest_kpa,
        thinned=evidence.thinned,
        closed_s=evidence.closed_s,
    )


def after(
    vessel: Vessel, record: VesselRecord, from_s: float, share: float, resolution: float, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """What the gauge shows from `from_s` after closing, where `share` of the pressure was put in just before."""
    there = record.time_s >= record.closed_s + from_s
    time_s, pressure_kpa = record.time_s[there], record.pressure_kpa[there]
    if share == 0.0:
        return time_s, pressure_kpa
    rate_hz = 1.0 / float(np.median(np.diff(record.time_s)))
    level = max(float(np.median(pressure_kpa[:5])), 0.5) * (1.0 + share)
    # Adiabatic but for the time that it takes: a third of what a sudden change would warm or cool.
    moved = replace(vessel, heated=0.1 * share * level / (vessel.ambient_abs_kpa + level))
    anew = watch(
        moved,
        level,
        len(time_s) / rate_hz,
        rate_hz=rate_hz,
        resolution_kpa=resolution,
        noise_kpa=0.5 * resolution,
        seed=seed,
    )
    held = anew.time_s >= anew.closed_s - 1e-9
    n = min(int(held.sum()), len(time_s))
    return time_s[:n], anew.pressure_kpa[held][:n]


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    jobs = [(arguments.seed + i, i % 2 == 1) for i in range(arguments.tests)]
    with ProcessPoolExecutor(arguments.jobs) as pool:
        outcomes = [one for one in pool.map(once, jobs, chunksize=4) if one.held]
    print(f"tests {len(jobs)} (limit {BOOK.source}), interrupted while open: {len(outcomes)}")
    for name, some in (
        ("nobody touched it", [o for o in outcomes if o.touched == 0.0]),
        ("touched by 2 to 5 %", [o for o in outcomes if 0.0 < abs(o.touched) < 0.05]),
        ("touched by 5 to 50 %", [o for o in outcomes if abs(o.touched) >= 0.05]),
    ):
        on = [o for o in some if o.against is None]
        told = Counter(o.against.value for o in some if o.against is not None)
        print(f"{name}: {len(some)}, gone on with {len(on)}, told {dict(told)}")
        if on:
            wrong = [o for o in on if not o.right]
            print(
                f"  truth in the stated interval {100 * np.mean([o.covered for o in on if not o.moved]):.1f} %, "
                f"certain in the end {100 * np.mean([o.verdict is not DecayVerdict.OPEN for o in on]):.1f} %, "
                f"told that something was moved {sum(o.moved for o in on)}, certain and wrong {len(wrong)}; "
                f"interval over that without a gap: median {np.median([o.width for o in on]):.2f}"
            )
            print(f"  wrong by seed: {[o.seed for o in wrong]}")


if __name__ == "__main__":
    main()
