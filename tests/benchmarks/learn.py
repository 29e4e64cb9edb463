"""The learner against made-up formats. Run: python -m tests.benchmarks.learn [formats] [--pause S]

Each format is taught with three typed readings. A layout counts as found exactly when frames it never saw, over the
gauge's whole range, read as the pressures that were sent (either of them, where one sample is sent in two units), as
many samples to a frame; when the counter and the typed
battery read as they were sent; and when frames with a wrong bit are refused if the format has a checksum. It counts
as wrong when a layout was accepted and any such frame reads as a pressure that is off by more than a step of the
gauge's own display, has another number of samples, or is refused.
"""

import argparse
import time
from collections import Counter

import numpy as np

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.decode import Frame, FrameDecoder, LineDecoder
from gaugelink.gauge.learn import learn
from gaugelink.gauge.learn_types import LabelledSegment
from tests.gauge.formats import FAMILIES, TRAPS, Format


def teach(made, levels_kpa, pause_s=0.0):
    """Pump to each pressure, hold it and type what the display shows; let the pressure off at the end.

    `pause_s` is how long the pressure is held before it is typed, besides the time after.
    """
    segments, between = [], []
    before = 0.0
    for level in levels_kpa:
        if level != before:
            between += made.move(before, level)
        if pause_s:
            between += [payload for _, payload in made.hold(level, round(pause_s * made.frame_hz))[0]]
        frames, typed, _ = made.hold(level)
        segments.append(
            LabelledSegment.typed(
                typed,
                PressureUnit(made.display_unit),
                frames,
                step=made.display_step,
                battery_percent=made.battery if made.has_battery else None,
            )
        )
        before = level
    return segments, between + made.move(before, 0.0)


def unseen(made, many=120):
    """Frames over the gauge's whole range, with another battery."""
    made.battery = max(1, made.battery - 17)
    sent = []
    for k in range(many):
        level = 1750.0 * (k / (many - 1)) ** 1.5
        sent.append(made.send(level) if made.family == "text" else made.send(level, over=level > 1700))
    return sent


def judge(made, layout):
    """``exact``, or what is not."""
    text = layout.text is not None
    decoder = LineDecoder(layout) if text else FrameDecoder(layout)
    faults = set()
    for sent in unseen(made):
        got = decoder.decode(sent.payload)
        for frame in got if text else [got]:
            if not isinstance(frame, Frame):
                return f"wrong: refuses ({frame})"
            expected = np.array(sent.pressures_kpa)
            if len(expected) != len(frame.pressure_kpa):
                return "wrong: samples"
            read = frame.pressure_kpa
            if layout.absolute and not made.absolute:
                # A lifted zero that looks like ambient is taken off with the ambient.
                read = read - made.offset * made.count_kpa
            copied = sent.copy_kpa is not None and len(read) == 1 and abs(read[0] - sent.copy_kpa) < 1e-6
            if not copied and not np.allclose(read, expected, rtol=1e-6, atol=1e-6):
                top = layout.range_kpa
                if np.abs(read - expected).max() <= PressureUnit(made.display_unit).to_kpa(made.display_step):
                    faults.add("within a step of the display")
                elif top is None or not (read >= top).any():
                    return "wrong: pressure"
            if sent.counter is not None:
                field = layout.sequence or layout.text
                if (layout.text.sequence if text else layout.sequence) is None:
                    faults.add("no counter")
                else:
                    period = layout.text.sequence_wrap if text else field.period
                    if frame.sequence != sent.counter % period:
                        return "wrong: counter"
            if made.has_battery and frame.battery_percent != sent.battery:
                faults.add("no battery")
            if made.checksum:
                broken = bytearray(sent.payload)
                broken[len(broken) // 2] ^= 0x10
                if isinstance(decoder.decode(bytes(broken)), Frame):
                    faults.add("no checksum")
    return ", ".join(sorted(faults)) or "exact"


def go_on(made, segments, between, result):
    """Apply the pressures that are asked for, two at most, and judge what comes of it."""
    for _ in range(2):
        if result.layout is None and result.next_pressure_kpa is not None:
            level = result.next_pressure_kpa * made.rng.uniform(0.98, 1.02)
            more, moved = teach(made, [level])
            segments, between = segments + more, between + moved
            result = learn(segments, between=between)
    return "not accepted" if result.layout is None else judge(made, result.layout)


def run(formats, pause_s):
    """Teach `formats` made-up formats and print what came of it."""
    tally, later, families, seconds, asked = Counter(), Counter(), {}, [], []
    for k in range(formats):
        family = FAMILIES[k % len(FAMILIES)]
        made = Format(k, family)
        segments, between = teach(made, made.readings(), pause_s)
        began = time.process_time()
        result = learn(segments, between=between)
        seconds.append(time.process_time() - began)
        outcome = "not accepted" if result.layout is None else judge(made, result.layout)
        tally[outcome] += 1
        families.setdefault(family, Counter())[outcome] += 1
        later[outcome if result.layout is not None else go_on(made, segments, between, result)] += 1
        if outcome != "exact":
            asked.append((k, family, outcome, result.missing, result.next_pressure_kpa))
    print(f"{formats} formats, three typed readings each, held for {pause_s:g} s before")
    print(
        f"exact {tally['exact'] / formats:.1%}; wrong {sum(n for what, n in tally.items() if what.startswith('wrong'))}"
    )
    for family, counts in sorted(families.items()):
        print(f"  {family:10s} {dict(counts)}")
    wrong = sum(n for what, n in later.items() if what.startswith("wrong"))
    print(f"with up to two more pressures as asked for: exact {later['exact'] / formats:.1%}; wrong {wrong}")
    print(f"seconds: median {np.median(seconds):.3f}, longest {max(seconds):.3f}")
    for line in asked:
        print(" ", *line)


def run_traps(formats, pause_s):
    """Teach formats in which nothing round is to be found; any layout that is accepted is judged."""
    for family in TRAPS:
        tally = Counter()
        for k in range(formats):
            made = Format(k, family)
            segments, between = teach(made, made.readings(), pause_s)
            result = learn(segments, between=between)
            tally["not accepted" if result.layout is None else judge(made, result.layout)] += 1
        print(f"trap, {family}: {dict(tally)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("formats", type=int, nargs="?", default=200)
    parser.add_argument("--pause", type=float, default=0.0, metavar="S", help="held for so long before it is typed")
    args = parser.parse_args()
    run(args.formats, args.pause)
    run_traps(args.formats, args.pause)
