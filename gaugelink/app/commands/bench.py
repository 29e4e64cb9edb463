"""Commands of a bench: ``demo`` and ``run``."""

import typer


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    del app
