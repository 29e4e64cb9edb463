"""Detection over hours of shop handling, and the accuracy of held gauges, on simulated engines.

    python -m tests.benchmarks.handling events [--hours 10] [--seed 1]
    python -m tests.benchmarks.handling held [--engines 400] [--seed 1]

`events` strews cranking events into hours of screwing, bleeding, bumps, drift, dropouts, reconnects, spikes and
stuck values, and counts what was found, missed and invented. `held` compares peaks, projections and their stated
intervals with the truth; every engine is sampled by one random gauge at each rate.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.detector import Detector, EventClosed, Handling, HandlingKind, find_events
from gaugelink.peak.events import EngineHints, EventSamples, Flag, GaugeKind, GaugeTraits
from gaugelink.peak.held import fit_held
from simulators.cranking import CylinderTrace
from simulators.handling import CrankedTruth, Happening, Label, shop_hours
from simulators.integrator import crank_many, crank_stream
from simulators.scenarios import random_check_valve, random_held_gauge, random_turn
from simulators.sensor import SampledTrace, sample

FRAME = 10
LEAST_KPA = 100.0
"""Events below this are not counted on: a dead cylinder makes no pressure that handling could not make too."""
RATES = {"live": (25.0, 50.0, 100.0, 200.0), "held": (5.0, 10.0, 20.0, 100.0)}


def traces(kind: str, count: int, seed: int) -> list[CylinderTrace]:
    """Random cranked cylinders."""
    rng = np.random.default_rng(seed)
    turns = [random_turn(rng, slipped_hand=kind == "live" and bool(rng.random() < 0.1)) for _ in range(count)]
    if kind == "held":
        turns = [replace(turn, valve=random_check_valve(rng, turn.spec)) for turn in turns]
    made = crank_many(turns)
    return [t for t in made if (t.final_held_kpa if kind == "held" else t.cylinder_peak_kpa) > LEAST_KPA]


@dataclass(slots=True)
class Tally:
    """What came of hours at the bench."""

    truth: int = 0
    missed: int = 0
    split: int = 0
    false: int = 0
    wrong_kind: int = 0
    vents: int = 0
    vents_true: int = 0


def hours_at_the_bench(kind: str, rate_hz: float, hours: float, made: Sequence[CylinderTrace], seed: int) -> Tally:
    """Feed a detector frame by frame and compare what it says with what was done."""
    detector = Detector()
    found: list[EventSamples] = []
    vents: list[float] = []
    truth: list[CrankedTruth] = []
    labels: list[Label] = []
    rng = np.random.default_rng(seed)
    for chunk in shop_hours(rng, hours=hours, rate_hz=rate_hz, held=kind == "held", traces=made, events_per_hour=20.0):
        truth += chunk.events
        labels += chunk.labels
        for i in range(0, len(chunk.time_s), FRAME):
            part = slice(i, i + FRAME)
            lost = int(chunk.lost_before[part].sum())
            for notice in detector.push(chunk.time_s[part], chunk.pressure_kpa[part], chunk.over_range[part], lost):
                if isinstance(notice, EventClosed):
                    found.append(notice.samples)
                elif isinstance(notice, Handling) and notice.what is HandlingKind.VENTED:
                    vents.append(notice.time_s)
    found += [n.samples for n in detector.finish() if isinstance(n, EventClosed)]
    tally = Tally(truth=len(truth))
    used: set[int] = set()
    for event in truth:
        mine = [i for i, s in enumerate(found) if s.time_s[0] < event.end_s and s.time_s[-1] > event.start_s]
        tally.missed += not mine
        tally.split += len(mine) > 1
        used.update(mine)
    tally.false = len(found) - len(used)
    tally.wrong_kind = sum(found[i].kind.value != kind for i in used)
    bled = [label for label in labels if label.what in (Happening.BLED, Happening.SCREWED_OUT)]
    tally.vents = len(vents)
    tally.vents_true = sum(any(b.start_s - 1 < at < b.end_s + 3 for b in bled) for at in vents)
    return tally


def events(hours: float, seed: int) -> None:
    print(f"{hours:g} h of shop handling for each line, about 20 cranking events an hour, frames of {FRAME}")
    head = ("gauge", "rate/s", "events", "missed", "recall %", "false", "split", "kind wrong", "vents", "true vents")
    print(" ".join(f"{word:>10}" for word in head))
    for kind, rates in RATES.items():
        made = traces(kind, 150, seed)
        for rate in rates:
            r = hours_at_the_bench(kind, rate, hours, made, seed + round(rate))
            recall = 100.0 * (1 - r.missed / max(r.truth, 1))
            cells = (r.truth, r.missed, f"{recall:.2f}", r.false, r.split, r.wrong_kind, r.vents, r.vents_true)
            print(" ".join(f"{cell!s:>10}" for cell in (kind, f"{rate:g}", *cells)), flush=True)


@dataclass(frozen=True, slots=True)
class Climb:
    """One cranking on a held gauge and where it would have gone."""

    trace: CylinderTrace
    strokes: int
    goal_kpa: float


def climbs(engines: int, seed: int) -> list[Climb]:
    """Crank each engine 2 to 12 strokes, and once more for 16 strokes longer."""
    rng = np.random.default_rng(seed)
    short, long = [], []
    for _ in range(engines):
        strokes = int(rng.integers(2, 13))
        turn = random_turn(rng, cord=bool(strokes < 9 and rng.random() < 0.5), strokes=strokes)
        turn = replace(turn, valve=random_check_valve(rng, turn.spec))
        more = (strokes + 16) / strokes
        cranking = turn.cranking
        short.append(turn)
        long.append(
            replace(
                turn,
                cranking=replace(
                    cranking,
                    duration_s=cranking.duration_s * more,
                    longest_s=cranking.duration_s * more + 4.0,
                    turns=cranking.turns * more,
                ),
            )
        )
    goals = [t.final_held_kpa for t in crank_stream(long)]
    made = crank_many(short)
    return [
        Climb(t, sum(s.passed_top for s in t.strokes), max(goal, t.final_held_kpa))
        for t, goal in zip(made, goals, strict=True)
        if t.final_held_kpa > LEAST_KPA
    ]


@dataclass(frozen=True, slots=True)
class Read:
    """One reading beside its truth."""

    climb: Climb
    seen: SampledTrace
    error_kpa: float
    u_kpa: float
    rising: bool
    projected_kpa: float
    projected_u_kpa: float


def read(climb: Climb, rate_hz: float, rng: np.random.Generator) -> tuple[Read | None, int]:
    """Sample, find and judge one climb; None when it was not found. The second value counts events beyond one."""
    gauge = random_held_gauge(rng, climb.trace.cylinder_peak_kpa)
    seen = sample(climb.trace, gauge, rate_hz, rng, before_s=3.0, after_s=4.0)
    found = find_events(seen.time_s, seen.pressure_kpa, GaugeTraits(resolution_kpa=gauge.resolution_kpa))
    if not found or found[0].kind is not GaugeKind.HELD:
        return None, 0
    event = fit_held(found[0], GaugeTraits(resolution_kpa=gauge.resolution_kpa), EngineHints(cycle=seen.cycle))
    return Read(
        climb,
        seen,
        event.peak_kpa - seen.final_kpa,
        event.peak_u_kpa,
        Flag.STILL_RISING in event.flags,
        event.projected_kpa if event.projected_kpa is not None else float("nan"),
        event.projected_u_kpa if event.projected_u_kpa is not None else float("nan"),
    ), len(found) - 1


def held(engines: int, seed: int) -> None:
    made = climbs(engines, seed)
    rng = np.random.default_rng(seed + 1)
    rates = (5.0, 10.0, 20.0, 50.0, 200.0)
    print(f"{len(made)} cranked engines at {len(rates)} rates: {len(made) * len(rates)} held events")
    head = ("rate/s", "found %", "extra", "median %", "p95 %", "in r+0.5%", "in r|0.3%", "in U95 %")
    head += ("U95/p95", "rising %", "settled %")
    print("error of the peak; share within resolution + 0.5 %, within resolution or 0.3 %, within U95; U95 over the")
    print("95th percentile of the error; share called still rising of what was rising, and of what had settled")
    print(" ".join(f"{word:>9}" for word in head))
    results: dict[float, list[Read]] = {}
    for rate in rates:
        pairs = [read(climb, rate, rng) for climb in made]
        reads = [r for r, _ in pairs if r is not None]
        results[rate] = reads
        truth = np.array([r.seen.final_kpa for r in reads])
        error = np.abs([r.error_kpa for r in reads])
        res = np.array([r.seen.gauge.resolution_kpa for r in reads])
        u = np.array([r.u_kpa for r in reads])
        left = np.array([r.climb.goal_kpa for r in reads]) - truth
        rising = left > np.maximum(0.003 * truth, res)
        said = np.array([r.rising for r in reads])
        cells = (
            rate,
            100 * len(reads) / len(made),
            sum(n for _, n in pairs),
            100 * np.median(error / truth),
            100 * np.percentile(error / truth, 95),
            100 * np.mean(error <= res + 0.005 * truth),
            100 * np.mean(error <= np.maximum(res, 0.003 * truth)),
            100 * np.mean(error <= u),
            np.median(u) / np.percentile(error, 95),
            100 * np.mean(said[rising]),
            100 * np.mean(said[~rising]),
        )
        print(" ".join(f"{cell:9.4g}" for cell in cells), flush=True)
    print("\nprojection of events cut short, by strokes over the top (relative to where the climb was going)")
    head = ("rate/s", "strokes", "events", "short %", "median %", "p95 %", "in U95 %", "U95 %")
    print(" ".join(f"{word:>9}" for word in head))
    for rate in rates:
        for low, high in ((2, 2), (3, 3), (4, 5), (6, 8), (9, 20)):
            some = [r for r in results[rate] if low <= r.climb.strokes <= high and r.rising]
            if len(some) < 5:
                continue
            goal = np.array([r.climb.goal_kpa for r in some])
            off = np.abs(np.array([r.projected_kpa for r in some]) - goal)
            u = np.array([r.projected_u_kpa for r in some])
            short = 1 - np.array([r.seen.final_kpa for r in some]) / goal
            name = f"{low}" if low == high else f"{low} to {high}" if high < 20 else f"{low}+"
            cells = (np.median(short), np.median(off / goal), np.percentile(off / goal, 95), np.mean(off <= u))
            numbers = " ".join(f"{100 * cell:9.3g}" for cell in (*cells, np.median(u / goal)))
            print(f"{rate:9g} {name:>9} {len(some):9d} {numbers}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["events", "held"])
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--engines", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    if args.what == "events":
        events(args.hours, args.seed)
    else:
        held(args.engines, args.seed)


if __name__ == "__main__":
    main()
