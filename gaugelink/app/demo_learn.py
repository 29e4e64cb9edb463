"""``gaugelink demo --learn``: a gauge of a format made up on the spot is taught, and used at once for the test."""

import asyncio

import numpy as np
from rich.console import Console
from rich.text import Text

from gaugelink.app.demo import TaughtGauge
from gaugelink.app.layouts import layout_text
from gaugelink.app.service import SIMULATION
from gaugelink.app.teaching import HOLD_S, Hand, proven, teach
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugeError
from gaugelink.gauge.inspect import Inspector
from simulators.gatt_gauge import SimulatedGauge
from simulators.made_up import made_up_layout
from simulators.radio import simulated_shop_radio

ADDRESS = "F0:5A:00:00:02:02"
PUMP_S = 0.8
"""How long the simulated hand pumps."""


class SimulatedHand(Hand):
    """Pumps a simulated gauge up and types what its display shows."""

    def __init__(self, gauge: SimulatedGauge, console: Console) -> None:
        self.unit = PressureUnit.PSI
        self._gauge = gauge
        self._console = console

    async def reading(self, wanted_kpa: float) -> str:
        """Pump to about what was asked for, and type the display."""
        # Nobody hits a round number.
        reached_kpa = wanted_kpa * 1.03
        for share in np.linspace(0.1, 1.0, 10):
            self._gauge.idle_kpa += (reached_kpa - self._gauge.idle_kpa) * float(share)
            await asyncio.sleep(PUMP_S / 10.0)
        typed = f"{self.unit.from_kpa(reached_kpa):.1f}"
        what = "open to the air" if wanted_kpa <= 0 else f"pumped to about {self.unit.text(wanted_kpa)}"
        self._console.print(f"  {what}; the display shows {typed} psi")
        return typed

    def say(self, sentence: str) -> None:
        """Print a sentence."""
        self._console.print(f"  {sentence}", highlight=False)


async def teach_made_up(console: Console, seed: int) -> TaughtGauge:
    """Make up a gauge, teach it, and show what was found.

    Raises:
        GaugeError: the readings did not leave one layout.
    """
    console.print(Text(SIMULATION, style="bold"))
    layout = made_up_layout(seed)
    gauge = SimulatedGauge(layout, name="Gauge 77", address=ADDRESS, noise_kpa=0.4, seed=seed)
    console.print("Teaching a gauge that nobody has described:")
    async with simulated_shop_radio([gauge], seed=seed) as radio, Inspector(ADDRESS, radio.as_radio()) as inspector:
        await asyncio.sleep(HOLD_S / 2.0)
        taught = await teach(inspector, SimulatedHand(gauge, console), "taught in the demo")
    if taught.result.layout is None or not proven(taught):
        raise GaugeError("The gauge could not be taught. " + " ".join(taught.result.missing))
    for line in taught.result.candidates[0].evidence:
        console.print(Text(f"  {line}"))
    console.print(Text(layout_text(taught.result.layout), style="dim"))
    return TaughtGauge(layout, taught.result.layout)
