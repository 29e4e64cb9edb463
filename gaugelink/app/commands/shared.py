"""Options that many commands have in common may stand before the command too: `gaugelink test --simulated finish`."""

from typing import Any

from typer.core import TyperGroup


class SharedOptions(TyperGroup):
    """A group of commands. What is typed before the command's name and is no option of the group is the command's."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Move the options before the command's name behind it, and parse."""
        own = {name for option in self.get_params(ctx) for name in option.opts}
        names = self.list_commands(ctx)
        place = next((place for place, word in enumerate(args) if word in names), None)
        if place is None and "--help" in args and args[0].startswith("-"):
            # Which commands there are is what is asked, whatever else was typed already.
            return super().parse_args(ctx, ["--help"])
        before = args[: place or 0]
        if place and before[0].startswith("-") and not own.intersection(before):
            args = [args[place], *before, *args[place + 1 :]]
        return super().parse_args(ctx, args)
