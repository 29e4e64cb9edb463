"""Air and the flow of it through a hole: what the cranked engine is filled with and loses."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

R_AIR = 287.055
"""Specific gas constant of dry air, J/(kg K): 8.314 463 J/(mol K) over 28.9647 g/mol."""

CP_OVER_R = (3.653, -1.337e-3, 3.294e-6, -1.913e-9, 0.2763e-12)
"""Ideal-gas heat capacity of air, cp/R as a polynomial in kelvin, 300 to 1000 K.

Moran and Shapiro, Fundamentals of Engineering Thermodynamics, table A-21 (from memory, checked against CoolProp
in the tests).
"""

CRITICAL_RATIO = 0.528
"""Pressure ratio below which air through a hole is choked, for a heat capacity ratio of 1.4."""

CHOKED_FLOW = 0.6847
"""sqrt(k) (2/(k+1))^((k+1)/(2(k-1))) for k = 1.4: choked mass flow over area, pressure and 1/sqrt(RT)."""

LAMINAR_SHARE = 0.02
"""Below this share of the way from no flow to choked flow, flow is taken as proportional to pressure difference.

A real leak is laminar there, and the square root's infinite slope would stop any integrator.
"""


COVOLUME_M3_KG = 8.3e-4
"""Second virial coefficient of air at 700 K, 24 cm3/mol: p = rho R T (1 + b rho).

It is what real air has over ideal air near the peak (1 % at 2 MPa and 700 K); at 300 K and ambient it is wrong by
0.1 %. Being constant it leaves the internal energy a function of temperature alone. Checked against CoolProp in
the tests.
"""


def heat_capacity_coefficients(gamma: float | None) -> tuple[float, float, float, float, float]:
    """Return the polynomial cp/R of a gas: air, or one with a constant heat capacity ratio `gamma`."""
    if gamma is None:
        return CP_OVER_R
    return (gamma / (gamma - 1.0), 0.0, 0.0, 0.0, 0.0)
