"""``gaugelink run``: the service on this machine's radio, or on a simulated one that is started in the same way."""

import asyncio
import time
from contextlib import AsyncExitStack
from typing import TYPE_CHECKING, Any

from rich.console import Console

from gaugelink.app.daemon import Daemon, Watcher
from gaugelink.app.mechanic import SIMULATED_MECHANIC, MechanicsEar, MechanicsWord
from gaugelink.app.presenter import ScenePresenter, report_command
from gaugelink.app.running import Fingers, Waiter, in_front_of, watchers_for
from gaugelink.app.shopfile import Shop
from gaugelink.app.simulating import simulators_needed
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.errors import GaugelinkError
from gaugelink.gauge.radio import Radio

if TYPE_CHECKING:
    from simulators.shop import SimulatedShop

SIMULATION = "Simulation: no engine, gauge or radio here is real, and no reading below says anything of an engine."


class Clock:
    """Monotonic seconds at a multiple of the machine's pace."""

    def __init__(self, speed: float) -> None:
        self._speed = speed

    def __call__(self) -> float:
        """Seconds now."""
        return time.monotonic() * self._speed


def acknowledgement(by: str) -> Command:
    """The command that says that the cautions were heard."""
    return Command(id=new_id(), action=CommandAction.ACKNOWLEDGE, by=by)


async def _simulated(shop: Shop, console: Console, stack: AsyncExitStack, speed: float, seed: int) -> "SimulatedShop":
    with simulators_needed("--simulate"):
        from simulators.shop import engine_under, simulated_shop
    machine = shop.settings.test.machine
    if machine is None:
        raise GaugelinkError(f"{shop.file}: --simulate needs test.machine: it says what is to be simulated.")
    console.print(SIMULATION, style="bold")
    console.print(
        f"It is told as bench {shop.name} and written into {shop.journal}, apart from the shop's own record: "
        f"`{report_command(shop)}` reads it.",
        soft_wrap=True,
    )
    return await stack.enter_async_context(
        simulated_shop(
            {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges},
            engine_under(shop.fleet.engine_of(machine)),
            held=shop.settings.gauges[0].kind.value == "held",
            speed=speed,
            seed=seed,
        )
    )


async def run_service(
    shop: Shop,
    console: Console,
    *,
    simulate: bool = False,
    speed: float = 1.0,
    seed: int = 0,
    acknowledge: bool = False,
    until_done: bool = False,
    silent: bool = False,
    dashboard: int | None = None,
) -> None:
    """Run the service until it is told to stop.

    Args:
        shop: the shop file.
        console: where the screen is drawn, or lines are printed when it is no terminal.
        simulate: a virtual radio with the shop's gauges, the engine of `test.machine`, and a mechanic; told and
            written down as the shop's simulated twin.
        speed: simulated seconds to a second.
        seed: of the simulation.
        acknowledge: the simulated mechanic acknowledges the cautions.
        until_done: end when the open test is done; a simulated mechanic answers what keeps it open.
        silent: no voice and no tones.
        dashboard: port of loopback on which the shop page is served in this process; None for no page.

    Raises:
        GaugelinkError: something that the service cannot run without is wrong, or it was to run until a test is done
            and ended before.
    """
    if simulate:
        shop = shop.as_simulated()
    presenter, waiter = ScenePresenter(shop, keys=True), Waiter()
    async with AsyncExitStack() as stack:
        ears: list[Watcher] = []
        ends: list[asyncio.Future[Any]] = []
        words: list[MechanicsWord] = []
        radio, clock = Radio(), Clock(1.0)
        if simulate:
            simulated = await _simulated(shop, console, stack, speed, seed)
            radio, clock = simulated.radio, Clock(speed)
            ears.append(MechanicsEar(simulated))
            # Without its mechanic a simulated test would wait for good.
            ends.append(simulated.working)
            if until_done:
                words.append(MechanicsWord(simulated.bench.truth))
        if dashboard is not None:
            # A bench without a page need not load a web server.
            from gaugelink.app.shoppage import page_beside

            told, door = await stack.enter_async_context(page_beside(shop, dashboard, SIMULATION if simulate else ""))
            ears.append(told)
            console.print(door.sentence(), soft_wrap=True)
        fingers = Fingers(lambda: daemon, speed=speed if simulate else 1.0)
        watchers = watchers_for(console, presenter, shop.settings.bench.display_unit, [*ears, *words, fingers, waiter])
        daemon = Daemon(shop, radio, clock=clock, watchers=watchers, silent=silent)
        async with in_front_of(daemon, console, presenter, fingers) as service, AsyncExitStack() as speaking:
            for word in words:
                await speaking.enter_async_context(word.spoken_to(daemon.obey))
            ends.append(asyncio.ensure_future(service.wait()))
            if until_done:
                ends.append(asyncio.ensure_future(waiter.done.wait()))
            if acknowledge:
                await asyncio.wait(
                    [*ends, said := asyncio.ensure_future(waiter.cautions_said.wait())],
                    return_when=asyncio.FIRST_COMPLETED,
                )
                if said.done() and not waiter.done.is_set():
                    await daemon.obey(acknowledgement(SIMULATED_MECHANIC))
                said.cancel()
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            for one in ends:
                one.cancel()
    if until_done and not waiter.done.is_set():
        raise GaugelinkError("The service ended before the test was done.")
