"""The simulated engine against the outside: closed forms, a reference equation of state, a textbook's geometry."""

import subprocess
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from simulators.cranking import CheckValve, Cranking, CylinderTrace
from simulators.cycle import orifice_flow
from simulators.engine import EngineSpec, cylinder_volume_m3, piston_travel
from simulators.gas import COVOLUME_M3_KG, CP_OVER_R, R_AIR
from simulators.integrator import Turn, crank_many

IDEAL = EngineSpec(ring_leak_mm2=0.0, heat_factor=0.0, friction_nm=0.5, inertia_kg_m2=0.1, gamma=1.4, adapter_cm3=0.0)
STARTER = Cranking(duration_s=0.5, stall_nm=150.0, free_rpm=350.0, longest_s=0.6)
FOUR = {"cycle": 4, "closes_deg": 130.0, "opens_deg": 130.0}


@pytest.fixture(scope="module")
def ideal() -> list[CylinderTrace]:
    two = [replace(IDEAL, trapped_ratio=r, rod_ratio=k) for r, k in ((4.0, 3.0), (6.8, 3.8), (8.5, 5.0))]
    four = [replace(IDEAL, trapped_ratio=r, **FOUR) for r in (6.0, 9.0, 12.0)]
    air = [replace(s, gamma=None) for s in two + four]
    return crank_many([Turn(s, STARTER) for s in two + four + air])


def sealed_strokes(trace: CylinderTrace) -> list[tuple[int, int]]:
    """Index after the port or valve closes and index nearest top dead centre, for each whole compression."""
    spec = trace.spec
    cycle = 2.0 * np.pi * (spec.cycle // 2)
    phase = (trace.crank_angle + cycle / 2.0) % cycle - cycle / 2.0
    sealed = (phase > -np.radians(spec.closes_deg)) & (phase < np.radians(spec.closes_deg))
    starts = np.flatnonzero(~sealed[:-1] & sealed[1:]) + 1
    tops = np.flatnonzero((phase[:-1] < 0.0) & (phase[1:] >= 0.0) & (np.diff(phase) < 1.0))
    return [(int(s), int(t)) for s in starts for t in tops if s < t and not np.any((starts > s) & (starts < t))]


def absolute_pa(trace: CylinderTrace) -> np.ndarray:
    return (trace.pressure_kpa + trace.spec.ambient_abs_kpa) * 1e3


def test_peak_is_that_of_reversible_adiabatic_compression(ideal: list[CylinderTrace]) -> None:
    # p V^k = constant (any thermodynamics textbook; Heywood, appendix C), from the gas as it was when it was shut in
    checked = 0
    for trace in (t for t in ideal if t.spec.gamma is not None):
        pressure = absolute_pa(trace)
        for closed, top in sealed_strokes(trace):
            start_volume = cylinder_volume_m3(trace.spec, trace.crank_angle[closed : closed + 1])[0]
            expected = pressure[closed] * (start_volume / trace.spec.clearance_m3) ** 1.4
            peak = min(trace.strokes, key=lambda s: abs(s.time_s - trace.time_s[top])).peak_kpa * 1e3
            assert peak + trace.spec.ambient_abs_kpa * 1e3 == pytest.approx(expected, rel=1e-3)
            checked += 1
    assert checked >= 10


def test_a_slow_crank_shuts_in_ambient_air_so_the_trapped_ratio_alone_sets_the_peak() -> None:
    # a port wide enough that the last half millimetre of it does not already squeeze the air
    spec = replace(IDEAL, port_share=30.0, trapped_ratio=6.8)
    slow = Cranking(duration_s=1.2, stall_nm=400.0, free_rpm=70.0, longest_s=1.3)
    (trace,) = crank_many([Turn(spec, slow)])
    expected = spec.ambient_abs_kpa * (spec.effective_ratio**1.4 - 1.0)
    assert trace.strokes[0].passed_top
    assert trace.strokes[0].peak_kpa == pytest.approx(expected, rel=5e-3)


def test_peak_is_that_of_real_air_compressed_at_constant_entropy(ideal: list[CylinderTrace]) -> None:
    # CoolProp's air is the pseudo-pure equation of Lemmon et al. (2000)
    checked = 0
    for trace in (t for t in ideal if t.spec.gamma is None):
        pressure = absolute_pa(trace)
        closed, top = sealed_strokes(trace)[0]
        entropy = PropsSI("S", "P", pressure[closed], "T", trace.temperature_k[closed], "Air")
        density = PropsSI("D", "P", pressure[closed], "T", trace.temperature_k[closed], "Air")
        start_volume = cylinder_volume_m3(trace.spec, trace.crank_angle[closed : closed + 1])[0]
        squeezed = density * start_volume / trace.spec.clearance_m3
        expected = PropsSI("P", "S", entropy, "D", squeezed, "Air")
        peak = min(trace.strokes, key=lambda s: abs(s.time_s - trace.time_s[top])).peak_kpa * 1e3
        assert peak + trace.spec.ambient_abs_kpa * 1e3 == pytest.approx(expected, rel=1e-2)
        checked += 1
    assert checked == 6


@pytest.mark.parametrize("kelvin", [233.15, 273.15, 300.0, 400.0, 600.0, 800.0])
def test_heat_capacity_of_air_is_that_of_the_reference_equation_of_state(kelvin: float) -> None:
    ours = R_AIR * float(np.polynomial.polynomial.polyval(kelvin, CP_OVER_R))
    assert ours == pytest.approx(PropsSI("CP0MASS", "T", kelvin, "P", 1e5, "Air"), rel=5e-3)


@pytest.mark.parametrize("rod_ratio", [3.0, 3.8, 5.0])
def test_piston_stands_where_the_textbook_says(rod_ratio: float) -> None:
    # Heywood, Internal Combustion Engine Fundamentals (1988), eq. 2.5 and 2.6: with crank radius a and rod l,
    # s = a cos t + sqrt(l^2 - a^2 sin^2 t) and speed over mean speed = pi/2 sin t (1 + cos t / sqrt(R^2 - sin^2 t))
    angle = np.linspace(-np.pi, np.pi, 721)
    a, rod = 0.032, 0.032 * rod_ratio
    s = a * np.cos(angle) + np.sqrt(rod**2 - (a * np.sin(angle)) ** 2)
    assert piston_travel(angle, rod_ratio) * a == pytest.approx(rod + a - s, abs=1e-15)
    ratio = np.pi / 2.0 * np.sin(angle) * (1.0 + np.cos(angle) / np.sqrt(rod_ratio**2 - np.sin(angle) ** 2))
    fine = 1e-6
    slope = (piston_travel(angle + fine, rod_ratio) - piston_travel(angle - fine, rod_ratio)) / (2.0 * fine)
    # mean piston speed is 2 L N: over a radian of crank it is 2 crank radii over pi
    assert slope / (2.0 / np.pi) == pytest.approx(ratio, abs=1e-8)
    # and, with no formula at all, the rod is as long in every position
    pin = np.stack([np.cos(angle), np.sin(angle)])
    wrist = 1.0 + rod_ratio - piston_travel(angle, rod_ratio)
    assert np.hypot(wrist - pin[0], pin[1]) == pytest.approx(np.full(721, rod_ratio), rel=1e-12)


def test_without_leak_no_mass_is_lost_and_the_work_is_in_the_gas(ideal: list[CylinderTrace]) -> None:
    for trace in (t for t in ideal if t.spec.gamma is not None):
        closed, top = sealed_strokes(trace)[0]
        part = slice(closed, top + 1)
        mass = trace.mass_kg[part]
        assert np.ptp(mass) < 1e-9 * mass[0]
        volume = cylinder_volume_m3(trace.spec, trace.crank_angle[part])
        pressure = absolute_pa(trace)[part]
        work = -float(np.sum(0.5 * (pressure[1:] + pressure[:-1]) * np.diff(volume)))
        gained = mass[0] * R_AIR / 0.4 * float(trace.temperature_k[top] - trace.temperature_k[closed])
        assert work == pytest.approx(gained, rel=2e-3)


@pytest.mark.parametrize("ratio", [0.05, 0.4, 0.528, 0.6, 0.7, 0.8, 0.9, 0.95, 0.985])
def test_a_leak_of_the_simulated_engine_flows_as_an_ideal_nozzle(ratio: float) -> None:
    # NASA Glenn Research Center, "Mass Flow Choking": m' = A pt sqrt(gamma/(R Tt)) M (1 + 0.2 M^2)^-3 with
    # pt/p = (1 + 0.2 M^2)^3.5, M no more than 1. The ellipse of ISO 6358-1 stands in for it.
    mach = min(1.0, np.sqrt(5.0 * (ratio ** (-1.0 / 3.5) - 1.0)))
    expected = 1e-6 * 8e5 * np.sqrt(1.4 / (R_AIR * 450.0)) * mach * (1.0 + 0.2 * mach**2) ** -3
    assert orifice_flow(1e-6, 8e5, ratio * 8e5, 450.0) == pytest.approx(expected, rel=0.005)


def test_a_leak_of_the_simulated_engine_is_laminar_where_it_is_slow() -> None:
    # An assumption, so that the flow's slope has a bound: twice the difference, twice the flow, and none without one.
    slow, twice = (orifice_flow(1e-6, 1e5, (1.0 - share) * 1e5, 300.0) for share in (1e-4, 2e-4))
    assert twice == pytest.approx(2.0 * slow, rel=1e-2)
    assert orifice_flow(1e-6, 1e5, 1e5, 300.0) == 0.0


REAL = {
    "a sound sled engine": EngineSpec(),
    "worn out": EngineSpec(ring_leak_mm2=2.0, valve_leak_mm2=1.0),
    "at -40 degrees": EngineSpec(ambient_k=233.15, wall_k=233.15),
    "hot, at 4,500 m": EngineSpec(ambient_k=318.15, wall_k=360.0, ambient_abs_kpa=57.75),
    "a four-stroke": EngineSpec(trapped_ratio=9.0, **FOUR),
}


@pytest.mark.parametrize("valve", [None, CheckValve()], ids=["live", "held"])
@pytest.mark.parametrize("spec", REAL.values(), ids=REAL)
def test_with_leaks_and_heat_the_first_law_is_kept_from_closing_to_opening(
    spec: EngineSpec, valve: CheckValve | None
) -> None:
    # Heywood, eq. 14.2 and 14.7 (from memory): d(m u) = -p dV - Q - h dm for an open zone, Q by Woschni's correlation,
    # eq. 12.17 to 12.19, worked out here from what the trace says the gas was like.
    (trace,) = crank_many([Turn(spec, STARTER, valve)], finer=4.0)
    volume, mass, kelvin = cylinder_volume_m3(spec, trace.crank_angle), trace.mass_kg, trace.temperature_k
    pressure = absolute_pa(trace)
    density = mass / volume
    assert pressure == pytest.approx(density * R_AIR * kelvin * (1.0 + COVOLUME_M3_KG * density), rel=1e-9)
    polynomial = np.polynomial.polynomial
    energy = R_AIR * polynomial.polyval(kelvin, polynomial.polyint([CP_OVER_R[0] - 1.0, *CP_OVER_R[1:]]))
    bared = np.pi * spec.bore_mm * 1e-3 * spec.crank_m * piston_travel(trace.crank_angle, spec.rod_ratio)
    gas_m_s = np.maximum(2.28 * 2.0 * spec.stroke_mm * 1e-3 * np.abs(trace.speed_rpm) / 60.0, 0.5)
    film = 3.26 * (spec.bore_mm * 1e-3) ** -0.2 * (pressure / 1e3) ** 0.8 * kelvin**-0.55 * gas_m_s**0.8
    heat_w = spec.heat_factor * film * (2.0 * spec.piston_m2 + bared) * (kelvin - spec.wall_k)

    def over(value: np.ndarray, along: np.ndarray, part: slice) -> float:
        return float(np.trapezoid(value[part], along[part]))

    checked = 0
    for closed, top in sealed_strokes(trace):
        # What is below ambient draws air in, and is left out.
        first = closed + int(np.argmax(pressure[closed:top] > pressure[0] + 1e3))
        part = slice(first, top + 1)
        work, heat = -over(pressure, volume, part), over(heat_w, trace.time_s, part)
        carried = -over(energy + pressure / density, mass, part)
        gained = mass[top] * energy[top] - mass[first] * energy[first]
        assert gained == pytest.approx(work - heat - carried, abs=2e-5 * work)
        assert carried > 0.0
        checked += 1
    assert checked >= 1


def test_what_leaves_a_tight_cylinder_is_in_the_hose_of_a_held_gauge() -> None:
    valve = CheckValve()
    (trace,) = crank_many([Turn(replace(IDEAL, gamma=None), STARTER, valve)], finer=4.0)
    assert trace.held_kpa is not None
    hose_kg = trace.held_kpa * 1e3 * valve.hose_cm3 * 1e-6 / (R_AIR * trace.spec.ambient_k)
    moved = [(trace.mass_kg[c] - trace.mass_kg[t], hose_kg[t] - hose_kg[c]) for c, t in sealed_strokes(trace)]
    assert len(moved) >= 2
    assert moved[0][0] > 1e-6
    for lost, found in moved:
        assert found == pytest.approx(lost, abs=1e-9 * trace.mass_kg[0])


def test_a_hose_that_keeps_its_warmth_holds_the_enthalpy_that_came_in() -> None:
    """d(m u) = h dm for a rigid vessel that is filled without heat to the walls (Moran and Shapiro, Fundamentals of
    Engineering Thermodynamics, 4.12, from memory): with one heat capacity ratio, V dp = gamma R T dm."""
    valve = CheckValve(cooling_s=1e9)
    (trace,) = crank_many([Turn(IDEAL, STARTER, valve)], finer=4.0)
    assert trace.held_kpa is not None
    checked = 0
    for closed, top in sealed_strokes(trace):
        part = slice(closed, top + 1)
        mass, kelvin = trace.mass_kg[part], trace.temperature_k[part]
        came = -float(np.sum(0.5 * (kelvin[1:] + kelvin[:-1]) * np.diff(mass)))
        gained_kpa = trace.held_kpa[top] - trace.held_kpa[closed]
        expected_kpa = 1.4 * R_AIR * came / (valve.hose_cm3 * 1e-6) * 1e-3
        if gained_kpa > 1.0:
            assert gained_kpa == pytest.approx(expected_kpa, rel=1e-3)
            checked += 1
    assert checked >= 2


def test_what_was_warm_in_the_hose_is_gone_when_it_has_cooled() -> None:
    quick, at_once = crank_many([Turn(IDEAL, STARTER, CheckValve(cooling_s=c)) for c in (1e-3, 0.0)])
    (slow,) = crank_many([Turn(IDEAL, STARTER, CheckValve(cooling_s=0.2))])
    assert quick.held_kpa is not None
    assert at_once.held_kpa is not None
    assert slow.held_kpa is not None
    assert quick.held_kpa[-1] == pytest.approx(at_once.held_kpa[-1], rel=0.02)
    assert at_once.warm_kpa == 0.0
    assert 0.0 < slow.warm_kpa < slow.held_kpa[-1]
    hose_kg = (slow.held_kpa[-1] - slow.warm_kpa) * 1e3 * 8e-6 / (R_AIR * IDEAL.ambient_k)
    gone_kg = sum(slow.mass_kg[closed] - slow.mass_kg[top] for closed, top in sealed_strokes(slow))
    assert hose_kg == pytest.approx(gone_kg, rel=0.02)


def test_a_frictionless_crank_that_coasts_keeps_its_energy() -> None:
    spec = replace(IDEAL, friction_nm=0.0, drag_nm_s=0.0)
    push = Cranking(duration_s=0.25, stall_nm=150.0, free_rpm=400.0, longest_s=1.0)
    (trace,) = crank_many([Turn(spec, push)])
    rows = np.flatnonzero(trace.time_s > 0.35)
    speed = trace.speed_rpm[rows] * np.pi / 30.0
    volume = cylinder_volume_m3(spec, trace.crank_angle[rows])
    gauge = trace.pressure_kpa[rows] * 1e3
    taken = np.concatenate([[0.0], np.cumsum(0.5 * (gauge[1:] + gauge[:-1]) * np.diff(volume))])
    energy = 0.5 * spec.inertia_kg_m2 * speed**2 - taken
    assert np.ptp(energy) < 2e-3 * energy[0]
    assert np.ptp(speed) > 0.1 * speed.mean()


def test_strokes_are_a_cycle_apart(ideal: list[CylinderTrace]) -> None:
    for trace in ideal:
        tops = np.interp([s.time_s for s in trace.strokes if s.passed_top], trace.time_s, trace.crank_angle)
        for first, second in pairwise(tops):
            assert second - first == pytest.approx(2.0 * np.pi * (trace.spec.cycle // 2), abs=0.02)


def test_the_engine_runs_without_the_compiler_and_says_the_same() -> None:
    script = (
        "import sys; sys.modules['numba'] = None\n"
        "from simulators.cranking import Cranking\n"
        "from simulators.engine import EngineSpec\n"
        "from simulators.integrator import crank\n"
        "trace = crank(EngineSpec(), Cranking(duration_s=0.3, longest_s=0.4, stall_nm=80.0))\n"
        "print(len(trace.time_s), repr(trace.cylinder_peak_kpa))\n"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    (trace,) = crank_many([Turn(EngineSpec(), Cranking(duration_s=0.3, longest_s=0.4, stall_nm=80.0))])
    steps, peak = run.stdout.split()
    assert int(steps) == len(trace.time_s)
    assert float(peak) == pytest.approx(trace.cylinder_peak_kpa, rel=1e-9)
