"""How well a gauge's average and lag are measured by letting it go (`gaugelink response`), on simulated releases.

    python -m tests.benchmarks.step_response --sets 10

A set is a dozen falls of one gauge (`simulators.release`), openings of 1, 2 or 4 ms, one in ten of them slow. What
counts is what a gauge does not show of a usual stroke at 600 rpm, in percent of the stroke: how much it is before
anything is stated, and how far off it is after what the falls tell has been.
"""

import argparse

import numpy as np

from gaugelink.app.quickness import SPEEDS_RPM, Quickness, not_shown
from gaugelink.peak.response import Response
from gaugelink.peak.step_response import FEWEST_FALLS, step_response
from gaugelink.peak.sudden import sudden_falls
from simulators.release import released
from simulators.sensor import LiveGauge

RATES_HZ = (50.0, 100.0, 200.0, 500.0, 1000.0)
OPENINGS_S = (0.001, 0.002, 0.004)


def _gauges(rate_hz: float) -> dict[str, LiveGauge]:
    whole = 1.0 / rate_hz
    return {
        "instant": LiveGauge(),
        "average of its interval": LiveGauge(averaging_s=whole),
        "average of two": LiveGauge(averaging_s=2.0 * whole),
        "lag 2 ms": LiveGauge(lag_s=0.002),
        "lag 5 ms": LiveGauge(lag_s=0.005),
        "both, 2 ms": LiveGauge(averaging_s=whole, lag_s=0.002),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=10, help="sets of falls for each gauge (default 10)")
    parser.add_argument("--times", type=int, default=12, help="falls of a set (default 12)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, action="append", help="samples/s (default: 50 to 1000)")
    args = parser.parse_args()
    print(f"{'samples/s':>9}  {'gauge':24} {'unstated':>8} {'told':>7} {'left: median':>12} {'most':>6} {'inside':>7}")
    for rate_hz in args.rate or RATES_HZ:
        for name, gauge in _gauges(rate_hz).items():
            true = not_shown(Response(gauge.lag_s, gauge.averaging_s), SPEEDS_RPM[-1])
            off, inside, sets = [], 0, 0
            for number in range(args.sets):
                rng = np.random.default_rng([args.seed, int(rate_hz), number])
                opening_s = OPENINGS_S[number % len(OPENINGS_S)]
                record = released(rng, gauge, rate_hz, times=args.times, opening_s=opening_s)
                quick, _ = sudden_falls(record.time_s, record.pressure_kpa)
                if len(quick) < FEWEST_FALLS:
                    continue
                sets += 1
                found = Quickness(rate_hz, len(quick), (), step_response(quick, 1.0 / rate_hz))
                low, high = found.between(SPEEDS_RPM[-1])
                inside += low - 0.005 <= true <= high + 0.005
                if found.stated is not None:
                    off.append(abs(not_shown(found.stated, SPEEDS_RPM[-1]) - true))
            left = f"{100 * np.median(off):11.1f}% {100 * max(off):5.1f}%" if off else f"{'-':>12} {'-':>6}"
            print(
                f"{rate_hz:9g}  {name:24} {100 * true:7.1f}% {len(off):3d}/{sets:<3d} {left} {inside:3d}/{sets:<3d}",
                flush=True,
            )


if __name__ == "__main__":
    main()
