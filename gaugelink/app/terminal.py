"""What every command writes to: rich's console and plain lines, but for what a broken pipe does to them."""

from typing import Any

import typer
from rich.console import Console

from gaugelink.errors import ClosedPipeError


class Terminal(Console):
    """A console whose reader may go away, as `| head` does, and that shows text as it is.

    Takes rich's own options.
    """

    def __init__(self, **options: Any) -> None:
        # Names of machines, and of whatever advertises near, are text: in `[race]` rich would see a style and show
        # nothing, in `[/]` a fault.
        super().__init__(markup=False, emoji=False, **options)

    def on_broken_pipe(self) -> None:
        """Let the command end as every error ends it: rich would end the process out of the middle of its tasks.

        Raises:
            ClosedPipeError: always.
        """
        self.quiet = True
        raise ClosedPipeError


def tell(line: str, *, nl: bool = True) -> None:
    """Print a line, without its end where `nl` is False, while something is open that can break as a pipe can.

    Raises:
        ClosedPipeError: nobody reads it.
    """
    try:
        typer.echo(line, nl=nl)
    except BrokenPipeError as error:
        raise ClosedPipeError from error
