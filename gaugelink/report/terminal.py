"""The report in a terminal: tables for the verdict, the history of a machine and the ranking of a fleet."""

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from gaugelink.engine.fleet import Counter
from gaugelink.engine.units import PressureUnit
from gaugelink.localtime import day_of
from gaugelink.report.data import GIVEN_UP_WORD, ListedTest, ReportData
from gaugelink.report.plain import LEFT_OUT, any_left_out
from gaugelink.report.words import (
    CAUTIONS,
    COLUMNS,
    DOES_NOT_PROVE,
    advice_of,
    finding_order,
    history_lines,
    reading_rows,
    shown_columns,
)
from gaugelink.verdict.findings import Severity, VerdictWord
from gaugelink.verdict.fleet import FleetStep, Ranked
from gaugelink.verdict.history import MachineHistory
from gaugelink.verdict.past import Axis

WORD_STYLE = {
    VerdictWord.CONSISTENT: "bold green",
    VerdictWord.WATCH: "bold yellow",
    VerdictWord.INVESTIGATE: "bold red",
    VerdictWord.RETEST: "bold magenta",
}
SEVERITY_STYLE = {
    Severity.NOTE: "dim",
    Severity.WATCH: "yellow",
    Severity.RETEST: "magenta",
    Severity.INVESTIGATE: "red",
}


def verdict_table(data: ReportData) -> RenderableType:
    """A whole test: readings, the word, findings with causes and tests, what it does not prove; and the cautions, where
    it sends somebody to the engine."""
    table = Table(box=None, pad_edge=False, title=f"{data.machine}, {data.when}", title_justify="left")
    rows = reading_rows(data)
    shown = shown_columns(rows)
    for i in shown:
        table.add_column(COLUMNS[i].replace("reading", f"reading, {data.unit.value}"), style="bold" if i < 2 else "")
    table.add_column("doubts" if any(row.flags for row in rows) else "")
    for row in rows:
        table.add_row(*(row.cells[i] for i in shown), row.flags)
    style = "bold" if data.given_up else WORD_STYLE[data.verdict.word]
    head = Text.assemble((data.word, style), "  ", data.verdict.summary)
    asking, notes = finding_order(data)
    lines: list[RenderableType] = [Text(notice, style="bold") for notice in data.notices]
    lines += [table, Text(LEFT_OUT if any_left_out(data) else "", style="dim"), head]
    lines += [Text(f"Note: {line}") for line in data.noted]
    for advice in (*advice_of(asking), *advice_of(notes)):
        finding = advice.finding
        lines.append(Text.assemble(("■ ", SEVERITY_STYLE[finding.asks]), finding.text))
        if advice.causes:
            lines.append(Padding(Text("likely, in this order: " + "; ".join(advice.causes), style="dim"), (0, 0, 0, 2)))
        if advice.next_tests:
            told = f"{advice.lead.lower()}: " + "; ".join(advice.next_tests)
            lines.append(Padding(Text(told, style="dim"), (0, 0, 0, 2)))
    lines += [Text(line) for line in history_lines(data)]
    lines.append(Text(DOES_NOT_PROVE[0], style="dim"))
    if any(finding.next_tests for finding in data.verdict.findings):
        lines.append(Text("Before you crank or let air in:", style="bold"))
        lines += [Padding(Text(caution), (0, 0, 0, 2)) for caution in CAUTIONS]
    return Group(*lines)


def tests_table(tests: Sequence[ListedTest], cylinders: Sequence[str], unit: PressureUnit, counter: Counter) -> Table:
    """All tests of a machine, oldest first: day, kind, readings, word, and the id by which a report is asked for; and
    the machine's own count where any has it."""
    table = Table(box=None, pad_edge=False, title=f"All tests, in {unit.value}", title_justify="left")
    counted = any(test.odometer is not None for test in tests)
    for column in ("day", "kind", *cylinders, "", *([counter.value] if counted else []), "report --test"):
        table.add_column(column)
    for test in tests:
        said = "no reading" if test.word is None else test.word.value
        readings = {cylinder: f"{unit.from_kpa(kpa):.{unit.decimals}f}" for cylinder, kpa in test.readings_kpa.items()}
        table.add_row(
            str(test.on),
            "wet" if test.wet else "dry",
            *(readings.get(cylinder, "-") for cylinder in cylinders),
            Text(GIVEN_UP_WORD, style="bold")
            if test.given_up
            else Text(said, style=WORD_STYLE[test.word] if test.word else "dim"),
            *(["-" if test.odometer is None else f"{test.odometer:.10g}"] if counted else []),
            test.short_id,
        )
    return table


_PER_SEASON = 2
"""Place of the column that is by the season, where a history goes by dates."""


def history_table(history: MachineHistory, unit: PressureUnit) -> Table:
    """How each cylinder goes, by the fit: one row a cylinder; columns that have nothing in them are left out."""
    table = Table(box=None, pad_edge=False)
    columns = (
        "cylinder",
        f"now, at sea level, {unit.value}",
        f"% a {history.unit}",
        "against the others",
        "now, to the others",
        "tests since a job",
        "",
    )
    rows, styles = [], []
    for trend in history.trends:
        # One test has a level and no trend: the fit then says nothing but what it supposed.
        going = trend.tests > 1
        relative = trend.against_others_percent if going else None
        row = (
            trend.cylinder,
            f"{unit.from_kpa(trend.level_kpa.value):.{unit.decimals}f}",
            f"{trend.percent.value:+z.1f} ± {trend.percent.expanded_u:.1f}" if going else "",
            "" if relative is None else f"{relative.value:+z.1f} ± {relative.expanded_u:.1f}",
            "" if trend.below_others_percent is None else f"{0.0 - trend.below_others_percent:+z.1f} %",
            str(trend.tests),
            "wearing" if trend.is_wearing else "",
        )
        rows.append(row)
        styles.append("red" if trend.is_wearing else "")
    shown = [i for i in range(len(columns)) if any(row[i] for row in rows)]
    for i in shown:
        table.add_column(columns[i])
    captions = ["Now is by the fit of all tests."] if any(trend.tests > 1 for trend in history.trends) else []
    captions += ["A season is a year."] if history.axis is Axis.DATE and _PER_SEASON in shown else []
    table.caption, table.caption_justify = " ".join(captions) or None, "left"
    for row, style in zip(rows, styles, strict=True):
        table.add_row(*(row[i] for i in shown), style=style)
    return table


def fleet_table(ranked: Sequence[Ranked], steps: Sequence[FleetStep] = ()) -> RenderableType:
    """Which machine needs attention first, and when the gauge moved under all of them."""
    table = Table(box=None, pad_edge=False)
    for column in ("", "machine", "why"):
        table.add_column(column)
    for place, machine in enumerate(ranked, start=1):
        table.add_row(str(place), machine.name, "; ".join(machine.reasons))
    lines: list[RenderableType] = [table]
    lines += [Text(_step_line(step), style="yellow") for step in steps]
    return Group(*lines)


def _step_line(step: FleetStep) -> str:
    size = f"{step.percent.value:+z.1f} ± {step.percent.expanded_u:.1f} %"
    who = f"All {len(step.machines)} machines" if len(step.machines) > 1 else f"All cylinders of {step.machines[0]}"
    return (
        f"{who}{_read_with(step)} moved {size} together about {day_of(step.at)}: look at the gauge, not at the engines."
    )


def _read_with(step: FleetStep) -> str:
    if not step.gauge_after:
        return ""
    before = "" if step.gauge_before == step.gauge_after else f"{step.gauge_before} and then "
    return f" read with {before}{step.gauge_after}"
