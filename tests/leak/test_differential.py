"""Differential leak-down: two orifices in series, against closed forms, published references and a worked flow."""

from math import pi, sqrt

import fluids
import numpy as np
import pytest
from pydantic import ValidationError
from scipy.optimize import brentq

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError, SettingsError
from gaugelink.leak.decay import DecayVerdict
from gaugelink.leak.differential import (
    FAA_SCALE,
    Band,
    DifferentialFlag,
    DifferentialLimit,
    LossScale,
    Orifice,
    calibrated,
    faa_orifice,
    judge_differential,
    leak_area_m2,
)
from gaugelink.leak.flow import AIR, flow_function, hole_area_m2
from gaugelink.leak.steady import SteadyPhase, SteadyWatch
from tests.leak.nozzle import hole_flow_kg_s

PSI = 6.894757
AMBIENT = 101.325


def cylinder_kpa(orifice_m2: float, leak_m2: float, supply_kpa: float) -> float:
    """Gauge pressure between two orifices in series, by root finding on the mass flow of each."""

    def left_over(p2_kpa: float) -> float:
        into = hole_flow_kg_s(orifice_m2, AMBIENT + supply_kpa, AMBIENT + p2_kpa, 293.15)
        return float(into - hole_flow_kg_s(leak_m2, AMBIENT + p2_kpa, AMBIENT, 293.15))

    return float(brentq(left_over, 1e-9, supply_kpa - 1e-12, xtol=1e-12))


@pytest.mark.parametrize("supply_psi", [20.0, 80.0, 100.0])
@pytest.mark.parametrize("leak_mm", [0.1, 0.5, 1.0, 3.0])
def test_the_leak_s_area_does_not_depend_on_the_supply(leak_mm: float, supply_psi: float) -> None:
    orifice, leak = hole_area_m2(1.016), hole_area_m2(leak_mm)
    supply = supply_psi * PSI
    found = leak_area_m2(orifice, supply, cylinder_kpa(orifice, leak, supply))
    assert found == pytest.approx(leak, rel=1e-5)


def test_a_leak_as_large_as_the_orifice_reads_what_the_equal_areas_say() -> None:
    # Equal areas, the leak choked, by NASA Glenn's relation in Mach numbers, gamma 1.4: the orifice's M obeys
    # M (1 + 0.2 M^2)^-3 = 1.2^-3 p2 / p1 with p2 / p1 = (1 + 0.2 M^2)^-3.5, so M^2 (1 + 0.2 M^2) = 1.2^-6.
    mach2 = (sqrt(1.0 + 0.8 * 1.2**-6) - 1.0) / 0.4
    ratio = (1.0 + 0.2 * mach2) ** -3.5
    assert ratio * (AMBIENT + 400.0) > AMBIENT / fluids.P_critical_flow(P=1.0, k=1.4)
    assert leak_area_m2(1e-6, 400.0, (AMBIENT + 400.0) * ratio - AMBIENT) == pytest.approx(1e-6, rel=1e-9)


def test_the_sonic_conductance_of_iso_6358_describes_the_same_flow() -> None:
    # ISO 6358-1: choked m' = C rho0 p1 sqrt(T0/T1), subsonic times sqrt(1 - ((r - b)/(1 - b))^2), with rho0 1.185
    # kg/m3 and T0 293.15 K; the ellipse stands in for the nozzle within a few percent when b is the critical ratio.
    area, up_kpa = hole_area_m2(1.0), 500.0
    conductance = float(hole_flow_kg_s(area, up_kpa, 100.0, 293.15)) / (1.185 * up_kpa * 1000.0)
    # From C of an ideal nozzle: C = f* A sqrt(T0 R)/ (rho0 R T0) = 0.6847 A / (rho0 sqrt(R T0)).
    assert conductance == pytest.approx(0.68473 * area / (1.185 * sqrt(287.05287 * 293.15)), rel=1e-4)
    b = AIR.critical_ratio
    for ratio in (0.6, 0.7, 0.8, 0.9):
        ellipse = conductance * 1.185 * up_kpa * 1000.0 * sqrt(1.0 - ((ratio - b) / (1.0 - b)) ** 2)
        assert float(hole_flow_kg_s(area, up_kpa, up_kpa * ratio, 293.15)) == pytest.approx(ellipse, rel=0.03)


def test_the_orifice_of_the_aviation_reference_depends_on_the_bore() -> None:
    # FAA AC 43.13-1B, chapter 8, 8-14: 0.040 in below 5.00 in bore, 0.060 in from there on.
    assert faa_orifice(4.99 * 25.4).diameter_mm == pytest.approx(0.040 * 25.4)
    assert faa_orifice(5.00 * 25.4).diameter_mm == pytest.approx(0.060 * 25.4)
    assert faa_orifice(5.25 * 25.4).diameter_mm == pytest.approx(0.060 * 25.4)


@pytest.mark.parametrize(("reads_psi", "verdict"), [(72.0, DecayVerdict.PASS), (50.0, DecayVerdict.FAIL)])
def test_below_60_over_80_calls_for_action(reads_psi: float, verdict: DecayVerdict) -> None:
    limit = DifferentialLimit(orifice=faa_orifice(100.0), bore_mm=100.0, scale=FAA_SCALE, hot=True)
    result = judge_differential(80.0 * PSI, reads_psi * PSI, limit)
    assert result.verdict is verdict
    assert result.loss_percent.value == pytest.approx(100.0 * (1.0 - reads_psi / 80.0))
    assert result.flags == frozenset()
    assert judge_differential(80.0 * PSI, 60.0 * PSI, limit).verdict is DecayVerdict.OPEN


def test_a_cold_engine_and_a_stated_supply_are_flagged() -> None:
    limit = DifferentialLimit(orifice=faa_orifice(69.0), scale=FAA_SCALE)
    flags = judge_differential(None, 70.0 * PSI, limit).flags
    assert {DifferentialFlag.COLD, DifferentialFlag.SUPPLY_STATED} <= flags


def test_a_cylinder_that_loses_nothing_leaks_like_no_hole() -> None:
    result = judge_differential(551.0, 552.0, DifferentialLimit())
    assert result.leak_mm2.value == 0.0
    assert result.leak_mm2.low == 0.0
    assert result.leak_mm2.high > 0.0
    assert DifferentialFlag.NO_LOSS_SEEN in result.flags


def test_the_stated_interval_holds_the_true_area() -> None:
    rng = np.random.default_rng(2)
    limit = DifferentialLimit(orifice=Orifice(diameter_mm=1.016, discharge=0.9, discharge_u=0.03), gauge_u_kpa=2.0)
    held = 0
    for _ in range(400):
        leak = hole_area_m2(float(rng.uniform(0.3, 1.5)))
        true_area = limit.orifice.area_m2 * (1.0 + rng.normal(0.0, limit.orifice.area_u_m2 / limit.orifice.area_m2))
        inside = cylinder_kpa(true_area, leak, 552.0)
        result = judge_differential(552.0 + rng.normal(0.0, 2.0), inside + rng.normal(0.0, 2.0), limit)
        held += result.leak_mm2.low <= leak * 1e6 <= result.leak_mm2.high
    assert held / 400 > 0.93


@pytest.mark.parametrize("ambient_kpa", [57.75, 101.325])
@pytest.mark.parametrize("supply_kpa", [551.6, None])
@pytest.mark.parametrize("cylinder_kpa", [10.0, 50.0, 300.0, 413.7, 530.0])
def test_the_intervals_are_those_of_propagated_distributions(
    cylinder_kpa: float, supply_kpa: float | None, ambient_kpa: float
) -> None:
    # JCGM 101:2008: the errors of supply, cylinder gauge and orifice drawn, and the same quantiles taken. At 4,500 m
    # (ISO 2533: 57.75 kPa) and at sea level, from a broken piston to a sound cylinder.
    limit = DifferentialLimit(supply_kpa=551.6, supply_u_kpa=5.0, gauge_u_kpa=2.0)
    result = judge_differential(supply_kpa, cylinder_kpa, limit, ambient_abs_kpa=ambient_kpa)
    rng = np.random.default_rng(3)
    supply = 551.6 + rng.normal(0.0, 5.0 if supply_kpa is None else 2.0, 40_000)
    inside = cylinder_kpa + rng.normal(0.0, 2.0, 40_000)
    orifice = 1e6 * (limit.orifice.area_m2 + rng.normal(0.0, limit.orifice.area_u_m2, 40_000))
    first, second = ambient_kpa + supply, ambient_kpa + inside
    leak = orifice * first * flow_function(second / first) / (second * flow_function(ambient_kpa / second))
    for told, drawn in ((result.leak_mm2, leak), (result.loss_percent, 100.0 * (1.0 - inside / supply))):
        low, high = np.quantile(drawn, [0.025, 0.975])
        assert told.low == pytest.approx(low, abs=0.06 * (high - low))
        assert told.high == pytest.approx(high, abs=0.06 * (high - low))


def test_the_leak_is_told_as_the_hole_that_it_is_like() -> None:
    limit = DifferentialLimit(orifice=Orifice(diameter_mm=1.016, diameter_u_mm=0.0, discharge=1.0, discharge_u=0.0))
    inside = cylinder_kpa(limit.orifice.area_m2, hole_area_m2(0.5), 552.0)
    result = judge_differential(552.0, inside, limit)
    assert result.leak_mm2.value == pytest.approx(pi / 4.0 * 0.25, rel=1e-5)
    for area, across in zip(
        (result.leak_mm2.value, result.leak_mm2.low, result.leak_mm2.high),
        (result.leak_mm.value, result.leak_mm.low, result.leak_mm.high),
        strict=True,
    ):
        assert area == pytest.approx(pi / 4.0 * across**2)
    assert f"It leaks like a hole of 0.50 mm ({result.leak_mm.low:.2f} to {result.leak_mm.high:.2f})." in result.reason
    assert f"{100.0 * (1.0 - inside / 552.0):.0f} ± " in result.reason


@pytest.mark.parametrize(("gauge_u_kpa", "noise_u_kpa"), [(3.0, 0.0), (1.0, 3.0), (5.0, 0.5)])
def test_gauges_and_noise_add_up_as_propagated_distributions_do(gauge_u_kpa: float, noise_u_kpa: float) -> None:
    # JCGM 101:2008, with an orifice that is known exactly, so that nothing hides what the pressures do.
    orifice = Orifice(diameter_mm=1.016, diameter_u_mm=0.0, discharge=1.0, discharge_u=0.0)
    limit = DifferentialLimit(orifice=orifice, gauge_u_kpa=gauge_u_kpa)
    result = judge_differential(551.6, 450.0, limit, noise_u_kpa=noise_u_kpa)
    rng = np.random.default_rng(5)
    supply = 551.6 + rng.normal(0.0, gauge_u_kpa, 40_000)
    inside = 450.0 + rng.normal(0.0, gauge_u_kpa, 40_000) + rng.normal(0.0, noise_u_kpa, 40_000)
    first, second = AMBIENT + supply, AMBIENT + inside
    leak = 1e6 * orifice.area_m2 * first * flow_function(second / first) / (second * flow_function(AMBIENT / second))
    for told, drawn in ((result.leak_mm2, leak), (result.loss_percent, 100.0 * (1.0 - inside / supply))):
        low, high = np.quantile(drawn, [0.025, 0.975])
        assert told.low == pytest.approx(low, abs=0.04 * (high - low))
        assert told.high == pytest.approx(high, abs=0.04 * (high - low))


@pytest.mark.parametrize(
    ("loss_kpa", "noise_u_kpa", "seen"), [(5.2, 0.0, False), (6.2, 0.0, True), (7.8, 3.0, False), (8.7, 3.0, True)]
)
def test_a_loss_is_seen_where_it_is_more_than_both_gauges_can_be_doubted(
    loss_kpa: float, noise_u_kpa: float, seen: bool
) -> None:
    # Twice the root of 2^2 + 2^2 is 5.7 kPa, and with 3 kPa of noise 8.2 (JCGM 100:2008, 5.1.2).
    limit = DifferentialLimit(gauge_u_kpa=2.0)
    result = judge_differential(551.6, 551.6 - loss_kpa, limit, noise_u_kpa=noise_u_kpa)
    assert (DifferentialFlag.NO_LOSS_SEEN not in result.flags) is seen
    above = 551.6 + loss_kpa
    if seen:
        with pytest.raises(RecordingError, match="Exchange the gauges"):
            judge_differential(551.6, above, limit, noise_u_kpa=noise_u_kpa)
    else:
        assert judge_differential(551.6, above, limit, noise_u_kpa=noise_u_kpa).loss_percent.value == 0.0


def test_where_nothing_is_set_it_is_run_as_the_aviation_reference_says() -> None:
    # FAA AC 43.13-1B, chapter 8, 8-14: 80 psi through 0.040 in, for bores below 5.00 in.
    limit = DifferentialLimit()
    assert limit.orifice == faa_orifice(100.0)
    assert judge_differential(None, 70.0 * PSI, limit).supply_kpa == pytest.approx(80.0 * PSI, rel=1e-6)
    with pytest.raises(ValidationError, match="above highest_kpa"):
        DifferentialLimit(supply_kpa=101.0 * PSI)


@pytest.mark.parametrize(
    ("loss_percent", "word", "acts"),
    [
        (9.0, "good", False),
        (11.0, "usable", False),
        (19.0, "usable", False),
        (21.0, "worn", True),
        (29.0, "worn", True),
        (31.0, "bad", True),
        (95.0, "bad", True),
    ],
)
def test_a_loss_is_called_by_the_trade_s_scale_where_the_shop_sets_none(
    loss_percent: float, word: str, acts: bool
) -> None:
    """Common practice, no source: up to a tenth is good, from a fifth on it calls for action."""
    band = LossScale().band(loss_percent)
    assert (band.word, band.acts) == (word, acts)
    sharp = DifferentialLimit(gauge_u_kpa=0.1)
    result = judge_differential(551.6, 551.6 * (1.0 - loss_percent / 100.0), sharp)
    assert (result.word, result.verdict) == (word, DecayVerdict.FAIL if acts else DecayVerdict.PASS)


def test_a_master_orifice_of_another_size_is_known_by_its_own_share() -> None:
    true_area = 0.87 * hole_area_m2(1.016)
    inside = cylinder_kpa(true_area, hole_area_m2(0.7), 552.0)
    found = calibrated(0.7, 552.0, inside, diameter_mm=1.016, master_u_mm=0.014, pressure_u_kpa=0.01)
    # The area goes with the square: 2 % of the diameter are 4 % of it. What the nominal diameter is off is in it.
    assert found.discharge_u / found.discharge == pytest.approx(0.04, rel=1e-3)
    assert found.area_u_m2 / found.area_m2 == pytest.approx(0.04, rel=1e-3)
    with pytest.raises(SettingsError, match="leak beside the master"):
        calibrated(0.7, 552.0, inside, diameter_mm=0.9)


def test_a_master_orifice_calibrates_the_other() -> None:
    true_area = 0.87 * hole_area_m2(1.016)
    inside = cylinder_kpa(true_area, hole_area_m2(1.0), 552.0)
    found = calibrated(1.0, 552.0, inside, diameter_mm=1.016)
    assert found.area_m2 == pytest.approx(true_area, rel=1e-5)
    assert found.discharge == pytest.approx(0.87, rel=1e-5)
    # A master of 1.000 ± 0.005 mm is known to 1 % of its area; two readings of ± 1 kPa add to that, each by itself.
    step = 1e-3
    by_supply = leak_area_m2(1.0, 552.0 + step, inside) / leak_area_m2(1.0, 552.0 - step, inside) - 1.0
    by_cylinder = leak_area_m2(1.0, 552.0, inside - step) / leak_area_m2(1.0, 552.0, inside + step) - 1.0
    expected = sqrt(0.01**2 + (by_supply**2 + by_cylinder**2) / (2.0 * step) ** 2)
    assert found.discharge_u / found.discharge == pytest.approx(expected, rel=1e-3)
    with pytest.raises(SettingsError, match="leak beside the master"):
        calibrated(3.0, 552.0, inside, diameter_mm=1.016)


def test_what_cannot_be_is_refused_with_a_reason() -> None:
    with pytest.raises(SettingsError, match="orifice larger than the bore"):
        DifferentialLimit(orifice=Orifice(diameter_mm=9.0), bore_mm=8.0)
    with pytest.raises(SettingsError, match="above zero"):
        faa_orifice(0.0)
    with pytest.raises(RecordingError, match="above ambient"):
        judge_differential(552.0, -3.0, DifferentialLimit())
    with pytest.raises(RecordingError, match="Exchange the gauges"):
        judge_differential(300.0, 500.0, DifferentialLimit())
    with pytest.raises(RecordingError, match=r"The supply reads 5\.52 bar and the cylinder -0\.03 bar; both"):
        judge_differential(552.0, -3.0, DifferentialLimit(), unit=PressureUnit.BAR)
    with pytest.raises(RecordingError, match=r"The cylinder reads 72\.5 psi, more than the supply's 43\.5 psi"):
        calibrated(1.0, 300.0, 500.0, diameter_mm=1.0, unit=PressureUnit.PSI)
    with pytest.raises(ValidationError, match="above highest_kpa"):
        DifferentialLimit(supply_kpa=800.0, highest_kpa=700.0)


def test_a_scale_of_another_trade_is_set_and_has_to_rise() -> None:
    scale = LossScale(bands=(Band(upto_percent=15.0, word="fine"), Band(upto_percent=100.0, word="open it", acts=True)))
    result = judge_differential(552.0, 552.0 * 0.7, DifferentialLimit(scale=scale))
    assert (result.word, result.verdict) == ("open it", DecayVerdict.FAIL)
    for upto in ((50.0, 40.0), (50.0, 40.0, 100.0), (40.0, 50.0)):
        with pytest.raises(ValidationError, match="rise"):
            LossScale(bands=tuple(Band(upto_percent=percent, word="a") for percent in upto))


def pushed(watching: SteadyWatch, pressure_kpa: np.ndarray, from_s: float, rate_hz: float = 10.0) -> list[SteadyPhase]:
    entered = []
    for i, p in enumerate(pressure_kpa):
        entered += watching.push(np.array([from_s + i / rate_hz]), np.array([p]))
    return entered


def test_it_comes_to_rest_and_a_piston_that_moves_is_a_jump() -> None:
    rng = np.random.default_rng(4)
    watching = SteadyWatch(DifferentialLimit())
    time_s = np.arange(200) / 10.0
    filling = 480.0 * (1.0 - np.exp(-time_s / 2.0)) + rng.normal(0.0, 0.5, 200)
    assert pushed(watching, np.zeros(20), 0.0) == []
    assert pushed(watching, filling, 2.0) == [SteadyPhase.FILLING, SteadyPhase.STEADY]
    supply, cylinder, noise_u = watching.means()
    assert supply is None
    assert cylinder == pytest.approx(480.0, abs=1.5)
    assert noise_u < 0.5
    moved = np.full(30, 400.0) + rng.normal(0.0, 0.5, 30)
    assert pushed(watching, moved, 22.0) == [SteadyPhase.MOVED]


@pytest.mark.parametrize("rate_hz", [5.0, 50.0, 800.0, 2000.0])
def test_it_comes_to_rest_however_quickly_the_gauge_sends(rate_hz: float) -> None:
    rng = np.random.default_rng(6)
    watching = SteadyWatch(DifferentialLimit())
    n = int(14.0 * rate_hz)
    pressure_kpa = np.where(np.arange(n) < 2.0 * rate_hz, 0.0, 480.0) + rng.normal(0.0, 0.5, n)
    assert pushed(watching, pressure_kpa, 0.0, rate_hz) == [SteadyPhase.FILLING, SteadyPhase.STEADY]
    _, cylinder, noise_u = watching.means()
    assert cylinder == pytest.approx(480.0, abs=1.0)
    # The noise of all samples of six seconds averages out, whether they were taken together or not (GUM 4.2.3).
    assert noise_u == pytest.approx(0.5 / sqrt(6.0 * rate_hz), rel=0.6)
    assert pushed(watching, np.full(int(rate_hz) + 2, 400.0), 14.0, rate_hz) == [SteadyPhase.MOVED]


def test_a_slow_drift_is_no_rest() -> None:
    watching = SteadyWatch(DifferentialLimit())
    assert pushed(watching, 300.0 + np.arange(150) * 0.3, 0.0) == [SteadyPhase.FILLING]


def test_two_gauges_are_averaged_over_the_same_rest() -> None:
    watching = SteadyWatch(DifferentialLimit())
    watching.supply(np.arange(80) / 10.0, np.full(80, 550.0))
    pushed(watching, np.full(80, 500.0), 0.0)
    assert watching.phase is SteadyPhase.STEADY
    assert watching.means()[:2] == (550.0, 500.0)


def test_the_area_of_an_orifice_carries_its_doubt() -> None:
    orifice = Orifice(diameter_mm=1.0, diameter_u_mm=0.01, discharge=0.9, discharge_u=0.045)
    assert orifice.area_m2 == pytest.approx(0.9 * pi / 4.0 * 1e-6)
    assert orifice.area_u_m2 / orifice.area_m2 == pytest.approx(sqrt(0.02**2 + 0.05**2))
