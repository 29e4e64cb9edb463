"""Two pulls soon after each other stay two events, and one pull with a slipped hand stays one.

    python -m tests.benchmarks.one_or_two --events 200

Pairs lie 1.5 s apart, from the last pulse of the first (rocking back counts) to the first of the second. A slipped
hand pauses for 0.7 s in the middle.
"""

import argparse
from collections import Counter
from collections.abc import Iterable

import numpy as np

from gaugelink.peak.detector import find_events
from gaugelink.peak.events import GaugeTraits
from simulators.scenarios import paired_events, slipped_hand_events
from simulators.sensor import SampledTrace


def counts(records: Iterable[SampledTrace]) -> Counter[int]:
    """How many records the detector made how many events of."""
    tally: Counter[int] = Counter()
    for record in records:
        traits = GaugeTraits(range_kpa=record.gauge.range_kpa, resolution_kpa=record.gauge.resolution_kpa)
        tally[len(find_events(record.time_s, record.pressure_kpa, traits=traits))] += 1
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--events", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for rate_hz in (50.0, 100.0, 500.0):
        rng = np.random.default_rng(args.seed)
        two = counts(pair for pair, _ in paired_events(rng, args.events, rate_hz=rate_hz))
        one = counts(slipped_hand_events(rng, args.events, rate_hz=rate_hz))
        print(
            f"{rate_hz:5g} samples/s: {two[2] / args.events:6.1%} of {args.events} pairs stay two {dict(two)};"
            f" {one[1] / args.events:6.1%} of {args.events} with a slipped hand are one {dict(one)}"
        )


if __name__ == "__main__":
    main()
