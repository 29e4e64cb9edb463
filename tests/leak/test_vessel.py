"""The leaking, cooling volume against independent integrators and closed forms."""

from math import exp, isclose, log

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from gaugelink.leak.flow import AIR, R_AIR, flow_function, hole_area_m2
from gaugelink.leak.vessel import Regime, VesselStates, leak_function, pressures
from simulators.vessel import Vessel, watch
from tests.leak.nozzle import hole_flow_kg_s


def states(start: float, leak: float, heated: float, drift: float, settling: float, regime: Regime) -> VesselStates:
    one = (np.array([value]) for value in (start, leak, heated, drift, settling))
    return VesselStates(*one, 1 if regime is Regime.HOLE else 0)


@pytest.mark.parametrize("regime", Regime)
@pytest.mark.parametrize(("leak", "settling"), [(1e-5, 4.0), (1e-3, 30.0), (3e-3, 200.0)])
def test_the_exponential_scheme_follows_scipy(regime: Regime, leak: float, settling: float) -> None:
    start, heated, drift = 1.45, 0.02, 2e-6
    time_s = np.linspace(0.0, 120.0, 60)
    first = start / (1.0 + heated)

    def slopes(t: float, y: np.ndarray) -> list[float]:
        x = max(first * exp(y[0]) * y[1], 1.0)
        loss = leak * (float(flow_function(1.0 / x)) * y[1] ** 0.5 if regime is Regime.HOLE else 0.5 * (x - 1.0 / x))
        return [-loss, (1.0 + drift * t - y[1]) / settling - 0.4 * y[1] * loss]

    solved = solve_ivp(slopes, (0.0, 120.0), [0.0, 1.0 + heated], "LSODA", time_s, rtol=1e-10, atol=1e-12)
    expected = first * np.exp(solved.y[0]) * solved.y[1]
    found = pressures(states(start, leak, heated, drift, settling, regime), time_s)[:, 0]
    assert np.max(np.abs(found - expected)) < 2e-5


def test_a_choked_isothermal_decay_is_exponential() -> None:
    # At constant temperature and choked, m' is proportional to p: p falls by exp(-t / tau) with
    # tau = V / (A sqrt(R T) f*), f* = 0.6847 for gamma 1.4 (closed form of the blow-down of a vessel, for example
    # White, Fluid Mechanics, problem set of chapter 9; from memory). scipy integrates the same independently.
    volume_m3, kelvin = 1e-3, 293.15
    area = hole_area_m2(0.5)
    tau_s = volume_m3 / (area * (R_AIR * kelvin) ** 0.5 * float(flow_function(0.0)))
    assert isclose(float(flow_function(0.0)), 0.68473, rel_tol=1e-5)

    def fall(_: float, p_kpa: np.ndarray) -> np.ndarray:
        return -hole_flow_kg_s(area, p_kpa, 101.325, kelvin) * R_AIR * kelvin / volume_m3 / 1000.0

    start_kpa = 500.0
    until_s = tau_s * log(start_kpa * AIR.critical_ratio / 101.325)
    solved = solve_ivp(fall, (0.0, until_s), [start_kpa], rtol=1e-10, atol=1e-9)
    assert isclose(float(solved.y[0, -1]), start_kpa * exp(-until_s / tau_s), rel_tol=1e-7)
    assert isclose(float(solved.y[0, -1]), 101.325 / AIR.critical_ratio, rel_tol=1e-7)


def test_a_tight_volume_cools_to_its_wall() -> None:
    found = pressures(states(1.4, 0.0, 0.03, 0.0, 20.0, Regime.HOLE), np.array([0.0, 20.0, 400.0]))[:, 0]
    first = 1.4 / 1.03
    assert isclose(found[0], 1.4, rel_tol=1e-12)
    assert isclose(found[1], first * (1.0 + 0.03 * exp(-1.0)), rel_tol=5e-6)
    assert isclose(found[2], first, rel_tol=1e-6)


def test_a_trial_with_a_wall_that_would_cool_below_nothing_has_a_number() -> None:
    time_s = np.linspace(0.0, 50.0, 160)
    for leak in (-5e-4, 1e-3):
        assert np.isfinite(pressures(states(1.58, leak, 0.25, -0.05, 4.0, Regime.HOLE), time_s)).all()


def test_a_seep_leaks_by_the_squared_pressures() -> None:
    x = np.array([1.2, 2.0])
    assert np.allclose(leak_function(x, Regime.SEEP), 0.5 * (x**2 - 1.0) / x)


def test_the_model_agrees_with_the_independent_simulator() -> None:
    vessel = Vessel(volume_cm3=1200.0, hole_mm=0.2, settling_s=25.0, heated=0.015, drift_k_per_h=2.0)
    record = watch(vessel, 40.0, 90.0, rate_hz=5.0, resolution_kpa=0.0, noise_kpa=0.0)
    held = record.time_s >= record.closed_s - 1e-9
    k = hole_area_m2(0.2) * (R_AIR * 293.15) ** 0.5 / 1.2e-3
    model = states(1.0 + 40.0 / 101.325, k, 0.015, 2.0 / 3600.0 / 293.15, 25.0, Regime.HOLE)
    found = (pressures(model, record.time_s[held] - record.closed_s)[:, 0] - 1.0) * 101.325
    assert np.max(np.abs(found - record.pressure_kpa[held])) < 2e-3
