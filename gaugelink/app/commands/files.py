"""Commands on files: ``replay`` and ``check``."""

import json
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from gaugelink.app.replay import ReplayedEvent, as_json, replay
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import EngineHints, GaugeKind, GaugeTraits


class KindChoice(StrEnum):
    """How the gauge of a trace follows the cylinder."""

    LIVE = "live"
    HELD = "held"
    AUTO = "auto"


class CycleChoice(StrEnum):
    """Strokes of the engine's cycle."""

    TWO = "2"
    FOUR = "4"


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("replay")(replay_command)
    app.command("check")(check_command)


def replay_command(
    files: Annotated[list[Path], typer.Argument(help="Traces: CSV with the columns time_s,pressure_kpa.")],
    kind: Annotated[
        KindChoice, typer.Option(help="Whether the gauge holds the pressure; told from the trace if auto.")
    ] = KindChoice.AUTO,
    cycle: Annotated[CycleChoice | None, typer.Option(help="Strokes of the engine's cycle, for its speed.")] = None,
    resolution_kpa: Annotated[float | None, typer.Option(min=0, help="Smallest step of the gauge.")] = None,
    range_kpa: Annotated[float | None, typer.Option(min=0, help="Full scale of the gauge.")] = None,
    unit: Annotated[PressureUnit, typer.Option(help="Unit of the table.")] = PressureUnit.PSI,
    plot: Annotated[Path | None, typer.Option(help="Draw samples, fit and intervals into this PNG file.")] = None,
    as_lines: Annotated[bool, typer.Option("--json", help="One JSON object a line for each event.")] = False,
) -> None:
    """Run recorded traces through the detector that the service uses."""
    traits = GaugeTraits(
        kind=None if kind is KindChoice.AUTO else GaugeKind(kind.value),
        resolution_kpa=resolution_kpa,
        range_kpa=range_kpa,
    )
    hints = EngineHints(cycle=None if cycle is None else int(cycle.value))
    found = []
    for replayed in replay(files, traits, hints):
        if as_lines:
            typer.echo(json.dumps(as_json(replayed)))
        found.append(replayed)
    if not as_lines:
        _print_events(found, unit)
    if plot is not None:
        from gaugelink.app.traceplot import draw_events

        draw_events(found, unit, plot)
        if not as_lines:
            typer.echo(f"Drawn into {plot}.")


def _print_events(found: list[ReplayedEvent], unit: PressureUnit) -> None:
    console = Console()
    if not found:
        console.print("No cranking event in these traces.")
        return
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("trace", "event", "gauge", "strokes", unit.value, "±", "rpm", "remarks"):
        table.add_column(name, justify="right" if name in ("event", "strokes", unit.value, "±", "rpm") else "left")
    for replayed in found:
        event = replayed.event
        remarks = [flag.value.replace("_", " ") for flag in sorted(event.flags)]
        if event.projected_kpa is not None:
            remarks.append(f"was going to {unit.text(event.projected_kpa)}")
        table.add_row(
            Path(replayed.trace.file).name,
            str(replayed.number),
            event.kind.value,
            str(len(event.strokes)),
            f"{unit.from_kpa(event.peak_kpa):.{unit.decimals}f}",
            f"{unit.from_kpa(event.peak_u_kpa):.{unit.decimals + 1}f}",
            "" if event.cranking_rpm is None else f"{event.cranking_rpm:.0f}",
            ", ".join(remarks),
        )
    console.print(table)


def check_command(
    file: Annotated[Path, typer.Argument(help="A shop file.")],
    as_object: Annotated[bool, typer.Option("--json", help="The result as one JSON object.")] = False,
) -> None:
    """Read a shop file and all that it names, and say every mistake in them."""
    from gaugelink.app.check import check_shop

    report = check_shop(file)
    if as_object:
        typer.echo(json.dumps(report.as_json()))
    else:
        for line in report.mistakes:
            typer.echo(line, err=True)
        for line in report.remarks:
            typer.echo(f"Note: {line}")
        if not report.mistakes:
            typer.echo(report.summary)
    if report.mistakes:
        raise typer.Exit(1)
