"""What the commands that ask a running bench for something have in common."""

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from pydantic import ValidationError

from gaugelink.app.asking import ask_and_hear
from gaugelink.app.shopfile import Shop, load_shop
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.errors import GaugelinkError
from gaugelink.settings import first_mistake

Config = Annotated[Path, typer.Option("--config", "-c", help="The shop file of the bench.")]
AsJson = Annotated[bool, typer.Option("--json", help="The answer as one JSON object.")]
By = Annotated[str, typer.Option(help="Who asks; it is kept in the record.")]

Simulated = Annotated[
    bool, typer.Option("--simulated", help="The bench that `gaugelink run --simulate` shows, instead of the real one.")
]

SHOP = Path("config/shop.toml")
"""The shop file when none is named."""


def shop_of(config: Path, simulated: bool) -> Shop:
    """Read a shop file, or make the simulated twin of its shop.

    Raises:
        SettingsError: the shop file has a mistake.
    """
    shop = load_shop(config)
    return shop.as_simulated() if simulated else shop


def order(action: CommandAction, **details: object) -> Command:
    """A command with an id of its own, as somebody typed it.

    Raises:
        GaugelinkError: a word in it can be no part of a command: it is too long, or has a slash in it.
    """
    try:
        return Command.model_validate({"id": new_id(), "action": action, **details})
    except ValidationError as error:
        raise GaugelinkError(first_mistake(error, Command)) from error


def send(config: Path, simulated: bool, as_json: bool, command: Command) -> None:
    """Send a command to the bench of a shop file, and show its one answer; a refusal ends with exit status 1.

    Whoever begins something from here may be out of sight and hearing of the bench: the cautions are shown here too.
    """
    shop = shop_of(config, simulated)
    answer, cautions = asyncio.run(ask_and_hear(shop.settings.broker, shop.name, command))
    if as_json:
        typer.echo(json.dumps(answer.model_dump(mode="json") | ({"cautions": cautions} if cautions else {})))
    else:
        typer.echo(answer.text, err=not answer.ok)
        for line in _before(command.action, cautions):
            typer.echo(line)
    if not answer.ok:
        raise typer.Exit(1)


def _before(action: CommandAction, cautions: Sequence[str]) -> list[str]:
    """What is to be read before anybody cranks, or lets air in."""
    if not cautions:
        return []
    air = action is CommandAction.BEGIN_DECAY
    return [
        "Before any air goes in:" if air else "Before anybody cranks:",
        *(f"  {caution}" for caution in cautions),
        f"Then, once they were heard: `gaugelink {'decay' if air else 'test'} acknowledge`, or a key at the bench.",
    ]
