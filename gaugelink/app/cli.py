"""The command line: one door a command, each thin; what they do is in the modules beside this one."""

import os
import sys
from collections.abc import Iterator
from difflib import get_close_matches
from importlib import import_module
from typing import Any

import typer

from gaugelink import __version__
from gaugelink.app.commands.shared import SharedOptions
from gaugelink.errors import ClosedPipeError, GaugelinkError

_WHERE = {
    "replay": "files",
    "check": "files",
    "run": "bench",
    "demo": "bench",
    "history": "record",
    "report": "record",
    "export": "record",
    "import": "record",
    "job": "record",
    "calibrate": "record",
    "scan": "radio",
    "inspect": "radio",
    "learn": "radio",
    "response": "files",
    "contract": "contract",
    "dashboard": "dashboard",
    "archive": "archive",
    "test": "test",
    "decay": "decay",
}
"""The module under `gaugelink.app.commands` of each command. Only the one that is called is loaded: a foot switch that
calls one waits for all that it loads."""

_GROUPS = ("test", "decay")
"""Those that have commands of their own."""


class _Commands(SharedOptions):
    """The commands; what is wrong with an option is said without the name of the validator's error before it."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(_WHERE)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in _WHERE:
            return None
        beside = typer.Typer(rich_markup_mode=None)
        # the others of its module with it: a group with a single command would be that command itself
        import_module(f"gaugelink.app.commands.{_WHERE[cmd_name]}").register(beside)
        return typer.main.get_group(beside).commands[cmd_name]

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command. A word that is none is refused with what may be meant: a group's own command, or a like
        word. The usual look-alikes are of commands that are loaded, and here none is yet."""
        word = args[0]
        if word not in _WHERE and not word.startswith("-"):
            meant = [f"{group} {word}" for group in _GROUPS if word in self.get_command(ctx, group).commands]
            meant = meant or get_close_matches(word, _WHERE)
            if meant:
                named = " or ".join(f"`gaugelink {one}`" for one in meant)
                ctx.fail(f"No such command {word!r}. Did you mean {named}?")
        return super().resolve_command(ctx, args)

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


def main() -> None:
    """Run the command line. Errors of the project's own end as their sentences and exit status 1."""
    told: list[str] = []
    try:
        app()
    except* GaugelinkError as group:
        told = [str(error) for error in _leaves(group)]
    except* (ClosedPipeError, BrokenPipeError):
        # Python would say at the end that the rest of the output could not be written.
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
