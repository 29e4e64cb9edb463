"""The report in a terminal, the history of a machine and the ranking of a fleet, and what they say in words."""

from dataclasses import replace
from datetime import UTC, datetime
from io import StringIO

import pytest
from rich.console import Console

from gaugelink.report.terminal import fleet_table, history_table, verdict_table
from gaugelink.report.words import CAUTIONS, advice_of, finding_order, history_sentences
from gaugelink.verdict.fleet import FleetStep, Ranked
from gaugelink.verdict.history import CommonStep, JobEffect, Trend
from gaugelink.verdict.past import PastJob
from gaugelink.verdict.robust import Estimate
from tests.report.samples import AT, PSI, sample_report
from tests.zones import living_in


def test_causes_and_tests_are_told_once() -> None:
    asking, _ = finding_order(sample_report())
    advice = advice_of(asking)
    told = [test for item in advice for test in item.next_tests]
    assert len(told) == len(set(told))
    causes = [item.causes for item in advice if item.causes]
    assert len(causes) == len(set(causes))


def test_the_terminal_says_the_same_in_eighty_columns() -> None:
    data = sample_report()
    console = Console(width=80, record=True, file=StringIO())
    console.print(verdict_table(data))
    assert data.history is not None
    console.print(history_table(data.history, data.unit))
    console.print(fleet_table([Ranked("a", "North 7", 50.0, ("its last test says watch",), None)]))
    words = " ".join(console.export_text().split())
    for text in ("investigate", "134 ± 3", "wearing", "North 7", "against the others"):
        assert text in words


@pytest.mark.parametrize("asks", [True, False])
def test_a_terminal_that_sends_somebody_to_the_engine_says_what_may_hurt_there(asks: bool) -> None:
    data = sample_report()
    if not asks:
        findings = tuple(replace(finding, next_tests=()) for finding in data.verdict.findings)
        data = replace(data, verdict=replace(data.verdict, findings=findings))
    console = Console(width=80, record=True, file=StringIO())
    console.print(verdict_table(data))
    words = " ".join(console.export_text().split())
    for caution in CAUTIONS:
        assert (caution in words) is asks, caution


def test_a_history_leaves_out_empty_columns_and_says_what_a_season_is() -> None:
    history = sample_report().history
    assert history is not None
    once = replace(history.trends[0], tests=1, below_others_percent=None)

    def shown(trends: tuple[Trend, ...]) -> str:
        console = Console(width=120, record=True, file=StringIO())
        console.print(history_table(replace(history, trends=trends), PSI))
        return console.export_text()

    assert "A season is a year." in shown(history.trends)
    assert "season" not in shown((once,))
    assert "against the others" not in shown((once,))
    assert "tests since a job" in shown((once,))


def test_the_level_of_a_history_is_told_as_the_fit_s_and_not_as_a_reading() -> None:
    history = sample_report().history
    assert history is not None
    table = history_table(history, PSI)
    assert table.columns[1].header == "now, at sea level, psi"
    assert str(table.caption).startswith("Now is by the fit of all tests.")
    once = replace(history.trends[0], tests=1)
    assert history_table(replace(history, trends=(once,)), PSI).caption is None


def test_a_trend_that_rounds_to_nothing_is_not_below_nothing() -> None:
    history = sample_report().history
    assert history is not None
    nothing = replace(history.trends[0], percent=Estimate(-0.02, 0.6), against_others_percent=Estimate(-0.04, 0.3))
    nothing = replace(nothing, below_others_percent=0.03)
    table = history_table(replace(history, trends=(nothing,)), PSI)
    cells = [next(iter(column.cells)) for column in table.columns]
    assert cells[2:5] == ["+0.0 ± 1.2", "+0.0 ± 0.6", "+0.0 %"]
    step = FleetStep(AT, Estimate(-0.03, 0.5), ("a", "b"))
    console = Console(width=120, record=True, file=StringIO())
    console.print(fleet_table([], [step]))
    assert "moved +0.0 ± 1.0 % together" in console.export_text()


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("", "", "All 2 machines moved"),
        ("amber", "amber", "All 2 machines read with amber moved"),
        ("amber", "bravo", "All 2 machines read with amber and then bravo moved"),
    ],
)
def test_a_step_of_the_fleet_names_the_gauge_that_moved(before: str, after: str, told: str) -> None:
    step = FleetStep(AT, Estimate(5.0, 0.5), ("a", "b"), before, after)
    console = Console(width=120, record=True, file=StringIO())
    console.print(fleet_table([], [step]))
    assert told in console.export_text()


def test_jobs_and_steps_are_told_by_the_day_that_it_was_at_the_shop() -> None:
    at = datetime(2025, 11, 11, 3, 0, tzinfo=UTC)
    history = sample_report().history
    assert history is not None
    effect = JobEffect(PastJob(at, "rings"), "PTO", Estimate(4.0, 0.5), True, True)
    step = CommonStep("t", at, Estimate(5.0, 1.0), "amber", "amber")
    told = replace(history, jobs=(effect,), steps=(step,))
    with living_in("America/Vancouver"):
        said = " ".join(history_sentences(told, 3))
    assert said.count("2025-11-10") == 2
