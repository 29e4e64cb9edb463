"""Reports at their edges: readings cut short, many cylinders, long names, nothing read, and what nobody should read."""

import warnings
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from gaugelink.engine.fleet import EngineRecord
from gaugelink.peak.events import Flag
from gaugelink.report.data import ReportData
from gaugelink.report.html import report_html, traces_figure
from gaugelink.report.look import drawn
from gaugelink.report.page import A4_IN, PNG_DPI, _foot_top, _page, report_png
from gaugelink.report.plots import draw_engine, draw_history
from gaugelink.report.words import DOUBTED_EXPLAINED, advice_of, history_lines, reading_rows
from gaugelink.verdict.findings import RuleName, TestVerdict, VerdictWord
from gaugelink.verdict.history import read_history
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.past import PastJob, PastReading, PastTest
from tests.report.samples import AT, PSI, TRIPLE, reading, sample_report

CYLINDERS = TRIPLE.cylinder_names


def engine(*names: str) -> EngineRecord:
    return EngineRecord.model_validate(
        {"id": "e", "name": "E", "cycle": 4, "layout": "listed", "cylinders": list(names)}
    )


def many(count: int) -> ReportData:
    """A test of so many cylinders, the last of them far too low."""
    names = [f"c{number}" for number in range(1, count + 1)]
    psi = [134.0] * (count - 1) + [60.0]
    return sample_report(tuple(psi), engine=engine(*names), with_history=False)


def risen(flag: Flag) -> ReportData:
    """The sample with its low cylinder's reading in doubt, in the test and in the last of the seasons."""
    data = sample_report((134.0, 113.0, 133.0))
    items = [
        reading(name, psi, made)
        for name, psi, made in zip(TRIPLE.cylinder_names, (134.0, 113.0, 133.0), data.traces, strict=True)
    ]
    items[1] = replace(items[1], flags=frozenset({flag}))
    pto, middle, mag = data.past[-1].readings
    past = (*data.past[:-1], replace(data.past[-1], readings=(pto, replace(middle, doubted=True), mag)))
    verdict: TestVerdict = judge_test(TRIPLE, items, data.verdict.conditions, unit=PSI)
    return replace(data, verdict=verdict, past=past, history=read_history(past, data.jobs))


@pytest.mark.parametrize("flag", [Flag.STILL_RISING, Flag.OVER_RANGE, Flag.SHORT_RECORD])
def test_a_cylinder_whose_top_was_not_seen_has_at_least_so_much(flag: Flag) -> None:
    data = risen(flag)
    pto, middle, _ = reading_rows(data)
    assert middle.reading.startswith("at least 113 ± ")
    assert middle.sea_level.startswith("at least ")
    assert not pto.reading.startswith("at least")
    page = report_html(data)
    assert "<td>at least 113 ± " in page
    assert "≥ 113" in page


def test_a_reading_in_doubt_is_told_no_cause_of() -> None:
    data = risen(Flag.STILL_RISING)
    assert data.verdict.word is VerdictWord.RETEST
    low = next(f for f in data.verdict.findings if f.rule is RuleName.LOWEST_OF_HIGHEST)
    assert not low.firm
    assert "worn or stuck rings" in low.causes
    assert "worn or stuck rings" not in data.verdict.causes
    assert "worn or stuck rings" not in [cause for one in advice_of(data.verdict.findings) for cause in one.causes]
    firm = sample_report((134.0, 113.0, 133.0)).verdict
    assert "worn or stuck rings" in [cause for one in advice_of(firm.findings) for cause in one.causes]


def test_the_seasons_show_a_reading_in_doubt_beside_the_line() -> None:
    data = risen(Flag.STILL_RISING)
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    draw_history(axes, data)
    hollow = [line for line in axes.lines if line.get_linestyle() == "None" and np.size(line.get_xdata())]
    assert [np.size(line.get_xdata()) for line in hollow] == [1]
    solid = [line for line in axes.lines if line.get_color() == hollow[0].get_color() and line not in hollow]
    assert [np.size(line.get_xdata()) for line in solid if line.get_marker() != "None"] == [len(data.past) - 1]
    assert DOUBTED_EXPLAINED in history_lines(data)
    assert DOUBTED_EXPLAINED not in history_lines(sample_report())


@pytest.mark.parametrize("names", [("PTO $x^2$", "$", "$\\frac$", "100 % \\n <b>&")])
def test_a_dollar_sign_in_a_name_is_a_dollar_sign(names: tuple[str, ...], tmp_path: Path) -> None:
    data = sample_report((134.0,) * len(names), engine=engine(*names), with_history=False)
    data = replace(data, machine="The $5 one $\\alpha")
    report_png(data, tmp_path / "page.png")
    assert "$x^2$" in report_html(data)
    assert "<b>&" not in report_html(data)


def _boxes(data: ReportData) -> Iterator[tuple[str, float, float]]:
    """The texts over and under the cylinders with their left and right ends, in dots."""
    with drawn("test"):
        figure = Figure(figsize=(4.6, 2.7))
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0.08, 0.02, 0.91, 0.95))
        draw_engine(axes, data)
        canvas.draw()
        for text in axes.texts:
            box = text.get_window_extent()
            yield text.get_text().replace("\n", " "), box.x0, box.x1


@pytest.mark.parametrize("count", [1, 2, 6, 12, 16])
def test_what_is_written_over_the_cylinders_does_not_run_together(count: int) -> None:
    values = [box for box in _boxes(many(count)) if box[0] in ("134", "60")]
    assert len(values) == count
    ordered = sorted(values, key=lambda box: box[1])
    assert all(left[2] <= right[1] + 1.0 for left, right in pairwise(ordered))


def test_names_of_any_length_stay_with_their_cylinders() -> None:
    names = ("the foremost one of the port side bank", "second", "a" * 64, "b" * 40)
    data = sample_report((134.0,) * 4, engine=engine(*names), with_history=False)
    found = [box for box in _boxes(data) if box[0].rstrip("…") and any(n.startswith(box[0].rstrip("…")) for n in names)]
    assert len(found) == 4
    for a, b in combinations(found, 2):
        assert a[2] <= b[1] + 2.0 or b[2] <= a[1] + 2.0


@pytest.mark.parametrize("count", [3, 12, 24])
def test_traces_stay_above_the_foot_and_those_of_low_cylinders_go_first(count: int) -> None:
    data = many(count)
    with drawn("page"):
        figure = _page(data)
        floor = _foot_top(figure)
        titles = [axes.get_title(loc="left") for axes in figure.axes]
        for axes in figure.axes:
            assert axes.get_position().y0 > floor
    assert any(title.startswith(f"c{count},") for title in titles)
    assert A4_IN[1] > A4_IN[0]


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_every_number_beside_a_trace_is_on_the_page(count: int) -> None:
    """With one cylinder 150 psi stood there as 0: two thirds of the number were beyond the drawing's edge."""
    data = many(count)
    shown = [trace for name in data.engine.cylinder_names if (trace := data.trace_of(name)) is not None]
    assert len(shown) == count
    with drawn("page"):
        figure = traces_figure(data, shown)
        figure.canvas.draw()
        edges = [label.get_window_extent().x0 for axes in figure.axes for label in axes.get_yticklabels()]
    assert min(edges) >= 0.0


def test_nothing_read_anywhere_is_no_sound_engine(tmp_path: Path) -> None:
    for psi in (0.0, 1e-9, 8.0):
        data = sample_report((psi,) * 3, engine=engine("1", "2", "3"), with_history=False)
        assert data.verdict.word is VerdictWord.RETEST
        assert "no cranking pressure" in data.verdict.summary
        assert not any("-0" in cell for row in reading_rows(data) for cell in row.cells)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        report_png(data, tmp_path / "page.png")
    banded = sample_report((0.0, 0.0, 0.0))
    assert banded.verdict.word is VerdictWord.RETEST
    assert sample_report((0.0, 134.0, 133.0)).verdict.word is VerdictWord.INVESTIGATE


def test_no_bar_reaches_into_the_plan_of_the_engine() -> None:
    data = sample_report((8.0, 8.0, 8.0), engine=engine("1", "2", "3"), with_history=False)
    wide = tuple(replace(one, peak_u_kpa=200.0, u_random_kpa=100.0) for one in data.verdict.readings)
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    draw_engine(axes, replace(data, verdict=replace(data.verdict, readings=wide)))
    bars = [line for line in axes.lines if line.get_zorder() == 5]
    assert len(bars) == 6
    assert min(float(np.min(np.asarray(line.get_ydata()))) for line in bars) >= 0.0


def years(count: int) -> ReportData:
    """So many years of two tests each, with a job in every one of them."""
    rng = np.random.default_rng(3)
    data = sample_report()
    tests, jobs = [], []
    for k in range(2 * count):
        at = AT - timedelta(days=182 * (2 * count - k))
        read = tuple(PastReading(name, float(930.0 * np.exp(rng.normal(0.0, 0.01))), 7.0) for name in CYLINDERS)
        tests.append(PastTest(f"t{k}", at, read, "bench-1"))
        if k % 2:
            jobs.append(PastJob(at + timedelta(days=3), "new rings and a hone, both sides", (CYLINDERS[k % 3],)))
    return replace(data, past=tuple(tests), jobs=tuple(jobs), history=read_history(tests, jobs))


@pytest.mark.parametrize("months", [0.01, 1, 5, 17, 29, 30, 33, 36, 40, 70, 130, 300])
def test_seasons_of_any_length_have_their_dates(months: float) -> None:
    data = sample_report()
    apart = [replace(data.past[0], at=AT - timedelta(days=30.5 * months)), replace(data.past[-1], at=AT)]
    with drawn("test"), warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = Figure(figsize=(5.2, 2.5))
        canvas = FigureCanvasAgg(figure)
        axes = figure.subplots()
        draw_history(axes, replace(data, past=tuple(apart), jobs=(), history=read_history(apart)))
        canvas.draw()
        assert 2 <= len([label for label in axes.get_xticklabels() if label.get_text()]) <= 9


@pytest.mark.parametrize("count", [3, 6])
def test_jobs_of_many_years_can_be_read_and_stay_on_the_drawing(count: int) -> None:
    data = years(count)
    with drawn("test"):
        figure = Figure(figsize=(5.2, 2.5))
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0.09, 0.11, 0.90, 0.86))
        draw_history(axes, data)
        canvas.draw()
        boxes = [text.get_window_extent() for text in axes.texts if text.get_text().startswith("new rings")]
        edge = axes.get_window_extent()
    assert len(boxes) == count
    assert all(edge.x0 - 1.0 <= box.x0 and box.x1 <= edge.x1 + 1.0 for box in boxes)
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2))


def test_what_many_years_say_stays_above_the_foot() -> None:
    with drawn("page"):
        figure = _page(years(14))
        floor = _foot_top(figure)
        said = [text for text in figure.texts if text.get_text().startswith(("After new rings", "more of the seasons"))]
        assert said
        assert all(text.get_position()[1] > floor for text in said)
        assert any("more of the seasons in the HTML report" in text.get_text() for text in figure.texts)


@pytest.mark.parametrize("letters", range(50, 80, 3))
def test_a_long_name_ends_before_the_verdict_at_the_resolution_of_the_picture(letters: int) -> None:
    whole = "Groomer of the upper lodge, long track, winch and Anh\N{LATIN SMALL LETTER A WITH DIAERESIS}nger, red, "
    data = replace(sample_report(), machine=(2 * whole)[:letters])
    with drawn("page"):
        figure = _page(data)
        figure.dpi = PNG_DPI
        renderer = FigureCanvasAgg(figure).get_renderer()
        texts = {text.get_text(): text.get_window_extent(renderer) for text in figure.texts}
        name = next(box for words, box in texts.items() if words.startswith("Groomer"))
        # An eighth of an inch, nine points.
        assert texts[data.word].x0 - name.x1 > PNG_DPI / 8.0


def test_long_notes_leave_the_page_what_the_test_says() -> None:
    notes = ("oil under the pump, coolant runs out; " * 12, "wet with fuel " * 30, "x" * 500, "short", "the fifth")
    data = replace(sample_report(), noted=notes)
    with drawn("page"):
        figure = _page(data)
        floor = _foot_top(figure)
        placed = [(text.get_text(), text.get_position()[1]) for text in figure.texts]
        assert all(axes.get_position().y0 > floor for axes in figure.axes)
    heads = dict(placed)
    assert heads["What asks for attention"] > floor
    told = " ".join(words for words, y in placed if y > floor)
    assert "The notes in full are in the report as HTML and in the history." in told
    assert "more in the HTML report" not in " ".join(words for words, y in placed if y <= floor)
    assert all(" ".join(note.split()) in " ".join(report_html(data).split()) for note in notes)
    # Few and short ones are on the page as they are.
    with drawn("page"):
        few = " ".join(text.get_text() for text in _page(replace(data, noted=("slow to start",))).texts)
    assert "note: slow to start" in few
    assert "The notes in full" not in few


def test_seasons_without_a_reading_that_counts_are_not_told_to_be_sound() -> None:
    data = sample_report()
    empty = tuple(
        replace(test, readings=tuple(replace(one, doubted=True) for one in test.readings)) for test in data.past
    )
    lines = history_lines(replace(data, past=empty, history=read_history(empty)))
    assert lines == ("No reading of these tests tells of wear.", DOUBTED_EXPLAINED)
