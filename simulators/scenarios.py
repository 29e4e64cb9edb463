"""Cranking events drawn at random over what shops meet: engines, ways of turning them, gauges, faults.

    event = random_live_event(rng, rate_hz=100.0)      # one SampledTrace: samples and truth
    for event in live_events(rng, 500, rate_hz=100.0)  # many
    event = random_held_event(rng, rate_hz=10.0)
    for event in held_events(rng, 200, rate_hz=10.0)

Traces can be reused: ``random_turn`` draws an engine and a cranking, ``crank_many`` integrates them once, and
``sample`` gives as many samplings of each trace (rates, phases, noise) as are wanted.
"""

from collections.abc import Iterator
from dataclasses import replace
from math import pi

import numpy as np

from simulators.cranking import CheckValve, Cranking, CylinderTrace, after_each_other
from simulators.engine import EngineSpec
from simulators.integrator import Turn, crank, crank_many
from simulators.sensor import HeldGauge, LiveGauge, SampledTrace, sample

BATCH = 384
"""A good number of traces to hold at once: each takes some 400 kB."""

SLIP_S = 0.7
"""How long a slipped hand takes to pull again."""

LIVE_RATES_HZ = (50.0, 100.0, 200.0, 500.0, 1000.0)
HELD_RATES_HZ = (5.0, 10.0, 20.0, 50.0)
RANGES_KPA = (1034.2, 1723.7, 2068.4, 3447.4)
"""150, 250, 300 and 500 psi, common ranges of gauges and transmitters (common practice, no source)."""
RESOLUTIONS_KPA = (0.1, 0.5, 0.6894757, 1.0, 2.0, 6.894757)


def random_spec(rng: np.random.Generator, *, cycle: int | None = None) -> EngineSpec:
    """Draw a sound or worn engine: both cycles, trapped ratios 4 to 12, rods of 3 to 5 crank radii."""
    cycle = int(rng.choice([2, 4])) if cycle is None else cycle
    bore = float(rng.uniform(45.0, 90.0))
    two = cycle == 2
    ratio = float(rng.uniform(4.0, 8.5) if two else rng.uniform(5.0, 12.0))
    closes = float(rng.uniform(78.0, 100.0) if two else rng.uniform(110.0, 150.0))
    size = (bore / 69.0) ** 2
    worn = rng.random() < 0.25
    bare = EngineSpec(bore_mm=bore, stroke_mm=bore, cycle=cycle, trapped_ratio=ratio, closes_deg=closes)
    return EngineSpec(
        bore_mm=bore,
        stroke_mm=bore * float(rng.uniform(0.75, 1.1)),
        rod_ratio=float(rng.uniform(3.0, 5.0)),
        cycle=cycle,
        trapped_ratio=ratio,
        closes_deg=closes,
        opens_deg=float(rng.uniform(115.0, 145.0)),
        port_share=float(rng.uniform(0.45, 0.8)),
        throttle_drop_kpa=float(rng.choice([0.0, rng.uniform(0.0, 8.0)])),
        adapter_cm3=min(float(rng.uniform(0.5, 6.0)), 0.15 * bare.clearance_m3 * 1e6),
        cylinders=int(rng.choice([1, 2, 3, 4])),
        other_plugs_in=bool(rng.random() < 0.3),
        ring_leak_mm2=size * float(np.exp(rng.uniform(np.log(0.1), np.log(1.0)))) * (2.5 if worn else 1.0),
        ring_seating=float(rng.uniform(0.0, 1.0)) * (2.0 if worn else 1.0),
        ring_seating_turns=float(rng.uniform(0.8, 3.0)),
        valve_leak_mm2=size * float(rng.uniform(0.5, 2.0)) if rng.random() < 0.1 else 0.0,
        heat_factor=float(rng.uniform(1.0, 4.0)),
        wall_k=float(rng.uniform(263.0, 360.0)),
        ambient_k=float(rng.uniform(258.0, 308.0)),
        ambient_abs_kpa=float(rng.uniform(75.0, 103.0)),
    )


def top_torque_nm(spec: EngineSpec) -> float:
    """Roughly the largest gas torque against one compression; how strong whatever turns the crank must be."""
    top_kpa = spec.ambient_abs_kpa * (spec.effective_ratio**1.3 - 1.0)
    return float(0.28 * top_kpa * 1e3 * spec.piston_m2 * spec.crank_m)


def random_turn(
    rng: np.random.Generator,
    *,
    spec: EngineSpec | None = None,
    cycle: int | None = None,
    cord: bool | None = None,
    strokes: int | None = None,
    rpm: float | None = None,
    slipped_hand: bool = False,
    rotor_share: float = 0.0,
) -> Turn:
    """Draw an engine and a way to turn it: a cord (2 to 8 strokes) or a starter held for 4 to 12 strokes.

    `rpm` is what is aimed at (150 to 900); the trace tells what came of it. Inertia is what such an engine needs
    to be turned at that speed at all, so that the speed sags by a few to some tens of percent. `rotor_share` of it is
    left behind where the gas throws the crank over its top.
    """
    spec = random_spec(rng, cycle=cycle) if spec is None else spec
    cord = bool(rng.random() < 0.5) if cord is None else cord
    strokes = int(rng.integers(2, 9) if cord else rng.integers(4, 13)) if strokes is None else strokes
    rpm = float(np.exp(rng.uniform(np.log(165.0), np.log(1000.0)))) if rpm is None else rpm
    speed = rpm * pi / 30.0
    top = top_torque_nm(spec)
    sag = float(rng.uniform(0.05, 0.3))
    # energy taken by one compression is about a radian of a third of its largest torque
    inertia = max(0.35 * top / (sag * speed * speed), 0.002)
    friction = float(rng.uniform(0.03, 0.1)) * top
    drag = friction / 60.0
    stall = top * float(rng.uniform(1.3, 2.5)) + 2.0 * friction
    used = friction + drag * speed + 0.1 * top
    turns = (strokes - 0.15) * (spec.cycle // 2)
    least = turns * 60.0 / rpm
    pause_at = float(rng.uniform(0.3, 0.6)) * least if slipped_hand else float("inf")
    cranking = Cranking(
        begin_s=0.05,
        duration_s=(1.8 * least + 1.0 if cord else least * 1.1 + 0.15) + (SLIP_S if slipped_hand else 0.0),
        stall_nm=stall,
        free_rpm=rpm / max(0.3, 1.0 - used / stall),
        rise_s=float(rng.uniform(0.02, 0.1)),
        rotor_share=rotor_share,
        turns=turns if cord else float("inf"),
        unsteady=float(rng.uniform(0.0, 0.3)) if cord else 0.0,
        unsteady_hz=float(rng.uniform(0.7, 4.0)),
        pause_at_s=pause_at,
        pause_s=SLIP_S if slipped_hand else 0.0,
        start_angle_deg=float(rng.uniform(90.0, 210.0) if spec.cycle == 2 else rng.uniform(140.0, 540.0)),
        longest_s=2.2 * least + 3.0,
    )
    return Turn(replace(spec, inertia_kg_m2=inertia, friction_nm=friction, drag_nm_s=drag), cranking)


def turned_over(trace: CylinderTrace) -> bool:
    """Whether the piston went over the top at least twice: a pull that did not get there is no event."""
    return sum(s.passed_top for s in trace.strokes) >= 2


def random_live_gauge(rng: np.random.Generator, top_kpa: float) -> LiveGauge:
    """Draw a live gauge that can show `top_kpa` (mostly): noise to 0.5 % of range, steps of 0.1 to 7 kPa."""
    # nobody takes a 500 psi gauge to a 60 psi engine: the smallest range that will do, or the next
    fits = [r for r in RANGES_KPA if r > 1.05 * top_kpa][:2] or [RANGES_KPA[-1]]
    range_kpa = float(rng.choice(fits))
    return LiveGauge(
        range_kpa=range_kpa,
        resolution_kpa=float(rng.choice(RESOLUTIONS_KPA)),
        noise_kpa=range_kpa * float(np.exp(rng.uniform(np.log(2e-4), np.log(5e-3)))),
        zero_kpa=float(rng.normal(0.0, 5.0)),
        drift_kpa_per_s=float(rng.normal(0.0, 0.02)),
        lag_s=float(rng.choice([0.0, rng.uniform(0.0, 0.002)])),
        rate_error=float(rng.uniform(-0.005, 0.005)),
        clock_error_s=float(rng.uniform(0.0, 1e-3)),
        loss=float(rng.choice([0.0, rng.uniform(0.0, 0.05)])),
        frame_samples=int(rng.choice([1, 2, 4])),
    )


def live_events(
    rng: np.random.Generator, count: int, *, rate_hz: float | None = None, cycle: int | None = None
) -> Iterator[SampledTrace]:
    """Give `count` events of live gauges. A rate of None draws one for each event."""
    while count > 0:
        turn = random_turn(rng, cycle=cycle)
        trace = crank(turn.spec, turn.cranking)
        if not turned_over(trace):
            continue
        gauge = random_live_gauge(rng, trace.cylinder_peak_kpa)
        rate = float(rng.choice(LIVE_RATES_HZ)) if rate_hz is None else rate_hz
        count -= 1
        yield sample(trace, gauge, rate, rng, before_s=2.5, after_s=2.5)


def random_live_event(
    rng: np.random.Generator, *, rate_hz: float | None = None, cycle: int | None = None
) -> SampledTrace:
    """Give one event of a live gauge."""
    return next(live_events(rng, 1, rate_hz=rate_hz, cycle=cycle))


def slipped_hand_events(rng: np.random.Generator, count: int, *, rate_hz: float) -> Iterator[SampledTrace]:
    """Give events of live gauges in whose middle the hand slipped off for 0.7 s. Each is one event."""
    while count > 0:
        turn = random_turn(rng, strokes=int(rng.integers(6, 11)), slipped_hand=True)
        trace = crank(turn.spec, turn.cranking)
        slip_s = turn.cranking.begin_s + turn.cranking.pause_at_s
        tops = np.array([s.time_s for s in trace.strokes if s.passed_top])
        if np.sum(tops < slip_s) < 2 or np.sum(tops > slip_s + SLIP_S) < 2:
            continue
        count -= 1
        yield sample(trace, random_live_gauge(rng, trace.cylinder_peak_kpa), rate_hz, rng, before_s=2.5, after_s=2.5)


def paired_events(
    rng: np.random.Generator, count: int, *, rate_hz: float, gap_s: float = 1.5
) -> Iterator[tuple[SampledTrace, int]]:
    """Give records of two events of one engine on a live gauge, and how many strokes belong to the first.

    `gap_s` lies between the last pulse of the first (rocking back counts) and the first pulse of the second. The
    record's `cranking_rpm` means nothing: it is taken across the gap.
    """
    while count > 0:
        spec = random_spec(rng)
        first, second = crank_many([random_turn(rng, spec=spec) for _ in range(2)])
        if not (turned_over(first) and turned_over(second)):
            continue
        both = after_each_other(first, second, gap_s)
        gauge = random_live_gauge(rng, both.cylinder_peak_kpa)
        count -= 1
        yield sample(both, gauge, rate_hz, rng, before_s=2.5, after_s=2.5), len(first.strokes)


def random_check_valve(rng: np.random.Generator, spec: EngineSpec) -> CheckValve:
    """Draw the valve and hose of a held gauge that fits the cylinder: some 3 to 8 strokes to settle."""
    clearance_cm3 = spec.clearance_m3 * 1e6
    return CheckValve(
        hose_cm3=min(max(float(rng.uniform(0.2, 0.8)) * clearance_cm3, 1.0), 25.0),
        area_mm2=float(rng.uniform(0.8, 3.0)),
        cracking_kpa=float(rng.uniform(2.0, 15.0)),
        leak_per_s=float(rng.choice([0.0, 10.0 ** rng.uniform(-4.0, -2.0)])),
    )


def random_held_gauge(rng: np.random.Generator, top_kpa: float) -> HeldGauge:
    """Draw a held gauge that can show `top_kpa`."""
    live = random_live_gauge(rng, top_kpa)
    return HeldGauge(
        range_kpa=live.range_kpa,
        resolution_kpa=live.resolution_kpa,
        noise_kpa=live.range_kpa * float(np.exp(rng.uniform(np.log(1e-4), np.log(1e-3)))),
        zero_kpa=live.zero_kpa,
        drift_kpa_per_s=live.drift_kpa_per_s,
        lag_s=float(rng.uniform(0.0, 0.05)),
        rate_error=live.rate_error,
        clock_error_s=live.clock_error_s,
        loss=live.loss,
    )


def held_events(
    rng: np.random.Generator,
    count: int,
    *,
    rate_hz: float | None = None,
    cycle: int | None = None,
    strokes: int | None = None,
    after_s: float = 6.0,
    bled: bool = False,
    converge: bool = False,
) -> Iterator[SampledTrace]:
    """Give `count` events of held gauges.

    `strokes` fixes how many the cranking gives (4, say, for one that is cut short). With `converge` the same
    engine is cranked on for 16 strokes more to learn where the climb was going. With `bled`
    the user opens the vent 3 to 5 s after the crank has stopped.
    """
    while count > 0:
        n = int(rng.integers(5, 13)) if strokes is None else strokes
        turn = random_turn(rng, cycle=cycle, cord=False, strokes=n)
        valve = random_check_valve(rng, turn.spec)
        trace = crank(turn.spec, turn.cranking, valve)
        if not turned_over(trace):
            continue
        goal = float("nan")
        if converge:
            more = turn.cranking.duration_s / n * (n + 16)
            longer = replace(turn.cranking, duration_s=more, longest_s=more + 4.0)
            goal = crank(turn.spec, longer, valve).final_held_kpa
        gauge = random_held_gauge(rng, trace.cylinder_peak_kpa)
        if bled:
            gauge = replace(gauge, bleed_after_s=float(rng.uniform(3.0, 5.0)))
        rate = float(rng.choice(HELD_RATES_HZ)) if rate_hz is None else rate_hz
        count -= 1
        yield sample(trace, gauge, rate, rng, before_s=3.0, after_s=after_s, converged_kpa=goal)


def random_held_event(
    rng: np.random.Generator, *, rate_hz: float | None = None, cycle: int | None = None
) -> SampledTrace:
    """Give one event of a held gauge."""
    return next(held_events(rng, 1, rate_hz=rate_hz, cycle=cycle))


def shop_triple(*, worn: str | None = None) -> dict[str, EngineSpec]:
    """Give an invented three-cylinder two-stroke with side-named cylinders, one of them worn when named."""
    sound = EngineSpec(bore_mm=69.0, stroke_mm=64.0, trapped_ratio=6.6, cylinders=3)
    lost = {"PTO": 0.0, "MIDDLE": 0.08, "MAG": 0.03}
    engine = {name: replace(sound, trapped_ratio=sound.trapped_ratio - less) for name, less in lost.items()}
    if worn is not None:
        engine[worn] = replace(engine[worn], ring_leak_mm2=2.0, ring_seating=1.5)
    return engine
