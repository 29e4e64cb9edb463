"""How an engine is turned, and what the cylinder under the gauge went through while it was."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline

from simulators.engine import EngineSpec
from simulators.gas import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Cranking:
    """A pull of the cord or a press of the starter button."""

    begin_s: float = 0.05
    """When the crank is first pushed."""
    duration_s: float = 2.0
    """How long the starter is held, or the longest that a pull can take."""
    stall_nm: float = 40.0
    """Torque at the crank at standstill."""
    free_rpm: float = 500.0
    """Speed at which there is no torque left: the hand or the starter cannot go faster."""
    rise_s: float = 0.04
    """Time constant of the push."""
    rotor_share: float = 0.0
    """Share of the inertia that a one-way clutch leaves behind when the gas throws the crank over its top: the rotor of
    a starter. 0 without a clutch."""
    turns: float = float("inf")
    """Turns of the crank after which a cord is at its end; infinite for a starter."""
    unsteady: float = 0.0
    """Relative swing of the push at `unsteady_hz`: an arm is not a motor."""
    unsteady_hz: float = 2.0
    pause_at_s: float = float("inf")
    """When the hand slips off, counted from `begin_s`."""
    pause_s: float = 0.0
    """How long until it pulls again."""
    start_angle_deg: float = 120.0
    """Crank angle at rest; 0 is top dead centre of the compression of the cylinder under the gauge."""
    longest_s: float = 15.0
    """The integration ends here at the latest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckValve:
    """The adapter of a held gauge: a check valve at the plug hole and the hose behind it."""

    hose_cm3: float = 8.0
    """Volume behind the valve, gauge included."""
    area_mm2: float = 1.5
    """Effective area of the open valve."""
    cracking_kpa: float = 10.0
    """Pressure difference at which the valve begins to open."""
    leak_per_s: float = 0.0
    """Share of the held gauge pressure that the gauge's own valve loses in a second."""
    start_kpa: float = 0.0
    """Gauge pressure in the hose before cranking: what was not bled."""
    cooling_s: float = 0.0
    """Time constant with which compressed gas takes the hose's temperature; 0 for at once. By conduction alone it is
    R^2 over 5.78 times the diffusivity (Carslaw and Jaeger, Conduction of Heat in Solids, 7.6, from memory): 0.25 s for
    a bore of 4 mm at 10 bar, 0.06 s for 2 mm, and less as the gas is stirred."""


@dataclass(frozen=True, slots=True)
class StrokeTruth:
    """One compression of the cylinder as it really was."""

    time_s: float
    peak_kpa: float
    """Gauge pressure at the peak."""
    passed_top: bool
    """True for the stroke that first took the crank over this top dead centre. False for one that was thrown back
    before it, and for one of a crank that had been over, turned back and rocked there."""


@dataclass(frozen=True, slots=True)
class CylinderTrace:
    """What went on in the cylinder, at every step of the integration; arrays of shape (n,)."""

    spec: EngineSpec
    cranking: Cranking
    time_s: FloatArray
    pressure_kpa: FloatArray
    """Gauge pressure in the cylinder."""
    crank_angle: FloatArray
    """Radians, unwrapped; 0 (and every cycle after) is top dead centre of the compression."""
    speed_rpm: FloatArray
    temperature_k: FloatArray
    mass_kg: FloatArray
    strokes: tuple[StrokeTruth, ...]
    tail_s: float
    """Time constant with which what pressure is left at the end leaks away."""
    valve: CheckValve | None = None
    held_kpa: FloatArray | None = None
    """Gauge pressure behind the check valve, where there is one."""
    warm_kpa: float = 0.0
    """What of that will be gone, at the end of the trace, when the gas behind the valve has cooled."""

    @property
    def cranking_rpm(self) -> float:
        """Usual speed: of the middle one (the median) of the turns from top to top; NaN with fewer than two tops.

        One turn, or two of a four-stroke, lies between two tops of the compression. The last one often runs down,
        and a pause of the hand makes one long: both count once.
        """
        tops = tops_passed(self.time_s, self.crank_angle, self.spec.cycle)
        if len(tops) < 2:
            return float("nan")
        return float(60.0 * (self.spec.cycle // 2) / np.median(np.diff(tops)))

    @property
    def final_held_kpa(self) -> float:
        """Highest true gauge pressure behind the check valve; NaN without one."""
        return float("nan") if self.held_kpa is None else float(self.held_kpa.max())

    @property
    def cylinder_peak_kpa(self) -> float:
        """Highest gauge pressure that the cylinder reached; 0 when it made no stroke."""
        return max((s.peak_kpa for s in self.strokes), default=0.0)


def tops_passed(time_s: FloatArray, crank_angle: FloatArray, cycle: int) -> FloatArray:
    """Times at which the crank first went over each top dead centre of the compression, shape (number of tops,).

    A crank that rocks back and comes over the same one again has not made another turn.
    """
    turn = 2.0 * np.pi * (cycle // 2)
    furthest = np.maximum.accumulate(crank_angle)
    tops = turn * np.arange(np.floor(furthest[0] / turn) + 1.0, np.ceil(furthest[-1] / turn))
    after = np.searchsorted(furthest, tops, side="right")
    before = after - 1
    share = (tops - furthest[before]) / (furthest[after] - furthest[before])
    out: FloatArray = time_s[before] + share * (time_s[after] - time_s[before])
    return out


def find_strokes(
    time_s: FloatArray, pressure_kpa: FloatArray, crank_angle: FloatArray, cycle: int
) -> tuple[StrokeTruth, ...]:
    """Find every compression peak, by a parabola through the three integration steps around it.

    A stroke is a rise to a local maximum of at least 5 kPa and 2 % of the highest. A step is about half a crank
    degree at the fastest: the parabola's error is less than a millionth there.
    """
    p = pressure_kpa
    tops = np.flatnonzero((p[1:-1] > p[:-2]) & (p[1:-1] >= p[2:])) + 1
    if not len(tops):
        return ()
    least = max(5.0, 0.02 * float(p[tops].max()))
    found: list[int] = []
    for i in tops[p[tops] > least]:
        if not found or p[found[-1] : i].min() <= 0.9 * min(p[i], p[found[-1]]):
            found.append(int(i))
        elif p[i] > p[found[-1]]:
            found[-1] = int(i)
    step = float(time_s[1] - time_s[0])
    passed = _took_over_the_top(time_s, crank_angle, cycle, found)
    strokes = []
    for i in found:
        left, mid, right = (float(v) for v in p[i - 1 : i + 2])
        bend = left - 2.0 * mid + right
        shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
        strokes.append(StrokeTruth(float(time_s[i]) + shift * step, mid - 0.25 * (left - right) * shift, i in passed))
    return tuple(strokes)


def _took_over_the_top(time_s: FloatArray, crank_angle: FloatArray, cycle: int, peaks: list[int]) -> set[int]:
    """Those of `peaks` (indices of steps) with which the crank first went over a top dead centre."""
    turn = 2.0 * np.pi * (cycle // 2)
    which = np.round(crank_angle[peaks] / turn)
    out = set()
    for top_s in tops_passed(time_s, crank_angle, cycle):
        after = int(np.searchsorted(time_s, top_s))
        near = [i for i, top in zip(peaks, which, strict=True) if top == round(float(crank_angle[after]) / turn)]
        # leak and heat bring the peak before the top, never behind it but for the two steps that may lie around it
        before = [i for i in near if i <= after + 1]
        if near:
            out.add(before[-1] if before else near[0])
    return out


def after_each_other(first: CylinderTrace, second: CylinderTrace, gap_s: float) -> CylinderTrace:
    """Join two traces without check valve, `gap_s` between the last pulse of one and the first of the other.

    What pressure is left of the first is leaking away while the second begins. Angle, speed, mass and temperature
    are those of the event at hand.
    """
    if first.held_kpa is not None or second.held_kpa is not None:
        raise ValueError("only traces without a check valve can be joined")
    if not first.strokes or not second.strokes:
        raise ValueError("both traces must have a stroke")
    step = float(first.time_s[1] - first.time_s[0])
    shift = first.strokes[-1].time_s + gap_s - second.strokes[0].time_s
    end = shift + float(second.time_s[-1])
    time_s: FloatArray = step * np.arange(int(max(end, float(first.time_s[-1])) / step) + 1, dtype=np.float64)
    last = float(first.time_s[-1])
    rest = first.pressure_kpa[-1] * np.exp(-np.maximum(time_s - last, 0.0) / first.tail_s)
    pressure = np.where(time_s <= last, np.interp(time_s, first.time_s, first.pressure_kpa), rest)
    inside = (time_s >= shift) & (time_s <= end)
    pressure[inside] += CubicSpline(second.time_s, second.pressure_kpa)(time_s[inside] - shift)

    def joined(a: FloatArray, b: FloatArray) -> FloatArray:
        whole: FloatArray = np.where(
            time_s < shift, np.interp(time_s, first.time_s, a), np.interp(time_s - shift, second.time_s, b)
        )
        return whole

    return replace(
        first,
        time_s=time_s,
        pressure_kpa=pressure,
        crank_angle=joined(first.crank_angle, second.crank_angle),
        speed_rpm=joined(first.speed_rpm, second.speed_rpm),
        temperature_k=joined(first.temperature_k, second.temperature_k),
        mass_kg=joined(first.mass_kg, second.mass_kg),
        strokes=first.strokes + tuple(replace(s, time_s=s.time_s + shift) for s in second.strokes),
        tail_s=second.tail_s,
    )
