"""``gaugelink decay …``: leak-downs, asked for from another terminal or a script, and shown on a simulated case."""

import asyncio
import json
import logging
from math import floor
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError

from gaugelink.app.commands.asked import SHOP, AsJson, By, Config, Simulated, order, send
from gaugelink.app.commands.shared import SharedOptions
from gaugelink.app.leak_telling import decay_limit
from gaugelink.app.simulating import simulators_needed
from gaugelink.app.terminal import Terminal
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import DecayKind, LeakRequest
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.leak.heard import Heard
from gaugelink.leak.limits import Practice
from gaugelink.leak.wording import flag_words
from gaugelink.settings import first_mistake

group = typer.Typer(cls=SharedOptions, no_args_is_help=True, help="Leak-downs of the bench: decay and differential.")

Unit = Annotated[PressureUnit, typer.Option(help="Unit of the pressures given here.")]
Machine = Annotated[str | None, typer.Argument(help="Id of a machine of the fleet; the shop file's if left out.")]
GaugeName = Annotated[str | None, typer.Option(help="The gauge; the shop's first if left out.")]
Highest = Annotated[float | None, typer.Option(min=0, help="Never more than this pressure.")]


_CASE_HOLE_MM = 0.06
_OPTIONS = {"orifice_discharge": "discharge", "fails_above_percent": "fails-above"}
"""Options that are called otherwise than their field."""


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.add_typer(group, name="decay")


@group.command()
def begin(
    machine: Machine = None,
    part: Annotated[str, typer.Option(help="What is tested: crankcase, cooling system, or your own.")] = "crankcase",
    cylinder: Annotated[str | None, typer.Option(help="A cylinder instead of a part.")] = None,
    practice: Annotated[Practice, typer.Option(help="The limit, by common practice; the maker's goes first.")] = (
        Practice.USUAL
    ),
    loss: Annotated[float | None, typer.Option(min=0, help="The limit's loss of pressure instead.")] = None,
    minutes: Annotated[float | None, typer.Option(min=0, help="Minutes for that loss.")] = None,
    test: Annotated[float | None, typer.Option("--test", min=0, help="Pressure to pump to.")] = None,
    highest: Highest = None,
    unit: Unit = PressureUnit.PSI,
    volume_cm3: Annotated[float | None, typer.Option(min=0, help="Volume under test, for the hole's size.")] = None,
    fixed_time: Annotated[bool, typer.Option("--fixed-time", help="Wait the whole time, by the book.")] = False,
    follow: Annotated[bool, typer.Option("--follow", help="Go on after the verdict; a tone follows the leak.")] = False,
    gauge: GaugeName = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Begin a decay: pump a sealed volume, close it, and let the gauge say how much it loses."""
    request = _asked(
        unit,
        kind=DecayKind.DECAY,
        part=part,
        practice=practice,
        fixed_time=fixed_time,
        follow=follow,
        loss_kpa=_kpa(loss, unit),
        minutes=minutes,
        test_kpa=_kpa(test, unit),
        highest_kpa=_kpa(highest, unit),
        volume_cm3=volume_cm3,
    )
    send(config, simulated, as_json, _command(CommandAction.BEGIN_DECAY, by, machine, cylinder, gauge, request))


@group.command()
def differential(
    cylinder: Annotated[str, typer.Argument(help="The cylinder, at top dead centre.")],
    machine: Annotated[str | None, typer.Option(help="Id of a machine of the fleet; the shop file's if left out.")] = (
        None
    ),
    supply: Annotated[float | None, typer.Option(min=0, help="Regulated pressure.")] = None,
    supply_gauge: Annotated[str | None, typer.Option(help="The gauge that reads the regulated pressure.")] = None,
    orifice_mm: Annotated[float | None, typer.Option(min=0, help="Diameter of the orifice.")] = None,
    discharge: Annotated[float | None, typer.Option(help="Its discharge coefficient: see `decay orifice`.")] = None,
    fails_above: Annotated[float | None, typer.Option(help="Loss in percent above which it fails.")] = None,
    bore_mm: Annotated[float | None, typer.Option(min=0, help="Bore; the engine record's if left out.")] = None,
    hot: Annotated[bool, typer.Option("--hot", help="The engine is at its working temperature.")] = False,
    highest: Highest = None,
    unit: Unit = PressureUnit.PSI,
    follow: Annotated[bool, typer.Option("--follow", help="Go on after the first result.")] = False,
    gauge: GaugeName = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Begin a differential leak-down: regulated air through an orifice into a cylinder."""
    request = _asked(
        unit,
        kind=DecayKind.DIFFERENTIAL,
        supply_kpa=_kpa(supply, unit),
        supply_gauge=supply_gauge,
        orifice_mm=orifice_mm,
        orifice_discharge=discharge,
        fails_above_percent=fails_above,
        bore_mm=bore_mm,
        hot=hot,
        highest_kpa=_kpa(highest, unit),
        follow=follow,
    )
    send(config, simulated, as_json, _command(CommandAction.BEGIN_DECAY, by, machine, cylinder, gauge, request))


@group.command()
def volume(
    injected_cm3: Annotated[float, typer.Argument(help="Air that is pushed in, measured at ambient pressure.")],
    before: Annotated[float, typer.Argument(help="Pressure before.")],
    after: Annotated[float, typer.Argument(help="Pressure after, when it has settled.")],
    unit: Unit = PressureUnit.PSI,
    ambient_kpa: Annotated[float, typer.Option(min=30, max=110, help="Ambient, absolute.")] = 101.325,
    injected_u_cm3: Annotated[float, typer.Option(min=0, help="Standard uncertainty of the air pushed in.")] = 0.5,
    pressure_u_kpa: Annotated[float, typer.Option(min=0, help="Standard uncertainty of each reading, kPa.")] = 0.1,
) -> None:
    """Find the volume under test from air that is pushed in with a syringe."""
    from gaugelink.leak.volume import volume_from_injection

    found = volume_from_injection(
        injected_cm3,
        unit.to_kpa(before),
        unit.to_kpa(after),
        ambient_abs_kpa=ambient_kpa,
        injected_u_cm3=injected_u_cm3,
        pressure_u_kpa=pressure_u_kpa,
        unit=unit,
    )
    typer.echo(f"{found.cm3:.0f} ± {2 * found.u_cm3:.0f} cm3 (coverage about 95 %).")


@group.command()
def orifice(
    diameter_mm: Annotated[float, typer.Argument(help="Nominal diameter of the orifice.")],
    master_mm: Annotated[float, typer.Argument(help="Diameter of the master orifice in the cylinder's place.")],
    supply: Annotated[float, typer.Argument(help="Regulated pressure.")],
    cylinder: Annotated[float, typer.Argument(help="Pressure between the orifices.")],
    unit: Unit = PressureUnit.PSI,
    ambient_kpa: Annotated[float, typer.Option(min=30, max=110, help="Ambient, absolute.")] = 101.325,
) -> None:
    """Calibrate the orifice of a differential tester by a master orifice."""
    from gaugelink.leak.differential import calibrated

    found = calibrated(
        master_mm,
        unit.to_kpa(supply),
        unit.to_kpa(cylinder),
        diameter_mm=diameter_mm,
        ambient_abs_kpa=ambient_kpa,
        unit=unit,
    )
    typer.echo(f"Discharge coefficient {found.discharge:.3f} ± {2 * found.discharge_u:.3f} (--discharge).")


@group.command()
def acknowledge(config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False) -> None:
    """Say that the cautions were heard."""
    send(config, simulated, as_json, order(CommandAction.ACKNOWLEDGE, by=by))


_NOWHERE = "nowhere"


@group.command()
def found(
    places: Annotated[
        list[str] | None,
        typer.Argument(help=f"Where the air of a cylinder goes: {', '.join(Heard)}; {_NOWHERE} takes it back."),
    ] = None,
    note: Annotated[str, typer.Option(help="The same in words, for example: the left crank seal.")] = "",
    cylinder: Annotated[str | None, typer.Option(help="The last leak-down of this cylinder, not the last.")] = None,
    machine: Annotated[str | None, typer.Option(help="Refuse it if the last one was of another machine.")] = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Keep where the air of the last leak-down was heard to go: it names the cause in the verdict and the report."""
    said = [place.strip().casefold() for place in places or ()]
    if not said and not note:
        raise SettingsError(f"Say where the air goes: {', '.join(Heard)}, {_NOWHERE}, or --note in words.")
    if unknown := [place for place in said if place not in {*Heard, _NOWHERE}]:
        raise SettingsError(f"{unknown[0]}: no such place; expected {', '.join(Heard)} or {_NOWHERE}.")
    if _NOWHERE in said and (len(said) > 1 or note):
        raise SettingsError(f"{_NOWHERE} stands alone: it takes back what was said before.")
    heard = tuple(Heard(place) for place in said if place != _NOWHERE)
    details = {"machine": machine, "cylinder": cylinder, "heard": heard, "note": note or None}
    send(config, simulated, as_json, order(CommandAction.LEAK_FOUND, by=by, **details))


@group.command()
def stop(config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False) -> None:
    """Stop the leak-down; what is known by then is written down."""
    send(config, simulated, as_json, order(CommandAction.STOP_DECAY, by=by))


@group.command()
def demo(
    hole_mm: Annotated[
        float, typer.Option(min=0, max=2, help="The simulated case's hole; 0 for a tight one.")
    ] = _CASE_HOLE_MM,
    differential: Annotated[
        bool, typer.Option("--differential", help="Regulated air into a simulated cylinder instead.")
    ] = False,
    speed: Annotated[float, typer.Option(min=0.5, max=20, help="Simulated seconds to a second.")] = 5.0,
    silent: Annotated[bool, typer.Option("--silent", help="No voice and no tones.")] = False,
    seed: Annotated[int, typer.Option(help="Seed of the simulation.")] = 7,
) -> None:
    """Show a whole hands-free leak-down of a simulated case: real radio traffic, prompts, result."""
    with simulators_needed("The demo"):
        from gaugelink.app.leak_demo import run_leak_demo

    logging.basicConfig(level=logging.ERROR, format="%(levelname)s %(name)s: %(message)s")
    # The loss of a healthy cylinder is that of a much larger hole than a crankcase may have.
    hole = 0.8 if differential and hole_mm == _CASE_HOLE_MM else hole_mm
    asyncio.run(
        run_leak_demo(Terminal(), hole_mm=hole, differential=differential, speed=speed, silent=silent, seed=seed)
    )


def replay_files(
    files: list[Path],
    practice: Practice,
    own: dict[str, float | None],
    fixed_time: bool,
    ambient_abs_kpa: float,
    resolution_kpa: float | None,
    reference: Path | None,
    unit: PressureUnit,
    layout: GaugeLayout | None,
    *,
    as_lines: bool,
) -> None:
    """Analyse recorded traces and print one line, or one JSON object, for each hold; sentences are in `unit`.

    Raises:
        SettingsError: the limit's numbers cannot be.
        RecordingError: a file cannot be read as a trace, or holds no decay.
    """
    from gaugelink.app.leak_replay import as_json, flags_of, read_reference, replay_decay

    request = _asked(None, practice=practice, fixed_time=fixed_time, **own)
    limit = decay_limit(request, PressureUnit.KPA)
    beside = read_reference(reference) if reference is not None else None
    for file in files:
        for replayed in replay_decay(
            file,
            limit,
            ambient_abs_kpa=ambient_abs_kpa,
            resolution_kpa=resolution_kpa,
            reference=beside,
            layout=layout,
            remark=lambda line: typer.echo(f"Note: {line}", err=True),
        ):
            document = as_json(replayed, unit)
            if as_lines:
                typer.echo(json.dumps(document))
                continue
            certain = f" Certain after {replayed.certain_s:.0f} s." if replayed.certain_s is not None else ""
            typer.echo(f"{file.name} {replayed.number}: {replayed.result.verdict.value}. {document['reason']}{certain}")
            hole = replayed.result.hole_mm
            if hole is not None:
                typer.echo(f"  As a hole of {hole.value:.3f} mm ({hole.low:.3f} to {hole.high:.3f}).")
            if replayed.over_kpa is not None:
                over, highest = unit.texts_apart(replayed.over_kpa, limit.highest_kpa)
                typer.echo(f"  It was pumped to {over}, over the limit of {highest}.")
            for words in flag_words(flags_of(replayed)):
                typer.echo(f"  Doubt: {words}.")


def _asked(unit: PressureUnit | None, /, **options: object) -> LeakRequest:
    """Put a request together.

    Args:
        unit: what its pressures were typed in; None where the options have kPa in their names.
        options: fields of the request.

    Raises:
        SettingsError: an option's number cannot be; it is told as it was typed.
    """
    try:
        return LeakRequest.model_validate(options)
    except ValidationError as error:
        raise SettingsError(_as_typed(error, unit)) from error


def _as_typed(error: ValidationError, unit: PressureUnit | None) -> str:
    """The first mistake of a request by its option, a pressure in the unit in which it was typed."""
    field, told, said = first_mistake(error, LeakRequest).partition(": ")
    if not told:
        return f"{field[:1].upper()}{field[1:]}"
    option = _OPTIONS.get(field, field)
    mistake = error.errors(include_url=False)[0]
    if unit is not None and field.endswith("_kpa"):
        option = field.removesuffix("_kpa")
        typed = f"{unit.from_kpa(mistake['input']):g} {unit.value}"
        match mistake["type"]:
            case "less_than_equal":
                said = f"{typed} is above {_most(mistake['ctx']['le'], unit)}, the most that is taken."
            case "greater_than":
                said = f"{typed} is too little; it must be above {mistake['ctx']['gt']:g}."
            case _:
                said = f"found {typed}; expected a pressure."
    return f"--{option.replace('_', '-')}: {said}"


def _most(limit_kpa: float, unit: PressureUnit) -> str:
    """A limit with its unit, rounded down: what is told must be taken when it is typed."""
    digits = 10.0**unit.fine_decimals
    return f"{floor(unit.from_kpa(limit_kpa) * digits + 1e-6) / digits:g} {unit.value}"


def _kpa(pressure: float | None, unit: PressureUnit) -> float | None:
    return None if pressure is None else unit.to_kpa(pressure)


def _command(
    action: CommandAction, by: str, machine: str | None, cylinder: str | None, gauge: str | None, leak: LeakRequest
) -> Command:
    return order(action, by=by, machine=machine, cylinder=cylinder, gauge=gauge, leak=leak)
