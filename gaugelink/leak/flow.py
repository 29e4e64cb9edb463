"""Air through a hole and through a seep: mass flow from the pressures on both sides, and the units leaks are told in.

A hole is taken as an ideal nozzle, isentropic to its throat (NASA Glenn Research Center, "Mass Flow Choking" and
"Isentropic Flow Equations"); a discharge coefficient scales its area. A seep is laminar flow of a gas through a
narrow path, whose mass flow goes with the difference of the squared pressures (Poiseuille's law with the mean
density). Pressures here are absolute.
"""

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

R_AIR = 287.05287
"""Specific gas constant of dry air in J/(kg K): ISO 2533:1975, table 1."""
GAMMA_AIR = 1.4
"""Ratio of specific heats of air: ISO 2533:1975, 2.1."""
STANDARD_ABS_PA = 101325.0
"""Standard pressure for a leak rate in standard cubic centimetres: one atmosphere, NIST SP 811, appendix B.8."""
STANDARD_K = 273.15
"""Standard temperature for a leak rate in standard cubic centimetres: 0 degrees Celsius."""


@dataclass(frozen=True, slots=True)
class Gas:
    """An ideal gas."""

    gamma: float = GAMMA_AIR
    """Ratio of specific heats."""
    r_j_kg_k: float = R_AIR
    """Specific gas constant."""

    @property
    def critical_ratio(self) -> float:
        """Downstream over upstream absolute pressure at and below which the flow is choked; 0.528 for air."""
        return float((2.0 / (self.gamma + 1.0)) ** (self.gamma / (self.gamma - 1.0)))


AIR = Gas()


def flow_function(ratio: FloatArray | float, gas: Gas = AIR) -> FloatArray:
    """Dimensionless mass flow of an ideal nozzle, ``m' sqrt(R T) / (A p_up)``, for downstream over upstream pressure.

    Shape as `ratio`. Zero at a ratio of 1 and constant at and below the critical ratio. Ratios above 1 are the
    caller's mistake and give zero.
    Source: isentropic nozzle relation, for example White, Fluid Mechanics, eq. 9.45 to 9.47 (from memory).
    """
    r = np.clip(np.asarray(ratio, dtype=np.float64), gas.critical_ratio, 1.0)
    g = gas.gamma
    return np.sqrt(2.0 * g / (g - 1.0) * (r ** (2.0 / g) - r ** ((g + 1.0) / g)))


def hole_area_m2(diameter_mm: float) -> float:
    """Area of a round hole."""
    return pi / 4.0 * (diameter_mm / 1000.0) ** 2


def hole_diameter_mm(area_m2: float) -> float:
    """Diameter of the round hole of an area."""
    return 1000.0 * sqrt(4.0 * area_m2 / pi)


def standard_cm3_per_min(flow_kg_s: float, gas: Gas = AIR) -> float:
    """Mass flow as standard cubic centimetres a minute (0 degrees Celsius, one atmosphere)."""
    return flow_kg_s * gas.r_j_kg_k * STANDARD_K / STANDARD_ABS_PA * 1e6 * 60.0
