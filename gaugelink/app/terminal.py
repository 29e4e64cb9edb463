"""What every command writes to: rich's console, but for what a broken pipe does to it."""

from rich.console import Console


class Terminal(Console):
    """A console whose reader may go away, as `| head` does."""

    def on_broken_pipe(self) -> None:
        """Let the command end as every error ends it: rich would end the process out of the middle of its tasks."""
        self.quiet = True
        raise BrokenPipeError
