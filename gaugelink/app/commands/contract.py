"""``gaugelink contract``: the published messages, for those who build other tools."""

import json

import typer

from gaugelink.broker.contract import asyncapi_document


def register(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("contract")(contract_command)


def contract_command() -> None:
    """Print the published contract: an AsyncAPI 3 document with an example of every message."""
    typer.echo(json.dumps(asyncapi_document(), indent=2))
