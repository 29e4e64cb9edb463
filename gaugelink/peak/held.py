"""The staircase of a held gauge: its steps, its plateau, and where it was going.

A stroke fills the hose behind the check valve from the cylinder. With V_h of hose, V_c of cylinder at the top
and the pressure p_c that the cylinder alone would reach, each stroke takes the same share k = V_c / (V_c + V_h)
of what is left:

    p_n = p_c - (p_c - p_0) (1 - k)^n

so the climb approaches the cylinder's pressure geometrically. The share is not known beforehand; it is weighed
over all it can be, with a prior, and what it leaves open is the uncertainty of the projection.
"""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.burst import SLIP_S, smallest_step_kpa
from gaugelink.peak.climb import Climb, project
from gaugelink.peak.climb_time import project_in_time
from gaugelink.peak.events import (
    BudgetLine,
    CrankingEvent,
    EngineHints,
    EventSamples,
    Flag,
    FloatArray,
    GaugeKind,
    GaugeTraits,
    Method,
    Stroke,
)
from gaugelink.peak.held_plateau import Plateau, find_plateau, rounding_u_kpa
from gaugelink.peak.linear import one_thread
from gaugelink.peak.staircase import Staircase, Step, find_steps

COVERAGE = 2.0
"""Coverage factor for about 95 % (JCGM 100:2008, 6.3.3)."""
SETTLED_SHARE = 0.003
"""A climb with less than this of its height to go has settled."""
UNKNOWN_ZERO_U_KPA = 3.0
"""Standard uncertainty of a zero that could not be seen. Common practice, no source."""
MODEL_SHARE = 0.0003
"""Standard uncertainty of the plateau's model, as a share of it: gas and gauge still settling, measured on
simulated gauges."""
FEW_STROKES = 4
CLEAR_SHARE = 0.02
"""Steps below this share of the highest are too small for their time to be told."""
RESUMED_SHARE = 0.06
"""Between steps below this share of the highest others may have gone unseen: no pause."""
CLEAR_PERIODS = 0.08
"""Most uncertainty of a step's time, in periods."""
RPM_U_SHARE = 0.01
"""Most standard uncertainty of the time over which the cranking speed is taken, as a share of it."""
FASTEST_S, SURE_SAMPLES = 0.066, 3.0
"""Between samples further apart than the quickest strokes (a two-stroke's at 900 rev/min) there may be two strokes
each time: the speed then needs so many samples a stroke."""
BLED_SHARE = 0.5
"""A gauge that keeps less than this share of what it held was bled, or came off."""
LEAST_PLATEAU_S = 0.5
"""A gauge that was bled sooner after the last rise has not shown where it came to rest."""
RISING, MUCH_SHARE, MUCH = 0.7, 0.02, 0.2
"""A climb is called still rising when more than `SETTLED_SHARE` is left with a probability of more than `RISING`, or
more than `MUCH_SHARE` with one of more than `MUCH`: a needless pull is cheap, a reading that is far too low is not."""


@dataclass(frozen=True, slots=True)
class _Gauge:
    noise_kpa: float
    resolution_kpa: float


def fit_held(samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
    """Judge the event of a held gauge.

    Args:
        samples: all that was seen of the event.
        traits: what is known of the gauge.
        hints: what is known of the engine; the cycle gives the cranking speed.

    Raises:
        ValueError: fewer than three samples.
    """
    if len(samples.time_s) < 3:
        raise ValueError(f"{len(samples.time_s)} samples are too few for a staircase; at least 3 are needed")
    t = samples.time_s
    zero = samples.zero_kpa if samples.zero_kpa is not None else 0.0
    x = samples.pressure_kpa - zero
    gauge = _gauge(samples, traits)
    together = _with_neighbours(x)
    # A wild sample stands alone, more than twice as high as all others.
    x = np.where(x > 2.0 * together.max(), together, x)
    end = _bled_at(together)
    t, x = t[:end], x[:end]
    with one_thread():
        steps = find_steps(t, x, gauge.noise_kpa, gauge.resolution_kpa)
        plateau = find_plateau(t, x, steps.last_rise_s, gauge.noise_kpa, gauge.resolution_kpa)
        climb = _climb(steps, plateau, gauge, hints)
    peak = plateau.level_kpa
    rising = climb is not None and _still_rising(climb, peak, gauge.resolution_kpa)

    flags = set(samples.flags)
    if samples.zero_kpa is None:
        flags.add(Flag.ZERO_UNKNOWN)
    if plateau.leaks:
        flags.add(Flag.VALVE_LEAK)
    if rising:
        flags.add(Flag.STILL_RISING)
    if len(steps.steps) < FEW_STROKES and steps.resolved:
        flags.add(Flag.FEW_STROKES)
    if steps.resolved and _interrupted(steps.steps):
        flags.add(Flag.INTERRUPTED)
    if not steps.resolved:
        flags.add(Flag.UNDER_SAMPLED)
    if end < len(samples.time_s) and t[-1] - steps.last_rise_s < LEAST_PLATEAU_S:
        flags.add(Flag.SHORT_RECORD)
    if samples.has_gap:
        flags.add(Flag.LOST_SAMPLES)
    if samples.over_range.any():
        flags.add(Flag.OVER_RANGE)

    budget = _budget(samples, traits, gauge, plateau)
    u = float(np.sqrt(sum(line.u_kpa**2 for line in budget)))
    strokes = tuple(Stroke(s.time_s, s.level_kpa, COVERAGE * float(np.hypot(u, s.u_kpa))) for s in steps.steps)
    return CrankingEvent(
        kind=GaugeKind.HELD,
        start_s=steps.begin_s,
        end_s=plateau.begin_s,
        peak_kpa=peak,
        peak_u_kpa=COVERAGE * u,
        method=Method.CLIMBING if rising else Method.SETTLED,
        cranking_rpm=_rpm(steps.steps, hints, float(np.median(np.diff(t)))) if steps.resolved else None,
        strokes=strokes,
        flags=frozenset(flags),
        budget=budget,
        zero_kpa=zero,
        zero_drift_kpa=samples.zero_drift_kpa,
        first_stroke_kpa=steps.steps[0].level_kpa if steps.steps and steps.resolved else None,
        climb_per_stroke=climb.share if climb is not None and steps.resolved else None,
        projected_kpa=climb.goal_kpa if climb is not None and rising else None,
        projected_u_kpa=float(np.hypot(climb.expanded_u_kpa, COVERAGE * u)) if climb is not None and rising else None,
    )


def _with_neighbours(x: FloatArray) -> FloatArray:
    """Median of each sample and the two beside it, shape (n,): one that stands alone is none of a climb."""
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(x, 1, mode="edge"), 3)
    return np.asarray(np.median(beside, axis=1))


def _bled_at(together: FloatArray) -> int:
    """Index of the first sample after the gauge was bled for good, or the number of samples when it was not."""
    held = np.flatnonzero(together > BLED_SHARE * together.max())
    return max(int(held[-1]) + 1, 3) if len(held) else len(together)


def _climb(steps: Staircase, plateau: Plateau, gauge: _Gauge, hints: EngineHints) -> Climb | None:
    if steps.resolved:
        return project(steps, plateau, gauge.noise_kpa)
    u_kpa = float(np.hypot(gauge.noise_kpa, steps.rounding_kpa))
    return project_in_time(steps, plateau, u_kpa, hints.cycle)


def _still_rising(climb: Climb, peak_kpa: float, resolution_kpa: float) -> bool:
    little = max(SETTLED_SHARE * peak_kpa, resolution_kpa)
    much = max(MUCH_SHARE * peak_kpa, resolution_kpa)
    return climb.chance_of_more(little) > RISING or climb.chance_of_more(much) > MUCH


def _gauge(samples: EventSamples, traits: GaugeTraits) -> _Gauge:
    step = traits.resolution_kpa if traits.resolution_kpa is not None else smallest_step_kpa(samples.pressure_kpa)
    noise = samples.noise_kpa
    if noise <= 0:
        tail = samples.pressure_kpa[-max(4, len(samples.pressure_kpa) // 4) :]
        noise = 1.4826 * float(np.median(np.abs(np.diff(tail)))) / float(np.sqrt(2))
    return _Gauge(max(noise, step / float(np.sqrt(12))), step)


def _interrupted(steps: tuple[Step, ...]) -> bool:
    highest = max((s.height_kpa for s in steps), default=0.0)
    pauses = np.diff([s.time_s for s in steps if s.height_kpa > RESUMED_SHARE * highest])
    return len(pauses) > 1 and float(pauses.max()) > max(SLIP_S, 2 * float(np.median(pauses)))


def _rpm(steps: tuple[Step, ...], hints: EngineHints, spacing_s: float) -> float | None:
    """Mean speed from the first step to the last that is high and sharp enough, pauses left out.

    A stroke fills the hose before the top, the earlier the lower the hose stands: the crank still has to turn.
    """
    if hints.cycle is None or len(steps) < 3:
        return None
    at = np.array([s.time_s for s in steps])
    height = np.array([s.height_kpa for s in steps])
    usual = float(np.median(np.diff(at)))
    if spacing_s > FASTEST_S and usual < SURE_SAMPLES * spacing_s:
        return None
    clear = (height > CLEAR_SHARE * height.max()) & (np.array([s.u_time_s for s in steps]) < CLEAR_PERIODS * usual)
    n = int(np.flatnonzero(clear)[-1]) + 1 if clear.any() else 0
    if n < 3 or np.hypot(steps[0].u_time_s, steps[n - 1].u_time_s) > RPM_U_SHARE * (at[n - 1] - at[0]):
        return None
    at = at + _ahead_deg(steps, usual, hints.cycle) / (180.0 * hints.cycle) * usual
    gaps = np.diff(at[:n])
    gaps = gaps[np.abs(gaps - usual) < 0.4 * usual]
    return 60.0 / float(np.mean(gaps)) * hints.cycle / 2 if len(gaps) > 1 else None


def _ahead_deg(steps: tuple[Step, ...], period_s: float, cycle: int) -> FloatArray:
    """Crank angle from the middle of each filling to the top, shape (steps,).

    The more of what is left each stroke takes, the earlier the valve has passed it; at higher speed it takes longer.
    Measured on simulated engines.
    """
    height = np.array([s.height_kpa for s in steps])
    full = (np.array([s.level_kpa for s in steps]) - 0.5 * height) / steps[-1].level_kpa
    slower = float(np.clip(height[1] / height[0], 0.2, 1.1))
    speed = float(np.log(30.0 * cycle / period_s / 400.0))
    later = 38.6 + 1.8 * (cycle - 2) - 19.5 * full - 3.9 * speed - 21.6 * slower
    later[0] = 67.2 + 3.4 * (cycle - 2) - 2.9 * speed - 57.6 * slower
    return np.asarray(np.clip(later, 0.0, 70.0))


def _budget(samples: EventSamples, traits: GaugeTraits, gauge: _Gauge, plateau: Plateau) -> tuple[BudgetLine, ...]:
    """JCGM 100:2008, clause 5: what the peak's uncertainty is made of."""
    lines = [
        BudgetLine("sampling and noise", plateau.u_level_kpa),
        BudgetLine("resolution", rounding_u_kpa(gauge.noise_kpa, gauge.resolution_kpa)),
        BudgetLine("zero", samples.zero_u_kpa if samples.zero_kpa is not None else UNKNOWN_ZERO_U_KPA),
        BudgetLine("valve leak", plateau.u_leak_kpa),
        BudgetLine("model", MODEL_SHARE * abs(plateau.level_kpa)),
    ]
    if traits.accuracy_u_kpa is not None:
        lines.append(BudgetLine("calibration", traits.accuracy_u_kpa, common=True))
    return tuple(lines)
