"""The report as one HTML page that needs nothing else: its drawings are inline SVG, and it names no outside address."""

import re
from collections.abc import Callable, Iterable, Sequence
from html import escape
from importlib.resources import files
from io import StringIO
from string import Template

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from gaugelink.report.data import ReportData, Trace
from gaugelink.report.look import FAINT, INK, PAPER, RULE, SEVERITY_COLOUR, drawn, word_look
from gaugelink.report.plain import LEFT_OUT, any_left_out, basis
from gaugelink.report.plots import draw_engine, draw_history, draw_trace, traces_scale
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
from gaugelink.verdict.findings import Finding, Severity

PAGE = "page.html"
NUMBERS_IN = 0.4
"""Room for the numbers beside the first trace, however many there are."""


def report_html(data: ReportData) -> str:
    """Write the whole page as one string."""
    asking, notes = finding_order(data)
    meaning, colour = word_look(data)
    where = "  ·  ".join(item for item in (data.when, data.bench, data.odometer) if item)
    made_by = f"gaugelink {data.version}".strip() + (f", test {data.test_id}" if data.test_id else "")
    template = Template((files("gaugelink.report") / PAGE).read_text(encoding="utf-8"))
    return template.substitute(
        title=escape(f"Compression test, {data.machine}, {data.on}"),
        paper=PAPER,
        ink=INK,
        faint=FAINT,
        rule=RULE,
        word_colour=colour,
        machine=escape(data.machine),
        where=escape(where),
        word=escape(data.word),
        meaning=escape(meaning),
        notices="".join(f'<p class="notice">{escape(notice)}</p>' for notice in data.notices),
        summary=escape(data.verdict.summary),
        unit=escape(data.unit.value),
        engine_svg=_engine_svg(data),
        stairs_explained=escape(STAIRS_EXPLAINED),
        table=_table(data),
        conditions="".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in condition_lines(data)),
        traces=_traces(data),
        asking=f"<h2>What asks for attention</h2><ul>{_findings(asking, data)}</ul>" if asking else "",
        notes=_findings(notes, data),
        history=_history(data),
        does_not_prove=_list(DOES_NOT_PROVE),
        cautions=_list(CAUTIONS),
        made_by=escape(made_by),
    )


def _list(lines: Iterable[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _findings(findings: Sequence[Finding], data: ReportData) -> str:
    return "".join(_finding(advice, data) for advice in advice_of(findings))


def _finding(advice: Advice, data: ReportData) -> str:
    finding = advice.finding
    inner = escape(finding.text)
    if advice.causes:
        inner += f'<span class="do">Likely, in this order: {escape("; ".join(advice.causes))}.</span>'
    if advice.next_tests:
        inner += f'<span class="do">{advice.lead}: {escape("; ".join(advice.next_tests))}.</span>'
    inner += f"<small>Goes by: {escape(basis(finding, data))}.</small>"
    if finding.severity is Severity.NOTE:
        return f'<li class="note">{inner}</li>'
    return f'<li style="--mark: {SEVERITY_COLOUR[finding.asks]}">{inner}</li>'


def _table(data: ReportData) -> str:
    rows = reading_rows(data)
    shown = shown_columns(rows)
    head = "".join(f"<th>{escape(COLUMNS[i])}</th>" for i in shown)
    body = ""
    for row in rows:
        body += "<tr>" + "".join(f"<td>{escape(row.cells[i])}</td>" for i in shown) + "</tr>"
        if row.flags:
            body += f'<tr class="doubt"><td></td><td colspan="{len(shown) - 1}">{escape(row.flags)}</td></tr>'
    note = f'<p class="faint">{escape(LEFT_OUT)}</p>' if any_left_out(data) else ""
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{note}"


def _engine_svg(data: ReportData) -> str:
    count = len(data.engine.cylinders)
    width = min(6.2, 2.2 + 0.95 * count)

    def draw(axes: Axes) -> None:
        draw_engine(axes, data)

    described = "; ".join(
        f"{row.cylinder} {row.reading}{f' {data.unit.value}' if row.sea_level else ''}" for row in reading_rows(data)
    )
    return _svg("engine", width, 4.6, draw, (0.08, 0.02, 0.91, 0.95), f"Cranking pressures: {described}")


def _traces(data: ReportData) -> str:
    shown = [trace for name in data.engine.cylinder_names if (trace := data.trace_of(name)) is not None]
    if not shown:
        return ""
    with drawn("traces"):
        svg = _as_svg(traces_figure(data, shown), "What the gauge saw while each cylinder was cranked")
    head = f"<h2>What the gauge saw, in {escape(data.unit.value)}</h2>"
    return f'<section class="traces">{head}<figure>{svg}</figure></section>'


def traces_figure(data: ReportData, shown: Sequence[Trace]) -> Figure:
    """Every trace beside the others, at one scale, up to four in a line; one or two take the width of three."""
    top, longest = traces_scale(shown)
    columns = min(4, len(shown))
    lines = -(-len(shown) // columns)
    width_in = 2.9 * max(3, columns) + 0.2
    figure = Figure(figsize=(width_in, 1.75 * lines))
    FigureCanvasAgg(figure)
    grid = figure.subplots(lines, columns, squeeze=False)
    for number, axes in enumerate(grid.flat):
        if number < len(shown):
            draw_trace(axes, data, shown[number], top, longest)
        else:
            axes.set_visible(False)
    figure.subplots_adjust(NUMBERS_IN / width_in, 0.16 / lines, 0.99, 1.0 - 0.12 / lines, 0.22, 0.5)
    return figure


def _history(data: ReportData) -> str:
    if len(data.past) < 2:
        return ""

    def draw(axes: Axes) -> None:
        draw_history(axes, data)

    svg = _svg("history", 5.2, 2.5, draw, (0.09, 0.11, 0.90, 0.86), "Cranking pressures at sea level over the seasons")
    sentences = _list(history_lines(data))
    unit = escape(data.unit.value)
    return f'<h2>Seasons, at sea level, {unit}; bars: ±</h2><figure>{svg}</figure><ul class="small">{sentences}</ul>'


def _svg(
    salt: str,
    width_in: float,
    height_in: float,
    draw: Callable[[Axes], None],
    box: tuple[float, float, float, float],
    described: str,
) -> str:
    with drawn(salt):
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasAgg(figure)
        draw(figure.add_axes(box))
        return _as_svg(figure, described)


def _as_svg(figure: Figure, described: str) -> str:
    """SVG to stand inside a page: no prologue, no addresses, its size left to the page, a description for readers."""
    buffer = StringIO()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    figure.savefig(buffer, format="svg", metadata=nothing)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    opening, rest = text.split(">", 1)
    opening = re.sub(r'\s(xmlns(:xlink)?|version|width|height)="[^"]*"', "", opening)
    return f'{opening} role="img" aria-label="{escape(described)}">{rest}'
