"""Steps through a gauge's lag, and where a climb was going: the parts that judge a held gauge."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.optimize import nnls
from scipy.signal import lsim

from gaugelink.peak.climb import project, weighed
from gaugelink.peak.climb_rises import find_rises
from gaugelink.peak.climb_steps import fit_steps, through_lag
from gaugelink.peak.climb_time import project_in_time
from gaugelink.peak.detector import find_events
from gaugelink.peak.events import EngineHints, EventSamples, Flag, GaugeKind, GaugeTraits
from gaugelink.peak.held import fit_held
from gaugelink.peak.held_plateau import find_plateau
from gaugelink.peak.staircase import find_steps
from simulators.scenarios import held_events
from simulators.sensor import lagged
from tests.peak.shapes import Array, clock, stairs


def seen(
    rate_hz: float,
    lag_s: float,
    strokes: int,
    *,
    period_s: float = 0.15,
    share: float = 0.4,
    last: float = 1.0,
    noise_kpa: float = 0.5,
) -> tuple[Array, Array]:
    """A staircase to 900 kPa from 1 s on, filled within 20 ms a stroke, through a gauge's lag; the last step scaled."""
    fine = clock(1.0 + period_s * strokes + 2.0, 5000.0)
    whole = stairs(fine, 1.0, strokes, period_s, share=share)
    before = stairs(fine, 1.0, strokes - 1, period_s, share=share)
    level = before + last * (whole - before)
    level = np.convolve(np.concatenate([np.zeros(99), level]), np.full(100, 0.01), mode="valid")
    level = lagged(level, 2e-4, lag_s)
    t = clock(float(fine[-1]), rate_hz)
    rng = np.random.default_rng(5)
    return t, np.interp(t, fine, level) + rng.normal(0.0, noise_kpa, len(t))


def test_a_rise_through_a_lag_is_what_a_linear_system_makes_of_it() -> None:
    # Reference: scipy.signal.lsim of 1 / (1 + lag s), driven by a ramp of the filling's length.
    t = np.linspace(-0.1, 0.5, 6001)
    ramp = np.clip((t + 0.015) / 0.03, 0.0, 1.0)
    _, reference, _ = lsim(([1.0], [0.04, 1.0]), ramp, t - t[0])
    rise, slope = through_lag(t, 0.04, 0.03)
    assert np.abs(rise - reference).max() < 1e-4
    assert np.abs(slope[1:-1] - np.gradient(rise, t)[1:-1]).max() < 0.05


def test_steps_are_fitted_through_an_unknown_lag() -> None:
    t, x = seen(200.0, 0.04, 5)
    guess = 1.02 + 0.15 * np.arange(5)
    fitted = fit_steps(t, x, 0.5, guess, 0.15)
    heights = 900.0 * 0.4 * 0.6 ** np.arange(5)
    assert fitted.lag_s == pytest.approx(0.04, rel=0.05)
    assert fitted.height_kpa == pytest.approx(heights, abs=2.0)
    assert np.all(np.abs(fitted.height_kpa - heights) < 4 * fitted.u_height_kpa + 0.2)
    # The filling takes 20 ms: its middle is 10 ms after it began.
    assert fitted.time_s == pytest.approx(1.01 + 0.15 * np.arange(5), abs=0.003)


@pytest.mark.parametrize(("rate", "period", "lag"), [(50.0, 0.09, 0.04), (20.0, 0.14, 0.02), (100.0, 0.07, 0.045)])
def test_strokes_that_lag_or_few_samples_blur_are_told_apart(rate: float, period: float, lag: float) -> None:
    t, x = seen(rate, lag, 6, period_s=period, share=0.25)
    at = find_rises(t, x, 0.5, 0.95, 1.0 + 5 * period + 0.2)
    assert len(at) == 6
    assert np.diff(at) == pytest.approx([period] * 5, rel=0.25)


def test_an_hour_of_silence_in_a_climb_costs_no_more_than_a_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    def sizes_and_rises(silence_s: float) -> tuple[list[int], Array]:
        sizes: list[int] = []

        def noted(matrix: Array, aim: Array) -> tuple[Array, float]:
            sizes.append(matrix.size)
            return nnls(matrix, aim)

        monkeypatch.setattr("gaugelink.peak.climb_rises.nnls", noted)
        t = clock(6.0, 25.0)
        x = stairs(t, 1.0, 8, period_s=0.2)
        return sizes, find_rises(np.where(t > 1.7, t + silence_s, t), x, 1.0, 1.0, 2.6 + silence_s)

    short, without = sizes_and_rises(0.0)
    long, rises = sizes_and_rises(3600.0)
    assert max(long) < 3 * max(short)
    assert len(without) == len(rises) == 8
    np.testing.assert_allclose(np.where(rises > 1.7, rises - 3600.0, rises), without, atol=0.04)


def test_the_tail_of_a_lag_is_no_further_stroke() -> None:
    t, x = seen(200.0, 0.05, 4, period_s=0.12)
    found = find_steps(t, x, 0.5, 0.0)
    assert len(found.steps) == 4


@pytest.mark.parametrize("last", [0.2, 1.0, 1.6])
def test_a_last_stroke_that_lingers_or_falls_short_does_not_mislead(last: float) -> None:
    t, x = seen(100.0, 0.01, 5, share=0.35, last=last)
    found = find_steps(t, x, 0.5, 0.0)
    plateau = find_plateau(t, x, found.last_rise_s, 0.5, 0.0)
    climb = project(found, plateau, 0.5)
    assert climb is not None
    assert climb.goal_kpa == pytest.approx(900.0, rel=0.03)
    assert abs(climb.goal_kpa - 900.0) < climb.expanded_u_kpa


def test_late_strokes_that_ran_together_count_as_several() -> None:
    t, x = seen(100.0, 0.01, 8, noise_kpa=0.3)
    found = find_steps(t, x, 0.3, 0.0)
    plateau = find_plateau(t, x, found.last_rise_s, 0.3, 0.0)
    whole = project(found, plateau, 0.3)
    assert len(found.steps) == 8
    fewer = project(replace(found, steps=found.steps[:5] + found.steps[6:]), plateau, 0.3)
    assert whole is not None
    assert fewer is not None
    assert fewer.goal_kpa == pytest.approx(whole.goal_kpa, abs=4.0)


@pytest.mark.parametrize(("strokes", "rising"), [(3, True), (16, False)])
def test_a_slow_gauge_tells_a_short_climb_from_a_long_one(strokes: int, rising: bool) -> None:
    t, x = seen(10.0, 0.02, strokes, period_s=0.1)
    found = find_steps(t, x, 0.5, 0.0)
    plateau = find_plateau(t, x, found.last_rise_s, 0.5, 0.0)
    climb = project_in_time(found, plateau, 0.5, 2)
    assert climb is not None
    assert (climb.chance_of_more(0.003 * 900.0) > 0.7) is rising
    assert abs(climb.goal_kpa - 900.0) < climb.expanded_u_kpa


def test_a_slow_and_coarse_gauge_counts_its_last_single_steps_as_the_climb() -> None:
    traits = GaugeTraits(kind=GaugeKind.HELD, resolution_kpa=6.89)
    said: dict[int, list[bool]] = {5: [], 16: []}
    for goal, period, phase, strokes in product((330.0, 500.0, 850.0), (0.12, 0.17, 0.23, 0.31), range(4), said):
        t = clock(14.0, 5.0)
        p = 6.89 * np.round(stairs(t, 5.0 + 0.05 * phase, strokes, period, goal) / 6.89)
        (samples,) = find_events(t, p, traits)
        said[strokes].append(Flag.STILL_RISING in fit_held(samples, traits, EngineHints(cycle=2)).flags)
    assert all(said[5])
    assert np.mean(said[16]) < 0.35


def test_the_same_samples_give_the_same_projection() -> None:
    t, x = seen(10.0, 0.02, 4, period_s=0.1)
    found = find_steps(t, x, 0.5, 0.0)
    plateau = find_plateau(t, x, found.last_rise_s, 0.5, 0.0)
    first, second = (project_in_time(found, plateau, 0.5, None) for _ in range(2))
    assert first is not None
    assert second is not None
    assert first.goal_kpa == second.goal_kpa


def test_the_interval_is_the_one_about_the_median_that_holds_95_percent() -> None:
    # Exponential distribution, closed form: median ln 2, chance of more than x is exp(-x).
    left = np.linspace(0.0, 20.0, 20001)
    climb = weighed(100.0, left, np.exp(-left), 0.4)
    assert climb.goal_kpa == pytest.approx(100.0 + np.log(2.0), abs=2e-3)
    assert climb.chance_of_more(1.0) == pytest.approx(np.exp(-1.0), abs=2e-3)
    # Below the median everything lies within it, so 5 % lie beyond the upper end: ln 20.
    assert climb.expanded_u_kpa == pytest.approx(np.log(20.0) - np.log(2.0), abs=5e-3)


def test_a_leak_too_small_to_be_told_is_given_back_in_part() -> None:
    t, x = seen(20.0, 0.0, 12, noise_kpa=1.0)
    last_s = 1.0 + 11 * 0.15
    leaking = x * np.exp(-0.004 * np.maximum(t - last_s, 0.0))
    plateau = find_plateau(t, leaking, last_s + 0.05, 1.0, 0.0)
    after = t > last_s + 0.3
    truth = 900.0 * (1 - 0.6**12)
    assert abs(plateau.level_kpa - truth) < abs(float(np.mean(leaking[after])) - truth)
    tight = find_plateau(t, x, last_s + 0.05, 1.0, 0.0)
    assert not tight.leaks
    assert tight.level_kpa == pytest.approx(truth, abs=1.0)


def test_cut_short_after_four_strokes_simulated_engines_are_projected_within_two_percent_in_the_middle() -> None:
    # The full count, with floors, is in tests.benchmarks.handling.
    rng = np.random.default_rng(12)
    off, held = [], []
    for strokes in (5, 6, 7):
        for event in held_events(rng, 16, rate_hz=100.0, strokes=strokes, converge=True):
            traits = GaugeTraits(resolution_kpa=event.gauge.resolution_kpa)
            told = projected(event.time_s, event.pressure_kpa, traits, event.cycle)
            if told is None:
                continue
            goal = max(event.converged_kpa, event.final_kpa)
            off.append(abs(told[0] - goal) / goal)
            held.append(abs(told[0] - goal) <= told[1])
    assert len(off) > 30
    assert np.median(off) < 0.02
    assert np.mean(held) > 0.85


def projected(t: Array, p: Array, traits: GaugeTraits, cycle: int) -> tuple[float, float] | None:
    """Projection and its interval of the one event of a record, where it is still rising."""
    (samples,) = find_events(t, p, traits)
    event = fit_held(samples, traits, EngineHints(cycle=cycle))
    if Flag.STILL_RISING not in event.flags:
        return None
    assert event.projected_kpa is not None
    assert event.projected_u_kpa is not None
    return event.projected_kpa, event.projected_u_kpa


@pytest.mark.parametrize("seed", range(40))
def test_samples_that_are_no_climb_are_judged_without_an_error(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = clock(4.0, float(rng.choice([5.0, 20.0, 100.0])))
    x = [
        rng.normal(0.0, 100.0, len(t)).cumsum(),
        np.full(len(t), float(rng.choice([0.0, 500.0, -20.0]))),
        -stairs(t, 1.0, 5),
        np.abs(rng.normal(0.0, 300.0, len(t))),
        stairs(t, 1.0, 9)[::-1].copy(),
    ][seed % 5]
    samples = EventSamples(t, np.round(x), x > 1e9, 0, GaugeKind.HELD, 0.0, 0.5, float(rng.choice([0.0, 1.0])))
    event = fit_held(samples, GaugeTraits(), EngineHints(cycle=2))
    assert np.isfinite(event.peak_kpa)
    assert event.peak_u_kpa > 0
    assert event.projected_kpa is None or np.isfinite(event.projected_kpa)
