"""``gaugelink test …``: what a person asks of the test that runs on a bench, from another terminal or a script."""

from typing import Annotated

import typer

from gaugelink.app.commands.asked import SHOP, AsJson, By, Config, Simulated, order, send
from gaugelink.app.commands.shared import SharedOptions
from gaugelink.broker.commands import CommandAction

group = typer.Typer(
    cls=SharedOptions, no_args_is_help=True, help="Steer the test that runs on a bench, through its broker."
)

Cylinder = Annotated[str, typer.Argument(help="Name of the cylinder.")]
ReadCylinder = Annotated[
    str | None,
    typer.Argument(help="Name of the cylinder; if left out, the current one once it has a reading, else the last."),
]
SomeCylinder = Annotated[str | None, typer.Argument(help="Name of the cylinder; the current one if left out.")]
OfTest = Annotated[
    str | None,
    typer.Option("--test", help="Id of a test or its beginning, see `history MACHINE`; the bench's own if left out."),
]
Event = Annotated[str | None, typer.Option(help="Id of the event; the last one if left out.")]


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.add_typer(group, name="test")


@group.command()
def begin(
    machine: Annotated[str, typer.Argument(help="Id of a machine of the fleet.")],
    wet: Annotated[bool, typer.Option("--wet", help="A wet test: oil in each cylinder.")] = False,
    repeats: Annotated[int | None, typer.Option(min=1, max=10, help="Readings that must agree.")] = None,
    cylinder: Annotated[list[str] | None, typer.Option(help="Only these cylinders, in this order.")] = None,
    gauge: Annotated[str | None, typer.Option(help="The gauge that is moved.")] = None,
    note: Annotated[str | None, typer.Option(help="Kept with the test: report and history show it.")] = None,
    count: Annotated[
        float | None, typer.Option("--odometer", min=0, help="The machine's own count, in the unit of its fleet entry.")
    ] = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Begin a test of a machine."""
    command = order(
        CommandAction.BEGIN,
        by=by,
        machine=machine,
        kind="wet" if wet else None,
        repeats=repeats,
        cylinders=tuple(cylinder) if cylinder else None,
        gauge=gauge,
        note=note,
        odometer=count,
    )
    send(config, simulated, as_json, command)


@group.command()
def acknowledge(config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False) -> None:
    """Say that the cautions were heard."""
    send(config, simulated, as_json, order(CommandAction.ACKNOWLEDGE, by=by))


@group.command()
def redo(
    cylinder: ReadCylinder = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Strike the readings of a cylinder and measure it again."""
    send(config, simulated, as_json, order(CommandAction.REDO, cylinder=cylinder, by=by))


@group.command()
def skip(
    cylinder: SomeCylinder = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Go on without a cylinder."""
    send(config, simulated, as_json, order(CommandAction.SKIP, cylinder=cylinder, by=by))


@group.command()
def assign(
    cylinder: Cylinder,
    event: Event = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Give a reading to a cylinder, or move it there."""
    send(
        config,
        simulated,
        as_json,
        order(CommandAction.ASSIGN, cylinder=cylinder, event_id=event, by=by),
    )


@group.command()
def answer(
    cylinder: Cylinder, config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False
) -> None:
    """Answer the question which cylinder it was."""
    send(config, simulated, as_json, order(CommandAction.ANSWER, cylinder=cylinder, by=by))


@group.command()
def exchange(
    cylinder: Cylinder,
    other: Annotated[str, typer.Argument(help="The cylinder that it was mixed up with.")],
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Two cylinders were mixed up: their readings change places."""
    send(
        config,
        simulated,
        as_json,
        order(CommandAction.EXCHANGE, cylinder=cylinder, other=other, by=by),
    )


@group.command()
def strike(
    event: Event = None, config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False
) -> None:
    """Take a reading out; it stays in the record."""
    send(config, simulated, as_json, order(CommandAction.STRIKE, event_id=event, by=by))


@group.command()
def take_back(
    event: Event = None,
    test: OfTest = None,
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Undo the last change of a reading; with --test, let a test that was given up count again."""
    send(config, simulated, as_json, order(CommandAction.TAKE_BACK, event_id=event, test_id=test, by=by))


@group.command()
def note(
    text: Annotated[str, typer.Argument(help="What to keep with the test: report and history show it.")],
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Keep a note with the test."""
    send(config, simulated, as_json, order(CommandAction.NOTE, note=text, by=by))


@group.command()
def odometer(
    count: Annotated[float, typer.Argument(min=0, help="The machine's own count, in the unit of its fleet entry.")],
    config: Config = SHOP,
    by: By = "",
    simulated: Simulated = False,
    as_json: AsJson = False,
) -> None:
    """Keep what the machine's odometer or hour meter shows: `history --per odometer` counts wear by it.

    A count that is less than the one that the test has is asked for twice; one that is less than that of the test
    before is kept, and the answer says so.
    """
    send(config, simulated, as_json, order(CommandAction.ODOMETER, odometer=count, by=by))


@group.command()
def finish(config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False) -> None:
    """Close the test with what there is."""
    send(config, simulated, as_json, order(CommandAction.FINISH, by=by))


@group.command()
def abandon(
    test: OfTest = None, config: Config = SHOP, by: By = "", simulated: Simulated = False, as_json: AsJson = False
) -> None:
    """Give a test up, a finished one too: it stays in the record and proves nothing. `take-back` undoes it."""
    send(config, simulated, as_json, order(CommandAction.ABANDON, test_id=test, by=by))
