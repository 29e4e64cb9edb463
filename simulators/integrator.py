"""The cranked engine integrated in time: many events side by side, a fixed step, fourth-order Runge-Kutta.

States of each event: crank angle, crank speed, gas mass, gas temperature and the pressure behind a check valve.
The gas is one zone (Heywood, Internal Combustion Engine Fundamentals, chapter 14.4): first law for an open
system with heat to the wall (Woschni's correlation, Heywood eq. 12.17 to 12.19, without combustion), flow through
ports or valves, and leaks as orifices. The crank is one inertia with the gas torque of the cylinder under the
gauge, of the other cylinders, friction, and a push that has less torque the faster it turns.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from math import pi, radians

import numpy as np
from numpy.typing import NDArray

from simulators.cranking import CheckValve, Cranking, CylinderTrace, find_strokes
from simulators.engine import EngineSpec, other_cylinders_torque_nm
from simulators.gas import (
    CHOKED_FLOW,
    COVOLUME_M3_KG,
    CRITICAL_RATIO,
    R_AIR,
    FloatArray,
    heat_capacity_coefficients,
    orifice_flow_kg_s,
)

STEP_DEG = 1.2
"""Crank angle of a step at the free speed of whatever turns the crank; never less than 0.1 or more than 0.8 ms.

A finer step moves peaks by 0.01 % (two-stroke) and 0.04 % (four-stroke) in the median, at most 0.15 %, through the
gas exchange. What is true of a trace is read from that trace, so this is no error of its truth.
"""

_TORQUE_STEPS = 360
_BLOCK = 250
_AT_REST_RAD_S = 0.5
_REST_S = 0.15
_STALLED_S = 1.5


@dataclass(frozen=True, slots=True)
class Turn:
    """One event to be integrated."""

    spec: EngineSpec
    cranking: Cranking
    valve: CheckValve | None = None


@dataclass(slots=True)
class _Batch:
    """Parameters of all running events in SI units, each of shape (n,)."""

    rod: FloatArray
    clearance: FloatArray
    swept: FloatArray
    piston: FloatArray
    wall: FloatArray
    bore: FloatArray
    stroke_speed: FloatArray
    heat: FloatArray
    wall_k: FloatArray
    closing: FloatArray
    closes: FloatArray
    opens: FloatArray
    port: FloatArray
    drop: FloatArray
    ambient: FloatArray
    ambient_k: FloatArray
    ring: FloatArray
    seating: FloatArray
    seating_angle: FloatArray
    valve_leak: FloatArray
    inertia: FloatArray
    friction: FloatArray
    friction_speed: FloatArray
    drag: FloatArray
    begin: FloatArray
    end: FloatArray
    stall: FloatArray
    free: FloatArray
    rise: FloatArray
    turned: FloatArray
    unsteady: FloatArray
    unsteady_w: FloatArray
    pause: FloatArray
    resume: FloatArray
    start: FloatArray
    longest: FloatArray
    step: FloatArray
    """Step of each event, s."""
    check_area: FloatArray
    cracking: FloatArray
    hose: FloatArray
    bleed: FloatArray
    covolume: FloatArray
    cp: FloatArray
    """Shape (5, n)."""
    torque: FloatArray
    """Shape (n, steps + 1)."""
    turns: FloatArray
    """Turns of a cycle: 1 or 2."""
    ported: NDArray[np.bool_]
    """True for a two-stroke."""
    row: NDArray[np.intp]
    has_valve: bool

    def keep(self, rows: NDArray[np.intp]) -> "_Batch":
        kept: dict[str, object] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if f.name == "cp":
                kept[f.name] = value[:, rows]
            elif f.name == "row":
                kept[f.name] = np.arange(len(rows))
            else:
                kept[f.name] = value[rows] if isinstance(value, np.ndarray) else value
        return _Batch(**kept)  # type: ignore[arg-type]


def _step_s(item: Turn, finer: float) -> float:
    return min(8e-4, max(1e-4, STEP_DEG / (6.0 * item.cranking.free_rpm))) / finer


def _pack(items: Sequence[Turn], finer: float) -> _Batch:
    specs = [i.spec for i in items]
    pulls = [i.cranking for i in items]
    valves = [i.valve or CheckValve(area_mm2=0.0) for i in items]
    table = np.stack([other_cylinders_torque_nm(s, _TORQUE_STEPS) for s in specs])

    def engine(of: list[float]) -> FloatArray:
        return np.array(of, dtype=np.float64)

    bore = engine([s.bore_mm * 1e-3 for s in specs])
    piston = engine([s.piston_m2 for s in specs])
    inertia = engine([s.inertia_kg_m2 for s in specs])
    step_s = engine([_step_s(i, finer) for i in items])
    friction = engine([s.friction_nm for s in specs])
    port = [0.7 * s.port_share * (s.bore_mm * s.crank_m * 1e-3 if s.cycle == 2 else 0.2 * s.piston_m2) for s in specs]
    return _Batch(
        rod=engine([s.rod_ratio for s in specs]),
        clearance=engine([s.clearance_m3 for s in specs]),
        swept=piston * engine([s.crank_m for s in specs]),
        piston=piston,
        wall=pi * bore * engine([s.crank_m for s in specs]),
        bore=bore,
        stroke_speed=engine([2.0 * s.crank_m / pi for s in specs]),
        heat=engine([s.heat_factor * 3.26 * (s.bore_mm * 1e-3) ** -0.2 for s in specs]),
        wall_k=engine([s.wall_k for s in specs]),
        closing=engine([s.closing_travel for s in specs]),
        closes=engine([radians(s.closes_deg) for s in specs]),
        opens=engine([radians(s.opens_deg) for s in specs]),
        port=engine(port),
        drop=engine([s.throttle_drop_kpa * 1e3 for s in specs]),
        ambient=engine([s.ambient_abs_kpa * 1e3 for s in specs]),
        ambient_k=engine([s.ambient_k for s in specs]),
        ring=engine([s.sealed_ring_leak_mm2 * 1e-6 for s in specs]),
        seating=engine([s.ring_seating for s in specs]),
        seating_angle=engine([2.0 * pi * s.ring_seating_turns for s in specs]),
        valve_leak=engine([s.valve_leak_mm2 * 1e-6 for s in specs]),
        inertia=inertia,
        friction=friction,
        # dry friction is a steep line through rest, never steeper than the step can follow
        friction_speed=np.maximum(0.3, friction * step_s / inertia),
        drag=engine([s.drag_nm_s for s in specs]),
        begin=engine([c.begin_s for c in pulls]),
        end=engine([c.begin_s + c.duration_s for c in pulls]),
        stall=engine([c.stall_nm for c in pulls]),
        free=engine([c.free_rpm * pi / 30.0 for c in pulls]),
        rise=engine([max(c.rise_s, 1e-4) for c in pulls]),
        turned=engine([2.0 * pi * c.turns for c in pulls]),
        unsteady=engine([c.unsteady for c in pulls]),
        unsteady_w=engine([2.0 * pi * c.unsteady_hz for c in pulls]),
        pause=engine([c.begin_s + c.pause_at_s for c in pulls]),
        resume=engine([c.begin_s + c.pause_at_s + c.pause_s for c in pulls]),
        start=engine([radians(c.start_angle_deg) for c in pulls]),
        longest=engine([c.longest_s for c in pulls]),
        step=step_s,
        check_area=engine([v.area_mm2 * 1e-6 for v in valves]),
        cracking=engine([v.cracking_kpa * 1e3 for v in valves]),
        hose=engine([v.hose_cm3 * 1e-6 for v in valves]),
        bleed=engine([v.leak_per_s for v in valves]),
        covolume=engine([COVOLUME_M3_KG if s.gamma is None else 0.0 for s in specs]),
        cp=np.array([heat_capacity_coefficients(s.gamma) for s in specs], dtype=np.float64).T,
        torque=np.concatenate([table, table[:, :1]], axis=1),
        turns=engine([s.cycle / 2.0 for s in specs]),
        ported=np.array([s.cycle == 2 for s in specs]),
        row=np.arange(len(items)),
        has_valve=any(i.valve is not None for i in items),
    )


def _slopes(b: _Batch, t: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Time derivatives of the states and the cylinder's absolute pressure in Pa."""
    angle, speed, mass, kelvin, held = y
    sine, cosine = np.sin(angle), np.cos(angle)
    root = np.sqrt(b.rod * b.rod - sine * sine)
    travel = 1.0 + b.rod - cosine - root
    volume = b.clearance + b.swept * travel
    per_angle = b.swept * sine * (1.0 + cosine / root)
    density = mass / volume
    p = density * R_AIR * kelvin * (1.0 + b.covolume * density)
    c = b.cp
    cp = R_AIR * ((((c[4] * kelvin + c[3]) * kelvin + c[2]) * kelvin + c[1]) * kelvin + c[0])
    over = p - b.ambient
    turn = np.abs(speed)

    mean = np.maximum(2.28 * b.stroke_speed * turn, 0.5)
    film = b.heat * (p * 1e-3) ** 0.8 * kelvin**-0.55 * mean**0.8
    lost = film * (2.0 * b.piston + b.wall * travel) * (kelvin - b.wall_k)

    # ports and valves: near ambient, so incompressible; laminar below 0.1 kPa; never quicker than half a step
    phase = np.remainder(angle + 2.0 * pi, 4.0 * pi) - 2.0 * pi
    # valves are off their seats 0.35 rad (20 degrees) after they begin to open
    lift = np.minimum(np.maximum(phase - b.opens, -b.closes - phase) * (1.0 / 0.35), 1.0)
    open_area = b.port * np.maximum(np.where(b.ported, travel - b.closing, lift), 0.0)
    outside = over + b.drop * (b.ported | (phase < 0.0))
    capacity = volume / (1.4 * R_AIR * kelvin)
    conduct = open_area * np.sqrt(2.0 * density / (np.abs(outside) + 100.0))
    gone = np.minimum(conduct, 2.0 * capacity / b.step) * outside

    high = np.maximum(p, b.ambient)
    seated = 1.0 + b.seating * np.exp((b.start - angle) / b.seating_angle)
    hot = np.where(over > 0.0, kelvin, b.ambient_k)
    share = np.minimum((1.0 - (p + b.ambient - high) / high) * (1.0 / (1.0 - CRITICAL_RATIO)), 1.0)
    shape = share * np.sqrt((2.0 - share) / np.maximum(share, 0.02))
    leak = CHOKED_FLOW * (b.ring * seated + b.valve_leak) * high / np.sqrt(R_AIR * hot) * shape
    leaving = np.where(over > 0.0, leak, -leak)
    out = gone + leaving
    if b.has_valve:
        behind = held + b.ambient
        push = p - behind
        opened = np.minimum(np.maximum((push - b.cracking) * (1.0 / 5000.0), 0.0), 1.0)
        filled = orifice_flow_kg_s(b.check_area * opened, np.maximum(p, behind), behind, kelvin)
        filled = np.minimum(filled, push * b.hose / (R_AIR * b.ambient_k * b.step))
        filled = np.maximum(filled, 0.0)
        out = out + filled
        # the hose is small and cold: what flows in has its temperature at once
        held_rate = filled * R_AIR * b.ambient_k / b.hose - held * b.bleed
    else:
        held_rate = np.zeros_like(held)

    # d(m u)/dt = -p dV/dt - Q + sum(h dm/dt), for m cv dT/dt; what leaves has h - u = p v, what enters h_in - u
    incoming = np.maximum(-gone, 0.0) + np.maximum(-leaving, 0.0)
    work = p * per_angle * speed
    heating = -work - lost - out * p / density + incoming * cp * (b.ambient_k - kelvin)
    kelvin_rate = heating / (mass * (cp - R_AIR))
    # an open port is scavenged: about half of the gas is fresh after a turn
    kelvin_rate += (b.ambient_k - kelvin) * np.minimum(open_area * (0.3 / b.port), 0.3) * turn

    place = np.remainder(angle * ((_TORQUE_STEPS / (2.0 * pi)) / b.turns), _TORQUE_STEPS)
    cell = place.astype(np.intp)
    low = b.torque[b.row, cell]
    others = low + (b.torque[b.row, cell + 1] - low) * (place - cell)

    since = t - b.begin
    pushing = (since > 0.0) & (t < b.end) & ((t < b.pause) | (t >= b.resume))
    left = np.minimum(np.maximum((b.turned - (angle - b.start)) * 4.0, 0.0), 1.0)
    since = np.where(t >= b.resume, t - b.resume, since)
    drive = (
        b.stall
        * left
        * (1.0 - np.exp(-np.maximum(since, 0.0) / b.rise))
        * (1.0 + b.unsteady * np.sin(b.unsteady_w * since))
    )
    drive = np.where(pushing, drive * np.minimum(np.maximum(1.0 - speed / b.free, 0.0), 1.0), 0.0)
    friction = b.friction * np.tanh(speed / b.friction_speed) + b.drag * speed
    return np.stack(
        [
            speed,
            (over * per_angle + others + drive - friction) / b.inertia,
            -out,
            kelvin_rate,
            held_rate,
        ]
    ), p


def _integrate(items: Sequence[Turn], finer: float) -> list[CylinderTrace]:
    b = _pack(items, finer)
    alive = np.arange(len(items))
    angle = b.start.copy()
    sine = np.sin(angle)
    volume = b.clearance + b.swept * (1.0 + b.rod - np.cos(angle) - np.sqrt(b.rod**2 - sine**2))
    held = np.array([i.valve.start_kpa * 1e3 if i.valve else 0.0 for i in items])
    ideal = b.ambient / (R_AIR * b.ambient_k)
    mass = ideal / (1.0 + b.covolume * ideal) * volume
    y = np.stack([angle, np.zeros_like(angle), mass, b.ambient_k.copy(), held])
    kept: list[list[FloatArray]] = [[] for _ in items]
    tail = np.full(len(items), 1.0)
    rest = np.zeros(len(items))
    step = 0
    while len(alive):
        record = np.empty((_BLOCK, 6, len(alive)))
        for row in range(_BLOCK):
            h = b.step
            t = step * h
            k1, p = _slopes(b, t, y)
            record[row, :5] = y
            record[row, 5] = p
            k2, _ = _slopes(b, t + 0.5 * h, y + (0.5 * h) * k1)
            k3, _ = _slopes(b, t + 0.5 * h, y + (0.5 * h) * k2)
            k4, _ = _slopes(b, t + h, y + h * k3)
            y = y + (h / 6.0) * (k1 + 2.0 * (k2 + k3) + k4)
            step += 1
            still = (np.abs(y[1]) < _AT_REST_RAD_S) & (t > b.begin + 0.3) & ((t < b.pause) | (t > b.resume + 0.3))
            rest = np.where(still, rest + h, 0.0)
        for column, event in enumerate(alive):
            kept[event].append(record[:, :, column].copy())
        t = step * b.step
        over = (t > b.end) | (y[0] - b.start > b.turned) | (rest > _STALLED_S)
        done = ((rest > _REST_S) & over) | (t > b.longest)
        if done.any():
            rate, p = _slopes(b, t, y)
            relative = -(rate[2] / y[2] + rate[3] / y[3])
            gauge = np.maximum(p - b.ambient, 1.0)
            tail[alive[done]] = np.clip(gauge / np.maximum(p * relative, 1e-3), 0.05, 5.0)[done]
            rows = np.flatnonzero(~done)
            alive, b, y, rest = alive[rows], b.keep(rows), y[:, rows], rest[rows]
    return [
        _trace(item, np.concatenate(part), float(tail[i]), _step_s(item, finer))
        for i, (item, part) in enumerate(zip(items, kept, strict=True))
    ]


def _trace(item: Turn, record: FloatArray, tail_s: float, step_s: float) -> CylinderTrace:
    time_s = np.arange(len(record), dtype=np.float64) * step_s
    angle, speed, mass, kelvin, held, p = np.ascontiguousarray(record.T)
    pressure = p * 1e-3 - item.spec.ambient_abs_kpa
    return CylinderTrace(
        spec=item.spec,
        cranking=item.cranking,
        time_s=time_s,
        pressure_kpa=pressure,
        crank_angle=angle,
        speed_rpm=speed * (30.0 / pi),
        temperature_k=kelvin,
        mass_kg=mass,
        strokes=find_strokes(time_s, pressure, angle, item.spec.cycle),
        tail_s=tail_s,
        valve=item.valve,
        held_kpa=held * 1e-3 if item.valve is not None else None,
    )


def crank_stream(turns: Sequence[Turn], *, batch: int = 384, finer: float = 1.0) -> Iterator[CylinderTrace]:
    """Integrate events in batches and give their traces in the order of `turns`, a batch in memory at a time.

    `finer` divides the step.
    """
    for first in range(0, len(turns), batch):
        yield from _integrate(turns[first : first + batch], finer)


def crank_many(turns: Sequence[Turn], *, batch: int = 384, finer: float = 1.0) -> list[CylinderTrace]:
    """Integrate many events, much quicker than one after the other; traces in the order of `turns`."""
    return list(crank_stream(turns, batch=batch, finer=finer))


def crank(
    spec: EngineSpec, cranking: Cranking, valve: CheckValve | None = None, *, finer: float = 1.0
) -> CylinderTrace:
    """Integrate one event."""
    return crank_many([Turn(spec, cranking, valve)], finer=finer)[0]
