"""How well peaks are recovered when their samples come over a radio, for every way in which a gauge may count them.

    python -m tests.benchmarks.radio_peaks
    python -m tests.benchmarks.radio_peaks --events 200 --loss 0.02

Simulated engines are cranked, sampled steadily and sent in frames that leave at the radio's connection events, late by
a little besides, some of them lost. What the reader of frames makes of them is judged as live, and the errors are set
beside those of the same samples with the times at which they were taken. Percent of a stroke's true peak; a constant
delay of the radio is taken off before strokes are paired.
"""

import argparse
import struct
from dataclasses import dataclass, field, replace

import numpy as np

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import GaugeLayout, load_layout
from gaugelink.peak.detector import find_events
from gaugelink.peak.events import EngineHints, FloatArray, GaugeKind, GaugeTraits, Stroke
from gaugelink.peak.judge import judge
from simulators.cranking import StrokeTruth
from simulators.scenarios import crank_many, random_live_gauge, random_turn, turned_over
from simulators.sensor import SampledTrace, sample

QUIET_S = 25.0
"""Before the pull: a gauge of which nothing is stated is told by then."""
NEAR_S = 0.03
LEAST_STROKE = 0.12
"""Share of the highest stroke below which a truth is not counted as a stroke that must be found."""
BASE = {"name": "x", "unit": "kPa", "listen": {"characteristic": "fff1"}}


@dataclass(frozen=True)
class Way:
    """What a gauge sends with its samples."""

    name: str
    rate_hz: float
    size: int
    """Samples in a frame."""
    counter: bool = False
    stamp: bool = False
    stated: bool = False

    @property
    def layout(self) -> GaugeLayout:
        head = {"sequence": {"at": 0, "format": "u8"}} if self.counter else {}
        if self.stamp:
            head = {"device_time": {"at": 0, "format": "u32", "tick_s": 0.001, "of": "last"}}
        at = 1 if self.counter else 4 if self.stamp else 0
        # A single value in a frame that holds no more: nothing in such a layout says that the gauge is steady.
        count = {} if self.size == 1 else {"count": "fit"}
        rate = {"rate_hz": self.rate_hz} if self.stated else {}
        return load_layout(BASE | head | {"pressure": {"at": at, "format": "f32", **count}} | rate)

    def frame(self, number: int, last_s: float, pressure_kpa: FloatArray) -> bytes:
        head = bytes([number % 256]) if self.counter else struct.pack("<I", round(1e3 * last_s)) if self.stamp else b""
        return head + struct.pack(f"<{len(pressure_kpa)}f", *pressure_kpa)


WAYS = (
    Way("counted", 100.0, 1, counter=True),
    Way("counted", 100.0, 5, counter=True),
    Way("counted", 500.0, 10, counter=True),
    Way("stamped", 200.0, 5, stamp=True),
    Way("rate stated", 100.0, 1, stated=True),
    Way("rate stated", 200.0, 4, stated=True),
    Way("rate stated", 500.0, 20, stated=True),
    Way("nothing", 100.0, 1),
    Way("nothing", 200.0, 1),
    Way("several in one", 200.0, 10),
)


@dataclass
class Tally:
    """What was seen of one way."""

    error: list[float] = field(default_factory=list)
    plain: list[float] = field(default_factory=list)
    """With the times at which the samples were taken."""
    inside: list[bool] = field(default_factory=list)
    strokes: int = 0
    told: int = 0
    gone: int = 0


def judged(time_s: FloatArray, pressure_kpa: FloatArray, trace: SampledTrace) -> list[Stroke]:
    """Every stroke that is found in samples, shape (n,) each."""
    traits = GaugeTraits(
        kind=GaugeKind.LIVE, resolution_kpa=trace.gauge.resolution_kpa, range_kpa=trace.gauge.range_kpa
    )
    hints = EngineHints(cycle=trace.cycle)
    found = find_events(time_s, pressure_kpa, traits)
    return sorted((s for each in found for s in judge(each, traits, hints).strokes), key=lambda s: s.time_s)


def tall(trace: SampledTrace) -> list[StrokeTruth]:
    """The strokes that must be found."""
    top = max(stroke.peak_kpa for stroke in trace.strokes)
    return [stroke for stroke in trace.strokes if stroke.peak_kpa >= LEAST_STROKE * top]


def paired(found: list[Stroke], trace: SampledTrace) -> list[tuple[Stroke, float]]:
    """Strokes beside their true peaks, after the delay that puts most of them together."""
    if not found:
        return []
    truths = tall(trace)
    true_s = np.array([stroke.time_s for stroke in truths])
    found_s = np.array([stroke.time_s for stroke in found])
    delays = (found_s[:, None] - true_s).ravel()
    apart = [float(np.minimum(np.abs(found_s[:, None] - each - true_s).min(axis=0), NEAR_S).sum()) for each in delays]
    off = np.abs(found_s[:, None] - delays[int(np.argmin(apart))] - true_s)
    return [
        (found[int(off[:, k].argmin())], truth.peak_kpa) for k, truth in enumerate(truths) if off[:, k].min() < NEAR_S
    ]


def over_the_radio(
    way: Way, trace: SampledTrace, event_s: float, late_s: float, loss: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, int, int]:
    """Times and pressures as the reader gives them, shape (n,) each; samples told as lost, and those that were."""
    count = len(trace.time_s) // way.size
    taken_s = trace.time_s[: count * way.size].reshape(count, way.size)
    pressure_kpa = trace.pressure_kpa[: count * way.size].reshape(count, way.size)
    phase = rng.uniform(0.0, event_s)
    left_s = phase + np.ceil((taken_s[:, -1] - phase) / event_s) * event_s
    arrival_s = np.maximum.accumulate(left_s + rng.exponential(late_s, count))
    kept = np.flatnonzero(rng.random(count) >= loss)
    reader = FrameReader("x", way.layout)
    batches = [
        batch
        for k in kept.tolist()
        if (batch := reader.feed(way.frame(k, taken_s[k, -1] + 100.0, pressure_kpa[k]), float(arrival_s[k])))
    ]
    told = sum(batch.lost_before for batch in batches)
    return (
        np.concatenate([batch.time_s for batch in batches]),
        np.concatenate([batch.pressure_kpa for batch in batches]),
        told,
        (count - len(kept)) * way.size,
    )


def measure(way: Way, events: int, event_s: float, late_s: float, loss: float, seed: int) -> Tally:
    """Crank so many engines for one way."""
    rng, tally = np.random.default_rng(seed), Tally()
    done = 0
    while done < events:
        for trace in crank_many([random_turn(rng) for _ in range(min(20, events - done))]):
            if not turned_over(trace):
                continue
            done += 1
            gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
            steady = replace(gauge, rate_error=0.003, clock_error_s=0.0, loss=0.0, lag_s=0.0)
            taken = sample(trace, steady, way.rate_hz, rng, before_s=QUIET_S, after_s=1.0)
            plain = paired(judged(taken.time_s, taken.pressure_kpa, taken), taken)
            tally.plain += [100.0 * abs(stroke.peak_kpa / true_kpa - 1.0) for stroke, true_kpa in plain]
            time_s, pressure_kpa, told, gone = over_the_radio(way, taken, event_s, late_s, loss, rng)
            tally.told, tally.gone = tally.told + told, tally.gone + gone
            heard = paired(judged(time_s, pressure_kpa, taken), taken)
            tally.strokes += len(tall(taken))
            tally.error += [100.0 * abs(stroke.peak_kpa / true_kpa - 1.0) for stroke, true_kpa in heard]
            tally.inside += [abs(stroke.peak_kpa - true_kpa) <= stroke.peak_u_kpa for stroke, true_kpa in heard]
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--events", type=int, default=60, help="simulated events for each way")
    parser.add_argument("--event-s", type=float, default=0.03, help="time between the radio's connection events")
    parser.add_argument("--late-s", type=float, default=0.001, help="mean of what a frame is late besides")
    parser.add_argument("--loss", type=float, default=0.0, help="share of the frames that are lost")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(f"{'':27} | own times:    | over the radio:         | samples lost")
    print("gauge tells   rate   size |   med     p95 |   med     p95  found in U95 |   told   were")
    for way in WAYS:
        tally = measure(way, arguments.events, arguments.event_s, arguments.late_s, arguments.loss, arguments.seed)
        own, heard = np.array(tally.plain), np.array(tally.error)
        print(
            f"{way.name:14} {way.rate_hz:4g} {way.size:5d} | {np.median(own):6.2f} {np.percentile(own, 95):7.2f} |"
            f" {np.median(heard):6.2f} {np.percentile(heard, 95):7.2f} {100 * len(heard) / tally.strokes:6.1f}"
            f" {100 * np.mean(tally.inside):6.1f} | {tally.told:6d} {tally.gone:6d}",
            flush=True,
        )


if __name__ == "__main__":
    main()
