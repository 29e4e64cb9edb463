"""Cost of streaming detection, beside scipy.signal.find_peaks on the same samples.

    python -m tests.benchmarks.peak_cost [--minutes 60]

`find_peaks` is a C routine that sees the whole record at once: the yardstick, not a rival. Aims, as ratios of its
time per sample: 60 in frames of 10 samples, 10 in frames of 100, 3 when a whole record is replayed.
"""

import argparse
import time
from collections.abc import Callable

import numpy as np
from scipy.signal import find_peaks

from gaugelink.peak.detector import Detector, find_events

RATE_HZ = 100.0


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


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs: what the machine can do when nobody else asks for it."""
    best = float("inf")
    for _ in range(times):
        begin = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begin)
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
    parser.add_argument("--event-every", type=float, default=30.0, help="seconds between cranking events")
    args = parser.parse_args()
    t, p = shop_record(args.minutes, 1, args.event_every)
    n = len(t)
    yard = best_of(5, lambda: find_peaks(p, height=50.0, distance=5)) / n
    events = len(find_events(t, p))
    print(f"{n} samples, {args.minutes:g} min at {RATE_HZ:g}/s, {events} cranking events")
    print(f"find_peaks, whole record: {yard * 1e9:8.1f} ns/sample")
    print(f"{'':24} {'ns/sample':>10} {'samples/s':>12} {'x find_peaks':>12} {'aim':>5}")
    aims = {1: None, 10: 60, 100: 10}
    for frame, aim in aims.items():
        per = (best_of(3, lambda f=frame: stream(t, p, f)) - best_of(3, lambda f=frame: slicing(t, p, f))) / n
        print(f"frames of {frame:<14} {per * 1e9:10.0f} {1 / per:12.0f} {per / yard:12.1f} {aim or '':>5}")
        if frame == 10:
            carried = 1 / per / RATE_HZ
    per = best_of(5, lambda: find_events(t, p)) / n
    print(f"{'whole record replayed':24} {per * 1e9:10.0f} {1 / per:12.0f} {per / yard:12.1f} {3:>5}")
    print(f"one core carries {carried:.0f} gauges of {RATE_HZ:g} samples/s in frames of 10 (detector alone)")
    print(f"memory of one detector's samples: {Detector().nbytes / 1e3:.0f} kB, however long the day")


if __name__ == "__main__":
    main()
