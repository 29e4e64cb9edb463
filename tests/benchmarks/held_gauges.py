"""Accuracy of held gauges on simulated engines: peak, still rising, projection, cranking speed.

    python -m tests.benchmarks.handling held [--engines 400] [--seed 1]

Every engine is cranked 2 to 12 strokes and sampled by one random gauge at each rate; cranking it for 16 strokes more
tells where the climb was going. Lines for the rate `inf` are floors: the same laws, given the true levels and times.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.climb import project
from gaugelink.peak.detector import find_events
from gaugelink.peak.events import CrankingEvent, EngineHints, Flag, GaugeKind, GaugeTraits
from gaugelink.peak.held import SETTLED_SHARE, fit_held
from gaugelink.peak.held_plateau import Plateau
from gaugelink.peak.staircase import Staircase, Step
from simulators.cranking import CylinderTrace, tops_passed
from simulators.integrator import crank, crank_many
from simulators.scenarios import random_check_valve, random_held_gauge, random_turn
from simulators.sensor import sample

RATES = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
LEAST_KPA = 100.0
GROUPS = ((2, 2), (3, 3), (4, 5), (6, 8), (9, 20))
SEEN_SHARE = 0.003
"""Least share of the climb by which a stroke must raise the hose to be one that a gauge could see."""


@dataclass(frozen=True, slots=True)
class Climb:
    """One cranking on a held gauge and where it would have gone."""

    trace: CylinderTrace
    tops_s: np.ndarray
    """Times at which the crank went over the top, on the trace's clock."""
    goal_kpa: float


@dataclass(frozen=True, slots=True)
class Read:
    """One reading beside its truth."""

    climb: Climb
    final_kpa: float
    resolution_kpa: float
    event: CrankingEvent
    cpu_s: float

    @property
    def left_kpa(self) -> float:
        """What was left to climb."""
        return self.climb.goal_kpa - self.final_kpa

    @property
    def little_kpa(self) -> float:
        """A climb with less than this left has settled."""
        return max(SETTLED_SHARE * self.final_kpa, self.resolution_kpa)


def climbs(engines: int, seed: int) -> list[Climb]:
    """Crank each engine 2 to 12 strokes, and once more for 16 strokes longer."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(engines):
        strokes = int(rng.integers(2, 13))
        turn = random_turn(rng, cord=bool(strokes < 9 and rng.random() < 0.5), strokes=strokes)
        turn = replace(turn, valve=random_check_valve(rng, turn.spec))
        more, cranking = (strokes + 16) / strokes, turn.cranking
        longer = replace(
            cranking,
            duration_s=cranking.duration_s * more,
            longest_s=cranking.duration_s * more + 4.0,
            turns=cranking.turns * more,
        )
        goal = crank(turn.spec, longer, turn.valve).final_held_kpa
        (trace,) = crank_many([turn])
        tops = tops_passed(trace.time_s, trace.crank_angle, trace.spec.cycle)
        if trace.final_held_kpa > LEAST_KPA and len(tops):
            made.append(Climb(trace, tops, max(goal, trace.final_held_kpa)))
    return made


def read(climb: Climb, rate_hz: float, rng: np.random.Generator) -> tuple[Read | None, int]:
    """Sample, find and judge one climb; None when it was not found. The second value counts events beyond one."""
    gauge = random_held_gauge(rng, climb.trace.cylinder_peak_kpa)
    seen = sample(climb.trace, gauge, rate_hz, rng, before_s=3.0, after_s=4.0)
    traits = GaugeTraits(resolution_kpa=gauge.resolution_kpa)
    found = find_events(seen.time_s, seen.pressure_kpa, traits)
    if not found or found[0].kind is not GaugeKind.HELD:
        return None, 0
    began = time.process_time()
    event = fit_held(found[0], traits, EngineHints(cycle=seen.cycle))
    return Read(climb, seen.final_kpa, gauge.resolution_kpa, event, time.process_time() - began), len(found) - 1


def true_steps(trace: CylinderTrace) -> tuple[np.ndarray, np.ndarray]:
    """Times and true levels in the hose after each turn that raised it; shapes (n,)."""
    held = trace.held_kpa
    assert held is not None
    rises = np.flatnonzero(np.diff(held, prepend=0.0) > 1e-4)
    turn = np.round(trace.crank_angle[rises] / (2 * np.pi * (trace.spec.cycle // 2)))
    ends = np.append(np.flatnonzero(np.diff(turn)), len(turn) - 1)
    level = held[rises[ends]]
    raised = np.diff(level, prepend=0.0) > 0.05
    return trace.time_s[rises[ends]][raised], level[raised]


def floor_of(climb: Climb) -> tuple[float, float] | None:
    """Projection and its expanded uncertainty from the true levels."""
    at, level = true_steps(climb.trace)
    if len(level) < 2:
        return None
    u = 2e-4 * float(level[-1])
    height = np.diff(level, prepend=0.0)
    rows = zip(at.tolist(), level.tolist(), height.tolist(), strict=True)
    steps = tuple(Step(t, p, u, h, 1e-4) for t, p, h in rows)
    last = float(at[-1])
    stairs = Staircase(steps, True, float(at[0]), 0.0, u, 0.0, last, at, level)
    found = project(stairs, Plateau(last, last + 1.0, float(level[-1]), 0.0, False, u, 0.0, 9), u)
    return None if found is None else (found.goal_kpa, found.expanded_u_kpa)


def _table(head: Sequence[str], rows: Sequence[Sequence[float | str]]) -> None:
    print(" ".join(f"{word:>9}" for word in head))
    for row in rows:
        print(" ".join(f"{cell:>9}" if isinstance(cell, str) else f"{cell:9.4g}" for cell in row), flush=True)


def _peak_row(rate: float, reads: Sequence[Read], extra: int, made: int) -> list[float]:
    truth = np.array([r.final_kpa for r in reads])
    error = np.abs(np.array([r.event.peak_kpa for r in reads]) - truth)
    u = np.array([r.event.peak_u_kpa for r in reads])
    res = np.array([r.resolution_kpa for r in reads])
    shares = (error <= res + 0.005 * truth, error <= np.maximum(res, 0.003 * truth), error <= u)
    cpu_ms = 1000 * np.array([r.cpu_s for r in reads])
    return [
        rate,
        100 * len(reads) / made,
        extra,
        100 * float(np.median(error / truth)),
        100 * float(np.percentile(error / truth, 95)),
        *(100 * float(np.mean(s)) for s in shares),
        float(np.median(u) / np.percentile(error, 95)),
        float(np.mean(cpu_ms)),
        float(cpu_ms.max()),
    ]


def _rising_row(rate: float, reads: Sequence[Read]) -> list[float]:
    said = np.array([Flag.STILL_RISING in r.event.flags for r in reads])
    left = np.array([r.left_kpa / r.climb.goal_kpa for r in reads])
    rising = np.array([r.left_kpa > r.little_kpa for r in reads])
    settled = np.array([r.left_kpa < 0.5 * r.little_kpa for r in reads])
    missed = left[rising & ~said]
    return [
        rate,
        int(np.sum(~rising)),
        100 * float(np.mean(said[~rising])),
        100 * float(np.mean(said[settled])),
        int(np.sum(rising)),
        100 * len(missed) / int(rising.sum()),
        100 * float(np.median(missed)) if len(missed) else 0.0,
        *(100 * float(np.sum(missed > m)) / int(rising.sum()) for m in (0.01, 0.02, 0.05)),
    ]


def _projection_rows(rate: float, all_of: Sequence[tuple[Climb, float, float, float]]) -> list[list[float | str]]:
    """Rows for climbs with final pressure, projection and expanded uncertainty."""
    rows: list[list[float | str]] = []
    for low, high in (*GROUPS, (4, 20)):
        some = [row for row in all_of if low <= len(row[0].tops_s) <= high]
        if len(some) < 5:
            continue
        goal = np.array([climb.goal_kpa for climb, *_ in some])
        final, projected, u = (np.array([row[k] for row in some]) for k in (1, 2, 3))
        off = np.abs(projected - goal) / goal
        p95 = float(np.percentile(off, 95))
        numbers = (np.median(1 - final / goal), np.median(off), p95, np.mean(off <= 0.02), np.mean(off <= u / goal))
        cells = [100 * float(x) for x in (*numbers, np.median(u / goal))]
        rows.append([rate, f"{low}-{high}", len(some), *cells, float(np.median(u / goal)) / p95])
    return rows


def _speed_row(rate: float, pairs: Sequence[tuple[Climb, float | None]]) -> list[float]:
    told = [(climb, rpm) for climb, rpm in pairs if rpm is not None and len(climb.tops_s) > 1]
    off = np.array([rpm / climb.trace.cranking_rpm - 1 for climb, rpm in told])
    seen = np.array([rpm / speed_seen(climb) - 1 for climb, rpm in told])
    shares = [100 * float(np.mean(np.abs(x) <= 0.02)) if len(x) else float("nan") for x in (off, seen)]
    return [rate, 100 * len(told) / max(len(pairs), 1), *shares, 100 * float(np.median(seen)) if len(seen) else 0.0]


def speed_seen(climb: Climb) -> float:
    """True speed over the tops of the strokes that raised the hose enough to be seen."""
    at, level = true_steps(climb.trace)
    height = np.diff(level, prepend=0.0)
    last_s = float(at[np.flatnonzero(height > SEEN_SHARE * level[-1])[-1]])
    first = int(np.argmin(np.abs(climb.tops_s - at[0])))
    last = int(np.argmin(np.abs(climb.tops_s - last_s)))
    if last <= first:
        return float("nan")
    tops = climb.tops_s
    return float(30.0 * climb.trace.spec.cycle * (last - first) / (tops[last] - tops[first]))


def held(engines: int, seed: int) -> None:
    """Print all tables."""
    made = climbs(engines, seed)
    rng = np.random.default_rng(seed + 1)
    results: dict[float, list[Read]] = {}
    peaks = []
    for rate in RATES:
        pairs = [read(climb, rate, rng) for climb in made]
        results[rate] = [r for r, _ in pairs if r is not None]
        peaks.append(_peak_row(rate, results[rate], sum(n for _, n in pairs), len(made)))
    print(f"{len(made)} cranked engines at {len(RATES)} rates: {len(made) * len(RATES)} held events")
    print("\nerror of the peak; shares within resolution + 0.5 %, within resolution or 0.3 %, within the stated U95;")
    print("U95 over the 95th percentile of the error; processor time of judging an event, mean and most")
    head = ("rate/s", "found %", "extra", "median %", "p95 %", "in r+0.5%", "in r|0.3%", "in U95 %")
    _table((*head, "U95/p95", "ms", "most ms"), peaks)
    print("\nstill rising: said falsely of what had settled (less than 0.3 % or the resolution left), and of what had")
    print("clearly settled (half of that); not said of what was rising, what was left then, and shares of all rising")
    print("that were missed with more than 1, 2 and 5 % left")
    head = ("rate/s", "settled", "false %", "clearly %", "rising", "missed %", "left %", "> 1 %", "> 2 %", "> 5 %")
    _table(head, [_rising_row(rate, reads) for rate, reads in results.items()])
    print("\nprojection of what was said to be still rising, and was, by strokes over the top; relative to the goal")
    rows = []
    for rate, reads in results.items():
        risen = [(r.climb, r.final_kpa, r.event) for r in reads if r.left_kpa > r.little_kpa]
        rows += _projection_rows(
            rate,
            [
                (climb, final, e.projected_kpa, e.projected_u_kpa)
                for climb, final, e in risen
                if e.projected_kpa is not None and e.projected_u_kpa is not None
            ],
        )
    floors = [(c, floor_of(c)) for c in made if c.goal_kpa - c.trace.final_held_kpa > SETTLED_SHARE * c.goal_kpa]
    rows += _projection_rows(
        float("inf"), [(c, c.trace.final_held_kpa, *found) for c, found in floors if found is not None]
    )
    head = ("rate/s", "strokes", "events", "short %", "median %", "p95 %", "in 2 %", "in U95 %", "U95 %", "U95/p95")
    _table(head, rows)
    print("\ncranking speed: told in; within 2 % of the mean over all strokes, and over those that raised the hose by")
    print(f"{100 * SEEN_SHARE:g} % or more; median error. The floor takes the speed over those from the true tops")
    speeds = [_speed_row(rate, [(r.climb, r.event.cranking_rpm) for r in reads]) for rate, reads in results.items()]
    speeds.append(_speed_row(float("inf"), [(c, speed_seen(c)) for c in made if np.isfinite(speed_seen(c))]))
    _table(("rate/s", "told %", "in 2 %", "seen 2 %", "median %"), speeds)
