"""The drawings of a report: the engine with a staircase on every cylinder, the traces, and the seasons."""

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import pairwise
from math import hypot
from textwrap import fill

import matplotlib.dates as mdates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon, Rectangle
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import Affine2D

from gaugelink.bench.repeats import COVERAGE_FACTOR
from gaugelink.engine.fleet import Layout
from gaugelink.localtime import local
from gaugelink.peak.events import GaugeKind
from gaugelink.report.data import ReportData, Trace
from gaugelink.report.look import (
    BAND,
    BAND_EDGE,
    CYLINDER_COLOURS,
    CYLINDER_MARKERS,
    FAINT,
    INK,
    METAL,
    METAL_LIGHT,
    PAPER,
    RULE,
    SEVERITY_COLOUR,
)
from gaugelink.report.plain import flags_text, which_pull
from gaugelink.verdict.findings import JudgedReading, Severity

# Where the crankshaft lies below the staircases, as a share of their height, and how far down the drawing goes.
PLAN_DEPTH = 0.27
FLOOR = 1.95
MOST_LONG_LABELS = 4
LEAST_SPAN = 0.1
"""Least height of the seasons' axis, as a share of the level: a smaller one would draw what is only noise as a fall."""
FLAGS_WIDE = 44
"""Letters of a trace's flags in one line."""
LETTER = 0.7
"""Width of an average bold letter over its size."""
LINE = 1.2
"""Height of a line over the size of its letters."""
BORE_WALL = 2.2
"""Width of the line around a bore, in points."""
SMALLEST = 4.5
"""Size of the smallest letters, in points."""
MARKER = 3.5
"""Size of a cylinder's marker in the seasons, in points."""
LONGEST_NAME = 14
"""Letters of a cylinder's name beside a drawing."""
LONGEST_JOB = 16
"""Letters of a job, and of the cylinders it was done on, beside its line in the seasons."""
JOB_LETTER = 0.017
"""Width of an average letter of a job, and height of a line of them, as shares of the axes."""
JOB_LINE = 0.075
MOST_JOB_LINES = 4
HALF_STAIR = 0.31
"""Half of a staircase's width, as a share of its cylinder's place."""
TREAD_GAP = 0.02
"""Between a tread and its number, as a share of the reading."""
SIDE = 0.2
"""Share of a staircase on each side of a number in it, which is under the steps between them."""
LEAST_INSIDE = 0.15
"""Height of those steps, as a share of the drawing's, from which on a number has room under them."""
MOST_STEPS = 12
"""Strokes drawn as steps; more of them would be too narrow to see."""


def draw_engine(axes: Axes, data: ReportData) -> None:
    """The engine from above along its crankshaft, and on every cylinder the staircase of its strokes.

    The last tread is the reading; the thick bar is what a comparison with its neighbours can tell (the gauge's common
    error left out), the thin one everything.
    """
    unit, names = data.unit, data.engine.cylinder_names
    readings = {reading.cylinder: reading for reading in data.verdict.readings}
    tops = [unit.from_kpa(r.peak_kpa + r.peak_u_kpa) for r in readings.values()]
    band = data.verdict.band
    if band is not None:
        tops.append(unit.from_kpa(band.high_kpa or band.low_kpa))
    top = 1.16 * max(tops, default=1.0)
    ground = PLAN_DEPTH * -top
    axes.set_xlim(-0.75, len(names) - 0.25)
    axes.set_ylim(FLOOR * ground, top)
    _band(axes, data, len(names))
    for place, name in enumerate(names):
        reading = readings.get(name)
        if reading is not None:
            steps = _steps(unit.from_kpa(reading.peak_kpa), _levels(data, name))
            _staircase(axes, place, steps, asks_of(data, name))
            _whisker(axes, place, reading, data)
            _number(axes, place, reading, steps, data)
        else:
            axes.text(place, 0.03 * top, "not read", ha="center", va="bottom", color=FAINT, fontsize=8)
    axes.axhline(0.0, color=INK, linewidth=1.0, zorder=4)
    _plan(axes, data, ground, top)
    axes.set_xticks([])
    axes.set_yticks([tick for tick in axes.get_yticks() if 0.0 <= tick <= top])
    axes.spines[["top", "right", "bottom", "left"]].set_visible(False)
    axes.tick_params(length=0)
    axes.set_ylabel(unit.value, rotation=0, ha="left", va="bottom")
    axes.yaxis.set_label_coords(-0.045, 0.985)


def _band(axes: Axes, data: ReportData, count: int) -> None:
    band, unit = data.verdict.band, data.unit
    if band is None:
        return
    low = unit.from_kpa(band.low_kpa)
    high = unit.from_kpa(band.high_kpa) if band.high_kpa is not None else axes.get_ylim()[1]
    axes.add_patch(Rectangle((-0.75, low), count + 0.5, high - low, facecolor=BAND, edgecolor="none", zorder=0))
    for edge, known in ((low, True), (high, band.high_kpa is not None)):
        if known:
            axes.plot([-0.75, count - 0.25], [edge, edge], color=BAND_EDGE, linewidth=0.8, zorder=1)
    middle = (low + high) / 2.0
    axes.text(count - 0.27, middle, "maker's\nrange", color=INK, fontsize=6.5, ha="right", va="center", zorder=1)


def _levels(data: ReportData, cylinder: str) -> tuple[float, ...]:
    """Levels that the pressure had climbed to, stroke by stroke, in the shop's unit."""
    trace = data.trace_of(cylinder)
    if trace is None or not trace.stroke_kpa:
        return ()
    return tuple(data.unit.from_kpa(float(level)) for level in np.maximum.accumulate(trace.stroke_kpa))


def asks_of(data: ReportData, cylinder: str) -> Severity:
    """The gravest that the findings against a cylinder ask for."""
    order = (Severity.INVESTIGATE, Severity.RETEST, Severity.WATCH)
    named = {f.asks for f in data.verdict.findings if cylinder in f.against}
    return next((severity for severity in order if severity in named), Severity.NOTE)


def _steps(reading: float, levels: Sequence[float]) -> list[float]:
    """Heights of the steps that are drawn, the last of them the reading."""
    steps = [min(level, reading) for level in levels]
    if len(steps) > MOST_STEPS:
        steps = steps[: MOST_STEPS - 1] + steps[-1:]
    return [*steps[:-1], reading]


def _staircase(axes: Axes, place: int, steps: Sequence[float], severity: Severity) -> None:
    edges = np.linspace(place - HALF_STAIR, place + HALF_STAIR, len(steps) + 1)
    corners = [(edges[0], 0.0)]
    for (left, right), level in zip(pairwise(edges), steps, strict=True):
        corners += [(left, level), (right, level)]
    corners.append((edges[-1], 0.0))
    colour = METAL if severity is Severity.NOTE else SEVERITY_COLOUR[severity]
    axes.add_patch(Polygon(corners, closed=True, facecolor=METAL_LIGHT, edgecolor=colour, linewidth=1.2, zorder=2))
    axes.plot([edges[-2] if len(steps) > 1 else edges[0], edges[-1]], [steps[-1]] * 2, color=colour, linewidth=2.6)


def _whisker(axes: Axes, place: int, judged: JudgedReading, data: ReportData) -> None:
    unit = data.unit
    x = place + HALF_STAIR
    middle = unit.from_kpa(judged.peak_kpa)
    whole, alone = unit.from_kpa(judged.peak_u_kpa), unit.from_kpa(COVERAGE_FACTOR * judged.u_random_kpa)
    # Below nothing there is the plan of the engine.
    for reach, width in ((whole, 0.9), (alone, 3.0)):
        ends = [max(0.0, middle - reach), middle + reach]
        axes.plot([x, x], ends, color=INK, linewidth=width, zorder=5, solid_capstyle="butt")


def _number(axes: Axes, place: int, judged: JudgedReading, steps: Sequence[float], data: ReportData) -> None:
    """The reading above its tread, or under its steps where that is inside the maker's range and the reading below."""
    unit, band = data.unit, data.verdict.band
    value, _ = unit.with_doubt(judged.peak_kpa, judged.peak_u_kpa)
    text = f"≥ {value}" if judged.at_least else value
    room = _room(axes, len(data.engine.cylinders))
    gap = TREAD_GAP * steps[-1]
    low = band is not None and judged.peak_kpa + judged.peak_u_kpa < band.low_kpa
    lintel = steps[int(SIDE * len(steps))]
    if low and lintel > LEAST_INSIDE * axes.get_ylim()[1]:
        y, side, room = lintel - gap, "top", 2.0 * (1.0 - 2.0 * SIDE) * HALF_STAIR * room
    else:
        y, side = steps[-1] + max(unit.from_kpa(judged.peak_u_kpa), gap), "bottom"
    size = _size(text, room, 11.0)
    axes.text(place, y, text, ha="center", va=side, fontsize=size, fontweight="bold", zorder=6)


def _plan(axes: Axes, data: ReportData, ground: float, top: float) -> None:
    """Bores along the crankshaft; its two ends drawn as what sits on them."""
    names, layout = data.engine.cylinder_names, data.engine.layout
    last = len(names) - 1
    room = _room(axes, len(names))
    box = axes.get_window_extent()
    # A circle on the page is an ellipse in these coordinates.
    aspect = (FLOOR * -ground + top) / box.height * box.width / (last + 1.5)
    radius = min(0.30, 0.19 * top / aspect)
    banks = [cylinder.bank for cylinder in data.engine.cylinders]
    first_bank = banks[0]
    lowest = ground - (0.35 * radius * aspect if any(bank != first_bank for bank in banks) else 0.0)
    axes.plot([-0.55, last + 0.55], [ground, ground], color=FAINT, linewidth=3.5, solid_capstyle="round", zorder=1)
    if layout is Layout.SIDE_NAMED:
        for x, heavy in ((-0.55, 5.0), (last + 0.55, 2.5)):
            reach = 0.5 * radius * aspect * (1.0 if heavy > 3 else 0.8)
            axes.plot([x, x], [ground - reach, ground + reach], color=FAINT, linewidth=heavy, solid_capstyle="butt")
    for place, (name, bank) in enumerate(zip(names, banks, strict=True)):
        y = ground if bank == first_bank else lowest
        colour = SEVERITY_COLOUR[asks_of(data, name)] if asks_of(data, name) is not Severity.NOTE else METAL
        ellipse = Circle((0.0, 0.0), 1.0, facecolor=PAPER, edgecolor=colour, linewidth=BORE_WALL, zorder=3)
        ellipse.set_transform(Affine2D().scale(radius, radius * aspect).translate(place, y) + axes.transData)
        axes.add_patch(ellipse)
        label, size = _in_bore(shortened(name, max(3, int(room / (LETTER * SMALLEST)))), 2.0 * radius * room)
        axes.text(place, y, label, ha="center", va="center", fontsize=size, fontweight="bold", zorder=4)
        reading = next((r for r in data.verdict.readings if r.cylinder == name), None)
        if reading is not None:
            below = f"{reading.percent_of_highest:.0f} %" + (" of highest" if len(names) <= MOST_LONG_LABELS else "")
            size = _size(below, room, 6.5)
            axes.text(place, lowest - 1.12 * radius * aspect, below, ha="center", va="top", fontsize=size, color=FAINT)


def _room(axes: Axes, count: int) -> float:
    """Width of a cylinder's place in the drawing of so many, in points."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_window_extent().width) / figure.dpi * 72.0 / (count + 0.5)


def _size(text: str, room: float, largest: float) -> float:
    """Size at which a text fits into its place, in points, never too small to be read."""
    return min(largest, max(SMALLEST, room / (LETTER * max(1, len(text)))))


def _in_bore(name: str, width: float) -> tuple[str, float]:
    """A name, a line for each of its words, and the size at which it fits into a circle of `width`; both in points."""
    words = name.split() or [name]
    reach = hypot(LETTER * max(len(word) for word in words), LINE * len(words))
    return "\n".join(words), min(9.0, max(SMALLEST, (width - BORE_WALL) / reach))


def shortened(text: str, letters: int) -> str:
    """A text that is no longer than so many letters."""
    return text if len(text) <= letters else text[: letters - 1] + "…"


def draw_trace(axes: Axes, data: ReportData, trace: Trace, top_kpa: float, longest_s: float) -> None:
    """One cranking event as the gauge saw it, its strokes marked. Its cylinder is one of the engine's."""
    unit = data.unit
    names = [name.casefold() for name in data.engine.cylinder_names]
    place = names.index(trace.cylinder.casefold())
    colour = CYLINDER_COLOURS[place % len(CYLINDER_COLOURS)]
    pressures = np.array([unit.from_kpa(float(p)) for p in trace.pressure_kpa])
    if trace.fitted_time_s is not None and trace.fitted_kpa is not None:
        fitted = np.array([unit.from_kpa(float(p)) for p in trace.fitted_kpa])
        axes.plot(trace.fitted_time_s, fitted, color=METAL_LIGHT, linewidth=1.0, zorder=1)
    style = {"drawstyle": "steps-post"} if trace.kind is GaugeKind.HELD else {"marker": ".", "markersize": 1.6}
    axes.plot(trace.time_s, pressures, color=colour, linewidth=0.8, zorder=2, **style)
    levels = [unit.from_kpa(level) for level in trace.stroke_kpa]
    axes.plot(trace.stroke_times_s, levels, linestyle="none", marker=7, color=INK, markersize=3.0, zorder=3)
    axes.axhline(unit.from_kpa(trace.peak_kpa), color=colour, linewidth=0.6, linestyle=(0, (4, 3)), zorder=1)
    axes.set_xlim(0.0, longest_s)
    axes.set_ylim(min(0.0, float(pressures.min(initial=0.0))), unit.from_kpa(top_kpa) * 1.12)
    rpm = f"{trace.cranking_rpm:.0f} rpm" if trace.cranking_rpm is not None else ""
    title = ", ".join(item for item in (shortened(trace.cylinder, LONGEST_NAME), which_pull(trace, data), rpm) if item)
    axes.set_title(title, loc="left", fontsize=8, color=INK, pad=2)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2)
    seconds = [tick for tick in MaxNLocator(5).tick_values(0.0, longest_s) if 0.0 <= tick <= longest_s]
    # The unit stands at the last number, because beside the axis there is no room that no number can come to.
    axes.set_xticks(seconds, [f"{tick:g}" for tick in seconds[:-1]] + [f"{seconds[-1]:g} s"])
    if trace.flags:
        # Under the top of the axes: beside the title there is no room for words and pull both.
        words = fill(flags_text(trace.flags), FLAGS_WIDE)
        axes.text(1.0, 0.99, words, transform=axes.transAxes, fontsize=6, color=FAINT, ha="right", va="top")


def traces_scale(traces: Sequence[Trace]) -> tuple[float, float]:
    """Highest pressure in kPa and longest time in seconds over all traces, so that they can be drawn alike."""
    top = max((float(t.pressure_kpa.max(initial=0.0)) for t in traces), default=1.0)
    top = max([top, *(t.peak_kpa for t in traces)])
    longest = max((float(t.time_s.max(initial=0.0)) for t in traces), default=1.0)
    return max(top, 1.0), max(longest, 0.1)


def draw_history(axes: Axes, data: ReportData) -> None:
    """Every dry test at sea level, a line for each cylinder, jobs and changes of gauge where they were.

    The bars are what a comparison with the other cylinders can tell (the gauge's common error left out), coverage
    about 95 %; a reading whose uncertainty is not known has none.
    """
    unit = data.unit
    tests = sorted(data.past, key=lambda test: test.at)
    ends: list[tuple[float, str, str, str]] = []
    for place, name in enumerate(data.engine.cylinder_names):
        found = [(t.at, r) for t in tests for r in t.readings if r.cylinder == name]
        points = [(at, unit.from_kpa(r.sea_level_kpa)) for at, r in found]
        if not points:
            continue
        colour = CYLINDER_COLOURS[place % len(CYLINDER_COLOURS)]
        marker = CYLINDER_MARKERS[place % len(CYLINDER_MARKERS)]
        dates, values = [_day(at) for at, _ in points], np.array([value for _, value in points])
        doubted = np.array([r.doubted for _, r in found])
        # The line goes from one reading that counts to the next; what is to be taken again is beside it.
        sure = ~doubted
        axes.plot(np.array(dates)[sure], values[sure], color=colour, linewidth=0.9, marker=marker, markersize=MARKER)
        axes.plot(
            np.array(dates)[doubted],
            values[doubted],
            color=colour,
            marker=marker,
            markersize=MARKER,
            markerfacecolor=PAPER,
            linestyle="none",
        )
        reach = [unit.from_kpa(COVERAGE_FACTOR * r.u_random_kpa) for _, r in found]
        axes.vlines(dates, values - reach, values + reach, color=colour, linewidth=0.7)
        ends.append((points[-1][1], name, colour, marker))
    low, high = axes.get_ylim()
    short = LEAST_SPAN * (low + high) / 2.0 - (high - low)
    if short > 0.0:
        low, high = low - short / 2.0, high + short / 2.0
    pad = 0.12 * (high - low)
    axes.set_ylim(low - pad, high + 2.0 * pad)
    last = max((_day(test.at) for test in tests), default=0.0)
    first = min((_day(test.at) for test in tests), default=0.0)
    room = 0.04 * max(last - first, 30.0)
    axes.set_xlim(first - room, last + 4.0 * room)
    for y, end in zip(_apart([e[0] for e in ends], 0.085 * (high - low + 3 * pad)), ends, strict=True):
        _, name, colour, marker = end
        # Moved apart, a name is no longer beside its line: its marker tells which one that is, to every colour vision.
        axes.scatter([last + 0.6 * room], [y], s=MARKER**2, color=colour, marker=marker, linewidths=0.0)
        axes.text(last + 1.1 * room, y, shortened(name, LONGEST_NAME), color=INK, fontsize=7.5, va="center")
    _jobs(axes, data)
    for step in data.history.steps if data.history is not None else ():
        x = _day(step.at) - room / 2.0
        axes.axvline(x, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
        axes.text(
            x, 0.02, " gauge moved?", transform=axes.get_xaxis_transform(), fontsize=6.5, va="bottom", color=FAINT
        )
    # Fewer than eight would leave spans of 30 to 36 months without an interval of whole months.
    locator = mdates.AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.xaxis.get_offset_text().set_visible(False)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.grid(axis="y", color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.tick_params(length=0)


def _jobs(axes: Axes, data: ReportData) -> None:
    """A line for each job of the time that is drawn, with what was done, one below the other where they lie close."""
    low, high = axes.get_xlim()
    ends = [float("-inf")] * MOST_JOB_LINES
    for job in sorted(data.jobs, key=lambda job: job.at):
        x = _day(job.at)
        if not low <= x <= high:
            continue
        axes.axvline(x, color=INK, linewidth=0.8)
        where = f", {', '.join(job.cylinders)}" if job.cylinders else ""
        text = shortened(job.job, LONGEST_JOB) + shortened(where, LONGEST_JOB)
        width = JOB_LETTER * len(text) * (high - low)
        begin = max(low, min(x + JOB_LETTER * (high - low), high - width))
        line = next((place for place, end in enumerate(ends) if end <= begin), ends.index(min(ends)))
        ends[line] = begin + width
        y = 0.99 - JOB_LINE * line
        axes.text(begin, y, text, transform=axes.get_xaxis_transform(), fontsize=6.5, va="top")


def _day(at: datetime) -> float:
    """Days since 1970 by the clock of this place, which is how dates lie on an axis."""
    return local(at).replace(tzinfo=UTC).timestamp() / 86400.0


def _apart(values: Sequence[float], least: float) -> list[float]:
    """Move labels apart so that none lies on another, each as near to its place as that allows."""
    order = sorted(range(len(values)), key=lambda i: values[i])
    placed = [0.0] * len(values)
    previous = float("-inf")
    for i in order:
        placed[i] = max(values[i], previous + least)
        previous = placed[i]
    shift = float(np.mean([placed[i] - values[i] for i in order])) if order else 0.0
    return [value - shift for value in placed]
