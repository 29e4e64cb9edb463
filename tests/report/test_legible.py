"""A report's drawings are read right by every colour vision and at arm's length."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PathCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from gaugelink.engine.fleet import EngineRecord, parse_engine
from gaugelink.report.data import ReportData
from gaugelink.report.look import BAND, FAINT, INK, PAPER, SEVERITY_COLOUR, WORD_COLOUR, drawn
from gaugelink.report.page import _head
from gaugelink.report.plots import draw_engine, draw_history
from tests.dashboard.test_colours import ratio
from tests.report.samples import PSI, TRIPLE, sample_report

CORNERS = ("left front", "left rear", "right front", "right rear")


def v_four() -> EngineRecord:
    """An engine of two banks whose cylinders have names of two words."""
    cylinders = ", ".join(f'{{ name = "{name}", bank = "{name.split()[0]}" }}' for name in CORNERS)
    return parse_engine(
        f'id = "v"\nname = "V four"\ncycle = 4\nlayout = "two_banks"\ncylinders = [{cylinders}]\n'
        "bore_mm = 77.0\nstroke_mm = 60.7\ncompression_ratio_geometric = 11.2\nintake_closes_deg_abdc = 52\n"
        'band = { low = 150, high = 200, unit = "psi", source = "invented service manual" }\n',
        "v.toml",
    )


@contextmanager
def engine_drawn(data: ReportData) -> Iterator[Axes]:
    """The drawing of an engine as a page has it."""
    with drawn("test"):
        figure = Figure(figsize=(5.1, 4.6))
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0.08, 0.02, 0.91, 0.95))
        draw_engine(axes, data)
        canvas.draw()
        yield axes


@pytest.mark.parametrize("engine", [TRIPLE, v_four()], ids=["triple", "V four"])
def test_a_name_is_inside_its_bore(engine: EngineRecord) -> None:
    names = engine.cylinder_names
    data = sample_report((180.0,) * len(names), engine=engine, with_history=False)
    with engine_drawn(data) as axes:
        bores = [patch.get_window_extent() for patch in axes.patches if isinstance(patch, Circle)]
        texts = {text.get_text().replace("\n", " "): text.get_window_extent() for text in axes.texts}
    assert len(bores) == len(names)
    for name, bore in zip(names, bores, strict=True):
        box = texts[name]
        assert np.hypot(box.width, box.height) <= bore.width, name


@pytest.mark.parametrize(("psi", "above"), [(113.0, False), (60.0, False), (125.0, True), (145.0, True)])
def test_the_number_of_a_reading_below_the_makers_range_does_not_stand_in_that_range(psi: float, above: bool) -> None:
    # The range of 130 to 150 psi begins at 120 psi at 640 m.
    data = sample_report((134.0, psi, 133.0), with_history=False)
    assert data.verdict.band is not None
    low = PSI.from_kpa(data.verdict.band.low_kpa)
    with engine_drawn(data) as axes:
        (number,) = (text for text in axes.texts if text.get_text() == f"{psi:.0f}")
        box = number.get_window_extent().transformed(axes.transData.inverted())
    assert bool(box.y0 > psi) is above
    assert above or box.y1 < low


def test_the_words_in_the_makers_range_stand_off_from_it() -> None:
    with engine_drawn(sample_report(with_history=False)) as axes:
        (words,) = (text for text in axes.texts if text.get_text() == "maker's\nrange")
        # WCAG 2.2, 1.4.3.
        assert ratio(to_hex(words.get_color()).lstrip("#"), BAND.lstrip("#")) >= 4.5


def test_a_cylinder_at_the_end_of_its_seasons_is_told_by_its_marker_and_not_by_colour_alone() -> None:
    with drawn("test"):
        figure = Figure(figsize=(5.2, 2.5))
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0.09, 0.11, 0.90, 0.86))
        draw_history(axes, sample_report())
        canvas.draw()
    marks = [found for found in axes.collections if isinstance(found, PathCollection)]
    labels = [text for text in axes.texts if text.get_text() in TRIPLE.cylinder_names]
    assert [label.get_text() for label in labels] == list(TRIPLE.cylinder_names)
    shapes = [tuple(map(tuple, np.round(mark.get_paths()[0].vertices, 6))) for mark in marks]
    assert len(set(shapes)) == len(labels) == len(marks)
    for label, mark in zip(labels, marks, strict=True):
        assert float(np.asarray(mark.get_offsets())[0, 1]) == pytest.approx(label.get_position()[1])
        assert ratio(to_hex(label.get_color()).lstrip("#"), PAPER.lstrip("#")) >= 4.5


def test_every_colour_of_letters_stands_off_the_paper() -> None:
    """4.5 to 1 (WCAG 2.2, 1.4.3)."""
    for colour in {INK, FAINT, *WORD_COLOUR.values(), *SEVERITY_COLOUR.values()}:
        assert ratio(colour.removeprefix("#"), PAPER.removeprefix("#")) >= 4.5, colour


@pytest.mark.parametrize("name", ["sled", "The long blue one of the second row that nobody wanted to have in 2019"])
def test_a_machines_name_ends_before_the_word_of_the_verdict(name: str) -> None:
    with drawn("test"):
        figure = Figure(figsize=(8.27, 11.69))
        FigureCanvasAgg(figure)
        _head(figure, replace(sample_report(), machine=name, bench="the bench at the far end " * 5))
        words, boxes = zip(*((text.get_text(), text.get_window_extent()) for text in figure.texts), strict=True)
    word, meaning, machine, where = boxes[1:5]
    assert words[3].rstrip("…") == name[: len(words[3].rstrip("…"))]
    assert machine.x1 < word.x0
    assert where.x1 < meaning.x0
