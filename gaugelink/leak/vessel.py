"""What the pressure in a leaking, cooling, sealed volume does: two states, many parameter sets side by side.

Mass m and temperature T of the air inside obey

    dm/dt = -m k f(x) sqrt(T/Tw)                          a hole: f is the nozzle's flow function of ambient over inside
    dm/dt = -m k (x - 1/x) / 2                            a seep: laminar, with the squared pressures
    dT/dt = (Tw (1 + b t) - T) / s - (gamma - 1) T (-dm/dt)/m

with x the absolute pressure over ambient, ``p = m R T / V``, the wall's temperature Tw drifting by b, and s the time
in which the air takes the wall's temperature. The first law with enthalpy carried out gives the last term (an open
system of one inlet or outlet, for example Cengel and Boles, Thermodynamics, chapter 5, unsteady flow).

The air's temperature settles quickly and the leak is slow, so the settling is integrated exactly and the rest by an
exponential Runge-Kutta scheme of order four (Cox and Matthews, J. Comput. Phys. 176 (2002) 430-455, eq. 26 to 29):
a decay of many settling times takes a few tens of steps.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import factorial

import numpy as np

from gaugelink.leak.flow import AIR, GAMMA_AIR, FloatArray, flow_function


class Regime(StrEnum):
    """How the air finds its way out."""

    HOLE = "hole"
    SEEP = "seep"


@dataclass(frozen=True, slots=True)
class VesselStates:
    """Parameter sets, each an array of shape (n,)."""

    start: FloatArray
    """Absolute pressure over ambient when the valve closes."""
    leak_per_s: FloatArray
    """The leak's k: for a hole, area times sqrt(R T) over the volume."""
    heated: FloatArray
    """By how much of its absolute temperature the air is warmer than the wall at the start."""
    drift_per_s: FloatArray
    """Relative change of the wall's temperature a second."""
    settling_s: FloatArray
    """Time constant of the air's temperature."""
    holes: int
    """The first so many sets leak through a hole, the others through a seep."""


def leak_function(x: FloatArray, regime: Regime) -> FloatArray:
    """Relative loss of mass per unit of k, for absolute pressure over ambient; shape as `x`, 0 at and below 1."""
    above = np.maximum(x, 1.0)
    if regime is Regime.HOLE:
        return flow_function(1.0 / above)
    return 0.5 * (above - 1.0 / above)


def pressures(states: VesselStates, time_s: FloatArray) -> FloatArray:
    """Absolute pressure over ambient at `time_s` (shape (m,), rising from 0) for n parameter sets; shape (m, n)."""
    grid = _grid(float(time_s[-1]), float(states.settling_s.min()), float(np.abs(states.leak_per_s).max()))
    holes, settles = states.holes, 1.0 / states.settling_s
    k_hole, k_seep = states.leak_per_s[:holes], 0.5 * states.leak_per_s[holes:]
    # The pressure relative to the start, so that the start enters as a factor.
    first = states.start / (1.0 + states.heated)

    def loss(log_mass: FloatArray, theta: FloatArray) -> FloatArray:
        x = np.clip(first * np.exp(np.minimum(log_mass, _FULLEST)) * theta, 1.0, _HIGHEST)
        out = np.empty_like(x)
        # A fit of a volume that was opened tries walls that cool below nothing: there is no such air to leak.
        out[:holes] = k_hole * _hole(x[:holes]) * np.sqrt(np.maximum(theta[:holes], 0.0))
        out[holes:] = k_seep * (x[holes:] - 1.0 / x[holes:])
        return out

    def drive(t: float, theta: FloatArray, lost: FloatArray) -> FloatArray:
        return (1.0 + states.drift_per_s * t) * settles - (GAMMA_AIR - 1.0) * theta * lost

    weights = _coefficients(np.diff(grid), settles)
    log_mass, theta = np.zeros_like(states.start), 1.0 + states.heated
    out = np.empty((len(grid), len(states.start)))
    rise = np.empty_like(out)
    for i, t in enumerate(grid):
        lost = loss(log_mass, theta)
        out[i] = first * np.exp(np.minimum(log_mass, _FULLEST)) * theta
        n0 = drive(t, theta, lost)
        rise[i] = out[i] * ((n0 - settles * theta) / theta - lost)
        if i + 1 == len(grid):
            break
        h = grid[i + 1] - t
        half, whole, q, f1, f2, f3 = weights[:, i]
        a = half * theta + q * n0
        lost_a = loss(log_mass - h / 2 * lost, a)
        na = drive(t + h / 2, a, lost_a)
        b = half * theta + q * na
        lost_b = loss(log_mass - h / 2 * lost_a, b)
        nb = drive(t + h / 2, b, lost_b)
        c = half * a + q * (2.0 * nb - n0)
        lost_c = loss(log_mass - h * lost_b, c)
        nc = drive(t + h, c, lost_c)
        theta = whole * theta + f1 * n0 + 2.0 * f2 * (na + nb) + f3 * nc
        log_mass = log_mass - h / 6 * (lost + 2.0 * (lost_a + lost_b) + lost_c)
    return _between(grid, out, rise, time_s)


def _hole(above: FloatArray) -> FloatArray:
    """The nozzle's flow function of ambient over inside, for inside over ambient of 1 and more."""
    # The pressure ratio to the power of 1/gamma and 2/gamma, from one logarithm: this is the innermost loop.
    root = np.exp(np.log(np.minimum(above, _CRITICAL)) / -GAMMA_AIR)
    return np.asarray(_HOLE_SCALE * root * np.sqrt(np.maximum(1.0 - root ** (GAMMA_AIR - 1.0), 0.0)))


_FULLEST = 5.0
"""Logarithm of more mass than any trial of a fit may blow in through a leak below zero."""
_HIGHEST = 50.0
"""Absolute pressure over ambient above which a trial is lost anyway."""
_CRITICAL = 1.0 / AIR.critical_ratio
_HOLE_SCALE = (2.0 * GAMMA_AIR / (GAMMA_AIR - 1.0)) ** 0.5


def _coefficients(steps: FloatArray, settles: FloatArray) -> FloatArray:
    """Weights of the exponential scheme for each step: decay over half and whole, and those of the four drives.

    Shape (6, steps, n).
    """
    h = steps[:, None]
    z = -h * settles
    half = np.exp(0.5 * z)
    one, two, three = _phi(z)
    return np.stack(
        [
            half,
            half * half,
            0.5 * h * _phi(0.5 * z)[0],
            h * (one - 3.0 * two + 4.0 * three),
            h * (two - 2.0 * three),
            h * (4.0 * three - two),
        ]
    )


def _phi(z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Functions phi 1 to 3: the exponential series without its first terms, divided by the power of z."""
    near = np.abs(z) < 0.5
    away = np.where(near, -1.0, z)
    three = np.where(near, 1.0 / 6.0, (np.exp(away) - 1.0 - away - 0.5 * away**2) / away**3)
    if near.any():
        small = np.where(near, z, 0.0)
        series = np.zeros_like(z)
        for coefficient in _SERIES:
            series = series * small + coefficient
        three = np.where(near, series, three)
    two = 0.5 + z * three
    return 1.0 + z * two, two, three


_SERIES = tuple(1.0 / factorial(n + 3) for n in reversed(range(10)))


def _grid(end_s: float, settling_s: float, leak_per_s: float) -> FloatArray:
    """Steps that grow with time, the first of them short against everything that moves."""
    leaks_s = 0.15 / max(leak_per_s, 1e-9)
    longest = max(min(leaks_s, end_s / 12.0), end_s / 300.0)
    steps = [0.0]
    h = min(0.3 * settling_s, leaks_s, end_s / 12.0)
    while steps[-1] < end_s and len(steps) < 400:
        steps.append(steps[-1] + h)
        h = min(h * 1.25, longest)
    steps[-1] = max(end_s, steps[-2] + 1e-9)
    return np.array(steps)


def _between(grid: FloatArray, values: FloatArray, slope: FloatArray, at: FloatArray) -> FloatArray:
    """Cubic (Hermite) between grid points from values and slopes; shape (len(at), n)."""
    i = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, len(grid) - 2)
    h = (grid[i + 1] - grid[i])[:, None]
    s = ((at - grid[i]) / h[:, 0])[:, None]
    a, b = values[i], values[i + 1]
    return (
        a * (1 + 2 * s) * (1 - s) ** 2
        + b * s**2 * (3 - 2 * s)
        + h * slope[i] * s * (1 - s) ** 2
        - h * slope[i + 1] * s**2 * (1 - s)
    )
