"""Seasons under other conditions beside each other, air noted or assumed, warm or cold: no job, no wear, no gauge."""

from dataclasses import replace

import pytest

from gaugelink.engine.air import Ambient, ambient_at_altitude, ambient_from_barometer, assumed_ambient
from gaugelink.verdict.findings import Conditions
from gaugelink.verdict.fleet import MachineTests, fleet_steps
from gaugelink.verdict.history import MachineHistory, read_history
from gaugelink.verdict.other_conditions import WARM_OR_COLD_U
from gaugelink.verdict.past import PastJob, PastTest
from gaugelink.verdict.record import past_test
from simulators.cranking import Cranking
from simulators.engine import EngineSpec
from simulators.integrator import Turn, crank_many
from tests.verdict.shop import PSI, judge, readings
from tests.verdict.shop import TRIPLE as ENGINE
from tests.verdict.test_history import BEGIN, SEASON

HIGH_UP = ambient_at_altitude(1600.0)
ASSUMED = assumed_ambient()
SHARE_HERE = HIGH_UP.abs_kpa / 101.325  # ISO 2533: 834.4 hPa at 1,600 m


def seasons(*airs: Ambient, worn: float = 0.0, gained: float = 0.0) -> list[PastTest]:
    """A triple at 1,600 m every half season, with what was known of the air; `worn` off the middle a season, and
    `gained` by the middle from the fifth test on."""
    tests = []
    for place, air in enumerate(airs):
        day = 135.0 * SHARE_HERE * (1.0 + 0.002 * ((7 * place) % 5 - 2))
        middle = day * (1.0 - worn) ** (place / 2) * (1.0 + gained * (place >= 4))
        verdict = judge(readings(ENGINE, day, middle, day), Conditions.of_ambient(air))
        tests.append(past_test(verdict, f"t{place}", BEGIN + place / 2 * SEASON, "g"))
    return tests


def nothing_is_told(history: MachineHistory) -> bool:
    return not (history.engine_is_falling or history.steps or any(trend.is_wearing for trend in history.trends))


ORDERS = {
    "noted later": (ASSUMED,) * 4 + (HIGH_UP,) * 4,
    "noted first": (HIGH_UP,) * 4 + (ASSUMED,) * 4,
    "a barometer later": (ASSUMED,) * 4 + (ambient_from_barometer(HIGH_UP.abs_kpa),) * 4,
}


@pytest.mark.parametrize("airs", ORDERS.values(), ids=ORDERS)
def test_air_that_was_noted_at_last_is_no_gauge_no_wear_and_no_job(airs: tuple[Ambient, ...]) -> None:
    tests = seasons(*airs)
    as_before = [replace(test, ambient_abs_kpa=None) for test in tests]
    pistons = PastJob(BEGIN + 1.75 * SEASON, "pistons")
    assert not nothing_is_told(read_history(as_before)), "a fifth more in all cylinders looks like a gauge"
    assert any(effect.is_real for effect in read_history(as_before, [pistons]).jobs)
    history = read_history(tests)
    assert nothing_is_told(history)
    level = PSI.to_kpa(135.0) * (SHARE_HERE if airs[-1] is ASSUMED else 1.0)
    assert history.trends[0].level_kpa.value == pytest.approx(level, rel=0.01)
    assert not any(effect.is_real for effect in read_history(tests, [pistons]).jobs)
    assert not fleet_steps([MachineTests(name, tuple(tests)) for name in ("a", "b", "c")])


@pytest.mark.parametrize("airs", ORDERS.values(), ids=ORDERS)
def test_what_one_cylinder_does_is_found_over_other_air(airs: tuple[Ambient, ...]) -> None:
    history = read_history(seasons(*airs, worn=0.03))
    assert [trend.cylinder for trend in history.trends if trend.is_wearing] == ["middle"]
    rings = PastJob(BEGIN + 1.75 * SEASON, "rings", ("middle",))
    (effect,) = read_history(seasons(*airs, gained=0.06), [rings]).jobs
    assert effect.is_real
    assert effect.gain_percent.value == pytest.approx(6.0, abs=0.5)


def test_air_that_was_noted_throughout_or_never_changes_nothing() -> None:
    never, always = seasons(*(ASSUMED,) * 8), seasons(*(HIGH_UP,) * 8)
    assert read_history(never) == read_history([replace(one, ambient_abs_kpa=83.4) for one in never])
    assert read_history(always) == read_history([replace(one, ambient_abs_kpa=None) for one in always])


def warmed(share: float, *warm: bool | None) -> list[PastTest]:
    """A sound triple every half season, warm or cold; a warm one reads higher by `share`."""
    tests = []
    for place, was in enumerate(warm):
        day = 135.0 * (1.0 + share * (was is True)) * (1.0 + 0.002 * ((7 * place) % 5 - 2))
        under = replace(Conditions.of_ambient(ambient_at_altitude(0.0)), warm=was)
        verdict = judge(readings(ENGINE, day, day, day), under)
        tests.append(past_test(verdict, f"t{place}", BEGIN + place / 2 * SEASON, "g"))
    return tests


@pytest.mark.parametrize("share", [0.05, -0.04])
@pytest.mark.parametrize("warm", [(False,) * 2 + (True,) * 2, (True,) * 2 + (False,) * 2, (False, None, True, True)])
def test_an_engine_that_is_cold_before_a_job_and_warm_after_it_has_gained_nothing(
    warm: tuple[bool | None, ...], share: float
) -> None:
    tests, job = warmed(share, *warm), PastJob(BEGIN + 0.75 * SEASON, "pistons")
    as_before = read_history([replace(test, warm=None) for test in tests], [job])
    assert any(effect.is_real for effect in as_before.jobs), "it looks like what the pistons brought"
    history = read_history(tests, [job])
    assert not any(effect.is_real for effect in history.jobs)
    assert nothing_is_told(history)


def test_what_a_job_brings_beyond_that_is_real_and_warm_engines_compare_as_ever() -> None:
    pistons = PastJob(BEGIN + 0.75 * SEASON, "pistons")
    assert all(effect.is_real for effect in read_history(warmed(0.25, False, False, True, True), [pistons]).jobs)
    always = warmed(0.05, *(True,) * 6)
    assert read_history(always) == read_history([replace(test, warm=None) for test in always])


@pytest.mark.parametrize("cycle", [2, 4])
def test_a_simulated_engine_reads_no_more_warm_than_is_allowed_for(cycle: int) -> None:
    """The simulated engine shares no formula with the product; walls of 20 and of 90 degrees, air from -10 to 30."""
    two = EngineSpec()
    four = EngineSpec(cycle=4, closes_deg=132.0, opens_deg=130.0, trapped_ratio=8.5, inertia_kg_m2=0.1)
    spec = two if cycle == 2 else four
    starter = Cranking(duration_s=1.5, free_rpm=400.0, stall_nm=150.0)
    for air_k in (263.15, 303.15):
        cold, warm = (replace(spec, ambient_k=air_k, wall_k=wall_k) for wall_k in (air_k, 363.15))
        low, high = (trace.cylinder_peak_kpa for trace in crank_many([Turn(cold, starter), Turn(warm, starter)]))
        assert 1.0 < high / low < 1.0 + 2.0 * WARM_OR_COLD_U
