"""Commands of a bench: ``run`` and ``demo``."""

import asyncio
import logging
from pathlib import Path
from typing import Annotated

import typer

from gaugelink.app.commands.asked import SHOP, Config
from gaugelink.app.simulating import simulators_needed
from gaugelink.app.terminal import Terminal
from gaugelink.errors import GaugelinkError


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("run")(run_command)
    app.command("demo")(demo_command)


def run_command(
    config: Config = SHOP,
    simulate: Annotated[
        bool, typer.Option("--simulate", help="Run the shop's simulated twin: radio, gauges, engine and mechanic.")
    ] = False,
    speed: Annotated[float, typer.Option(min=0.1, max=100, help="Simulated seconds to a second.")] = 1.0,
    seed: Annotated[int, typer.Option(help="Seed of the simulation.")] = 0,
    acknowledge: Annotated[
        bool, typer.Option("--acknowledge", help="With --simulate: the simulated mechanic acknowledges the cautions.")
    ] = False,
    until_done: Annotated[
        bool, typer.Option("--until-done", help="End when the open test is done; exit status 1 if it ends before.")
    ] = False,
    silent: Annotated[bool, typer.Option("--silent", help="No voice and no tones.")] = False,
    dashboard: Annotated[
        int | None, typer.Option(min=0, max=65535, help="Serve the shop page on this port of loopback.")
    ] = None,
) -> None:
    """Run the service of a bench until Ctrl-C."""
    from gaugelink.app.service import run_service
    from gaugelink.app.shopfile import load_shop

    if (speed != 1.0 or acknowledge) and not simulate:
        raise GaugelinkError("--speed and --acknowledge go with --simulate, and only with it.")
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    asyncio.run(
        run_service(
            load_shop(config),
            Terminal(),
            simulate=simulate,
            speed=speed,
            seed=seed,
            acknowledge=acknowledge,
            until_done=until_done,
            silent=silent,
            dashboard=dashboard,
        )
    )


def demo_command(
    held: Annotated[bool, typer.Option("--held", help="A gauge with a check valve instead of a live one.")] = False,
    speed: Annotated[float, typer.Option(min=0.5, max=20, help="Simulated seconds to a second.")] = 5.0,
    silent: Annotated[bool, typer.Option("--silent", help="No voice and no tones.")] = False,
    seed: Annotated[int, typer.Option(help="Seed of the simulation.")] = 7,
    reports: Annotated[Path | None, typer.Option(help="Folder for the report of the test.")] = None,
    learn: Annotated[
        bool, typer.Option("--learn", help="First teach a gauge of a made-up format, then use it for the test.")
    ] = False,
    dashboard: Annotated[
        int | None, typer.Option(min=0, max=65535, help="Serve the shop page on this port of loopback while it runs.")
    ] = None,
) -> None:
    """Show a whole hands-free test in an invented shop: simulated gauge, engine and mechanic, real radio traffic."""
    with simulators_needed("The demo"):
        from gaugelink.app.demo import run_demo

    logging.basicConfig(level=logging.ERROR, format="%(levelname)s %(name)s: %(message)s")

    async def show() -> None:
        console, taught = Terminal(), None
        if learn:
            from gaugelink.app.demo_learn import teach_made_up

            taught = await teach_made_up(console, seed)
        await run_demo(
            console,
            held=held,
            speed=speed,
            silent=silent,
            seed=seed,
            reports=reports,
            taught=taught,
            dashboard=dashboard,
        )

    asyncio.run(show())
