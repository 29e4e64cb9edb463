"""How well peaks of live gauges are recovered on simulated engines, sample rate by sample rate.

    python -m tests.benchmarks.peak_accuracy --events 2000
    python -m tests.benchmarks.peak_accuracy --events 200 --rate 100 --worst 10
    python -m tests.benchmarks.peak_accuracy --events 500 --averaging 1
    python -m tests.benchmarks.peak_accuracy --events 500 --rotor 0.8

Each engine is cranked once and its trace sampled at every rate, with the gauge's own noise, steps, losses and clock
errors (`simulators.scenarios`). Errors are in percent of the true peak of the stroke.

The floor is the error of an oracle that is told the exact curve of every stroke, its time and the clock, and only has
to find its height from the same samples by least squares: nothing that must find them out can do better.
"""

import argparse
import time
from dataclasses import dataclass, field, replace

import numpy as np

from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, Flag, FloatArray, GaugeKind, GaugeTraits
from gaugelink.peak.live import fit_live
from simulators.scenarios import BATCH, crank_many, random_live_gauge, random_turn, turned_over
from simulators.sensor import SampledTrace, sample, seen_pressure_kpa

RATES_HZ = (50.0, 100.0, 200.0, 500.0, 1000.0)
QUIET_S = 2.0
AROUND_S = 0.35
BEFORE_S = 2.5
FAR_OFF = 10.0
"""Percent of error that an event's flag must warn of."""
LEAST_STROKE = 0.12
"""Share of the highest stroke below which a truth is not counted as a stroke that must be found."""


@dataclass
class Tally:
    """What was seen at one rate."""

    error: list[float] = field(default_factory=list)
    highest: list[float] = field(default_factory=list)
    floor: list[float] = field(default_factory=list)
    far_off: list[bool] = field(default_factory=list)
    """Of every stroke that is off by more than `FAR_OFF`: whether its event is flagged."""
    expanded: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    event_error: list[float] = field(default_factory=list)
    event_inside: list[bool] = field(default_factory=list)
    rpm_error: list[float] = field(default_factory=list)
    flagged: list[bool] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)
    strokes: int = 0
    invented: int = 0
    events: int = 0
    unfitted: int = 0


def event_samples(trace: SampledTrace) -> EventSamples:
    """The burst of a trace with the zero taken from the quiet before it, as the detector gives it."""
    quiet = trace.time_s < QUIET_S
    near = (trace.time_s > trace.begin_s - AROUND_S) & (trace.time_s < trace.end_s + AROUND_S)
    rest = trace.pressure_kpa[quiet]
    noise = float(np.hypot(rest.std(), trace.gauge.resolution_kpa / np.sqrt(12.0)))
    return EventSamples(
        time_s=trace.time_s[near],
        pressure_kpa=trace.pressure_kpa[near],
        over_range=trace.over_range[near],
        lost_samples=int(trace.lost_before[near].sum()),
        kind=GaugeKind.LIVE,
        zero_kpa=float(rest.mean()),
        zero_u_kpa=noise / float(np.sqrt(len(rest))),
        noise_kpa=noise,
    )


def traits_of(trace: SampledTrace) -> GaugeTraits:
    """What a shop file would say of the gauge."""
    gauge = trace.gauge
    return GaugeTraits(
        resolution_kpa=gauge.resolution_kpa or None,
        range_kpa=gauge.range_kpa,
        lag_s=gauge.lag_s or None,
        averaging_s=gauge.averaging_s or None,
    )


def measure(trace: SampledTrace, clean_kpa: FloatArray, tally: Tally) -> float:
    """Fit one trace and add it to the tally; gives the largest error of its strokes in percent.

    `clean_kpa`, shape (n,), is what the samples would be without noise and clock errors.
    """
    began = time.process_time()
    samples = event_samples(trace)
    event = fit_live(samples, traits_of(trace), EngineHints(cycle=trace.cycle))
    tally.seconds.append(time.process_time() - began)
    tally.events += 1
    tally.unfitted += event.fitted is None
    tally.flagged.append(Flag.UNDER_SAMPLED in event.flags)
    top = max(s.peak_kpa for s in trace.strokes)
    worst = compare(trace, samples, event, tally, top)
    tally.floor += oracle(trace, clean_kpa, samples.zero_kpa or 0.0, top)
    tally.event_error.append(100.0 * abs(event.peak_kpa / top - 1.0))
    tally.event_inside.append(abs(event.peak_kpa - top) <= event.peak_u_kpa)
    if event.cranking_rpm is not None and np.isfinite(trace.cranking_rpm):
        tally.rpm_error.append(100.0 * abs(event.cranking_rpm / trace.cranking_rpm - 1.0))
    return worst


def compare(trace: SampledTrace, samples: EventSamples, event: CrankingEvent, tally: Tally, top: float) -> float:
    """Pair found and true strokes by their times."""
    free = list(event.strokes)
    worst = 0.0
    spacing = np.diff([s.time_s for s in trace.strokes])
    reach = min(0.25 * float(spacing.min()), 0.05) if len(spacing) else 0.05
    for truth in sorted(trace.strokes, key=lambda s: -s.peak_kpa):
        near = min(free, key=lambda s: abs(s.time_s - truth.time_s), default=None)
        found = near is not None and abs(near.time_s - truth.time_s) < reach
        if truth.peak_kpa < LEAST_STROKE * top:
            if near is not None and found:
                free.remove(near)
            continue
        tally.strokes += 1
        window = np.abs(samples.time_s - truth.time_s) < reach
        high = float(np.max(samples.pressure_kpa[window], initial=0.0)) - (samples.zero_kpa or 0.0)
        tally.highest.append(100.0 * abs(high / truth.peak_kpa - 1.0))
        if near is None or not found:
            worst = max(worst, 100.0)
            continue
        free.remove(near)
        error = 100.0 * abs(near.peak_kpa / truth.peak_kpa - 1.0)
        worst = max(worst, error)
        if error > FAR_OFF:
            tally.far_off.append(Flag.UNDER_SAMPLED in event.flags)
        tally.error.append(error)
        tally.expanded.append(100.0 * near.peak_u_kpa / truth.peak_kpa)
        tally.inside.append(abs(near.peak_kpa - truth.peak_kpa) <= near.peak_u_kpa)
    tally.invented += len(free)
    return worst


def oracle(trace: SampledTrace, clean_kpa: FloatArray, zero_kpa: float, top: float) -> list[float]:
    """Errors, in percent, of the heights of all strokes when everything else about them is known."""
    times = np.array([s.time_s for s in trace.strokes])
    middles = np.concatenate(([times[0] - 0.4], 0.5 * (times[1:] + times[:-1]), [times[-1] + 0.4]))
    errors = []
    for k, truth in enumerate(trace.strokes):
        own = (trace.time_s > middles[k]) & (trace.time_s <= middles[k + 1]) & ~trace.over_range
        known = clean_kpa[own]
        if truth.peak_kpa >= LEAST_STROKE * top and (known > 0.0).any():
            height = float(known @ (trace.pressure_kpa[own] - zero_kpa)) / float(known @ known)
            errors.append(100.0 * abs(height - 1.0))
    return errors


def line(rate: float, tally: Tally) -> str:
    """One row of the table."""
    error, expanded = np.array(tally.error), np.array(tally.expanded)
    p95 = float(np.percentile(error, 95))
    return (
        f"{rate:6g} {tally.events:6d} {tally.strokes:7d} {100 * len(error) / tally.strokes:7.2f} {tally.invented:5d} |"
        f" {np.median(error):7.2f} {p95:7.2f} {error.max():7.1f} |"
        f" {np.median(tally.highest):5.1f} {np.percentile(tally.highest, 95):5.1f} |"
        f" {np.median(tally.floor):5.2f} {np.percentile(tally.floor, 95):5.2f} |"
        f" {100 * np.mean(tally.inside):6.1f} {np.median(expanded) / p95:6.2f} |"
        f" {np.median(tally.event_error):6.2f} {np.percentile(tally.event_error, 95):6.2f}"
        f" {100 * np.mean(tally.event_inside):6.1f} |"
        f" {np.percentile(tally.rpm_error, 95):7.2f} | {100 * np.mean(tally.flagged):6.1f}"
        f" {sum(tally.far_off):5d} of {len(tally.far_off):3d} {tally.unfitted:4d}"
        f" | {1e3 * np.mean(tally.seconds):5.0f} {1e3 * np.max(tally.seconds):5.0f}"
    )


HEAD = (
    f"{'':34} | error, %:              | highest:    | floor:      |               |"
    " event's reading:       |    rpm  | under-     far off      un-   | ms\n"
    "  rate events strokes found,% extra |     med     p95     max |   med   p95 |   med   p95 | in U95  U/p95 |"
    "    med    p95 in U95 |     p95 | sampled,%  flagged fitted |  mean   max"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--events", type=int, default=2000, help="simulated events in all, shared by the rates")
    parser.add_argument("--rate", type=float, action="append", help="samples/s; may be given again")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worst", type=int, default=0, help="name the events with the largest errors")
    parser.add_argument(
        "--averaging", type=float, default=0.0, help="each sample is a mean over so many times between samples"
    )
    parser.add_argument(
        "--rotor", type=float, default=0.0, help="share of the inertia that a one-way clutch leaves behind"
    )
    arguments = parser.parse_args()
    rates = tuple(arguments.rate or RATES_HZ)
    rng = np.random.default_rng(arguments.seed)
    tallies = {rate: Tally() for rate in rates}
    errors: list[tuple[float, float, int]] = []
    left = -(-arguments.events // len(rates))
    number = 0
    while left > 0:
        turns = [random_turn(rng, rotor_share=arguments.rotor) for _ in range(min(left, BATCH))]
        for trace in crank_many(turns):
            if not turned_over(trace):
                continue
            left -= 1
            gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
            for rate in rates:
                seed = arguments.seed * 1_000_003 + number
                slow = replace(gauge, averaging_s=arguments.averaging / rate)
                sampled = sample(trace, slow, rate, seed, before_s=BEFORE_S, after_s=1.0)
                clean_kpa = seen_pressure_kpa(trace, slow, sampled.time_s - BEFORE_S)
                errors.append((measure(sampled, clean_kpa, tallies[rate]), rate, number))
            number += 1
    print(HEAD)
    for rate in rates:
        print(line(rate, tallies[rate]))
    for error, rate, which in sorted(errors, reverse=True)[: arguments.worst]:
        print(f"event {which} at {rate:g}/s: {error:.1f} %")


if __name__ == "__main__":
    main()
