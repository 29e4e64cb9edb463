"""Commands on files: ``replay``, ``response`` and ``check``."""

import json
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from gaugelink.app.layouts import find_layout
from gaugelink.app.replay import ReplayedEvent, as_json, replay
from gaugelink.app.terminal import Terminal
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.config import lag_mistake
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.leak.limits import Practice
from gaugelink.peak.events import EngineHints, GaugeKind, GaugeTraits
from gaugelink.report.plain import flag_words


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
    app.command("response")(response_command)
    app.command("check")(check_command)


def replay_command(
    files: Annotated[
        list[Path], typer.Argument(help="Traces: CSV with the columns time_s,pressure_kpa (or time_ms; _psi, _bar).")
    ],
    layout: Annotated[
        str | None, typer.Option(help="The files are what `inspect --save` wrote: frames of this layout.")
    ] = None,
    kind: Annotated[
        KindChoice, typer.Option(help="Whether the gauge holds the pressure; told from the trace if auto.")
    ] = KindChoice.AUTO,
    cycle: Annotated[CycleChoice | None, typer.Option(help="Strokes of the engine's cycle, for its speed.")] = None,
    resolution_kpa: Annotated[float | None, typer.Option(min=0, help="Smallest step of the gauge.")] = None,
    range_kpa: Annotated[float | None, typer.Option(min=0, help="Full scale of the gauge.")] = None,
    averaging_s: Annotated[
        float | None, typer.Option(min=0, max=0.1, help="Seconds over which a live gauge averages each sample.")
    ] = None,
    steady: Annotated[
        bool, typer.Option("--steady", help="The gauge samples steadily; the times are when its samples arrived.")
    ] = False,
    lag_s: Annotated[float | None, typer.Option(min=0, help="Time constant of the gauge's own lag.")] = None,
    unit: Annotated[
        PressureUnit, typer.Option(help="Unit of the table, or with --decay of the sentence.")
    ] = PressureUnit.PSI,
    plot: Annotated[Path | None, typer.Option(help="Draw samples, fit and intervals into this PNG file.")] = None,
    as_lines: Annotated[bool, typer.Option("--json", help="One JSON object a line for each event.")] = False,
    decay: Annotated[bool, typer.Option("--decay", help="The traces are leak-downs: pressure against time.")] = False,
    practice: Annotated[Practice, typer.Option(help="With --decay: the limit, by common practice.")] = Practice.USUAL,
    loss_kpa: Annotated[float | None, typer.Option(help="With --decay: the limit's loss instead.")] = None,
    minutes: Annotated[float | None, typer.Option(help="With --decay: minutes for that loss.")] = None,
    test_kpa: Annotated[float | None, typer.Option(help="With --decay: pressure of the test.")] = None,
    highest_kpa: Annotated[float | None, typer.Option(help="With --decay: never more than this.")] = None,
    volume_cm3: Annotated[float | None, typer.Option(help="With --decay: volume under test, for the hole.")] = None,
    ambient_kpa: Annotated[float, typer.Option(min=30, max=110, help="With --decay: ambient, absolute.")] = 101.325,
    reference: Annotated[
        Path | None, typer.Option(help="With --decay: barometer and temperature beside it, as CSV.")
    ] = None,
    fixed_time: Annotated[bool, typer.Option("--fixed-time", help="With --decay: the whole time, by the book.")] = (
        False
    ),
) -> None:
    """Run recorded traces through the detector, or with --decay the leak-down analysis, that the service uses."""
    if steady and (decay or layout is not None):
        raise SettingsError(
            "--steady is of the times in a CSV trace of pulls: a leak-down goes by minutes, and frames bring their own."
        )
    if mistake := lag_mistake(lag_s, held=kind is KindChoice.HELD):
        raise SettingsError(f"--lag-s: {mistake}.")
    frames = None if layout is None else _layout(layout)
    if frames is not None:
        resolution_kpa = resolution_kpa or frames.resolution_kpa
        range_kpa = range_kpa or frames.range_kpa
    if decay:
        from gaugelink.app.commands.decay import replay_files

        own = {
            "loss_kpa": loss_kpa,
            "minutes": minutes,
            "test_kpa": test_kpa,
            "highest_kpa": highest_kpa,
            "volume_cm3": volume_cm3,
        }
        replay_files(
            files, practice, own, fixed_time, ambient_kpa, resolution_kpa, reference, unit, frames, as_lines=as_lines
        )
        return
    traits = GaugeTraits(
        kind=None if kind is KindChoice.AUTO else GaugeKind(kind.value),
        resolution_kpa=resolution_kpa,
        range_kpa=range_kpa,
        lag_s=lag_s,
        averaging_s=averaging_s,
        rate_hz=None if frames is None else frames.rate_hz,
    )
    hints = EngineHints(cycle=None if cycle is None else int(cycle.value))
    found = []
    said = replay(files, traits, hints, unit, lambda line: typer.echo(f"Note: {line}", err=True), frames, steady=steady)
    for replayed in said:
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


def _layout(name: str) -> GaugeLayout:
    found = find_layout(name, Path())
    if found is None:
        raise SettingsError(f"--layout: a recording does not describe itself; found {name!r}, expected a layout file.")
    return found


def response_command(
    files: Annotated[
        list[Path], typer.Argument(help="Recordings of one gauge: CSV with time_s,pressure_kpa (or _psi, _bar).")
    ],
    layout: Annotated[
        str | None, typer.Option(help="The files are what `inspect --save` wrote: frames of this layout.")
    ] = None,
    resolution_kpa: Annotated[float | None, typer.Option(min=0, help="Smallest step of the gauge.")] = None,
    as_object: Annotated[bool, typer.Option("--json", help="The result as one JSON object.")] = False,
) -> None:
    """Measure how quick a live gauge is: its average and its lag, from a dozen sudden falls of the pressure.

    Record it while it is pumped up, left for a second and let go at one go, a dozen times: the hose, or a cork, is
    blown off its adapter. Stay far below the range of gauge and hose, wear eye protection, and let it fly where nobody
    is. A pressure that is let out by a valve is too slow to tell.
    """
    from gaugelink.app.quickness import as_json as found_json
    from gaugelink.app.quickness import lines_of, quickness

    frames = None if layout is None else _layout(layout)
    if frames is not None:
        resolution_kpa = resolution_kpa or frames.resolution_kpa
    found = quickness(files, resolution_kpa, frames, lambda line: typer.echo(f"Note: {line}", err=True))
    if as_object:
        typer.echo(json.dumps(found_json(found)))
    else:
        for line in lines_of(found):
            typer.echo(line)
    if found.stated is None:
        raise typer.Exit(1)


def _print_events(found: list[ReplayedEvent], unit: PressureUnit) -> None:
    console = Terminal()
    if not found:
        console.print("No cranking event in these traces.")
        return
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("trace", "event", "gauge", "strokes", unit.value, "±", "rpm", "remarks"):
        table.add_column(name, justify="right" if name in ("event", "strokes", unit.value, "±", "rpm") else "left")
    for replayed in found:
        event = replayed.event
        remarks = [*flag_words(event.flags)]
        if event.projected_kpa is not None:
            remarks.append(f"was going to {unit.text(event.projected_kpa)}")
        table.add_row(
            Path(replayed.trace.file).name,
            str(replayed.number),
            event.kind.value,
            str(len(event.strokes)),
            *unit.with_doubt(event.peak_kpa, event.peak_u_kpa),
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
