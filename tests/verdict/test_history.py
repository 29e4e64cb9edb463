"""Histories: planted wear, jobs and changes of gauge are found, and nothing else is."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import theilslopes

from gaugelink.engine.fleet import Counter
from gaugelink.report.words import history_sentences
from gaugelink.verdict.findings import VerdictWord
from gaugelink.verdict.fleet import MachineTests, Standing, fleet_steps, rank_fleet
from gaugelink.verdict.history import read_history
from gaugelink.verdict.history_fit import Model, Split, positions
from gaugelink.verdict.past import Axis, GaugeMoved, HistoryRules, PastJob, PastReading, PastTest
from gaugelink.verdict.robust import Estimate, fit_huber
from tests.benchmarks.fleet_history import CYLINDERS, Truth, World, machine, score

BEGIN = datetime(2023, 10, 1, tzinfo=UTC)
SEASON = timedelta(days=365.25)


def past(season: float, *kpa: float, gauge: str = "g", counter: float | None = None) -> PastTest:
    """A test without noise, its readings as good as 0.5 %."""
    readings = tuple(PastReading(name, value, 0.005 * value) for name, value in zip(CYLINDERS, kpa, strict=True))
    return PastTest(f"t{season:g}", BEGIN + season * SEASON, readings, gauge, counter)


def test_a_cylinder_that_loses_two_percent_a_season_is_found_by_the_third() -> None:
    tests = [past(s, 930.0, 930.0 * 0.98**s, 930.0) for s in (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)]
    history = read_history(tests)
    assert [t.cylinder for t in history.trends] == list(CYLINDERS)
    wearing = [t for t in history.trends if t.is_wearing]
    assert [t.cylinder for t in wearing] == ["middle"]
    assert wearing[0].against_others_percent is not None
    assert wearing[0].against_others_percent.value == pytest.approx(-2.0, abs=0.15)
    assert wearing[0].below_others_percent == pytest.approx(100 * (1 - 0.98**2.3), abs=0.3)


def test_two_tests_are_too_few_for_a_trend() -> None:
    history = read_history([past(0.0, 930.0, 930.0, 930.0), past(1.0, 930.0, 880.0, 930.0)])
    assert not any(t.is_wearing for t in history.trends)


def test_what_all_cylinders_of_a_test_share_says_nothing_of_one() -> None:
    calm = [past(s, 930.0, 930.0 * 0.98**s, 930.0) for s in (0.0, 1.0, 2.0)]
    stormy = [past(s, 930.0 * f, 930.0 * 0.98**s * f, 930.0 * f) for s, f in ((0.0, 1.02), (1.0, 0.97), (2.0, 1.03))]
    a, b = read_history(calm).trends[1], read_history(stormy).trends[1]
    assert a.against_others_percent is not None
    assert b.against_others_percent is not None
    assert a.against_others_percent.value == pytest.approx(b.against_others_percent.value, abs=0.05)
    assert a.against_others_percent.u < a.percent.u


def test_the_robust_fit_agrees_with_theil_and_sen_and_shrugs_off_one_bad_reading() -> None:
    rng = np.random.default_rng(3)
    x = np.arange(12.0) / 4.0
    y = -0.02 * x + rng.normal(0.0, 0.003, x.size)
    y[10] += 0.08
    design = np.column_stack([np.ones_like(x), x])
    fit = fit_huber(
        {"level": 0, "slope": 1}, design, y, np.full(x.size, 0.003), np.array([np.inf, np.inf]), np.ones(12, dtype=bool)
    )
    reference = theilslopes(y, x)  # scipy: Theil-Sen estimator
    slope = fit.combined({"slope": 1.0})
    assert slope.value == pytest.approx(reference.slope, abs=0.004)
    assert slope.value == pytest.approx(-0.02, abs=0.006)
    assert fit.weights[10] < 0.5
    assert abs(np.polyfit(x, y, 1)[0] + 0.02) > abs(slope.value + 0.02)


def test_without_outliers_the_robust_fit_is_least_squares() -> None:
    rng = np.random.default_rng(4)
    x = np.linspace(-1.0, 1.0, 9)
    y = 0.5 + 0.3 * x + rng.uniform(-0.01, 0.01, 9)
    fit = fit_huber(
        {"a": 0, "b": 1},
        np.column_stack([np.ones(9), x]),
        y,
        np.full(9, 0.01),
        np.array([np.inf, np.inf]),
        np.ones(9, dtype=bool),
    )
    assert fit.combined({"b": 1.0}).value == pytest.approx(np.polyfit(x, y, 1)[0])
    # Weighted least squares: u(slope) = u / sqrt(sum((x - mean)^2)).
    assert fit.combined({"b": 1.0}).u == pytest.approx(0.01 / np.sqrt(np.sum(x**2)))


def test_a_ring_job_on_one_cylinder_is_held_against_the_others() -> None:
    tests = [past(s, 930.0, 850.0, 930.0) for s in (0.0, 0.3, 1.0)] + [past(s, 930.0, 915.0, 930.0) for s in (1.3, 2.0)]
    job = PastJob(BEGIN + 1.1 * SEASON, "rings", ("middle",))
    (effect,) = read_history(tests, [job]).jobs
    assert effect.is_real
    assert effect.against_others
    assert effect.gain_percent.value == pytest.approx(100 * (915 / 850 - 1), abs=0.6)


def test_a_sudden_fall_that_led_to_a_job_is_no_stray_reading() -> None:
    years = [past(s, 931.0, 960.0 - 4.0 * s, 929.0) for s in (0.0, 1.0, 2.0, 2.6)]
    for slow in (years, years[-2:], []):
        falling = [past(3.0, 930.0, 882.0, 930.0), past(3.2, 930.0, 813.0, 930.0)]
        (effect,) = read_history(
            [*slow, *falling, past(3.25, 930.0, 958.0, 930.0)], [PastJob(BEGIN + 3.22 * SEASON, "rings", ("middle",))]
        ).jobs
        assert effect.is_real
        assert effect.gain_percent.value == pytest.approx(100 * (958 / 813 - 1), abs=0.1)
        assert 1.0 < effect.gain_percent.u < 6.0


def test_the_fall_before_a_job_is_not_held_against_what_came_after() -> None:
    tests = [past(s, 930.0, 930.0 * 0.95**s, 930.0) for s in (0.0, 0.3, 1.0)] + [
        past(s, 930.0, 930.0, 930.0) for s in (1.3, 2.0, 2.3)
    ]
    history = read_history(tests, [PastJob(BEGIN + 1.1 * SEASON, "rings", ("middle",))])
    assert not any(t.is_wearing for t in history.trends)


def test_a_job_on_the_whole_engine_is_doubted_when_the_gauge_changed_with_it() -> None:
    before = [past(s, 850.0, 852.0, 849.0, gauge="old") for s in (0.0, 0.3, 1.0)]
    job = PastJob(BEGIN + 1.1 * SEASON, "rings")

    def judged(gauge: str) -> bool:
        after = [past(s, 912.0, 914.0, 911.0, gauge=gauge) for s in (1.3, 2.0, 2.3)]
        effects = read_history(before + after, [job]).jobs
        (mean,) = [e for e in effects if e.cylinder == ""]
        assert len(effects) == 4
        assert not mean.against_others
        assert mean.gain_percent.value == pytest.approx(7.3, abs=1.5)
        return mean.is_real

    assert judged("old")
    assert not judged("new")


def test_a_job_that_did_nothing_is_not_called_a_gain() -> None:
    tests = [past(s, 930.0, 900.0, 930.0) for s in (0.0, 0.3, 1.0, 1.3, 2.0)]
    (effect,) = read_history(tests, [PastJob(BEGIN + 1.1 * SEASON, "rings", ("middle",))]).jobs
    assert not effect.is_real


def test_a_change_of_gauge_is_a_step_of_all_cylinders_and_no_wear() -> None:
    factors = (1.0, 1.0, 1.0, 0.94, 0.94, 0.94)
    seasons = (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)
    tests = [past(s, 930.0 * f, 925.0 * f, 935.0 * f) for s, f in zip(seasons, factors, strict=True)]
    history = read_history(tests)
    assert [step.after_test for step in history.steps] == ["t1.3"]
    assert history.steps[0].percent.value == pytest.approx(-6.0, abs=1.5)
    assert not history.steps[0].gauge_is_known_to_have_changed
    assert not any(t.is_wearing for t in history.trends)
    assert not history.engine_is_falling


@pytest.mark.parametrize(("rates", "falls"), [((0.0, 0.0, -4.5), False), ((-2.0, -1.5, -1.0), True)])
def test_what_one_cylinder_loses_is_not_told_as_lost_by_all_together(rates: tuple[float, ...], falls: bool) -> None:
    seasons = [0.4 * number for number in range(12)]
    tests = [past(s, *(930.0 * (1.0 + rate / 100.0) ** s for rate in rates)) for s in seasons]
    history = read_history(tests)
    assert history.engine_percent is not None
    assert history.engine_percent.value == pytest.approx(-1.5, abs=0.1)
    assert history.engine_is_falling is falls
    assert any("All cylinders together" in line for line in history_sentences(history, len(tests))) is falls


def test_even_wear_is_no_change_of_gauge() -> None:
    tests = [past(s, *(3 * [930.0 * 0.975**s])) for s in (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)]
    assert not read_history(tests).steps


def test_a_bad_reading_is_named() -> None:
    tests = [past(s, 930.0, 925.0, 935.0) for s in (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)]
    tests[2] = replace(tests[2], readings=(*tests[2].readings[:2], PastReading("MAG", 820.0, 4.0)))
    assert read_history(tests).outliers == (("t1", "MAG"),)


def test_wear_can_be_counted_against_the_odometer() -> None:
    tests = [past(i / 2, 930.0, 930.0 * 0.99**i, 930.0, counter=1000.0 * i) for i in range(6)]
    history = read_history(tests, axis=Axis.COUNTER, counter=Counter.KILOMETRES)
    assert history.unit == "1,000 km"
    relative = history.trends[1].against_others_percent
    assert relative is not None
    assert relative.value == pytest.approx(-1.0, abs=0.1)


def test_tests_in_any_order_and_none_at_all_are_read() -> None:
    tests = [past(s, 930.0, 930.0 * 0.97**s, 930.0) for s in (0.0, 1.0, 2.0, 2.5)]
    assert read_history(tests[::-1]).trends == read_history(tests).trends
    assert read_history([]).trends == ()


def test_a_single_cylinder_is_read_by_itself() -> None:
    tests = [PastTest(f"{s}", BEGIN + s * SEASON, (PastReading("PTO", 900.0 * 0.93**s, 4.0),), "g") for s in range(5)]
    (trend,) = read_history(tests).trends
    assert trend.against_others_percent is None
    assert trend.is_wearing


def test_the_whole_fleet_shows_a_change_of_gauge_that_one_machine_hides() -> None:
    rng = np.random.default_rng(5)
    truth = Truth(step_before=3, step=0.05)
    records = [MachineTests(str(i), *map(tuple, machine(rng, World(), truth))) for i in range(5)]
    (step,) = fleet_steps(records)
    assert step.percent.value == pytest.approx(5.0, abs=2.5)
    assert len(step.machines) == 5
    assert records[0].tests[2].at - timedelta(days=20) < step.at < records[0].tests[3].at + timedelta(days=20)
    known = read_history(records[0].tests, gauge_moved=[step.moved])
    assert any(abs(s.at - step.at) < timedelta(days=400) for s in known.steps)


def test_the_machine_that_wears_goes_before_the_one_that_does_not() -> None:
    now = BEGIN + 3 * SEASON
    sound = read_history([past(s, 930.0, 928.0, 932.0) for s in (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)])
    wearing = read_history([past(s, 930.0, 930.0 * 0.98**s, 930.0) for s in (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)])

    def standing(machine_id: str, word: VerdictWord | None, history: object) -> Standing:
        return Standing(machine_id, machine_id, word, BEGIN + 2.3 * SEASON, history, 90.0)  # type: ignore[arg-type]

    ranked = rank_fleet(
        [
            standing("a-sound", VerdictWord.CONSISTENT, sound),
            standing("b-wearing", VerdictWord.CONSISTENT, wearing),
            standing("c-low", VerdictWord.INVESTIGATE, sound),
        ],
        now,
    )
    assert [r.machine for r in ranked] == ["c-low", "b-wearing", "a-sound"]
    assert ranked[1].units_left == pytest.approx(3.0, abs=0.4)  # 4.5 % of 10 % are gone, 2 % a season
    assert "middle" in ranked[1].reasons[0]


def test_planted_faults_are_found_in_a_small_share_of_the_benchmark() -> None:
    """The rates over many fleets are measured by tests/benchmarks/fleet_history.py; here a seeded share of it."""
    total = score(12, World(), seed=7)
    assert total.wear_missed.rate <= 0.25
    assert total.wear_false_alarm.rate <= 0.15
    assert total.one_job_missed.rate <= 0.1
    assert total.no_gain_called_real.rate <= 0.25
    assert total.fleet_step_missed.rate <= 0.25


@pytest.mark.parametrize("apart", [0.0, 1e-9, 2e-6, 1e-4])
def test_tests_of_one_day_make_no_trend_and_no_trouble(apart: float) -> None:
    tests = [
        replace(past(i * apart, 930.0, 900.0 + 20.0 * i, 930.0, counter=1200.0), test_id=f"t{i}") for i in range(4)
    ]
    for axis in Axis:
        history = read_history(tests, [PastJob(BEGIN + 2.5 * apart * SEASON, "rings", ("middle",))], axis=axis)
        assert not any(trend.is_wearing for trend in history.trends)
        assert all(np.isfinite(trend.percent.value) and np.isfinite(trend.level_kpa.value) for trend in history.trends)


def _read_by(gauge: str, name: str, step: float, seed: int) -> MachineTests:
    """Ten even tests of a triple within thirteen months, all readings stepping after the fifth."""
    rng = np.random.default_rng(seed)
    tests = []
    for k in range(10):
        day = 0.012 * rng.normal() + (np.log1p(step) if k >= 5 else 0.0)
        kpa = [950.0 * float(np.exp(day + 0.008 * rng.normal())) for _ in CYLINDERS]
        read = tuple(PastReading(c, value, 8.0, gauge) for c, value in zip(CYLINDERS, kpa, strict=True))
        tests.append(PastTest(f"{name}-{k}", BEGIN + timedelta(days=40.0 * k + seed), read, gauge))
    return MachineTests(name, tuple(tests))


def test_a_gauge_that_moved_says_nothing_of_a_machine_that_another_gauge_read() -> None:
    moved = [_read_by("amber", f"m{seed}", 0.07, seed) for seed in range(4)]
    other = _read_by("bravo", "m5", 0.0, 7)
    (step,) = fleet_steps([*moved, other])
    assert (step.gauge_before, step.gauge_after) == ("amber", "amber")
    assert step.machines == ("m0", "m1", "m2", "m3")
    assert step.percent.value == pytest.approx(7.0, abs=2.5)
    assert read_history(other.tests, gauge_moved=[step.moved]) == read_history(other.tests)
    (told,) = read_history(moved[0].tests, gauge_moved=[step.moved]).steps
    assert (told.after_test, told.gauge_is_known_to_have_changed) == ("m0-5", False)


def test_of_a_machine_that_two_gauges_read_only_the_moved_one_s_readings_step() -> None:
    """Every other test by the gauge that did not move: its readings stay where they are, and the fit knows."""
    amber, bravo = _read_by("amber", "m0", 0.07, 1), _read_by("bravo", "m0", 0.0, 2)
    mixed = tuple((amber if k % 2 else bravo).tests[k] for k in range(10))
    moved = GaugeMoved(BEGIN + timedelta(days=185), "amber", "amber")
    model = Model(mixed, (), positions(mixed, Axis.DATE, Counter.HOURS), HistoryRules())
    split = Split(5, "amber", "amber")
    size = model.fit([split], wear=1.0).combined({split.name: 1.0})
    assert size.value == pytest.approx(np.log(1.07), abs=2.0 * size.u)
    history = read_history(mixed, gauge_moved=[moved])
    assert all(step.after_test == "m0-5" and step.gauge_after == "amber" for step in history.steps)


def test_a_gauge_that_took_another_s_place_is_found_from_all_machines_and_two_in_turn_are_not() -> None:
    def then(records: MachineTests, after: str) -> MachineTests:
        tests = []
        for k, test in enumerate(records.tests):
            gauge = test.gauge if k < 5 else after
            read = tuple(replace(one, gauge=gauge) for one in test.readings)
            tests.append(replace(test, gauge=gauge, readings=read))
        return MachineTests(records.machine, tuple(tests))

    changed = [then(_read_by("amber", f"m{seed}", 0.07, seed), "bravo") for seed in range(4)]
    (step,) = fleet_steps(changed)
    assert (step.gauge_before, step.gauge_after) == ("amber", "bravo")
    assert len(step.machines) == 4
    amber, bravo = _read_by("amber", "m0", 0.0, 1), _read_by("bravo", "m0", 0.0, 2)
    in_turn = MachineTests("m0", tuple((amber if k % 2 else bravo).tests[k] for k in range(10)))
    assert not fleet_steps([in_turn])


def test_a_step_that_others_tests_tell_of_is_not_told_where_this_machine_s_tests_deny_it() -> None:
    still = _read_by("amber", "m9", 0.0, 9)
    unknown = GaugeMoved(still.tests[5].at, "amber", "amber")
    assert read_history(still.tests, gauge_moved=[unknown]).steps == ()
    assert read_history(still.tests, gauge_moved=[replace(unknown, percent=Estimate(15.0, 1.0))]).steps == ()
    (told,) = read_history(still.tests, gauge_moved=[replace(unknown, percent=Estimate(1.0, 1.0))]).steps
    assert told.percent == Estimate(1.0, 1.0)
