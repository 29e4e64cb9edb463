"""Cost of streaming detection, beside scipy.signal.find_peaks on the same samples.

    python -m tests.benchmarks.peak_cost [--minutes 60] [--rounds 5]

`find_peaks` is a C routine that sees the whole record at once: the yardstick, not a rival. What it costs depends on
what it is asked: heights alone, or prominences too, which is what tells strokes from noise. Aims, as ratios of its
time per sample: 60 in frames of 10 samples, 10 in frames of 100, 3 when a whole record is replayed.
"""

import argparse
import time
from collections.abc import Callable
from functools import partial

import numpy as np
from scipy.signal import find_peaks

from gaugelink.peak.detector import Detector, find_events

RATE_HZ = 100.0
FRAMES = {1: "-", 10: "60", 100: "10"}
"""Samples of a frame, and the aim for it."""


def shop_record(minutes: float, seed: int, event_every_s: float) -> tuple[np.ndarray, np.ndarray]:
    """A live gauge's samples: quiet with noise, and a pull of six to fourteen strokes now and then."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    p = rng.normal(0.0, 0.8, n)
    at = 5.0
    while at + event_every_s < t[-1]:
        strokes = int(rng.integers(6, 15))
        period = float(rng.uniform(0.1, 0.25))
        inside = slice(int((at - 0.5) * RATE_HZ), int((at + strokes * period + 0.5) * RATE_HZ))
        for k in range(strokes):
            p[inside] += 900.0 * np.exp(-(((t[inside] - at - k * period) / 0.016) ** 2))
        at += float(rng.uniform(0.7, 1.3)) * event_every_s
    return t, np.round(p / 0.7) * 0.7


def best_of(rounds: int, works: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Least processor time of each: what one core can do when nobody else asks for it.

    They take turns, so that what slows the machine down for a while slows all of them; each runs twice in its turn, the
    second time with what it needs in the caches.
    """
    best = dict.fromkeys(works, float("inf"))
    for _ in range(rounds):
        for name, work in (item for item in works.items() for _ in range(2)):
            begin = time.process_time()
            work()
            best[name] = min(best[name], time.process_time() - begin)
    return best


def stream(t: np.ndarray, p: np.ndarray, frame: int) -> int:
    """Feed a record in frames; the number of notices."""
    detector = Detector()
    notices = 0
    for i in range(0, len(t), frame):
        notices += len(detector.push(t[i : i + frame], p[i : i + frame]))
    return notices + len(detector.finish())


def slicing(t: np.ndarray, p: np.ndarray, frame: int) -> int:
    """The same loop without the detector: what cutting the record into frames costs by itself."""
    total = 0
    for i in range(0, len(t), frame):
        total += len(t[i : i + frame]) + len(p[i : i + frame])
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--event-every", type=float, default=60.0, help="seconds between cranking events")
    parser.add_argument("--rounds", type=int, default=5, help="turns of each, of which the quickest run counts")
    args = parser.parse_args()
    t, p = shop_record(args.minutes, 1, args.event_every)
    n = len(t)
    asked = {
        "height, distance": {"height": 50.0, "distance": 5},
        "height, prominence": {"height": 50.0, "prominence": 50.0},
        "prominence": {"prominence": 50.0},
    }
    works: dict[str, Callable[[], object]] = {name: partial(find_peaks, p, **what) for name, what in asked.items()}
    works["whole record replayed"] = partial(find_events, t, p)
    for frame in FRAMES:
        works[f"frames of {frame}"] = partial(stream, t, p, frame)
        works[f"cut into {frame}"] = partial(slicing, t, p, frame)
    took = {name: took_s / n for name, took_s in best_of(args.rounds, works).items()}
    yards = {name: took[name] for name in asked}
    events = len(find_events(t, p))
    print(f"{n} samples, {args.minutes:g} min at {RATE_HZ:g}/s, {events} cranking events")
    for name, yard in yards.items():
        print(f"find_peaks({name}), whole record: {yard * 1e9:.1f} ns/sample")
    print(f"{'':22} {'ns/sample':>10} {'samples/s':>11}  times find_peaks({', / '.join(yards)})   aim")
    carried = 0.0
    for frame, aim in (*FRAMES.items(), (0, "3")):
        name = f"frames of {frame}" if frame else "whole record replayed"
        per = took[name] - (took[f"cut into {frame}"] if frame else 0.0)
        ratios = " / ".join(f"{per / yard:.1f}" for yard in yards.values())
        print(f"{name:22} {per * 1e9:10.0f} {1 / per:11.0f}  {ratios:>50} {aim:>5}")
        carried = 1 / per / RATE_HZ if frame == 10 else carried
    print(f"one core carries {carried:.0f} gauges of {RATE_HZ:g} samples/s in frames of 10 (detector alone)")
    print(f"memory of one detector's samples: {Detector().nbytes / 1e3:.0f} kB, however long the day")


if __name__ == "__main__":
    main()
