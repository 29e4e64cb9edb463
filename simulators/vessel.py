"""A sealed volume that is pumped up and watched: a crankcase or a cooling system with a hole, cooling and warming.

Integrated as a two-state gas (mass and temperature) by scipy; the formulas are this file's own.
"""

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

Array = NDArray[np.float64]

_R = 287.05287
_G = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """What is pumped up."""

    volume_cm3: float = 1000.0
    hole_mm: float = 0.3
    """Diameter of the round hole, an ideal nozzle; 0 for a tight volume."""
    seep_m3_per_pa_s: float = 0.0
    """Conductance of a laminar seep beside it."""
    settling_s: float = 40.0
    """Time constant with which the air takes the wall's temperature."""
    heated: float = 0.02
    """By how much of the absolute temperature the air is warmer than the wall when the valve closes."""
    drift_k_per_h: float = 0.0
    """How fast the wall warms (the sun) or cools."""
    wall_k: float = 293.15
    ambient_abs_kpa: float = 101.325


@dataclass(frozen=True, slots=True)
class VesselRecord:
    """What a gauge on it shows, and the truth."""

    time_s: Array
    pressure_kpa: Array
    """Gauge pressure, rounded and noisy."""
    closed_s: float
    """When the pump's valve closed."""
    start_kpa: float
    """True gauge pressure at that moment."""
    leak_kpa_per_min: float
    """True fall of gauge pressure by the leak alone, at `start_kpa`, the air at the wall's temperature."""


def _leak_kg_s(vessel: Vessel, p: float, kelvin: float) -> float:
    """Mass flow out, for an absolute pressure in Pa."""
    out = vessel.ambient_abs_kpa * 1e3
    if p <= out:
        return 0.0
    ratio = max(out / p, (2.0 / (_G + 1.0)) ** (_G / (_G - 1.0)))
    mach = sqrt(2.0 / (_G - 1.0) * (ratio ** (-(_G - 1.0) / _G) - 1.0))
    area = pi / 4.0 * (vessel.hole_mm * 1e-3) ** 2
    hole = (
        area
        * p
        * sqrt(_G / (_R * kelvin))
        * mach
        * (1.0 + (_G - 1.0) / 2.0 * mach**2) ** (-(_G + 1.0) / 2.0 / (_G - 1.0))
    )
    seep = vessel.seep_m3_per_pa_s * (p * p - out * out) / (2.0 * _R * kelvin)
    return float(hole + seep)


def watch(
    vessel: Vessel,
    start_kpa: float,
    duration_s: float,
    *,
    rate_hz: float = 5.0,
    resolution_kpa: float = 0.1,
    noise_kpa: float = 0.05,
    pump_s: float = 5.0,
    quiet_s: float = 3.0,
    seed: int = 0,
) -> VesselRecord:
    """Pump a vessel to `start_kpa` (gauge) in strokes, close it, and watch it for `duration_s`."""
    rng = np.random.default_rng(seed)
    ambient = vessel.ambient_abs_kpa * 1e3
    volume = vessel.volume_cm3 * 1e-6
    p0 = ambient + start_kpa * 1e3
    t0 = vessel.wall_k * (1.0 + vessel.heated)
    m0 = p0 * volume / (_R * t0)
    drift = vessel.drift_k_per_h / 3600.0

    def slopes(t: float, y: Array) -> list[float]:
        mass, kelvin = float(y[0]), float(y[1])
        flow = _leak_kg_s(vessel, mass * _R * kelvin / volume, kelvin)
        wall = vessel.wall_k + drift * t
        # First law for the air left inside: what flows out takes its enthalpy, the rest pays for it.
        return [-flow, (wall - kelvin) / vessel.settling_s - (_G - 1.0) * kelvin * flow / mass]

    def empty(t: float, y: Array) -> float:
        return float(y[0] * _R * y[1] / volume - ambient - start_kpa)

    # The flow's slope has no bound where the pressures are the same: a volume that is empty to a thousandth is empty.
    empty.terminal = True  # type: ignore[attr-defined]
    at = np.arange(0.0, duration_s, 1.0 / rate_hz)
    solved = solve_ivp(
        slopes, (0.0, duration_s), [m0, t0], method="LSODA", t_eval=at, rtol=1e-9, atol=1e-14, events=empty
    )
    held = np.zeros(len(at))
    held[: len(solved.t)] = (solved.y[0] * _R * solved.y[1] / volume - ambient) / 1e3
    before = np.arange(-quiet_s - pump_s, -1e-9, 1.0 / rate_hz)
    strokes = np.floor((before + pump_s) / 0.5 + 1.0) * 0.5 / pump_s
    pumped = np.where(before < -pump_s, 0.0, start_kpa * np.clip(strokes, 0.0, 1.0))
    true = np.concatenate([pumped, held])
    shown = true + rng.normal(0.0, noise_kpa, len(true)) if noise_kpa > 0 else true
    if resolution_kpa > 0:
        shown = np.round(shown / resolution_kpa) * resolution_kpa
    time_s = np.concatenate([before, at]) + quiet_s + pump_s
    flow = _leak_kg_s(vessel, p0, vessel.wall_k)
    return VesselRecord(
        time_s=time_s,
        pressure_kpa=shown,
        closed_s=quiet_s + pump_s,
        start_kpa=start_kpa,
        leak_kpa_per_min=flow * _R * vessel.wall_k / volume * 60.0 / 1e3,
    )


def between_orifices_kpa(
    supply_kpa: float, orifice_mm: float, hole_mm: float, *, kelvin: float = 293.15, ambient_abs_kpa: float = 101.325
) -> float:
    """Gauge pressure in a cylinder that is fed through an orifice and loses through a hole, both ideal nozzles."""
    low, high = 0.0, supply_kpa
    for _ in range(60):
        inside = 0.5 * (low + high)
        fed = Vessel(hole_mm=orifice_mm, ambient_abs_kpa=ambient_abs_kpa + inside)
        leaking = Vessel(hole_mm=hole_mm, ambient_abs_kpa=ambient_abs_kpa)
        gain = _leak_kg_s(fed, (ambient_abs_kpa + supply_kpa) * 1e3, kelvin)
        loss = _leak_kg_s(leaking, (ambient_abs_kpa + inside) * 1e3, kelvin)
        low, high = (inside, high) if gain > loss else (low, inside)
    return 0.5 * (low + high)
