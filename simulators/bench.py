"""A whole simulated bench: an engine with its cylinders, a gauge on the air, and a mechanic who does what is said.

The mechanic hears prompts (`SimulatedBench.hear`), moves the gauge, cranks, bleeds, and lets regulated air in and off
where a differential leak-down asks for it. What the gauge then sees is the simulated engine's pressure, sampled and
sent over the virtual radio as a real gauge would send it.
"""

import asyncio
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from gaugelink.bench.prompt_keys import SURE, PromptKey
from gaugelink.bench.prompts import Prompt
from gaugelink.timelimit import time_limit
from simulators.cranking import CheckValve, Cranking, CylinderTrace
from simulators.engine import EngineSpec
from simulators.gatt_gauge import SimulatedGauge
from simulators.integrator import crank
from simulators.sensor import HeldGauge, LiveGauge, sample
from simulators.vessel import between_orifices_kpa

OF_LEAK = frozenset(key for key in PromptKey if key.value.startswith("leak_"))
"""Prompts of a leak-down: nobody cranks under air."""
NO_PULL = OF_LEAK | {PromptKey.LINK_LOST}
"""Prompts that name cylinders but ask for no new pull."""
AIR_ON = frozenset({PromptKey.LEAK_AIR, PromptKey.LEAK_FIRST, PromptKey.LEAK_ABSOLUTE, PromptKey.LEAK_ABOVE_SUPPLY})
"""Prompts of a leak-down that leave the air where it is; at any other one it is let off."""
AIR_S = 4.0
"""To open or to close the regulator. Slowly, as the prompt says; no source."""
ASIDE = frozenset(
    {PromptKey.KEEP_CRANKING, PromptKey.ENOUGH, PromptKey.ASK_GAUGE}
    | {PromptKey.BATTERY_LOW, PromptKey.DISK_TROUBLE, PromptKey.DISK_BACK}
    | SURE
)
"""Prompts that change nothing of what is to be done next."""


class Slip(StrEnum):
    """A mistake that the simulated mechanic makes once."""

    LOOSE_GAUGE = "loose_gauge"
    """The gauge is not tight on the second pull: some of the pressure gets past its thread."""
    SHORT_PULL = "short_pull"
    """Cranking stops after two strokes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How the simulated mechanic works. Times are on the gauge's clock."""

    turns: float = 7.0
    """Turns of the crank in a pull."""
    free_rpm: float = 620.0
    stall_nm: float = 55.0
    react_s: float = 1.5
    """From hearing a prompt to pulling."""
    move_s: float = 22.0
    """To bleed, unscrew, move and screw in the gauge."""
    patience_s: float = 120.0
    """From a pull that nobody says a word about to pulling once more. Common practice, no source; longer than the bench
    waits before it reminds."""
    orifice_mm: float = 1.016
    """Of the tester for a differential leak-down, an ideal nozzle: 0.040 in, FAA AC 43.13-1B, chapter 8, 8-14."""
    listen_s: float = 8.0
    """From the result of a leak-down to letting the air off: the mechanic listens for it. No source."""
    slips: Mapping[str, Slip] | None = None
    """Which cylinder gets which mistake."""


class SimulatedBench:
    """One mechanic with one gauge that is moved through the cylinders. Used as a task: `run`."""

    def __init__(
        self,
        gauge: SimulatedGauge,
        engine: Mapping[str, EngineSpec],
        *,
        held: bool = False,
        speed: float = 1.0,
        manner: Manner | None = None,
        seed: int = 0,
    ) -> None:
        """Make a bench.

        Args:
            gauge: the gauge on the air.
            engine: what is under each plug hole, by cylinder name.
            held: whether the gauge has a check valve.
            speed: gauge seconds to a second of the event loop; the same as the gauge's own.
            manner: how the mechanic works.
            seed: of the noise and of the small differences between pulls.
        """
        self._gauge = gauge
        self._engine = dict(engine)
        self._held = held
        self._speed = speed
        self._manner = manner or Manner()
        self._turns = self._manner.turns
        self._slips = dict(self._manner.slips or {})
        self._random = random.Random(seed)
        self._numbers = np.random.default_rng(seed)
        self._at: str | None = None
        self._pulls_here = 0
        self._prompts: asyncio.Queue[Prompt] = asyncio.Queue()
        self.truth: list[tuple[str, float]] = []
        """Every pull: the cylinder and its true highest (live) or final (held) gauge pressure in kPa."""
        self.under_air: list[tuple[str, float]] = []
        """Every time that air was let in: the cylinder and the true gauge pressure in kPa that it rests at."""
        self.air_off = asyncio.Event()
        """Set while no air is on."""
        self.air_off.set()

    def hear(self, prompt: Prompt) -> None:
        """Take in a prompt. The last one that was heard counts, but for what is said aside.

        Told to crank longer, the mechanic does so from then on: as many strokes as were asked for, and one more.
        """
        strokes = prompt.args.get("count")
        if prompt.key is PromptKey.STILL_RISING and prompt.cylinders and isinstance(strokes, int):
            turns_per_stroke = self._engine[prompt.cylinders[0]].cycle / 2
            self._turns = max(self._turns, (strokes + 1) * turns_per_stroke)
        self._prompts.put_nowait(prompt)

    async def run(self) -> None:
        """Do what the prompts say, for ever."""
        pulled: str | None = None
        while True:
            try:
                async with time_limit(None if pulled is None else self._manner.patience_s / self._speed):
                    prompt = await self._told()
            except TimeoutError:
                # The link may have been down for all of the pull. The bench does not know of it, and after its last
                # reminder it would wait for a pull, and the mechanic for a word, for good.
                assert pulled is not None
            else:
                await self._work_air(prompt)
                pulled = prompt.cylinders[0] if prompt.cylinders and prompt.key not in NO_PULL else None
            if pulled is not None:
                await self._do(pulled)

    async def _told(self) -> Prompt:
        """Wait for a prompt that says what is to be done, or that there is nothing to do."""
        told = None
        while told is None or not self._prompts.empty():
            prompt = await self._prompts.get()
            if prompt.key not in ASIDE:
                told = prompt
        return told

    async def _work_air(self, prompt: Prompt) -> None:
        """Let air in where a leak-down asks for it, and off again once nothing asks for it any more."""
        supply_kpa = prompt.args.get("pressure")
        if prompt.key is PromptKey.LEAK_AIR and prompt.cylinders and isinstance(supply_kpa, float):
            await self._let_air_in(prompt.cylinders[0], supply_kpa)
        elif not self.air_off.is_set() and prompt.key not in AIR_ON:
            if prompt.key is PromptKey.LEAK_PERCENT:
                await self._rest(self._manner.listen_s)
            await self._turn_air(self.under_air[-1][1], 0.0)
            self._gauge.bleed()
            self.air_off.set()

    async def _let_air_in(self, cylinder: str, supply_kpa: float) -> None:
        """Screw the tester in, with the gauge behind its orifice, let air in slowly, and leave it on."""
        await self._rest(0.6)
        self._gauge.bleed()
        await self._rest(self._manner.move_s)
        # The gauge is on the tester now: for a pull it has to be moved again.
        self._at = None
        spec = self._engine[cylinder]
        hole_mm = 2.0 * sqrt((spec.sealed_ring_leak_mm2 + spec.valve_leak_mm2) / pi)
        inside_kpa = between_orifices_kpa(supply_kpa, self._manner.orifice_mm, hole_mm)
        self.under_air.append((cylinder, inside_kpa))
        self.air_off.clear()
        await self._turn_air(0.0, inside_kpa)

    async def _turn_air(self, from_kpa: float, to_kpa: float) -> None:
        """Let the gauge see the air rise or fall to where it stays."""
        time_s = np.arange(int(AIR_S * self._gauge.rate_hz) or 1) / self._gauge.rate_hz
        seen = np.linspace(from_kpa, to_kpa, len(time_s)) + self._numbers.normal(0.0, 1.0, len(time_s))
        async with asyncio.TaskGroup() as turning:
            turning.create_task(self._gauge.feed(time_s, seen), name="air")
            await self._rest(0.5 * AIR_S)
            # Before the last of them is taken: what it reads on with belongs to the same frame.
            self._gauge.idle_kpa = to_kpa

    async def _do(self, cylinder: str) -> None:
        first = cylinder != self._at
        # The arithmetic of a pull takes a good part of a second; it goes on while the mechanic gets ready, and on a
        # thread, because it would hold up the frames of every gauge on this loop.
        pull = asyncio.create_task(asyncio.to_thread(self._cranked, cylinder, 1 if first else self._pulls_here + 1))
        if first:
            await self._rest(0.6)
            self._gauge.bleed()
            await self._rest(self._manner.move_s)
            await self._screw_in()
            self._at, self._pulls_here = cylinder, 0
        elif self._held:
            await self._rest(0.6)
            self._gauge.bleed()
        await self._rest(self._manner.react_s * self._random.uniform(0.8, 1.2))
        await self._pull(cylinder, await pull)

    async def _rest(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self._speed)

    async def _screw_in(self) -> None:
        """A thread that seals on a still engine squeezes a few kPa, which leak away past the rings."""
        time_s = np.arange(int(0.6 * self._gauge.rate_hz) or 1) / self._gauge.rate_hz
        squeezed = 4.0 * np.exp(-((time_s - 0.25) ** 2) / 0.01)
        await self._gauge.feed(time_s, squeezed)
        self._gauge.idle_kpa = 0.0

    def _cranked(self, cylinder: str, number: int) -> CylinderTrace:
        """Integrate a pull: the how-manieth it is on this cylinder decides about the slip."""
        spec, manner = self._engine[cylinder], self._manner
        turns = self._turns
        slip = self._slips.get(cylinder)
        if slip is not None and number == 2:
            del self._slips[cylinder]
            if slip is Slip.SHORT_PULL:
                turns = 2.0
            else:
                spec = replace(spec, valve_leak_mm2=spec.valve_leak_mm2 + 0.5)
        strength = self._random.uniform(0.97, 1.03)
        cranking = Cranking(
            duration_s=4.0,
            stall_nm=manner.stall_nm * strength,
            free_rpm=manner.free_rpm * strength,
            turns=turns,
            start_angle_deg=self._random.uniform(90.0, 180.0),
        )
        return crank(spec, cranking, CheckValve() if self._held else None)

    async def _pull(self, cylinder: str, trace: CylinderTrace) -> None:
        self._pulls_here += 1
        time_s, pressure_kpa = self._sampled(trace)
        self.truth.append((cylinder, trace.cylinder_peak_kpa))
        await self._gauge.feed(time_s, pressure_kpa)

    def _sampled(self, trace: CylinderTrace) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        rate_hz = self._gauge.rate_hz
        kind = HeldGauge if self._held else LiveGauge
        gauge = kind(noise_kpa=1.0, resolution_kpa=0.0)
        seen = sample(trace, gauge, rate_hz, self._numbers, before_s=0.0, after_s=0.3)
        return seen.time_s, seen.pressure_kpa
