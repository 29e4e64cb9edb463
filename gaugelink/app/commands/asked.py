"""What the commands that ask a running bench for something have in common."""

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from gaugelink.app.asking import ask
from gaugelink.app.shopfile import load_shop
from gaugelink.broker.commands import Command

Config = Annotated[Path, typer.Option("--config", "-c", help="The shop file of the bench.")]
AsJson = Annotated[bool, typer.Option("--json", help="The answer as one JSON object.")]
By = Annotated[str, typer.Option(help="Who asks; it is kept in the record.")]

SHOP = Path("config/shop.toml")
"""The shop file when none is named."""


def send(config: Path, as_json: bool, command: Command) -> None:
    """Send a command to the bench of a shop file, and show its one answer; a refusal ends with exit status 1."""
    shop = load_shop(config)
    answer = asyncio.run(ask(shop.settings.broker, shop.name, command))
    typer.echo(answer.model_dump_json() if as_json else answer.text, err=not answer.ok and not as_json)
    if not answer.ok:
        raise typer.Exit(1)
