"""What the pressure in a leaking, cooling, sealed volume does: two states, many parameter sets side by side.

Mass m and temperature T of the air inside obey

    dm/dt = -m k f(x) sqrt(T/Tw)                          a hole: f is the nozzle's flow function of ambient over inside
    dm/dt = -m k (x - 1/x) / 2                            a seep: laminar, with the squared pressures
    dT/dt = (Tw (1 + b t) - T) / s - (gamma - 1) T (-dm/dt)/m

with x the absolute pressure over ambient, ``p = m R T / V``, the wall's temperature Tw drifting by b, and s the time
in which the air takes the wall's temperature. The first law with enthalpy carried out gives the last term (an open
system of one inlet or outlet, for example Cengel and Boles, Thermodynamics, chapter 5, unsteady flow).
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from gaugelink.leak.flow import GAMMA_AIR, FloatArray, flow_function


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


def leak_function(x: FloatArray, regime: Regime) -> FloatArray:
    """Relative loss of mass per unit of k, for absolute pressure over ambient; shape as `x`, 0 at and below 1."""
    above = np.maximum(x, 1.0)
    if regime is Regime.HOLE:
        return flow_function(1.0 / above)
    return 0.5 * (above - 1.0 / above)


def pressures(states: VesselStates, time_s: FloatArray, regime: Regime) -> FloatArray:
    """Absolute pressure over ambient at `time_s` (shape (m,), rising from 0) for n parameter sets; shape (m, n)."""
    grid = _grid(float(time_s[-1]), float(states.settling_s.min()), float(states.leak_per_s.max()))
    log_mass = np.zeros_like(states.start)
    theta = 1.0 + states.heated
    # The pressure relative to the start, so that the start enters as a factor.
    first = states.start / theta
    out = np.empty((len(grid), len(states.start)))
    rise = np.empty_like(out)
    out[0] = states.start
    for i in range(1, len(grid)):
        h, t = grid[i] - grid[i - 1], grid[i - 1]
        k1 = _slopes(states, first, t, log_mass, theta, regime)
        rise[i - 1] = out[i - 1] * (k1[0] + k1[1] / theta)
        k2 = _slopes(states, first, t + h / 2, log_mass + h / 2 * k1[0], theta + h / 2 * k1[1], regime)
        k3 = _slopes(states, first, t + h / 2, log_mass + h / 2 * k2[0], theta + h / 2 * k2[1], regime)
        k4 = _slopes(states, first, t + h, log_mass + h * k3[0], theta + h * k3[1], regime)
        log_mass = log_mass + h / 6 * (k1[0] + 2 * k2[0] + 2 * k3[0] + k4[0])
        theta = theta + h / 6 * (k1[1] + 2 * k2[1] + 2 * k3[1] + k4[1])
        out[i] = first * np.exp(log_mass) * theta
    last = _slopes(states, first, float(grid[-1]), log_mass, theta, regime)
    rise[-1] = out[-1] * (last[0] + last[1] / theta)
    return _between(grid, out, rise, time_s)


def _slopes(
    states: VesselStates, first: FloatArray, t: float, log_mass: FloatArray, theta: FloatArray, regime: Regime
) -> tuple[FloatArray, FloatArray]:
    loss = states.leak_per_s * leak_function(first * np.exp(log_mass) * theta, regime)
    if regime is Regime.HOLE:
        loss = loss * np.sqrt(theta)
    wall = 1.0 + states.drift_per_s * t
    return -loss, (wall - theta) / states.settling_s - (GAMMA_AIR - 1.0) * theta * loss


def _grid(end_s: float, settling_s: float, leak_per_s: float) -> FloatArray:
    """Steps that grow with time, the first of them short against everything that moves."""
    first = min(0.1 * settling_s, 0.05 / max(leak_per_s, 1e-9), end_s / 12.0)
    longest = min(0.4 * settling_s, 0.06 / max(leak_per_s, 1e-9), end_s / 12.0)
    steps = [0.0]
    h = first
    while steps[-1] < end_s and len(steps) < 400:
        steps.append(steps[-1] + h)
        h = min(h * 1.15, max(longest, end_s / 300.0))
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
