"""Geometry: volumes against the closed form, compression against CoolProp, uncertainty against GTC."""

from dataclasses import replace
from math import pi

import GTC
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.engine.geometry import (
    GAMMA_AIR,
    RATIO_U_FRACTION,
    START_U_FRACTION,
    CylinderGeometry,
    adapter_factor,
    clearance_from_ratio_cm3,
    expected_pressure,
    oil_factor,
    polytropic_exponent,
    polytropic_gauge_kpa,
)
from gaugelink.errors import SettingsError
from simulators.cranking import Cranking
from simulators.engine import EngineSpec
from simulators.integrator import Turn, crank_many
from simulators.scenarios import random_spec

TWO_STROKE = CylinderGeometry(bore_mm=69.0, stroke_mm=53.5, rod_mm=107.0, clearance_cm3=18.0, closing_deg_btdc=86.0)
AMBIENT_KPA = 101.325


def test_the_whole_stroke_sweeps_bore_times_stroke() -> None:
    assert TWO_STROKE.swept_above_cm3(180.0) == pytest.approx(pi / 4 * 6.9**2 * 5.35)
    assert TWO_STROKE.swept_above_cm3(0.0) == pytest.approx(0.0, abs=1e-9)


def test_half_a_turn_of_a_very_long_rod_is_half_of_the_stroke() -> None:
    long_rod = replace(TWO_STROKE, rod_mm=1e7)
    assert long_rod.swept_above_cm3(90.0) == pytest.approx(long_rod.swept_above_cm3(180.0) / 2.0, rel=1e-5)
    # With a rod of twice the stroke the piston is past the middle at a quarter turn: r + l - sqrt(l^2 - r^2).
    travel_mm = 26.75 + 107.0 - (107.0**2 - 26.75**2) ** 0.5
    assert TWO_STROKE.swept_above_cm3(90.0) == pytest.approx(pi / 4 * 69.0**2 * travel_mm / 1000.0)


def test_chamber_volume_and_geometric_ratio_are_each_other_s_inverse() -> None:
    clearance = clearance_from_ratio_cm3(69.0, 53.5, 12.0)
    whole = replace(TWO_STROKE, clearance_cm3=clearance, closing_deg_btdc=180.0)
    assert whole.ratio() == pytest.approx(12.0)


@pytest.mark.parametrize("ratio", [5.0, 7.0, 9.0, 11.0])
def test_the_loss_free_limit_is_what_real_air_does_within_six_percent(ratio: float) -> None:
    """CoolProp: air at constant entropy from 20 C; its heat capacity rises with temperature, so it ends a bit lower."""
    start_k, start_pa = 293.15, AMBIENT_KPA * 1000.0
    entropy = PropsSI("S", "T", start_k, "P", start_pa, "Air")
    density = PropsSI("D", "T", start_k, "P", start_pa, "Air")
    real_kpa = PropsSI("P", "S", entropy, "D", density * ratio, "Air") / 1000.0 - AMBIENT_KPA
    limit_kpa = polytropic_gauge_kpa(AMBIENT_KPA, ratio, GAMMA_AIR)
    assert real_kpa < limit_kpa < 1.06 * real_kpa


def squeezed_kpa(start_k: float, ambient_kpa: float, ratio: float) -> float:
    """Gauge pressure of CoolProp's real air, squeezed at constant entropy."""
    entropy, density = (PropsSI(what, "T", start_k, "P", ambient_kpa * 1000.0, "Air") for what in ("S", "D"))
    return float(PropsSI("P", "S", entropy, "D", density * ratio, "Air")) / 1000.0 - ambient_kpa


@pytest.mark.parametrize("celsius", [-40.0, -10.0, 20.0, 45.0])
@pytest.mark.parametrize("ratio", [5.0, 7.0, 9.0, 12.0])
def test_real_air_s_gauge_pressure_follows_the_ambient_pressure_and_not_the_temperature(
    ratio: float, celsius: float
) -> None:
    """CoolProp, at 4,500 m (ISO 2533: 57.75 kPa) and at sea level, in any weather: why no density comes in."""
    low, high = (squeezed_kpa(celsius + 273.15, kpa, ratio) for kpa in (AMBIENT_KPA, 57.75))
    assert high / low == pytest.approx(57.75 / AMBIENT_KPA, rel=0.01)
    # Air of -40 degrees is a quarter denser than at 20 and reads 4 % more at most, by its lower heat capacity.
    assert low == pytest.approx(squeezed_kpa(293.15, AMBIENT_KPA, ratio), rel=0.045)
    # What the product calls impossible is beyond what even cold air does.
    assert low < 1.01 * polytropic_gauge_kpa(AMBIENT_KPA, ratio, GAMMA_AIR)


@pytest.mark.parametrize(("celsius", "most_percent"), [(20.0, 0.6), (30.0, 1.2), (45.0, 2.5)])
def test_the_dampest_air_takes_less_off_than_the_estimate_is_uncertain_by(celsius: float, most_percent: float) -> None:
    """Saturated air by CoolProp's moist air (ASHRAE RP-1485): water vapour has a lower ratio of heat capacities."""
    water = HAPropsSI("psi_w", "T", celsius + 273.15, "P", AMBIENT_KPA * 1000.0, "R", 1.0)
    # Heat capacities of the ideal gases near 300 K: 29.1 and 33.6 J/(mol K) (NIST WebBook, from memory).
    molar = (1.0 - water) * 29.1 + water * 33.6
    gamma = molar / (molar - 8.314463)
    damp, dry = (polytropic_gauge_kpa(AMBIENT_KPA, 6.6, exponent) for exponent in (gamma, 29.1 / (29.1 - 8.314463)))
    assert 100.0 * (1.0 - damp / dry) < most_percent
    estimate = expected_pressure(TWO_STROKE, 400.0, AMBIENT_KPA)
    assert most_percent < 0.25 * 100.0 * estimate.u_kpa / estimate.kpa


@pytest.mark.parametrize("rpm", [150.0, 400.0, 800.0])
@pytest.mark.parametrize("bore_mm", [40.0, 69.0, 100.0])
def test_the_estimate_stays_below_what_real_air_reaches_without_loss(rpm: float, bore_mm: float) -> None:
    geometry = replace(TWO_STROKE, bore_mm=bore_mm, clearance_cm3=18.0 * (bore_mm / 69.0) ** 2)
    estimate = expected_pressure(geometry, rpm, AMBIENT_KPA)
    entropy = PropsSI("S", "T", 293.15, "P", AMBIENT_KPA * 1000.0, "Air")
    density = PropsSI("D", "T", 293.15, "P", AMBIENT_KPA * 1000.0, "Air")
    real_kpa = PropsSI("P", "S", entropy, "D", density * estimate.ratio, "Air") / 1000.0 - AMBIENT_KPA
    assert estimate.kpa < real_kpa < estimate.isentropic_kpa * 1.0001


def test_the_estimate_is_the_closed_form() -> None:
    estimate = expected_pressure(TWO_STROKE, 400.0, AMBIENT_KPA)
    ratio = (18.0 + TWO_STROKE.swept_above_cm3(86.0)) / 18.0
    assert estimate.ratio == pytest.approx(ratio)
    assert estimate.kpa == pytest.approx(AMBIENT_KPA * (ratio**estimate.exponent - 1.0))


def test_the_uncertainty_is_what_gtc_propagates() -> None:
    ambient_u_kpa = 0.8
    estimate = expected_pressure(TWO_STROKE, 400.0, AMBIENT_KPA, ambient_u_kpa=ambient_u_kpa)
    exponent = GTC.ureal(*polytropic_exponent(400.0))
    ratio = GTC.ureal(estimate.ratio, estimate.ratio * RATIO_U_FRACTION)
    ambient = GTC.ureal(AMBIENT_KPA, ambient_u_kpa)
    filling = GTC.ureal(1.0, START_U_FRACTION)
    result = ambient * (filling * ratio**exponent - 1.0)
    assert estimate.kpa == pytest.approx(GTC.value(result))
    assert estimate.u_kpa == pytest.approx(2.0 * GTC.uncertainty(result), rel=1e-9)
    loss_free = ambient * (filling * ratio**GAMMA_AIR - 1.0)
    assert estimate.isentropic_kpa == pytest.approx(GTC.value(loss_free))
    assert estimate.isentropic_u_kpa == pytest.approx(2.0 * GTC.uncertainty(loss_free), rel=1e-9)


def test_the_usual_triple_is_expected_where_its_maker_accepts_it() -> None:
    """Common practice, no source: a 69 mm two-stroke triple, 130 to 150 psi (896 to 1,034 kPa) accepted."""
    geometry = replace(TWO_STROKE, clearance_cm3=TWO_STROKE.swept_above_cm3(86.0) / (6.6 - 1.0))
    estimate = expected_pressure(geometry, 420.0, AMBIENT_KPA)
    assert estimate.kpa - estimate.u_kpa < 965.0 < estimate.kpa + estimate.u_kpa


@pytest.mark.parametrize("rpm", [200.0, 400.0, 600.0])
def test_the_estimate_is_sure_enough_to_miss_half_of_a_cylinder_s_pressure(rpm: float) -> None:
    estimate = expected_pressure(TWO_STROKE, rpm, AMBIENT_KPA, ambient_u_kpa=4.0)
    assert estimate.kpa / 2.0 < estimate.kpa - estimate.u_kpa


def test_an_oversize_bore_raises_the_pressure() -> None:
    bored = replace(TWO_STROKE, bore_mm=70.0)
    assert expected_pressure(bored, 400.0, AMBIENT_KPA).kpa > expected_pressure(TWO_STROKE, 400.0, AMBIENT_KPA).kpa
    # The trapped volume grows with the square of the bore, the chamber stays.
    assert (bored.ratio() - 1.0) / (TWO_STROKE.ratio() - 1.0) == pytest.approx((70.0 / 69.0) ** 2)


def test_an_adapter_s_volume_lowers_the_pressure() -> None:
    bare = expected_pressure(TWO_STROKE, 400.0, AMBIENT_KPA)
    with_adapter = expected_pressure(TWO_STROKE, 400.0, AMBIENT_KPA, added_cm3=1.5)
    assert with_adapter.kpa < bare.kpa
    assert with_adapter.ratio == pytest.approx(1.0 + TWO_STROKE.swept_above_cm3(86.0) / 19.5)


def test_oil_takes_up_chamber_and_raises_the_pressure_alone() -> None:
    factor = oil_factor(TWO_STROKE, 400.0, 2.0)
    exponent, _ = polytropic_exponent(400.0)
    trapped = TWO_STROKE.swept_above_cm3(86.0)
    assert factor == pytest.approx(((1 + trapped / 16.0) ** exponent - 1) / ((1 + trapped / 18.0) ** exponent - 1))
    assert oil_factor(TWO_STROKE, 400.0, 0.0) == 1.0


def test_oil_that_fills_the_chamber_is_refused() -> None:
    with pytest.raises(SettingsError, match="lock"):
        oil_factor(TWO_STROKE, 400.0, 18.0)


@given(ambient=st.floats(60.0, 105.0), ratio=st.floats(3.0, 14.0), exponent=st.floats(1.05, 1.4))
def test_gauge_pressure_follows_the_ambient_pressure_ratio(ambient: float, ratio: float, exponent: float) -> None:
    here = polytropic_gauge_kpa(ambient, ratio, exponent)
    at_sea_level = polytropic_gauge_kpa(AMBIENT_KPA, ratio, exponent)
    assert here / at_sea_level == pytest.approx(ambient / AMBIENT_KPA)


@given(rpm=st.floats(30.0, 3000.0))
def test_the_exponent_lies_between_isothermal_and_isentropic_and_rises_with_speed(rpm: float) -> None:
    exponent, u = polytropic_exponent(rpm)
    assert 1.0 < exponent < GAMMA_AIR
    assert u > 0.0
    assert polytropic_exponent(2.0 * rpm)[0] >= exponent


def sound_engines(count: int) -> list[EngineSpec]:
    """Sound engines of both cycles out of the simulator's own draw: no valve leak, rings not worn, throttle open."""
    rng = np.random.default_rng(11)
    engines: list[EngineSpec] = []
    while len(engines) < count:
        spec = random_spec(rng)
        tight = spec.valve_leak_mm2 == 0.0 and spec.ring_leak_mm2 < 0.6 * (spec.bore_mm / 69.0) ** 2
        if tight and spec.throttle_drop_kpa == 0.0:
            engines.append(spec)
    return engines


def turn(spec: EngineSpec) -> Turn:
    """A starter that is strong enough for the engine's size."""
    return Turn(spec, Cranking(free_rpm=480.0, stall_nm=120.0 * max(0.6, (spec.bore_mm / 69.0) ** 3), duration_s=2.5))


def geometry_of(spec: EngineSpec) -> CylinderGeometry:
    """A simulated engine's dimensions, no adapter fitted."""
    return CylinderGeometry(
        spec.bore_mm,
        spec.stroke_mm,
        spec.rod_ratio * spec.stroke_mm / 2.0,
        1e6 * spec.clearance_m3 - spec.adapter_cm3,
        spec.closes_deg,
    )


def test_the_estimate_holds_for_sound_simulated_engines() -> None:
    """The simulated engine has heat transfer, leaks, ports and a speed that sags: another physics than here."""
    inside = 0
    traces = crank_many([turn(spec) for spec in sound_engines(30)])
    for trace in traces:
        spec = trace.spec
        estimate = expected_pressure(
            geometry_of(spec), trace.cranking_rpm, spec.ambient_abs_kpa, added_cm3=spec.adapter_cm3
        )
        assert estimate.ratio == pytest.approx(spec.effective_ratio)
        inside += abs(trace.cylinder_peak_kpa - estimate.kpa) < estimate.u_kpa
    assert inside >= 0.9 * len(traces)


def test_slow_cranking_takes_off_what_it_takes_off_a_simulated_engine() -> None:
    """A battery that runs down: heat and leaks have twice to five times as long in each turn. What a sound engine leaks
    is not known beforehand; these are tight and lose a little less."""
    specs = sound_engines(12)
    by_speed = [
        crank_many([replace(turn(spec), cranking=replace(turn(spec).cranking, free_rpm=rpm)) for spec in specs])
        for rpm in (700.0, 300.0, 120.0)
    ]
    for slower in by_speed[1:]:
        kept, expected = [], []
        for fast, slow in zip(by_speed[0], slower, strict=True):
            kept.append(slow.cylinder_peak_kpa / fast.cylinder_peak_kpa)
            there, here = (
                expected_pressure(
                    geometry_of(one.spec), one.cranking_rpm, AMBIENT_KPA, added_cm3=one.spec.adapter_cm3
                ).kpa
                for one in (fast, slow)
            )
            expected.append(here / there)
        assert 0.85 * np.median(kept) < np.median(expected) < 1.02 * np.median(kept) < 0.95


@pytest.mark.parametrize(("air_k", "wall_k"), [(293.15, 300.0), (263.15, 363.15), (233.15, 233.15), (318.15, 363.15)])
def test_no_sound_simulated_engine_is_beyond_what_is_called_impossible(air_k: float, wall_k: float) -> None:
    """Tight rings, a charge that the closing port squeezes, warm walls around cold air: some are beyond a compression
    that begins at the ambient and loses nothing, none by what can be doubted of it."""
    beyond = 0
    specs = [replace(spec, ambient_k=air_k, wall_k=wall_k, ambient_abs_kpa=AMBIENT_KPA) for spec in sound_engines(60)]
    for trace in crank_many([turn(spec) for spec in specs]):
        estimate = expected_pressure(
            geometry_of(trace.spec), trace.cranking_rpm, AMBIENT_KPA, added_cm3=trace.spec.adapter_cm3
        )
        beyond += trace.cylinder_peak_kpa > estimate.isentropic_kpa
        assert trace.cylinder_peak_kpa < estimate.isentropic_kpa + estimate.isentropic_u_kpa
    assert beyond > 0 or air_k > 290.0


def test_an_adapter_takes_off_what_it_takes_off_a_simulated_engine() -> None:
    """The simulated engine has another physics than the estimate; of a quotient little of the difference is left."""
    bare = [replace(spec, adapter_cm3=0.0, trapped_ratio=7.0) for spec in sound_engines(12)]
    fitted = [replace(spec, adapter_cm3=0.12 * 1e6 * spec.clearance_m3) for spec in bare]
    for without, with_it in zip(*(crank_many([turn(spec) for spec in specs]) for specs in (bare, fitted)), strict=True):
        factor = adapter_factor(geometry_of(without.spec), without.cranking_rpm, with_it.spec.adapter_cm3)
        assert 0.8 < factor < 0.9
        assert with_it.cylinder_peak_kpa / without.cylinder_peak_kpa == pytest.approx(factor, abs=0.03)


def test_no_adapter_takes_nothing_off() -> None:
    assert adapter_factor(TWO_STROKE, 420.0, 0.0) == pytest.approx(1.0)


def test_a_simulated_cranking_pressure_follows_the_ambient_pressure_ratio() -> None:
    """At 2,000 m (ICAO Doc 7488/3: 795.01 hPa) the same engine reads 0.7846 of its sea-level reading, not 0.822."""
    specs = [replace(spec, ambient_abs_kpa=101.325) for spec in sound_engines(8)]
    low = [replace(spec, ambient_abs_kpa=79.501) for spec in specs]
    traces = crank_many([turn(spec) for spec in (*specs, *low)])
    ratios = [
        up.cylinder_peak_kpa / down.cylinder_peak_kpa
        for down, up in zip(traces[: len(specs)], traces[len(specs) :], strict=True)
    ]
    # High up the starter has less to push against, turns faster and loses less: a little more than the ratio.
    assert np.median(ratios) == pytest.approx(0.7846, rel=0.015)
    assert np.median(ratios) < 0.81
