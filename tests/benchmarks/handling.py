"""Detection over hours of shop handling, and the accuracy of held gauges, on simulated engines.

    python -m tests.benchmarks.handling events [--hours 10] [--seed 1]
    python -m tests.benchmarks.handling held [--engines 400] [--seed 1]

`events` strews cranking events into hours of screwing, bleeding, bumps, drift, dropouts, reconnects, spikes and
stuck values, and counts what was found, missed and invented. `held` compares peaks, projections, speeds and their
stated intervals with the truth (`held_gauges.py`).
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.detector import Detector, EventClosed, Handling, HandlingKind
from gaugelink.peak.events import EventSamples
from simulators.cranking import CylinderTrace
from simulators.handling import CrankedTruth, Happening, Label, shop_hours
from simulators.integrator import crank_many
from simulators.scenarios import random_check_valve, random_turn
from tests.benchmarks.held_gauges import held

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
