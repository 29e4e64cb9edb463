"""The drawings of a report: a trace says which pull it is and when, the seasons are drawn as far apart as they are."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from gaugelink.peak.events import CrankingEvent, GaugeKind, Method, Stroke
from gaugelink.report.data import trace_of_event
from gaugelink.report.look import drawn
from gaugelink.report.page import A4_IN
from gaugelink.report.plots import draw_history, draw_trace
from gaugelink.verdict.past import PastReading, PastTest
from tests.report.samples import AT, PSI, sample_report, with_three_pulls


def test_a_trace_says_which_pull_it_is_and_it_is_one_that_counts() -> None:
    data = with_three_pulls()
    trace = data.trace_of("MAG")
    assert trace is not None
    assert trace.event_id == "c"
    axes = Figure().add_subplot()
    draw_trace(axes, data, trace, trace.peak_kpa, 2.5)
    assert axes.get_title("left").startswith("MAG, pull 3 of 3, ")
    pto = data.trace_of("PTO")
    assert pto is not None
    draw_trace(axes, data, pto, pto.peak_kpa, 2.5)
    assert "pull" not in axes.get_title("left")


@pytest.mark.parametrize("u_kpa", [0.0, 4.0])
def test_seasons_that_differ_by_little_are_drawn_as_such_with_what_each_reading_may_be_off(u_kpa: float) -> None:
    data = sample_report()
    # 156.6 to 158.0 psi: 0.9 % of the level, which is no more than one cranking differs from the next.
    levels = [PSI.to_kpa(psi) for psi in (158.0, 157.4, 156.6)]
    past = tuple(
        PastTest(f"t{i}", AT - timedelta(days=365 * (3 - i)), (PastReading("PTO", level, u_kpa),))
        for i, level in enumerate(levels)
    )
    with drawn("test"):
        axes = Figure(figsize=A4_IN).add_axes((0.1, 0.5, 0.8, 0.2))
        draw_history(axes, replace(data, past=past, jobs=(), history=None))
    low, high = axes.get_ylim()
    assert high - low >= 0.1 * 157.0
    (bars,) = (found for found in axes.collections if isinstance(found, LineCollection))
    lengths = [float(path[1, 1] - path[0, 1]) for path in bars.get_segments()]
    # Expanded uncertainty: twice the standard one on each side (JCGM 100:2008, 6.2).
    assert lengths == pytest.approx([4.0 * PSI.from_kpa(u_kpa)] * 3)


@pytest.mark.parametrize("longest_s", [0.1, 0.9, 1.5, 2.0, 2.5, 3.1, 9.7, 42.0])
@pytest.mark.parametrize("columns", [1, 2, 3, 4])
def test_the_unit_of_time_stands_at_a_number_and_nothing_prints_onto_another(longest_s: float, columns: int) -> None:
    data = with_three_pulls()
    with drawn("test"):
        figure = Figure(figsize=A4_IN)
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0.1, 0.5, (0.9 - 0.035 * (columns - 1)) / columns - 0.02, 0.1))
        draw_trace(axes, data, data.traces[0], data.traces[0].peak_kpa, longest_s)
        canvas.draw()
        labels = [label for label in axes.get_xticklabels() if label.get_text()]
        assert [label.get_text().endswith(" s") for label in labels] == [False] * (len(labels) - 1) + [True]
        assert axes.get_xlabel() == ""
        boxes = [label.get_window_extent(canvas.get_renderer()) for label in labels]
    assert all(left.x1 < right.x0 for left, right in pairwise(boxes))


def test_a_trace_is_made_of_an_event_with_and_without_samples() -> None:
    event = CrankingEvent(
        kind=GaugeKind.HELD,
        start_s=10.0,
        end_s=11.0,
        peak_kpa=900.0,
        peak_u_kpa=10.0,
        method=Method.SETTLED,
        cranking_rpm=400.0,
        strokes=(Stroke(10.2, 600.0, 8.0), Stroke(10.5, 900.0, 8.0)),
        flags=frozenset(),
    )
    trace = trace_of_event("PTO", event)
    assert trace.stroke_times_s == pytest.approx((0.2, 0.5))
    assert trace.time_s == pytest.approx([0.2, 0.5])


def test_a_job_of_another_time_than_the_seasons_that_are_drawn_is_not_told_at_their_edge() -> None:
    data = sample_report()
    (rings,) = data.jobs
    others = (replace(rings, at=AT - timedelta(days=9 * 365), job="pistons"), replace(rings, at=AT + timedelta(900)))
    with drawn("test"):
        axes = Figure(figsize=A4_IN).add_axes((0.1, 0.5, 0.8, 0.2))
        draw_history(axes, replace(data, jobs=(*others, *data.jobs)))
    told = [text.get_text() for text in axes.texts]
    assert [one for one in told if "rings" in one or "pistons" in one] == ["rings, middle"]
