"""The ± of a history: Student's t where the scatter was taken from few readings, and one word with what is told."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t

from gaugelink.verdict.history import read_history
from gaugelink.verdict.past import PastReading
from gaugelink.verdict.robust import Estimate, fit_huber
from tests.benchmarks.fleet_history import CYLINDERS, Truth, World, machine
from tests.verdict.test_history import past


@pytest.mark.parametrize("count", [5, 8, 20])
def test_where_scatter_beyond_what_was_stated_is_seen_the_interval_is_student_s(count: int) -> None:
    """JCGM 100:2008, G.3.2 and table G.2, by scipy: 3.18 for three degrees of freedom."""
    x = np.linspace(-1.0, 1.0, count)
    y = 0.1 * x + 0.03 * np.where(np.arange(count) % 2, 1.0, -1.0)
    design = np.column_stack([np.ones(count), x])
    free = np.array([np.inf, np.inf])
    fit = fit_huber({"a": 0, "b": 1}, design, y, np.full(count, 0.01), free, np.ones(count, dtype=np.bool_))
    slope = fit.combined({"b": 1.0})
    assert fit.scale > 1.0
    assert slope.factor == pytest.approx(t.isf(0.025, fit.freedom))
    assert slope.expanded_u == pytest.approx(slope.u * t.isf(0.025, count - 2.0))
    stated = fit_huber({"a": 0, "b": 1}, design, y, np.full(count, 0.05), free, np.ones(count, dtype=np.bool_))
    assert stated.combined({"b": 1.0}).factor == 2.0
    assert Estimate(1.0, 0.5).expanded_u == 1.0


@pytest.mark.parametrize("world", [World(), World(cranking=0.02, stated=0.5), World(tests_a_season=1)])
def test_what_is_called_real_is_more_than_the_uncertainty_beside_it(world: World) -> None:
    rng = np.random.default_rng(11)
    real = []
    for _ in range(40):
        truth = Truth(wearing=str(rng.choice(CYLINDERS)), ring_job=(str(rng.choice(CYLINDERS)),))
        slight = replace(world, ring_gain=float(rng.uniform(0.0, 0.05)))
        history = read_history(*machine(rng, slight, truth))
        for effect in history.jobs:
            assert effect.is_real == (abs(effect.gain_percent.value) > effect.gain_percent.expanded_u)
            real.append(effect.is_real)
        for trend in history.trends:
            assert not trend.is_wearing or -trend.judged.value > trend.judged.expanded_u
        if history.engine_is_falling:
            assert history.engine_percent is not None
            assert -history.engine_percent.value > history.engine_percent.expanded_u
    assert set(real) == {True, False}


def test_a_fall_of_one_cylinder_or_all_is_told_beyond_its_own_interval_only() -> None:
    """One-sided, 5 % begins at 1.64 standard uncertainties; what is told stands beside two of them."""
    told, near = 0, 0
    for share in np.linspace(0.985, 0.999, 40):
        tests = [past(s, *(3 * [930.0 * float(share) ** s])) for s in (0.0, 1.0, 2.0, 3.0)]
        for history in (
            read_history(tests),
            read_history(
                [replace(one, readings=(PastReading("PTO", one.readings[0].sea_level_kpa, 4.0),)) for one in tests]
            ),
        ):
            assert history.engine_percent is not None
            z = -history.engine_percent.z
            near += 1.65 < z < 2.0
            falls = history.engine_is_falling or any(trend.is_wearing for trend in history.trends)
            assert not (falls and z < 2.0)
            told += falls
    assert told
    assert near
