"""Flow through holes against published relations and reference libraries."""

from math import isclose, sqrt

import fluids
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from gaugelink.leak.flow import (
    AIR,
    flow_function,
    hole_area_m2,
    hole_diameter_mm,
    standard_cm3_per_min,
)
from tests.leak.nozzle import hole_flow_kg_s


def test_the_critical_ratio_of_air_is_that_of_the_reference_library() -> None:
    # fluids.P_critical_flow gives the throat pressure of choked flow.
    assert isclose(AIR.critical_ratio, fluids.P_critical_flow(P=1e5, k=1.4) / 1e5, rel_tol=1e-12)
    assert isclose(AIR.critical_ratio, 0.5283, abs_tol=5e-5)  # NASA Glenn, isentropic flow table at Mach 1


def test_choked_flow_follows_the_published_mass_flow_relation() -> None:
    # NASA Glenn Research Center, "Mass Flow Choking":
    # m' = A pt / sqrt(Tt) sqrt(gamma / R) ((gamma + 1) / 2) ** -((gamma + 1) / (2 (gamma - 1)))
    area, up_pa, up_k = hole_area_m2(1.0), 300e3, 288.15
    expected = area * up_pa / sqrt(up_k) * sqrt(1.4 / 287.05287) * 1.2 ** (-2.4 / 0.8)
    assert isclose(float(hole_flow_kg_s(area, 300.0, 101.325, up_k)), expected, rel_tol=1e-12)


def test_subsonic_flow_follows_the_mach_number_relation() -> None:
    # NASA Glenn: pt/p = (1 + 0.2 M^2)^3.5 and m' = A pt sqrt(gamma/(R Tt)) M (1 + 0.2 M^2)^-3 for gamma 1.4.
    mach, up_pa, up_k = 0.6, 150e3, 290.0
    down_kpa = up_pa / 1000.0 / (1.0 + 0.2 * mach**2) ** 3.5
    expected = 1e-6 * up_pa * sqrt(1.4 / (287.05287 * up_k)) * mach * (1.0 + 0.2 * mach**2) ** -3
    assert isclose(float(hole_flow_kg_s(1e-6, 150.0, down_kpa, up_k)), expected, rel_tol=1e-10)


def test_real_air_flows_within_half_a_percent_of_the_ideal_nozzle() -> None:
    # CoolProp: isentropic expansion of real air from rest to the throat.
    up_pa, down_pa, up_k = 550e3, 400e3, 293.15
    s, h = (PropsSI(what, "P", up_pa, "T", up_k, "Air") for what in ("S", "H"))
    throat_h, density = (PropsSI(what, "P", down_pa, "S", s, "Air") for what in ("H", "D"))
    real = 1e-6 * density * sqrt(2.0 * (h - throat_h))
    assert isclose(float(hole_flow_kg_s(1e-6, 550.0, 400.0, up_k)), real, rel_tol=5e-3)


def test_the_flow_function_falls_to_nothing_and_is_flat_when_choked() -> None:
    ratio = np.linspace(0.0, 1.0, 500)
    flow = flow_function(ratio)
    assert flow[-1] == 0.0
    assert np.all(np.diff(flow) <= 1e-15)
    assert np.ptp(flow[ratio < AIR.critical_ratio]) < 1e-15


def test_flow_turns_round_with_the_pressures() -> None:
    there, back = hole_flow_kg_s(1e-6, 150.0, 100.0, 290.0), hole_flow_kg_s(1e-6, 100.0, 150.0, 290.0)
    assert there == -back


def test_leak_rate_units_follow_the_published_factors() -> None:
    # One standard cubic centimetre a minute is 101 325 Pa times 1e-6 m3 over 60 s, counted at 0 degrees Celsius: NIST
    # SP 811 gives the atmosphere; the flow unit follows from its definition.
    one = 101325.0 * 1e-6 / 60.0 / (287.05287 * 273.15)
    assert isclose(standard_cm3_per_min(one), 1.0, rel_tol=1e-12)


@pytest.mark.parametrize("diameter_mm", [0.05, 0.4, 1.0])
def test_area_and_diameter_are_each_other_s_inverse(diameter_mm: float) -> None:
    assert isclose(hole_diameter_mm(hole_area_m2(diameter_mm)), diameter_mm, rel_tol=1e-12)
