"""The report as one A4 page, as PDF or PNG: drawn as a whole, so that it looks the same on every machine."""

from dataclasses import replace
from pathlib import Path
from textwrap import wrap

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from gaugelink.report.data import ReportData
from gaugelink.report.look import FAINT, INK, RULE, SEVERITY_COLOUR, drawn, word_look
from gaugelink.report.plain import LEFT_OUT, any_left_out
from gaugelink.report.plots import LONGEST_NAME, asks_of, draw_engine, draw_history, draw_trace, shortened, traces_scale
from gaugelink.report.words import (
    CAUTIONS,
    COLUMNS,
    DOES_NOT_PROVE,
    STAIRS_EXPLAINED,
    Advice,
    advice_of,
    condition_lines,
    finding_order,
    history_lines,
    reading_rows,
    shown_columns,
)
from gaugelink.verdict.findings import Severity

A4_IN = (8.27, 11.69)
PNG_DPI = 160
MARGIN = 0.06
RIGHT = 1.0 - MARGIN
# Width of an average letter of the font over its size, for breaking lines.
LETTER = 0.52
# Height of a line and of the gap after a paragraph, in pages for each point of size.
LEADING = 1.32 / 72.0 / A4_IN[1]
AFTER = 0.30 / 72.0 / A4_IN[1]
MARK_INDENT = 0.014
GAP_PT = 12.0
"""Least room between two texts on a line."""
SMALLEST = 0.65
"""Share of its size to which a line may shrink before letters are left out."""
MOST_NOTES, NOTES_LETTERS = 3, 180
"""Notes that the page has room for, and the letters of all of them: what the test says goes before them."""
NOTES_ELSEWHERE = "The notes in full are in the report as HTML and in the history."
TEXT_ROOM = 0.18
"""Height that is kept for what the test says, as a share of the page."""


def report_pdf(data: ReportData, path: Path) -> None:
    """Write the page as PDF. Raises OSError when it cannot be written."""
    with drawn("page"):
        info = {"Title": f"Compression test, {data.machine}", "Creator": "gaugelink", "CreationDate": None}
        _page(data).savefig(path, format="pdf", metadata=info)


def report_png(data: ReportData, path: Path) -> None:
    """Write the page as PNG. Raises OSError when it cannot be written."""
    with drawn("page"):
        _page(data).savefig(path, format="png", dpi=PNG_DPI)


class _Writer:
    """Puts lines of text down a column of the page; `y` is where the next one goes."""

    def __init__(self, figure: Figure, left: float, right: float, y: float) -> None:
        self.figure, self.left, self.right, self.y = figure, left, right, y

    def head(self, text: str) -> None:
        """A small heading."""
        self.y -= 0.004
        self.figure.text(self.left, self.y, text, fontsize=7.5, color=FAINT, va="top", fontweight="bold")
        self.y -= 0.0155

    def text(self, text: str, size: float = 7.2, *, colour: str = INK, mark: str | None = None) -> None:
        """A paragraph, broken to the column, with a coloured mark before it."""
        indent = MARK_INDENT if mark is not None else 0.0
        for number, line in enumerate(self._broken(text, size, indent)):
            if number == 0 and mark is not None:
                self.figure.text(self.left, self.y, "■", fontsize=size, color=mark, va="top")
            self.figure.text(self.left + indent, self.y, line, fontsize=size, color=colour, va="top")
            self.y -= size * LEADING
        self.y -= size * AFTER

    def height(self, text: str, size: float, *, marked: bool) -> float:
        """How much of the page a paragraph takes."""
        lines = self._broken(text, size, MARK_INDENT if marked else 0.0)
        return len(lines) * size * LEADING + size * AFTER

    def _broken(self, text: str, size: float, indent: float) -> list[str]:
        width_in = (self.right - self.left - indent) * A4_IN[0]
        return wrap(text, max(20, int(width_in * 72.0 / (size * LETTER))))


def _page(data: ReportData) -> Figure:
    # As it is saved: at another resolution letters are some percent wider, and run into what was measured beside them.
    figure = Figure(figsize=A4_IN, dpi=PNG_DPI)
    FigureCanvasAgg(figure)
    y = _head(figure, data)
    y = _engine_and_table(figure, data, y)
    y = _traces(figure, data, y)
    _lower_half(figure, data, y)
    figure.text(
        MARGIN,
        0.018,
        f"gaugelink {data.version}".strip() + (f"   test {data.test_id}" if data.test_id else ""),
        fontsize=6,
        color=FAINT,
    )
    figure.text(
        RIGHT, 0.018, "± holds in about 95 of 100 cases (expanded uncertainty)", fontsize=6, color=FAINT, ha="right"
    )
    return figure


def _rule(figure: Figure, y: float) -> None:
    figure.add_artist(Line2D([MARGIN, RIGHT], [y, y], color=RULE, linewidth=0.8, transform=figure.transFigure))


def _fit(text: Text, beside: Text) -> None:
    """Make a line end before the text to the right of it: smaller first, then shorter."""
    gap = GAP_PT * PNG_DPI / 72.0
    room = beside.get_window_extent().x0 - gap - text.get_window_extent().x0
    wide = text.get_window_extent().width
    if wide <= room:
        return
    text.set_fontsize(text.get_fontsize() * max(SMALLEST, room / wide))
    words = text.get_text()
    while text.get_window_extent().width > room and len(words) > 1:
        words = words[:-1]
        text.set_text(f"{words.rstrip()}…")


def _head(figure: Figure, data: ReportData) -> float:
    meaning, colour = word_look(data)
    where = "  ".join(item for item in (data.when, data.bench, data.odometer) if item)
    figure.text(MARGIN, 0.967, "Compression test", fontsize=8.5, color=FAINT, va="top")
    word = figure.text(RIGHT, 0.958, data.word, fontsize=22, fontweight="bold", color=colour, va="top", ha="right")
    below = figure.text(RIGHT, 0.926, meaning, fontsize=8, color=colour, va="top", ha="right")
    _fit(figure.text(MARGIN, 0.953, data.machine, fontsize=17, fontweight="bold", va="top"), word)
    _fit(figure.text(MARGIN, 0.926, where, fontsize=8, color=FAINT, va="top"), below)
    writer = _Writer(figure, MARGIN, RIGHT, 0.907)
    for notice in data.notices:
        figure.text(MARGIN, writer.y, notice, fontsize=8.5, fontweight="bold", va="top")
        writer.y -= 8.5 * (LEADING + AFTER)
    writer.text(data.verdict.summary, 9.0)
    _rule(figure, writer.y)
    return writer.y - 0.008


def _engine_and_table(figure: Figure, data: ReportData, y: float) -> float:
    height = 0.235
    count = len(data.engine.cylinders)
    share = min(0.56, 0.20 + 0.11 * count)
    axes = figure.add_axes((MARGIN + 0.02, y - height, share - 0.03, height))
    draw_engine(axes, data)
    caption = _Writer(figure, MARGIN + 0.01, MARGIN + share - 0.01, y - height - 0.006)
    caption.text(STAIRS_EXPLAINED, 5.8, colour=FAINT)
    writer = _Writer(figure, MARGIN + share + 0.02, RIGHT, y)
    writer.head(f"Readings in {data.unit.value}")
    writer.y = _table(figure, data, writer.left, writer.right, writer.y)
    writer.head("Conditions")
    noted = data.noted[:MOST_NOTES]
    on_page = tuple(shortened(note, NOTES_LETTERS // len(noted)) for note in noted)
    for name, value in condition_lines(replace(data, noted=on_page)):
        writer.text(f"{name}: {value}", 6.8)
    if on_page != tuple(data.noted):
        writer.text(NOTES_ELSEWHERE, 6.8, colour=FAINT)
    return min(caption.y, writer.y) - 0.010


def _table(figure: Figure, data: ReportData, left: float, right: float, y: float) -> float:
    rows = [replace(row, cylinder=shortened(row.cylinder, LONGEST_NAME)) for row in reading_rows(data)]
    shown = shown_columns(rows)
    widths = [max(0.85 * len(COLUMNS[i]), *(len(row.cells[i]) for row in rows)) + 2.0 for i in shown]
    widths[:2] = [1.15 * width for width in widths[:2]]  # bold
    places = [left + (right - left) * sum(widths[:k]) / sum(widths) for k in range(len(shown))]
    size = min(7.4, (right - left) * A4_IN[0] * 72.0 / (sum(widths) * 1.05 * LETTER))
    step = size * 1.5 / 72.0 / A4_IN[1]
    for i, x in zip(shown, places, strict=True):
        figure.text(x, y, COLUMNS[i], fontsize=0.85 * size, color=FAINT, va="top")
    y -= step
    for row in rows:
        for i, x in zip(shown, places, strict=True):
            figure.text(x, y, row.cells[i], fontsize=size, va="top", fontweight="bold" if i < 2 else "normal")
        y -= step
        if row.flags:
            figure.text(places[1], y, row.flags, fontsize=0.85 * size, color=FAINT, va="top")
            y -= step
    if any_left_out(data):
        figure.text(left, y, LEFT_OUT, fontsize=0.85 * size, color=FAINT, va="top")
        y -= step
    return y - 0.002


def _traces(figure: Figure, data: ReportData, y: float) -> float:
    """The traces of the cylinders, as many lines of them as leave room for what the test says."""
    shown = [trace for name in data.engine.cylinder_names if (trace := data.trace_of(name)) is not None]
    if not shown:
        return y
    top, longest = traces_scale(shown)
    columns = min(len(shown), 4)
    lines = -(-len(shown) // columns)
    height = 0.066 if lines > 1 else (0.088 if len(data.past) > 1 else 0.13)
    pitch = height + 0.038
    lines = max(1, min(lines, int((y - _foot_top(figure) - TEXT_ROOM) / pitch)))
    # Where not all have room, those of cylinders that something is held against go before the others.
    graver = sorted(shown, key=lambda trace: asks_of(data, trace.cylinder) is Severity.NOTE)[: lines * columns]
    drawn_here = [trace for trace in shown if any(trace is one for one in graver)]
    gap = 0.035
    width = (RIGHT - MARGIN - 0.02 - gap * (columns - 1)) / columns
    for number, trace in enumerate(drawn_here):
        line, column = divmod(number, columns)
        left = MARGIN + 0.025 + column * (width + gap)
        axes = figure.add_axes((left, y - 0.012 - height - line * pitch, width, height))
        draw_trace(axes, data, trace, top, longest)
    y -= 0.012 + lines * pitch - 0.004
    if len(drawn_here) < len(shown):
        told = f"The traces of {len(shown) - len(drawn_here)} more cylinders are in the HTML report."
        figure.text(MARGIN, y + 0.004, told, fontsize=6.2, color=FAINT, va="top")
        y -= 0.008
    return y


def _lower_half(figure: Figure, data: ReportData, y: float) -> None:
    _rule(figure, y)
    y -= 0.006
    floor = _foot(figure)
    middle = 0.545
    left, right = _Writer(figure, MARGIN, middle - 0.02, y), _Writer(figure, middle + 0.01, RIGHT, y)
    if len(data.past) > 1:
        _seasons(right, data, floor)
    asking, notes = finding_order(data)
    # Down the left column first, then down what is left of the right one.
    column, dropped = left, 0
    blocks = [(advice, "What asks for attention") for advice in advice_of(asking)]
    blocks += [(advice, "What the numbers say") for advice in advice_of(notes)]
    headed = ""
    for advice, heading in blocks:
        needed = _height(column, advice) + (0.02 if heading != headed else 0.0)
        if column.y - needed < floor and column is left:
            column = right
        if column.y - needed < floor:
            dropped += 1
            continue
        if heading != headed:
            column.head(heading)
            headed = heading
        _put(column, advice)
    if dropped:
        column.text(f"{dropped} more in the HTML report.", 6.2, colour=FAINT)


def _seasons(writer: _Writer, data: ReportData, floor: float) -> None:
    """The seasons with what they say, as far as there is room above `floor`."""
    writer.head(f"Seasons, at sea level, {data.unit.value}; bars: ±")
    height = 0.135
    axes = writer.figure.add_axes((writer.left + 0.025, writer.y - height + 0.004, RIGHT - writer.left - 0.025, height))
    draw_history(axes, data)
    writer.y -= height + 0.018
    lines = history_lines(data)
    for number, line in enumerate(lines):
        left = f"{len(lines) - number} more of the seasons in the HTML report."
        if writer.y - writer.height(line, 6.8, marked=True) - writer.height(left, 6.2, marked=False) < floor:
            writer.text(left, 6.2, colour=FAINT)
            return
        writer.text(line, 6.8, mark=RULE)


def _lines_of(advice: Advice) -> list[tuple[str, float, str, str | None]]:
    finding = advice.finding
    note = finding.severity is Severity.NOTE
    mark = RULE if note else SEVERITY_COLOUR[finding.asks]
    lines: list[tuple[str, float, str, str | None]] = [(finding.text, 6.8 if note else 7.4, INK, mark)]
    if advice.causes:
        lines.append(("Likely, in this order: " + "; ".join(advice.causes) + ".", 6.5, FAINT, None))
    if advice.next_tests:
        lines.append((f"{advice.lead}: " + "; ".join(advice.next_tests) + ".", 6.5, FAINT, None))
    return lines


def _height(writer: _Writer, advice: Advice) -> float:
    return sum(writer.height(text, size, marked=mark is not None) for text, size, _, mark in _lines_of(advice))


def _put(writer: _Writer, advice: Advice) -> None:
    for text, size, colour, mark in _lines_of(advice):
        writer.text(text, size, colour=colour, mark=mark)


_FOOT_SIZE = 6.0
_FOOT_MIDDLE = 0.53
_FOOT = (
    ("What this does not prove", DOES_NOT_PROVE, MARGIN, _FOOT_MIDDLE - 0.02),
    ("Cautions", CAUTIONS, _FOOT_MIDDLE, RIGHT),
)


def _foot_top(figure: Figure) -> float:
    """Height at which the foot of a page begins."""
    heights = []
    for _, lines, left, right in _FOOT:
        probe = _Writer(figure, left, right, 0.0)
        heights.append(sum(probe.height(line, _FOOT_SIZE, marked=False) for line in lines) + 0.05)
    return max(heights)


def _foot(figure: Figure) -> float:
    """What goes on every page, at its foot. Returns the height at which it begins."""
    top = _foot_top(figure)
    _rule(figure, top + 0.002)
    for heading, lines, left, right in _FOOT:
        writer = _Writer(figure, left, right, top)
        writer.head(heading)
        for line in lines:
            writer.text(line, _FOOT_SIZE)
    return top + 0.01
