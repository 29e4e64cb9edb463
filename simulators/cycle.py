"""The equations of the cranked engine and their integration, one event at a time: fixed step, fourth-order Runge-Kutta.

States: crank angle, speed of the crank and of what drives it, gas mass, gas temperature, the pressure behind a check
valve and what of that is there because the gas is warm. The gas is one
zone (Heywood, Internal Combustion Engine Fundamentals, chapter 14.4): first law for an open system with heat to the
wall (Woschni's correlation, Heywood eq. 12.17 to 12.19, without combustion), flow through ports or valves, and leaks
as orifices. The crank is one inertia with the gas torque of the cylinder under the gauge, of the other cylinders,
friction, and a push that has less torque the faster it turns.

The functions are plain Python on floats. Where numba is installed they are compiled, some hundred times quicker;
without it an event takes about 0.2 s.
"""

from collections.abc import Callable
from math import cos, exp, floor, pi, sin, sqrt, tanh
from typing import NamedTuple, TypeVar, cast

from simulators.gas import CHOKED_FLOW, CRITICAL_RATIO, LAMINAR_SHARE, R_AIR, FloatArray

try:
    from numba import njit
except ImportError:
    njit = None  # type: ignore[assignment]

F = TypeVar("F", bound=Callable[..., object])

AT_REST_RAD_S = 0.5
REST_S = 0.15
"""The crank has stopped when it has been this slow for so long after the push."""
STALLED_S = 1.5
"""Whoever turns the crank gives up when it has not moved for so long."""

STATES = 7
"""Columns of a record: the five states, and the absolute pressure of the cylinder."""


def _compiled(function: F) -> F:
    return cast("F", njit(cache=True, error_model="numpy")(function)) if njit is not None else function


class Constants(NamedTuple):
    """What stays the same during an event, in SI units and radians; torque of the other cylinders apart."""

    step: float
    rod: float
    clearance: float
    swept: float
    """Piston area times crank radius."""
    piston: float
    wall: float
    """Cylinder wall laid bare for each crank radius of piston travel."""
    speed_scale: float
    """Mean piston speed for each rad/s."""
    film: float
    """Constant of the heat transfer correlation, bore counted in."""
    wall_k: float
    ported: float
    """1 for a two-stroke, whose piston uncovers its ports; 0 for valves."""
    closing: float
    closes: float
    opens: float
    port: float
    """Flow area: for each crank radius that a port is uncovered, or of the open valves."""
    drop: float
    ambient: float
    ambient_k: float
    ring: float
    seating: float
    seating_angle: float
    valve_leak: float
    inertia: float
    rotor: float
    """Share of the inertia behind the one-way clutch, on the side of the starter; 0 without a clutch."""
    friction: float
    friction_speed: float
    drag: float
    begin: float
    end: float
    stall: float
    free: float
    rise: float
    turned: float
    unsteady: float
    unsteady_w: float
    pause: float
    resume: float
    start: float
    longest: float
    check_area: float
    cracking: float
    hose: float
    bleed: float
    cooling: float
    covolume: float
    c0: float
    c1: float
    c2: float
    c3: float
    c4: float


@_compiled
def orifice_flow(area: float, upstream: float, downstream: float, kelvin: float) -> float:
    """Mass flow of air, kg/s, through a hole: the ellipse of ISO 6358-1, laminar when it is slow. Pa absolute, m2."""
    share = min((1.0 - downstream / upstream) / (1.0 - CRITICAL_RATIO), 1.0)
    shape = share * sqrt((2.0 - share) / max(share, LAMINAR_SHARE))
    return CHOKED_FLOW * area * upstream / sqrt(R_AIR * kelvin) * shape


@_compiled
def _push(c: Constants, t: float, angle: float, speed: float) -> float:
    """Torque of the hand or the starter; it can push but not hold back."""
    since = t - c.begin
    if since <= 0.0 or t >= c.end or c.pause <= t < c.resume:
        return 0.0
    if t >= c.resume:
        since = t - c.resume
    left = min(max((c.turned - (angle - c.start)) * 4.0, 0.0), 1.0)
    grip = c.stall * left * (1.0 - exp(-since / c.rise)) * (1.0 + c.unsteady * sin(c.unsteady_w * since))
    return grip * min(max(1.0 - speed / c.free, 0.0), 1.0)


@_compiled
def slopes(
    c: Constants,
    others: FloatArray,
    t: float,
    angle: float,
    speed: float,
    drive: float,
    mass: float,
    kelvin: float,
    held: float,
    warm: float,
) -> tuple[float, float, float, float, float, float, float]:
    """Time derivatives of the speeds of crank and starter, of mass, temperature, held pressure and what of it is
    warmth; and the cylinder's absolute pressure in Pa.

    `others` is the torque of the other cylinders over one cycle, its first value repeated at the end.
    """
    sine = sin(angle)
    cosine = cos(angle)
    root = sqrt(c.rod * c.rod - sine * sine)
    travel = 1.0 + c.rod - cosine - root
    volume = c.clearance + c.swept * travel
    per_angle = c.swept * sine * (1.0 + cosine / root)
    density = mass / volume
    p = density * R_AIR * kelvin * (1.0 + c.covolume * density)
    over = p - c.ambient
    cp = R_AIR * ((((c.c4 * kelvin + c.c3) * kelvin + c.c2) * kelvin + c.c1) * kelvin + c.c0)

    # some movement of the gas is left at rest: 0.5 m/s
    gas_speed = max(2.28 * c.speed_scale * abs(speed), 0.5)
    lost = 0.0
    if c.film > 0.0:
        film = c.film * (p * 1e-3 * gas_speed) ** 0.8 * kelvin**-0.55
        lost = film * (2.0 * c.piston + c.wall * travel) * (kelvin - c.wall_k)

    # ports and valves: near ambient, so incompressible; laminar below 0.1 kPa; never quicker than half a step
    cycle = 2.0 * pi if c.ported > 0.0 else 4.0 * pi
    turn = angle - cycle * floor(angle / cycle)
    # a throttle holds back what flows: at rest there is nothing to hold back; all of it from 150 rpm
    outside = over + c.drop * min(abs(speed) / 15.7, 1.0)
    if c.ported > 0.0:
        uncovered = max(travel - c.closing, 0.0)
    else:
        phase = turn - cycle if turn > 0.5 * cycle else turn
        # valves are off their seats 0.35 rad (20 degrees) after they begin to open
        uncovered = min(max(max(phase - c.opens, -c.closes - phase), 0.0) / 0.35, 1.0)
        if phase >= 0.0:
            outside = over
    gone = 0.0
    fresh = 0.0
    if uncovered > 0.0:
        conduct = c.port * uncovered * sqrt(2.0 * density / (abs(outside) + 100.0))
        gone = min(conduct, 2.0 * volume / (1.4 * R_AIR * kelvin * c.step)) * outside
        # an open port is scavenged: about half of the gas is fresh after a turn
        fresh = (c.ambient_k - kelvin) * 0.3 * min(uncovered, 1.0) * abs(speed)

    seated = 1.0 + c.seating * exp((c.start - angle) / c.seating_angle)
    hole = c.ring * seated + c.valve_leak
    leak = orifice_flow(hole, p, c.ambient, kelvin) if over > 0.0 else -orifice_flow(hole, c.ambient, p, c.ambient_k)
    out = gone + leak
    held_rate = 0.0
    warm_rate = 0.0
    if c.check_area > 0.0:
        behind = held + c.ambient
        ahead = p - behind
        held_rate = -held * c.bleed
        per_kg = R_AIR * c.ambient_k / c.hose
        warmed = per_kg
        if c.cooling > 0.0:
            # first law of the hose: what flows in brings its enthalpy, and heats what it finds by compressing it
            warmed = R_AIR * kelvin * cp / (cp - R_AIR) / c.hose
            held_rate -= warm / c.cooling
            warm_rate = -warm * (1.0 / c.cooling + c.bleed)
        if ahead > c.cracking:
            opened = min((ahead - c.cracking) / 5000.0, 1.0)
            filled = orifice_flow(c.check_area * opened, p, behind, kelvin)
            filled = min(filled, ahead / (warmed * c.step))
            out += filled
            held_rate += filled * warmed
            warm_rate += filled * (warmed - per_kg)

    # d(m u)/dt = -p dV/dt - Q + sum(h dm/dt), for m cv dT/dt; what leaves has h - u = p v, what enters h_in - u
    incoming = max(-gone, 0.0) + max(-leak, 0.0)
    heating = -p * per_angle * speed - lost - out * p / density + incoming * cp * (c.ambient_k - kelvin)
    kelvin_rate = heating / (mass * (cp - R_AIR)) + fresh

    place = turn / cycle * (len(others) - 1)
    cell = min(int(place), len(others) - 2)
    low = float(others[cell])
    # what the others held when the crank came to rest has leaked away by the time that it is turned again
    load = (low + (float(others[cell + 1]) - low) * (place - cell)) * min(max(angle - c.start, 0.0), 1.0)
    friction = c.friction * tanh(speed / c.friction_speed) + c.drag * speed
    push = _push(c, t, angle, drive)
    torque = over * per_angle + load + push - friction
    gain = driven = torque / c.inertia
    # a one-way clutch pushes and cannot hold back: a crank that the gas throws over its top leaves the starter behind
    if c.rotor > 0.0 and (speed > drive or push < driven * c.rotor * c.inertia):
        gain = (torque - push) / (c.inertia * (1.0 - c.rotor))
        driven = push / (c.inertia * c.rotor)
    return gain, driven, -out, kelvin_rate, held_rate, warm_rate, p


@_compiled
def integrate(c: Constants, others: FloatArray, held: float, record: FloatArray) -> tuple[int, float]:
    """Fill the rows of `record`, shape (n, 7), until the crank is at rest; rows used, and the leak's time constant."""
    h = c.step
    half = 0.5 * h
    angle = c.start
    speed = 0.0
    kelvin = c.ambient_k
    sine = sin(angle)
    volume = c.clearance + c.swept * (1.0 + c.rod - cos(angle) - sqrt(c.rod * c.rod - sine * sine))
    ideal = c.ambient / (R_AIR * kelvin)
    mass = ideal / (1.0 + c.covolume * ideal) * volume
    warm = 0.0
    rest = 0.0
    drive = 0.0
    row = 0
    while row < len(record):
        t = row * h
        a1, b1, m1, k1, g1, w1, p = slopes(c, others, t, angle, speed, drive, mass, kelvin, held, warm)
        record[row, 0] = angle
        record[row, 1] = speed
        record[row, 2] = mass
        record[row, 3] = kelvin
        record[row, 4] = held
        record[row, 5] = p
        record[row, 6] = warm
        row += 1
        rest = rest + h if abs(speed) < AT_REST_RAD_S else 0.0
        waiting = t < c.begin + 0.3 or c.pause <= t < c.resume + 0.3
        # the last 0.3 rad of a cord only hold the crank against the gas
        given_up = t > c.end or angle - c.start > c.turned - 0.3 or rest > STALLED_S
        if t > c.longest or (rest > REST_S and given_up and not waiting):
            break
        s2, d2 = speed + half * a1, drive + half * b1
        at2 = (angle + half * speed, s2, d2, mass + half * m1, kelvin + half * k1, held + half * g1, warm + half * w1)
        a2, b2, m2, k2, g2, w2, _ = slopes(c, others, t + half, *at2)
        s3, d3 = speed + half * a2, drive + half * b2
        at3 = (angle + half * s2, s3, d3, mass + half * m2, kelvin + half * k2, held + half * g2, warm + half * w2)
        a3, b3, m3, k3, g3, w3, _ = slopes(c, others, t + half, *at3)
        s4, d4 = speed + h * a3, drive + h * b3
        at4 = (angle + h * s3, s4, d4, mass + h * m3, kelvin + h * k3, held + h * g3, warm + h * w3)
        a4, b4, m4, k4, g4, w4, _ = slopes(c, others, t + h, *at4)
        angle += h / 6.0 * (speed + 2.0 * (s2 + s3) + s4)
        speed += h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4)
        drive += h / 6.0 * (b1 + 2.0 * (b2 + b3) + b4)
        if drive > speed or c.rotor == 0.0:
            # the clutch takes hold
            drive = speed = c.rotor * drive + (1.0 - c.rotor) * speed
        mass += h / 6.0 * (m1 + 2.0 * (m2 + m3) + m4)
        kelvin += h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
        held += h / 6.0 * (g1 + 2.0 * (g2 + g3) + g4)
        warm += h / 6.0 * (w1 + 2.0 * (w2 + w3) + w4)
    falling = -p * (m1 / mass + k1 / kelvin)
    gauge = max(p - c.ambient, 1.0)
    return row, min(max(gauge / max(falling, 1e-3), 0.05), 5.0)
