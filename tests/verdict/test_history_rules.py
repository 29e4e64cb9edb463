"""What a history may call wear, a gain and a step: shared chances, small losses, jobs beside changes of gauge."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from gaugelink.engine.fleet import Counter
from gaugelink.verdict.findings import VerdictWord
from gaugelink.verdict.fleet import Standing, rank_fleet
from gaugelink.verdict.history import read_history
from gaugelink.verdict.history_fit import positions
from gaugelink.verdict.past import Axis, GaugeMoved, HistoryRules, PastJob, PastReading, PastTest
from gaugelink.verdict.robust import fit_huber
from tests.verdict.test_history import BEGIN, SEASON, past

SEASONS = (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)


def test_a_machine_of_many_cylinders_is_not_called_wearing_the_more_often_for_them() -> None:
    """5 % for all cylinders together; twelve by themselves, each beyond two standard uncertainties, would be 24 %."""
    rng = np.random.default_rng(8)
    names = [str(number) for number in range(1, 13)]
    rules = HistoryRules(slowest_wear_percent=0.0)
    called = 0
    for _ in range(40):
        tests = [
            PastTest(
                f"t{season:g}",
                BEGIN + season * SEASON,
                tuple(PastReading(n, 930.0 * float(np.exp(rng.normal(0.0, 0.0075))), 0.0075 * 930.0) for n in names),
                "g",
            )
            for season in SEASONS
        ]
        called += any(trend.is_wearing for trend in read_history(tests, rules=rules).trends)
    assert called <= 6


@pytest.mark.parametrize(("slowest_percent", "wearing"), [(0.5, False), (0.0, True)])
def test_wear_that_is_nobody_s_business_is_called_none_however_sure_it_is(
    slowest_percent: float, wearing: bool
) -> None:
    """0.3 % a season, read to 0.02 %."""
    tests = [past(s, 930.0, 930.0 * 0.997**s, 930.0) for s in SEASONS]
    sharp = [replace(t, readings=tuple(replace(r, u_random_kpa=0.2) for r in t.readings)) for t in tests]
    history = read_history(sharp, rules=HistoryRules(slowest_wear_percent=slowest_percent))
    assert history.trends[1].is_wearing is wearing


def test_a_cylinder_that_does_not_fall_reaches_no_limit() -> None:
    history = read_history([past(s, 930.0, 900.0 * 1.01**s, 930.0) for s in SEASONS])
    assert history.trends[1].judged.value > 0.0
    assert history.trends[1].units_left(90.0) is None


def test_a_job_on_two_of_three_cylinders_is_held_against_the_third() -> None:
    tests = [past(s, 850.0, 856.0, 930.0) for s in (0.0, 0.3, 1.0)] + [past(s, 915.0, 921.0, 931.0) for s in (1.3, 2.0)]
    effects = read_history(tests, [PastJob(BEGIN + 1.1 * SEASON, "rings", ("PTO", "middle"))]).jobs
    assert [effect.cylinder for effect in effects] == ["PTO", "middle", ""]
    for effect in effects:
        assert effect.against_others
        assert effect.is_real
        assert effect.gain_percent.value == pytest.approx(100.0 * (915.0 / 850.0 - 1.0), abs=0.8)


@pytest.mark.parametrize(
    ("before", "after", "real"), [("g", "g", True), ("g", "", False), ("", "g", False), ("", "", False)]
)
def test_a_job_on_the_whole_engine_is_doubted_by_gauges_that_nobody_named(before: str, after: str, real: bool) -> None:
    """6 % more, and two gauges that may each be off by 3 %."""
    tests = [past(s, 880.0, 882.0, 879.0, gauge=before) for s in (0.0, 0.3, 1.0)]
    tests += [past(s, 933.0, 935.0, 932.0, gauge=after) for s in (1.3, 2.0, 2.3)]
    (mean,) = (e for e in read_history(tests, [PastJob(BEGIN + 1.1 * SEASON, "rings")]).jobs if not e.cylinder)
    assert mean.gain_percent.value == pytest.approx(6.0, abs=1.5)
    assert mean.is_real is real


def stepped(share: float = 0.94) -> list[PastTest]:
    """A triple whose readings all step after the third of six tests."""
    factors = (1.0, 1.0, 1.0, share, share, share)
    return [past(s, 930.0 * f, 925.0 * f, 935.0 * f) for s, f in zip(SEASONS, factors, strict=True)]


@pytest.mark.parametrize(
    ("season", "cylinders", "told"),
    [(1.1, (), False), (0.5, (), True), (2.1, (), True), (1.1, ("middle",), True)],
    ids=["whole engine between", "whole engine before", "whole engine after", "one cylinder between"],
)
def test_only_a_job_on_the_whole_engine_between_two_tests_explains_a_common_step(
    season: float, cylinders: tuple[str, ...], told: bool
) -> None:
    history = read_history(stepped(), [PastJob(BEGIN + season * SEASON, "rings", cylinders)])
    assert ([step.after_test for step in history.steps] == ["t1.3"]) is told


@pytest.mark.parametrize("share", [0.94, 1.06])
def test_a_move_of_a_gauge_that_is_known_is_told_up_or_down(share: float) -> None:
    tests = stepped(share)
    (step,) = read_history(tests, gauge_moved=[GaugeMoved(tests[3].at - timedelta(days=5), "g", "g")]).steps
    assert step.percent.value == pytest.approx(100.0 * (share - 1.0), abs=1.5)
    assert (step.gauge_before, step.gauge_after) == ("g", "g")


@pytest.mark.parametrize(("counter", "scale"), [(Counter.HOURS, 100.0), (Counter.KILOMETRES, 1000.0)])
def test_a_counter_is_read_from_the_first_test_on(counter: Counter, scale: float) -> None:
    counts = (1200.0, 1250.0, 1500.0)
    tests = [past(float(k), 930.0, 930.0, 930.0, counter=count) for k, count in enumerate(counts)]
    assert positions(tests, Axis.COUNTER, counter) == pytest.approx([0.0, 50.0 / scale, 300.0 / scale])
    assert positions(tests) == pytest.approx([0.0, 1.0, 2.0])


def fitted(residual: np.ndarray) -> tuple[float, np.ndarray, float]:
    """Scale, weights and level of the fit of one level to readings of standard uncertainty 1."""
    count = residual.size
    fit = fit_huber({"a": 0}, np.ones((count, 1)), residual, np.ones(count), np.array([np.inf]), np.ones(count, bool))
    return fit.scale, fit.weights, fit.combined({"a": 1.0}).value


def test_scatter_that_chance_explains_is_left_alone_and_more_is_not() -> None:
    """Upper 10 % point of chi-square for 19 degrees of freedom: 27.20 (NIST/SEMATECH e-Handbook, 1.3.6.7.4)."""
    even = np.where(np.arange(20) % 2, 1.0, -1.0)
    for squares, raised in ((18.0, False), (26.5, False), (28.0, True), (60.0, True)):
        scale, weights, _ = fitted(even * (squares / 20.0) ** 0.5)
        assert scale == pytest.approx((squares / 19.0) ** 0.5 if raised else 1.0)
        assert np.all(weights == 1.0)


def test_one_bad_reading_among_calm_ones_makes_the_others_no_less_certain() -> None:
    """The median of the residuals does not see it (Huber and Ronchetti, Robust Statistics, 2009, chapter 5)."""
    calm = np.where(np.arange(12) % 2, 0.4, -0.4)
    calm[3] = 12.0
    scale, weights, level = fitted(calm)
    assert scale == 1.0
    assert weights[3] == pytest.approx(1.345 / abs(12.0 - level), rel=1e-4)
    assert np.all(np.delete(weights, 3) == 1.0)
    assert abs(level) < 0.3


def test_weights_go_by_the_scatter_that_is_seen() -> None:
    """Huber's rule: 1.345 times the scale over the residual, beyond 1.345 times the scale."""
    rng = np.random.default_rng(6)
    residual = 3.0 * rng.normal(size=40)
    residual[:3] = (14.0, -15.0, 20.0)
    scale, weights, level = fitted(residual)
    assert 2.0 < scale < 5.0
    expected = np.minimum(1.0, 1.345 * scale / np.abs(residual - level))
    assert weights == pytest.approx(expected, rel=1e-3)


def test_who_needs_attention_first_goes_by_the_last_word_and_then_by_how_long_ago_it_was() -> None:
    """No source; a machine that nobody tested goes before one that was sound."""
    now, empty = BEGIN + 3 * SEASON, read_history([])
    words = {
        "e-sound": VerdictWord.CONSISTENT,
        "d-sound-long-ago": VerdictWord.CONSISTENT,
        "c-watch": VerdictWord.WATCH,
        "b-again": VerdictWord.RETEST,
        "a-look": VerdictWord.INVESTIGATE,
        "f-sound": VerdictWord.CONSISTENT,
        "n-never": None,
    }
    standings = [
        Standing(
            name, name, word, None if word is None else BEGIN + (0.5 if "ago" in name else 2.9) * SEASON, empty, 90.0
        )
        for name, word in words.items()
    ]
    ranked = rank_fleet(standings, now)
    assert [one.machine for one in ranked] == [
        "a-look",
        "b-again",
        "c-watch",
        "n-never",
        "d-sound-long-ago",
        "e-sound",
        "f-sound",
    ]
    reasons = {one.machine: one.reasons for one in ranked}
    assert reasons["a-look"] == ("its last test says investigate",)
    assert reasons["n-never"] == ("never tested",)
    assert reasons["d-sound-long-ago"] == ("last tested 913 days ago",)
    assert reasons["e-sound"] == ("nothing in its record asks for attention",)


def test_a_cylinder_that_is_sooner_at_its_limit_goes_first() -> None:
    slow, fast = (read_history([past(s, 930.0, 930.0 * share**s, 930.0) for s in SEASONS]) for share in (0.98, 0.965))
    ranked = rank_fleet(
        [Standing(name, name, None, None, history, 90.0) for name, history in (("a", slow), ("b", fast))], BEGIN
    )
    assert [one.machine for one in ranked] == ["b", "a"]
    # ln(0.9)/ln(0.965) = 2.96 seasons from even, less the 2.3 that are gone.
    assert ranked[0].units_left == pytest.approx(2.96 - 2.3, abs=0.15)
