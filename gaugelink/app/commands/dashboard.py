"""``gaugelink dashboard``: the shop page, as a process of its own beside any number of benches."""

import asyncio
import logging
import signal
from pathlib import Path
from typing import Annotated

import typer

from gaugelink.app.commands.asked import shop_of
from gaugelink.errors import SettingsError


def register(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.command("dashboard")(dashboard_command)


def dashboard_command(
    config: Annotated[Path, typer.Option("--config", "-c", help="The shop file.")] = Path("config/shop.toml"),
    host: Annotated[str, typer.Option(help="Address to listen on; others than loopback need a token.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="TCP port; 0 takes a free one.")] = 8080,
    bench: Annotated[list[str] | None, typer.Option(help="A bench to show; the shop file's if left out.")] = None,
    token_file: Annotated[
        Path | None, typer.Option(help="File with the token; GAUGELINK_DASHBOARD_TOKEN goes before it.")
    ] = None,
    name: Annotated[list[str] | None, typer.Option(help="A host name under which the page is asked for.")] = None,
    certificate: Annotated[Path | None, typer.Option(help="Certificate for HTTPS, PEM.")] = None,
    key: Annotated[Path | None, typer.Option(help="Its key, PEM.")] = None,
    archive: Annotated[
        str | None, typer.Option(help="Look tests up in this archive: sqlite:///FILE, postgresql://USER@HOST/NAME.")
    ] = None,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="The bench that `gaugelink run --simulate` shows, and its record.")
    ] = False,
) -> None:
    """Serve the shop page until Ctrl-C: watch a bench and steer it from a wall screen or a phone."""
    from gaugelink.app.shoppage import show_page
    from gaugelink.dashboard.door import Door, find_token
    from gaugelink.dashboard.serve import Certificate
    from gaugelink.simulated import NOTICE

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    shop = shop_of(config, simulated)
    if shop.settings.broker.port == 0:
        raise SettingsError(
            f"{config}: the embedded broker takes any free port, so the page cannot find it: set a port in [broker], "
            "or use `gaugelink run --dashboard`."
        )
    if (certificate is None) != (key is None):
        raise SettingsError("--certificate and --key go together.")
    proof = Certificate(certificate, key) if certificate is not None and key is not None else None
    door = Door(host, port, find_token(token_file), tuple(name or ()), tls=proof is not None)

    async def show() -> None:
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        async with show_page(shop, door, bench or [shop.name], proof, archive, NOTICE if simulated else "") as page:
            typer.echo(door.sentence())
            page.add_done_callback(lambda _: stop.set())
            await stop.wait()

    asyncio.run(show())
