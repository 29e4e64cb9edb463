"""The command line: one door a command, each thin; what they do is in the modules beside this one."""

import os
import sys
from collections.abc import Iterator
from typing import Any

import typer
from typer.core import TyperGroup

from gaugelink import __version__
from gaugelink.app.commands import archive, bench, contract, dashboard, decay, files, radio, record, test
from gaugelink.errors import GaugelinkError


class _Commands(TyperGroup):
    """The commands; what is wrong with an option is said without the name of the validator's error before it."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            error.message = (error.message or "").removeprefix("Value error, ")
            raise


app = typer.Typer(
    name="gaugelink",
    cls=_Commands,
    help="Hands-free compression and leak-down testing with a wireless pressure gauge.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"gaugelink {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Show the version and end."
    ),
) -> None:
    del version


files.register(app)
bench.register(app)
test.register(app)
record.register(app)
decay.register(app)
radio.register(app)
contract.register(app)
dashboard.register(app)
archive.register(app)


def main() -> None:
    """Run the command line. Errors of the project's own end as their sentences and exit status 1."""
    told: list[str] = []
    try:
        app()
    except* GaugelinkError as group:
        told = [str(error) for error in _leaves(group)]
    except* BrokenPipeError:
        # The reader of a pipe went away (`| head`); there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        told = [""]
    if told:
        for sentence in dict.fromkeys(filter(None, told)):
            typer.echo(sentence, err=True)
        sys.exit(1)


def _leaves(group: BaseExceptionGroup[GaugelinkError]) -> Iterator[GaugelinkError]:
    for error in group.exceptions:
        if isinstance(error, BaseExceptionGroup):
            yield from _leaves(error)
        else:
            yield error
