"""Hours of trouble on the virtual radio: how fast a gauge is heard again, and whether the samples add up.

python -m tests.benchmarks.link_soak [TROUBLES] [SEED]
"""

import argparse
import time

import numpy as np

from simulators.radio_soak import soak
from simulators.radio_time import run_driven


def main() -> None:
    """Print the result of one soak."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("troubles", type=int, nargs="?", default=200)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    args = parser.parse_args()
    began_s = time.perf_counter()
    result = run_driven(soak(args.troubles, args.seed))
    took_s = time.perf_counter() - began_s
    expected = round(result.span_s * 100.0) + 1
    print(f"{result.troubles} troubles in {result.span_s / 3600.0:.2f} h of driven time, {took_s:.0f} s of real time")
    print(f"samples {result.samples}, lost and counted {result.lost}, expected {expected}")
    unaccounted = expected - result.samples - result.lost
    print(f"unaccounted {unaccounted}: {100.0 * unaccounted / expected:.3f} % of all, "
          f"{unaccounted / result.troubles:.1f} for each trouble")  # fmt: skip
    print(f"sample times that went back {result.went_back}; tasks left {result.tasks_left}")
    print("seconds from the end of the trouble to the third frame: median, highest, count")
    for kind, waits in sorted(result.back_s.items()):
        print(f"  {kind:8s} {np.median(waits):6.2f} {np.max(waits):6.2f} {len(waits):4d}")


if __name__ == "__main__":
    main()
