"""``gaugelink archive``: files what any number of benches publish in one database."""

import json
import logging
import signal
from pathlib import Path
from typing import Annotated

import typer

from gaugelink.errors import SettingsError


def register(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("archive")(archive_command)


def archive_command(
    config: Annotated[Path, typer.Option("--config", "-c", help="The archive file.")] = Path("config/archive.toml"),
    consumer: Annotated[
        str | None, typer.Option(help="Name of this consumer, where more than one shares the work.")
    ] = None,
    leave: Annotated[
        bool, typer.Option("--leave", help="File what waits for this consumer, give up its place for good, and end.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="What was done as JSON at the end.")] = False,
) -> None:
    """File what the benches publish in a database until Ctrl-C; it goes on where it stopped."""
    from gaugelink.archive.consumer import Consumer
    from gaugelink.archive.settings import ArchivePart, database_url, parse_archive
    from gaugelink.archive.store import Store
    from gaugelink.reasons import read_text
    from gaugelink.settings import validate_settings

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    settings = parse_archive(read_text(config, "archive file"), config)
    archive = settings.archive
    if consumer is not None:
        if archive.group is None:
            raise SettingsError(
                f"{config}: --consumer needs archive.group: without it every consumer files everything."
            )
        named = archive.model_dump() | {"client_id": f"{archive.client_id}-{consumer}"}
        archive = validate_settings(ArchivePart, named, "--consumer")
    url = database_url(archive.database, config.resolve().parent, archive.password_file)
    with Store(url) as store:
        store.prepare()
        worker = Consumer(settings.broker, archive, store, leave=leave)
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: worker.stop())
        typer.echo(f"Archiving from {settings.broker.host}:{settings.broker.port} into {store.where}.", err=True)
        tally = worker.run()
    if as_json:
        typer.echo(
            json.dumps(
                {
                    "received": tally.received,
                    "filed": tally.filed,
                    "quarantined": tally.quarantined,
                    "batches": tally.batches,
                    "database_s": round(tally.database_s, 3),
                    "busy_s": round(tally.busy_s, 3),
                    "connects": tally.connects,
                }
            )
        )
    else:
        typer.echo(f"{tally.filed} messages filed, {tally.quarantined} in quarantine.", err=True)
