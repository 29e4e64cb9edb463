"""What every command writes to: rich's console, but for what a broken pipe does to it."""

from typing import Any

from rich.console import Console


class Terminal(Console):
    """A console whose reader may go away, as `| head` does, and that shows text as it is.

    Takes rich's own options.
    """

    def __init__(self, **options: Any) -> None:
        # Names of machines, and of whatever advertises near, are text: in `[race]` rich would see a style and show
        # nothing, in `[/]` a fault.
        super().__init__(markup=False, emoji=False, **options)

    def on_broken_pipe(self) -> None:
        """Let the command end as every error ends it: rich would end the process out of the middle of its tasks."""
        self.quiet = True
        raise BrokenPipeError
