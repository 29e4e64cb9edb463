"""The command line: one door a command, each thin; what they do is in the modules beside this one."""

import sys

import typer

from gaugelink import __version__
from gaugelink.app.commands import bench, files
from gaugelink.errors import GaugelinkError

app = typer.Typer(
    name="gaugelink",
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


def main() -> None:
    """Run the command line. An error of the project's own ends as its sentence and exit status 1."""
    try:
        app()
    except GaugelinkError as error:
        typer.echo(str(error), err=True)
        sys.exit(1)
    except BrokenPipeError:
        # The reader of a pipe went away (`| head`); there is nobody left to tell.
        sys.stderr.close()
        sys.exit(1)
