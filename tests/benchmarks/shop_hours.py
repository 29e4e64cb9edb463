"""Recall and false events over hours of shop handling, and over events that are hard to tell apart.

    python -m tests.benchmarks.shop_hours                 # 10 h each: live 50, 100, 200, held 10, 50, 100 samples/s
    python -m tests.benchmarks.shop_hours --hours 2 --pairs 50

Cranking is strewn into the hours at random with 4 s of quiet around it. An event that overlaps no true one is false;
a true one that no event overlaps is missed.
"""

import argparse
import time
from collections.abc import Sequence

import numpy as np

from gaugelink.peak.detector import Detector, EventClosed
from gaugelink.peak.events import EventSamples, GaugeKind
from simulators.cranking import CylinderTrace
from simulators.handling import CrankedTruth, shop_hours
from simulators.integrator import crank
from simulators.scenarios import paired_events, random_check_valve, random_turn, slipped_hand_events, turned_over
from simulators.sensor import HeldGauge, LiveGauge, SampledTrace

FRAME = 10
LEAST_KPA = 150.0
"""Engines weaker than this are not strewn in: their strokes are no higher than what hands do to a hose."""


def engines(rng: np.random.Generator, *, held: bool, count: int) -> list[CylinderTrace]:
    """Draw traces of engines that were turned over."""
    found: list[CylinderTrace] = []
    while len(found) < count:
        turn = random_turn(rng, cord=False if held else None, strokes=int(rng.integers(4, 12)) if held else None)
        trace = crank(turn.spec, turn.cranking, random_check_valve(rng, turn.spec) if held else None)
        if turned_over(trace) and trace.cylinder_peak_kpa > LEAST_KPA:
            found.append(trace)
    return found


def closed(notices: Sequence[object]) -> list[EventSamples]:
    return [n.samples for n in notices if isinstance(n, EventClosed)]


def handled(seed: int, *, held: bool, hours: float, rate_hz: float, each_hour: float) -> None:
    """Run one record of hours through the detector and print what came of it."""
    rng = np.random.default_rng(seed)
    style = HeldGauge if held else LiveGauge
    gauge = style(loss=0.01, clock_error_s=5e-4, noise_kpa=2.0, range_kpa=3447.4)
    detector = Detector()
    truth: list[CrankedTruth] = []
    found: list[EventSamples] = []
    began = time.perf_counter()
    for chunk in shop_hours(
        rng,
        hours=hours,
        rate_hz=rate_hz,
        held=held,
        gauge=gauge,
        traces=engines(rng, held=held, count=40),
        events_per_hour=each_hour,
    ):
        truth.extend(chunk.events)
        for first in range(0, len(chunk.time_s), FRAME):
            part = slice(first, first + FRAME)
            lost = int(chunk.lost_before[part].sum())
            found += closed(detector.push(chunk.time_s[part], chunk.pressure_kpa[part], chunk.over_range[part], lost))
    found += closed(detector.finish())
    waiting = list(truth)
    false = wrong_kind = 0
    for event in found:
        hit = [u for u in waiting if event.time_s[0] < u.end_s + 0.5 and event.time_s[-1] > u.start_s - 0.5]
        if hit:
            waiting.remove(hit[0])
            wrong_kind += (event.kind is GaugeKind.HELD) != held
        else:
            false += 1
    name = "held" if held else "live"
    print(
        f"{name:>4} {rate_hz:6g} {hours:6g} {len(truth):7d} {len(waiting):7d} {false:6d} {wrong_kind:11d}"
        f" {time.perf_counter() - began:8.1f}"
    )


def counted(event: SampledTrace) -> int:
    """Events that the detector makes of a record."""
    detector = Detector()
    found = closed(detector.push(event.time_s, event.pressure_kpa, event.over_range, int(event.lost_before.sum())))
    return len(found + closed(detector.finish()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--each-hour", type=float, default=20.0, help="cranking events in an hour")
    parser.add_argument("--pairs", type=int, default=200, help="pairs of events, and events with a slipped hand")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(f"{'kind':>4} {'rate':>6} {'hours':>6} {'cranked':>7} {'missed':>7} {'false':>6} {'wrong kind':>11} {'s':>8}")
    for held, rates in ((False, (50.0, 100.0, 200.0)), (True, (10.0, 50.0, 100.0))):
        for rate_hz in rates:
            handled(args.seed, held=held, hours=args.hours, rate_hz=rate_hz, each_hour=args.each_hour)
    for rate_hz in (50.0, 100.0, 500.0):
        rng = np.random.default_rng(args.seed)
        two = [counted(e) for e, _ in paired_events(rng, args.pairs, rate_hz=rate_hz)]
        one = [counted(e) for e in slipped_hand_events(rng, args.pairs, rate_hz=rate_hz)]
        print(
            f"{rate_hz:g} samples/s: {np.mean(np.array(two) == 2):.1%} of {len(two)} pairs 1.5 s apart stay two;"
            f" {np.mean(np.array(one) == 1):.1%} of {len(one)} with a slipped hand are one"
        )


if __name__ == "__main__":
    main()
