"""What a gauge makes of the pressure in the cylinder: lag, offset, noise, steps, range, rate, lost samples."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import lfilter

from simulators.cranking import CylinderTrace, StrokeTruth
from simulators.gas import FloatArray

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """How a gauge measures, whatever hangs in front of it."""

    range_kpa: float = 2068.4
    """Full scale (300 psi)."""
    resolution_kpa: float = 0.7
    """Smallest step; 0 for none."""
    noise_kpa: float = 1.0
    """Standard deviation of white noise before rounding."""
    zero_kpa: float = 0.0
    """What it shows at ambient pressure."""
    drift_kpa_per_s: float = 0.0
    """How fast the zero moves as the gauge warms up."""
    lag_s: float = 0.0
    """Time constant of a first-order lag."""
    averaging_s: float = 0.0
    """Time up to each sample over which it is the mean; 0 for the pressure at one instant."""
    rate_error: float = 0.0
    """Relative error of the sample rate against its nominal value: 0.005 means half a percent too fast."""
    clock_error_s: float = 0.0
    """Bound of what is left of the radio's jitter in the stated sample times after the clock was rebuilt."""
    loss: float = 0.0
    """Share of samples that never arrive."""
    frame_samples: int = 1
    """Samples that are lost together."""

    def noisy(self, true_kpa: FloatArray, time_s: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, BoolArray]:
        """Return what the gauge shows of true gauge pressures and where it is over its range; shapes (n,)."""
        shown = true_kpa + self.zero_kpa + self.drift_kpa_per_s * time_s
        shown = shown + rng.normal(0.0, self.noise_kpa, len(shown)) if self.noise_kpa > 0.0 else shown
        over = shown > self.range_kpa
        shown = np.minimum(shown, self.range_kpa)
        if self.resolution_kpa > 0.0:
            shown = np.round(shown / self.resolution_kpa) * self.resolution_kpa
        return shown, over


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveGauge(Gauge):
    """A gauge without a check valve: it sees the cylinder itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldGauge(Gauge):
    """A gauge behind a check valve; the valve and hose are part of the cranked engine (`CheckValve`)."""

    range_kpa: float = 2068.4
    bleed_after_s: float = float("inf")
    """When the user presses the vent, counted from the end of the crank's motion."""
    bleed_tau_s: float = 0.08
    """Time constant of the vent."""


@dataclass(frozen=True, slots=True)
class SampledTrace:
    """What arrived of one event, and the truth beside it."""

    time_s: FloatArray
    """Shape (n,), the stated times of the samples that arrived."""
    pressure_kpa: FloatArray
    """Shape (n,), as the gauge gives it."""
    over_range: BoolArray
    lost_before: IntArray
    """Shape (n,), samples lost between this one and the one before."""
    rate_hz: float
    """Nominal rate."""
    gauge: Gauge
    held: bool
    strokes: tuple[StrokeTruth, ...]
    """Strokes of the cylinder on the stated clock."""
    cylinder_peak_kpa: float
    """Highest pressure that the cylinder reached."""
    final_kpa: float
    """Held: true gauge pressure in the gauge when the crank stopped. Live: the highest stroke."""
    converged_kpa: float
    """Held: where the climb was going, had cranking gone on. NaN where it was not worked out."""
    cranking_rpm: float
    begin_s: float
    """When the crank began to move, on the stated clock."""
    end_s: float
    """When the last stroke was over the top, on the stated clock."""
    cycle: int

    def shifted(self, by_s: float) -> "SampledTrace":
        """Return the same, `by_s` later."""
        return replace(
            self,
            time_s=self.time_s + by_s,
            strokes=tuple(replace(s, time_s=s.time_s + by_s) for s in self.strokes),
            begin_s=self.begin_s + by_s,
            end_s=self.end_s + by_s,
        )


def lagged(pressure_kpa: FloatArray, step_s: float, lag_s: float) -> FloatArray:
    """First-order lag of evenly spaced pressures, exact for straight lines between them."""
    if lag_s <= 0.0:
        return pressure_kpa
    keep = float(np.exp(-step_s / lag_s))
    # ramp-invariant: y1 = a y0 + (c - a) x0 + (1 - c) x1, with c the mean of the decay over the step
    mean = (1.0 - keep) * lag_s / step_s
    filtered, _ = lfilter([1.0 - mean, mean - keep], [1.0, -keep], pressure_kpa, zi=mean * pressure_kpa[:1])
    return np.asarray(filtered, dtype=np.float64)


def seen_pressure_kpa(trace: CylinderTrace, gauge: Gauge, at_s: FloatArray) -> FloatArray:
    """True gauge pressure at the sensor, its lag counted, at times `at_s` of the trace, before and after it too."""
    step = float(trace.time_s[1] - trace.time_s[0])
    last = float(trace.time_s[-1])
    held = isinstance(gauge, HeldGauge)
    if held and trace.held_kpa is None:
        raise ValueError("a held gauge needs a trace that was cranked with a check valve")
    inner = trace.held_kpa if held and trace.held_kpa is not None else trace.pressure_kpa
    tail_n = int(max(0.0, float(at_s.max(initial=0.0)) - last) / step) + 2
    after = np.arange(1, tail_n + 1) * step
    if held:
        slow = trace.valve.leak_per_s if trace.valve else 0.0
        cooling = trace.valve.cooling_s if trace.valve else 0.0
        warm = trace.warm_kpa * np.exp(-after / cooling) if cooling > 0.0 else 0.0
        tail = (inner[-1] - trace.warm_kpa + warm) * np.exp(-after * slow)
    else:
        tail = inner[-1] * np.exp(-after / trace.tail_s)
    whole = np.concatenate([inner, tail])
    times = np.concatenate([trace.time_s, last + after])
    if isinstance(gauge, HeldGauge) and np.isfinite(gauge.bleed_after_s):
        open_s = np.maximum(times - last - gauge.bleed_after_s, 0.0)
        whole = whole * np.exp(-open_s / gauge.bleed_tau_s)
    spline = CubicSpline(times, lagged(whole, step, gauge.lag_s))
    inside = np.clip(at_s, times[0], times[-1])
    if gauge.averaging_s <= 0.0:
        return np.asarray(spline(inside), dtype=np.float64)
    total = spline.antiderivative()
    before = inside - gauge.averaging_s
    # before the trace the pressure is what it begins with
    missing = np.maximum(times[0] - before, 0.0)
    sums = total(inside) - total(np.maximum(before, times[0])) + missing * whole[0]
    return np.asarray(sums / gauge.averaging_s, dtype=np.float64)


def lost_mask(n: int, gauge: Gauge, rng: np.random.Generator) -> BoolArray:
    """Which of `n` samples are lost: whole frames at random."""
    frames = -(-n // gauge.frame_samples)
    return np.repeat(rng.random(frames) < gauge.loss, gauge.frame_samples)[:n]


def clock_error(n: int, rate_hz: float, bound_s: float, rng: np.random.Generator) -> FloatArray:
    """Error of rebuilt sample times: most of it a slow wander, never more than the bound."""
    if bound_s <= 0.0:
        return np.zeros(n)
    phase = rng.uniform(0.0, 2.0 * np.pi)
    slow = np.sin(phase + 2.0 * np.pi * np.arange(n) / rate_hz / rng.uniform(3.0, 20.0))
    # the part from sample to sample stays under the spacing, because the rebuilt clock never goes backwards
    return np.asarray(0.7 * bound_s * slow + 0.3 * min(bound_s, 1.0 / rate_hz) * rng.uniform(-1.0, 1.0, n))


def sample(
    trace: CylinderTrace,
    gauge: Gauge,
    rate_hz: float,
    seed: int | np.random.Generator,
    *,
    before_s: float = 2.0,
    after_s: float = 2.0,
    converged_kpa: float = float("nan"),
) -> SampledTrace:
    """Sample a trace from `before_s` before it begins until `after_s` after it ends; the times start near 0."""
    rng = np.random.default_rng(seed)
    last = float(trace.time_s[-1])
    true_rate = rate_hz * (1.0 + gauge.rate_error)
    phase = rng.random() / true_rate
    at = np.arange(-before_s + phase, last + after_s, 1.0 / true_rate)
    n = len(at)
    shown, over = gauge.noisy(seen_pressure_kpa(trace, gauge, at), at + before_s, rng)
    stated = at + before_s + clock_error(n, rate_hz, gauge.clock_error_s, rng)
    arrived = np.flatnonzero(~lost_mask(n, gauge, rng))
    gaps = np.diff(arrived, prepend=-1) - 1
    held = isinstance(gauge, HeldGauge)
    strokes = tuple(replace(s, time_s=s.time_s + before_s) for s in trace.strokes)
    peak = trace.cylinder_peak_kpa
    return SampledTrace(
        time_s=stated[arrived],
        pressure_kpa=shown[arrived],
        over_range=over[arrived],
        lost_before=gaps.astype(np.int64),
        rate_hz=rate_hz,
        gauge=gauge,
        held=held,
        strokes=strokes,
        cylinder_peak_kpa=peak,
        final_kpa=trace.final_held_kpa if held else peak,
        converged_kpa=converged_kpa,
        cranking_rpm=trace.cranking_rpm,
        begin_s=trace.cranking.begin_s + before_s,
        end_s=strokes[-1].time_s if strokes else trace.cranking.begin_s + before_s,
        cycle=trace.spec.cycle,
    )
