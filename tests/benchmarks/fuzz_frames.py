"""Coverage-guided fuzzing of every layout with any bytes. Run: python -m tests.benchmarks.fuzz_frames [-runs=200000]

Needs atheris (pip install atheris). Ends with the counts; any exception ends it at once with the input that raised it.
"""

import argparse
import sys
from collections import Counter

if __name__ == "__main__":
    # Before the fuzzer is needed: its own flags go on to it.
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_known_args()

try:
    import atheris
except ModuleNotFoundError:
    sys.exit("This needs atheris: pip install atheris.")

with atheris.instrument_imports(include=["gaugelink.gauge"]):
    from gaugelink.gauge.frames import FrameReader

from tests.gauge.anylayout import make_layout

SEEN = Counter()
WAITS_S = (0.0, 1e-4, 0.01, 0.1, 3.0, 1e5, -1.0)


def one_input(raw):
    """Make a layout from the first bytes, then feed the rest as frames."""
    source = atheris.FuzzedDataProvider(raw)
    SEEN["inputs"] += 1
    if SEEN["inputs"] % 50_000 == 0:
        print("; ".join(f"{count} {name}" for name, count in SEEN.items()), flush=True)
    layout = make_layout(source.ConsumeIntInRange)
    if layout is None:
        return
    SEEN["valid layouts"] += 1
    reader = FrameReader("g", layout)
    now, last = 0.0, float("-inf")
    for _ in range(source.ConsumeIntInRange(1, 24)):
        now += WAITS_S[source.ConsumeIntInRange(0, len(WAITS_S) - 1)]
        if source.ConsumeIntInRange(0, 9) == 9:
            reader.link_lost(now)
            reader.reconnected()
        SEEN["frames"] += 1
        batch = reader.feed(source.ConsumeBytes(source.ConsumeIntInRange(0, 48)), now)
        if batch is not None:
            SEEN["frames that gave samples"] += 1
            if batch.time_s[0] < last:
                raise AssertionError("time went back")
            last = float(batch.time_s[-1])


def main():
    """Fuzz until the stated number of runs, 200 000 by default."""
    arguments = [*sys.argv[:1], "-runs=200000", "-max_len=1200", "-len_control=0", "-verbosity=0", *sys.argv[1:]]
    atheris.Setup(arguments, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
