"""``gaugelink decay demo``: a simulated crankcase, pumped, closed and watched over the virtual radio, hands free."""

import asyncio
import tempfile
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.text import Text

from gaugelink.app.daemon import Daemon, Watcher
from gaugelink.app.demo import LISTEN_S, MACHINE, demo_shop
from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.running import in_front_of, watchers_for
from gaugelink.app.service import SIMULATION, Clock, acknowledgement
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.engine.units import PressureUnit
from gaugelink.leak.limits import practice_limit
from simulators.shop import SimulatedShop, engine_under, simulated_shop
from simulators.vessel import Vessel, between_orifices_kpa, watch

VOLUME_CM3 = 900.0
SUPPLY_KPA = 80.0 * PressureUnit.PSI.kpa
ORIFICE_MM = 1.016
"""80 psi through 0.040 in: FAA AC 43.13-1B, chapter 8, for bores below 5 in."""
LONGEST_S = 420.0
"""The demo is given up after this, in simulated seconds."""
_REST_S = 4.0


class LeakEar(Watcher):
    """Hears what matters to who pumps."""

    def __init__(self) -> None:
        self.pump = asyncio.Event()
        """The mechanic was told to pump, or to let air in."""
        self.cautioned = asyncio.Event()
        self.done = asyncio.Event()
        self.result: Decay | None = None
        self.said: list[str] = []

    def stepped(self, step: Step) -> None:
        """Look for the moments."""
        for prompt in step.prompts:
            self.said.append(prompt.text)
            if prompt.key is PromptKey.ACKNOWLEDGE:
                self.cautioned.set()
            elif prompt.key in (PromptKey.LEAK_PUMP, PromptKey.LEAK_AIR):
                self.pump.set()
        if step.decay is not None:
            self.result = step.decay
            self.done.set()


def leak_shop(folder: Path) -> Shop:
    """The demo's shop without a compression test of its own."""
    shop = demo_shop(folder, held=False)
    settings = shop.settings.model_copy(update={"test": shop.settings.test.model_copy(update={"machine": None})})
    return Shop(shop.file, settings, shop.fleet, shop.layouts, shop.journal)


async def pump_and_hold(simulated: SimulatedShop, hole_mm: float, seed: int) -> None:
    """Do what a mechanic does with a hand pump: pump the case up and close the valve; the gauge sends on."""
    gauge = next(iter(simulated.gauges.values()))
    vessel = Vessel(volume_cm3=VOLUME_CM3, hole_mm=hole_mm, settling_s=25.0, heated=0.006)
    record = watch(
        vessel,
        practice_limit(LeakRequest().practice).test_kpa,
        LONGEST_S,
        rate_hz=gauge.rate_hz,
        resolution_kpa=0.0,
        noise_kpa=0.15,
        quiet_s=_REST_S,
        seed=seed,
    )
    # All at once: between two feeds a busy machine lets the gauge read its idle pressure for a sample.
    await gauge.feed(np.arange(len(record.pressure_kpa)) / gauge.rate_hz, record.pressure_kpa)


async def let_air_in(simulated: SimulatedShop, hole_mm: float, seed: int) -> None:
    """Do what a mechanic does with regulated air: let it in slowly, and leave it on; the gauge sends on."""
    gauge = next(iter(simulated.gauges.values()))
    steady_kpa = between_orifices_kpa(SUPPLY_KPA, ORIFICE_MM, hole_mm)
    time_s = np.arange(int(60.0 * gauge.rate_hz)) / gauge.rate_hz
    rng = np.random.default_rng(seed)
    inside = steady_kpa * np.clip((time_s - _REST_S) / 4.0, 0.0, 1.0) + rng.normal(0.0, 1.0, len(time_s))
    await gauge.feed(time_s, inside)


async def run_leak_demo(
    console: Console,
    *,
    hole_mm: float = 0.06,
    differential: bool = False,
    speed: float = 5.0,
    silent: bool = False,
    seed: int = 7,
) -> None:
    """Run the demo in front of a person; it ends by itself. `differential` shows regulated air into a cylinder."""
    console.print(Text(SIMULATION, style="bold"))
    with tempfile.TemporaryDirectory(prefix="gaugelink-demo-") as folder:
        shop = leak_shop(Path(folder))
        presenter, ear = ScenePresenter(shop), LeakEar()
        gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
        engine = engine_under(shop.fleet.engine_of(MACHINE))
        async with simulated_shop(gauges, engine, speed=speed, seed=seed) as simulated:
            watchers = watchers_for(console, presenter, shop.settings.bench.display_unit, [ear])
            daemon = Daemon(shop, simulated.radio, clock=Clock(speed), watchers=watchers, silent=silent)
            async with in_front_of(daemon, console, presenter, None) as stopped:
                acting = asyncio.create_task(_act(daemon, ear, simulated, hole_mm, differential, speed, seed))
                ending = asyncio.ensure_future(stopped.wait())
                await asyncio.wait([acting, ending], timeout=LONGEST_S / speed, return_when=asyncio.FIRST_COMPLETED)
                acting.cancel()
                ending.cancel()
        console.print()
        if ear.result is None:
            console.print(Text("The leak test was not finished.", style="bold red"))
        else:
            numbers = ear.result.numbers
            console.print(Text(f"{ear.result.verdict}: {ear.result.text}", style="bold"))
            if "hole_mm" in numbers:
                low, high = numbers["hole_low_mm"], numbers["hole_high_mm"]
                console.print(
                    Text(f"As a hole of {numbers['hole_mm']:.3f} mm ({low:.3f} to {high:.3f}); it is {hole_mm:g} mm.")
                )
            if not differential:
                console.print(Text(f"After {ear.result.duration_s:.0f} s of the book's 600 s."))
        console.print(Text(SIMULATION, style="dim"))


async def _act(
    daemon: Daemon,
    ear: LeakEar,
    simulated: SimulatedShop,
    hole_mm: float,
    differential: bool,
    speed: float,
    seed: int,
) -> None:
    await daemon.ready.wait()
    request, cylinder = LeakRequest(volume_cm3=VOLUME_CM3), None
    if differential:
        request = LeakRequest(kind=DecayKind.DIFFERENTIAL, supply_kpa=SUPPLY_KPA, orifice_mm=ORIFICE_MM)
        cylinder = "PTO"
    begin = Command(
        id=new_id(), action=CommandAction.BEGIN_DECAY, machine=MACHINE, by="demo", leak=request, cylinder=cylinder
    )
    await daemon.obey(begin)
    await ear.cautioned.wait()
    await asyncio.sleep(LISTEN_S / speed)
    await daemon.obey(acknowledgement("simulated mechanic"))
    await ear.pump.wait()
    work = let_air_in if differential else pump_and_hold
    pumping = asyncio.create_task(work(simulated, hole_mm, seed))
    await ear.done.wait()
    pumping.cancel()
    # The result stays in sight for a moment.
    await asyncio.sleep(1.5)
