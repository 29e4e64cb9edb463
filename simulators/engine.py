"""The engine that is cranked: its geometry, its openings, what is wrong with it, and where its piston stands."""

from dataclasses import dataclass
from math import cos, pi, radians, sin, sqrt

import numpy as np

from simulators.gas import FloatArray

OIL_THAT_STAYS = 0.4
"""Share of a wet test's oil that takes up clearance volume instead of wetting the walls: an assumption, no source."""

STANDARD_AMBIENT_KPA = 101.325
"""ISO 2533 sea-level pressure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineSpec:
    """One cylinder of an engine and what hangs on the same crank."""

    bore_mm: float = 69.0
    stroke_mm: float = 64.0
    rod_ratio: float = 3.8
    """Connecting-rod length over crank radius."""
    cycle: int = 2
    """Strokes of the cycle: 2 (piston-controlled ports) or 4 (valves)."""
    trapped_ratio: float = 6.8
    """Cylinder volume when the port or valve closes over the volume at top dead centre, no gauge fitted."""
    closes_deg: float = 88.0
    """Crank degrees before top dead centre at which port or inlet valve closes."""
    opens_deg: float = 130.0
    """Four-stroke: crank degrees after top dead centre at which the exhaust valve opens.

    A two-stroke's port is opened by the piston at the angle at which it closes it.
    """
    port_share: float = 0.6
    """Two-stroke: width of the ports over the bore. Four-stroke: open valve area over a fifth of the bore's area."""
    throttle_drop_kpa: float = 0.0
    """How far the inlet lies under ambient while cranked: near nothing with the throttle open."""
    adapter_cm3: float = 2.0
    """Volume of adapter (and of a live gauge's hose) that is added to the clearance volume."""
    cylinders: int = 1
    """Cylinders on the crank. The others are felt through the cranking speed alone."""
    other_plugs_in: bool = False
    """True when the other cylinders still have their plugs, so that they are compressed too."""
    inertia_kg_m2: float = 0.02
    """Flywheel, crank and clutch."""
    friction_nm: float = 2.0
    """Dry friction at the crank."""
    drag_nm_s: float = 0.02
    """Viscous friction per rad/s."""
    ring_leak_mm2: float = 0.45
    """Effective area of the leak past seated rings."""
    ring_seating: float = 0.5
    """By how much more the rings leak on the first turn than once seated and oiled (share of `ring_leak_mm2`)."""
    ring_seating_turns: float = 1.5
    """Turns in which that extra falls to 1/e."""
    valve_leak_mm2: float = 0.0
    """Effective area of a leaking valve, reed or head gasket: the same from the first stroke to the last."""
    oil_cm3: float = 0.0
    """Oil put in for a wet test: it seals rings, not valves; some of it stays in the clearance volume."""
    heat_factor: float = 3.0
    """Multiplies the wall heat transfer of Woschni's correlation; 0 for none."""
    wall_k: float = 300.0
    ambient_k: float = 293.15
    ambient_abs_kpa: float = STANDARD_AMBIENT_KPA
    gamma: float | None = None
    """Constant heat capacity ratio of the gas, or None for air, whose ratio falls as it gets hot."""

    def __post_init__(self) -> None:
        if self.cycle not in (2, 4):
            raise ValueError(f"cycle is {self.cycle}; an engine has a cycle of 2 or 4 strokes")
        if self.trapped_ratio <= 1.0 or self.rod_ratio <= 1.0:
            raise ValueError(
                f"trapped ratio {self.trapped_ratio} and rod ratio {self.rod_ratio} must both be more than 1"
            )
        if self.adapter_cm3 - OIL_THAT_STAYS * self.oil_cm3 <= -self._bare_clearance_m3 * 1e6:
            raise ValueError(f"{self.oil_cm3} cm3 of oil fill the whole combustion chamber and lock the engine")

    @property
    def piston_m2(self) -> float:
        """Area of the piston."""
        return pi / 4.0 * (self.bore_mm * 1e-3) ** 2

    @property
    def crank_m(self) -> float:
        """Crank radius."""
        return self.stroke_mm * 0.5e-3

    @property
    def closing_travel(self) -> float:
        """Piston travel from top dead centre at closing, in crank radii."""
        angle = radians(self.closes_deg)
        return 1.0 + self.rod_ratio - cos(angle) - sqrt(self.rod_ratio**2 - sin(angle) ** 2)

    @property
    def _bare_clearance_m3(self) -> float:
        return self.piston_m2 * self.crank_m * self.closing_travel / (self.trapped_ratio - 1.0)

    @property
    def clearance_m3(self) -> float:
        """Volume at top dead centre, adapter and oil counted."""
        return self._bare_clearance_m3 + (self.adapter_cm3 - OIL_THAT_STAYS * self.oil_cm3) * 1e-6

    @property
    def effective_ratio(self) -> float:
        """Trapped ratio with the gauge fitted (and oil in)."""
        return 1.0 + self.piston_m2 * self.crank_m * self.closing_travel / self.clearance_m3

    @property
    def sealed_ring_leak_mm2(self) -> float:
        """Ring leak with the oil of a wet test on the rings: 3 cm3 stop most of it (common practice, no source)."""
        return self.ring_leak_mm2 * float(0.25 + 0.75 * np.exp(-self.oil_cm3 / 1.5))


def piston_travel(angle_rad: FloatArray, rod_ratio: float | FloatArray) -> FloatArray:
    """Piston travel from top dead centre in crank radii.

    Heywood, Internal Combustion Engine Fundamentals, eq. 2.5: s = a cos(t) + sqrt(l^2 - a^2 sin(t)^2), and the
    travel is l + a - s.
    """
    sine = np.sin(angle_rad)
    return 1.0 + rod_ratio - np.cos(angle_rad) - np.sqrt(rod_ratio * rod_ratio - sine * sine)


def cylinder_volume_m3(spec: EngineSpec, angle_rad: FloatArray) -> FloatArray:
    """Cylinder volume at crank angles (0 at top dead centre), adapter and oil counted (Heywood, eq. 2.4)."""
    return spec.clearance_m3 + spec.piston_m2 * spec.crank_m * piston_travel(angle_rad, spec.rod_ratio)


def other_cylinders_torque_nm(spec: EngineSpec, steps: int) -> FloatArray:
    """Gas torque of the other cylinders against crank angle, shape (steps,), over one cycle from 0.

    They matter only as the load that makes the speed sag, so they are polytropic: exponent 1.28 up, 1.33 down.
    """
    turns = spec.cycle // 2
    angle = np.arange(steps) * (2.0 * pi * turns / steps)
    torque = np.zeros(steps)
    if not spec.other_plugs_in:
        return torque
    opens = spec.closes_deg if spec.cycle == 2 else spec.opens_deg
    bare = spec._bare_clearance_m3
    swept = spec.piston_m2 * spec.crank_m
    closed_m3 = bare + swept * spec.closing_travel
    for other in range(1, spec.cylinders):
        phase = angle - other * 2.0 * pi * turns / spec.cylinders
        phase = (phase + pi * turns) % (2.0 * pi * turns) - pi * turns
        sine, cosine = np.sin(phase), np.cos(phase)
        root = np.sqrt(spec.rod_ratio**2 - sine**2)
        volume = bare + swept * (1.0 + spec.rod_ratio - cosine - root)
        rising = (phase < 0.0) & (phase > -radians(spec.closes_deg))
        falling = (phase >= 0.0) & (phase < radians(opens))
        top = (closed_m3 / bare) ** 1.28
        ratio = np.where(rising, (closed_m3 / volume) ** 1.28, np.where(falling, top * (bare / volume) ** 1.33, 1.0))
        slope = swept * sine * (1.0 + cosine / root)
        torque += (np.maximum(ratio, 1.0) - 1.0) * spec.ambient_abs_kpa * 1e3 * slope
    return torque
