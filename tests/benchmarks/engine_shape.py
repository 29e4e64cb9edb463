"""How close the simulated engine's pulse comes to a real engine's, from traces of one that coasts down.

    python -m tests.benchmarks.engine_shape TRACE.csv [TRACE.csv ...] --bore 67 --stroke 55

A trace is CSV with ``time_s,pressure_kpa`` (a four-stroke without combustion). The real engine's trapped ratio,
heat and leak are not known, so they are searched; its gain is not known, so pulses are compared as shares of their
peak, with a free zero. Real strokes are laid over simulated ones of the same period.
"""

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import find_peaks, savgol_filter

from simulators.cranking import Cranking, CylinderTrace
from simulators.engine import EngineSpec
from simulators.gas import FloatArray
from simulators.integrator import crank

HALF_S = 0.02
GRID = np.linspace(-HALF_S, HALF_S, 201)


@dataclass(frozen=True)
class Pulse:
    """One stroke, as shares of its peak on `GRID`, and the time between strokes there."""

    period_s: float
    share: FloatArray


def measured(path: Path) -> list[Pulse]:
    """Read the strokes of a trace that have a whole one on both sides."""
    time_s, pressure = np.loadtxt(path, delimiter=",", skiprows=1, unpack=True)
    step = float(time_s[1] - time_s[0])
    smooth = savgol_filter(pressure, 2 * round(5e-4 / step) + 1, 2)
    tops = find_peaks(smooth, prominence=0.2 * smooth.max(), distance=round(0.02 / step))[0]
    pulses = []
    for before, at, after in zip(tops[:-2], tops[1:-1], tops[2:], strict=True):
        period = 0.5 * float(time_s[after] - time_s[before])
        if smooth[at] > 0.8 * smooth[tops].max():
            pulses.append(Pulse(period, np.interp(time_s[at] + GRID, time_s, pressure) / smooth[at]))
    return pulses


def coasting(args: argparse.Namespace, draw: FloatArray) -> CylinderTrace:
    ratio, heat, ring, closes, inertia, opens, friction = draw.tolist()
    spec = EngineSpec(
        bore_mm=args.bore,
        stroke_mm=args.stroke,
        rod_ratio=3.6,
        cycle=4,
        trapped_ratio=ratio,
        closes_deg=min(closes, 165.0),
        opens_deg=min(opens, 150.0),
        port_share=1.0,
        heat_factor=heat,
        ring_leak_mm2=ring,
        ring_seating=0.0,
        adapter_cm3=0.0,
        inertia_kg_m2=inertia,
        friction_nm=friction,
        drag_nm_s=0.005,
    )
    push = Cranking(duration_s=0.45, stall_nm=60.0, free_rpm=1700.0, rise_s=0.02, longest_s=2.5)
    return crank(spec, push)


def residuals(trace: CylinderTrace, pulses: list[Pulse]) -> FloatArray | None:
    """Simulated less measured shares, shape (strokes, 201), a common zero taken out; None when periods do not meet."""
    tops = [s for s in trace.strokes if s.passed_top and s.time_s > 0.55]
    if len(tops) < 3:
        return None
    times = np.array([s.time_s for s in tops])
    periods = 0.5 * (times[2:] - times[:-2])
    rows = []
    for pulse in pulses:
        i = int(np.argmin(np.abs(periods - pulse.period_s)))
        if abs(periods[i] / pulse.period_s - 1.0) > 0.06:
            return None
        at = times[i + 1] + GRID * periods[i] / pulse.period_s
        rows.append(np.interp(at, trace.time_s, trace.pressure_kpa) / tops[i + 1].peak_kpa - pulse.share)
    off = np.array(rows)
    lever = 1.0 - np.array([p.share for p in pulses])
    return np.asarray(off - lever * float(np.sum(off * lever) / np.sum(lever**2)), dtype=np.float64)


def sides_ms(time_s: FloatArray, share: FloatArray, level: float) -> tuple[float, float]:
    """Width of a pulse before and after its peak at a share of its height."""
    top = int(np.argmax(share))
    left = float(np.interp(level, share[: top + 1], time_s[: top + 1]))
    right = float(np.interp(-level, -share[top:], time_s[top:]))
    return -left * 1e3, right * 1e3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("traces", nargs="+", type=Path)
    parser.add_argument("--bore", type=float, default=67.0, help="mm")
    parser.add_argument("--stroke", type=float, default=55.0, help="mm")
    parser.add_argument("--draws", type=int, default=600)
    args = parser.parse_args()
    pulses = [pulse for path in args.traces for pulse in measured(path)]
    rng = np.random.default_rng(0)
    best = np.array([6.5, 1.5, 0.4, 130.0, 0.022, 130.0, 0.8])
    spread = np.array([0.1, 0.7, 0.7, 0.05, 0.25, 0.05, 0.25])
    least, kept, trace = np.inf, None, None
    for draw in range(args.draws):
        trial = best * np.exp(rng.normal(0.0, spread * 0.5 ** (4.0 * draw / args.draws))) if draw else best
        run = coasting(args, trial)
        off = residuals(run, pulses)
        if off is not None and float(np.sqrt(np.mean(off**2))) < least:
            least, best, kept, trace = float(np.sqrt(np.mean(off**2))), trial, off, run
    if kept is None or trace is None:
        raise SystemExit("no simulated engine coasts through the measured periods; check bore and stroke")
    names = ("trapped ratio", "heat factor", "ring leak mm2", "closes deg", "inertia kg m2", "opens deg", "friction Nm")
    print(f"{len(pulses)} strokes; " + ", ".join(f"{n} {v:.3g}" for n, v in zip(names, best, strict=True)))
    print(f"20 ms to both sides of the peak: rms {100 * least:.2f} %, largest {100 * np.abs(kept).max():.2f} % of peak")
    print(f"{'period ms':>9} {'level':>6} | {'measured':>8} before, after, ms | simulated before, after, ms")
    for pulse, off in zip(pulses, kept, strict=True):
        for level in (0.5, 0.1):
            real, ours = sides_ms(GRID, pulse.share, level), sides_ms(GRID, pulse.share + off, level)
            print(
                f"{1e3 * pulse.period_s:9.1f} {level:6.0%} | {real[0]:8.2f} {real[1]:8.2f}          |"
                f" {ours[0]:8.2f} {ours[1]:8.2f}"
            )


if __name__ == "__main__":
    main()
