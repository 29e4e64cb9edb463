"""The simulated mechanic does what the prompts say, and does not wait for a word that will not come."""

import asyncio
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.config import GaugeSettings
from simulators.bench import Manner, SimulatedBench
from simulators.engine import EngineSpec
from simulators.gatt_gauge import SimulatedGauge
from simulators.made_up import made_up_layout
from simulators.radio_time import run_driven
from simulators.shop import simulated_shop

NAMES = ("PTO", "MAG")
LONG_S = 3600.0
MANNER = Manner(turns=2.0)


class Handled(SimulatedGauge):
    """A gauge that is switched off: nobody ever sees a pull. It notes what is done to it."""

    def __init__(self) -> None:
        super().__init__(made_up_layout(4), rate_hz=50.0)
        self.bled: asyncio.Queue[float] = asyncio.Queue()
        self.fed: asyncio.Queue[int] = asyncio.Queue()

    def bleed(self) -> None:
        self.bled.put_nowait(asyncio.get_running_loop().time())

    async def feed(self, time_s: Sequence[float] | NDArray[np.float64], pressure_kpa: NDArray[np.float64]) -> None:
        await super().feed(time_s, pressure_kpa)
        self.fed.put_nowait(len(pressure_kpa))


def prompt(key: PromptKey, *cylinders: str) -> Prompt:
    said = {"cylinder": "PTO", "next": "PTO", "place": "clutch side", "value": 900.0, "list": (("PTO", 900.0),)}
    said |= {"count": 8, "more": 10, "machine": "north-7"}
    return Prompter(PressureUnit.KPA, ENGLISH).say(key, cylinders, **said)


async def pulled_once(gauge: Handled, bench: SimulatedBench) -> None:
    """Ask for a pull, and wait until it is done: the gauge was bled, screwed in and cranked."""
    bench.hear(prompt(PromptKey.GO_TO, "PTO"))
    await gauge.bled.get()
    await gauge.fed.get()
    await gauge.fed.get()


def next_pull_s(*said_after: Prompt) -> float | None:
    """Driven seconds from a pull that nobody saw, and what was said after it, to the next; None for none in an hour."""

    async def main() -> float | None:
        gauge = Handled()
        bench = SimulatedBench(gauge, dict.fromkeys(NAMES, EngineSpec()), held=True, manner=MANNER)
        working = asyncio.create_task(bench.run())
        await pulled_once(gauge, bench)
        pulled_s = asyncio.get_running_loop().time()
        for said in said_after:
            bench.hear(said)
        try:
            async with asyncio.timeout(LONG_S):
                # A held gauge is bled before it is pulled on again.
                again_s = await gauge.bled.get() - pulled_s
        except TimeoutError:
            again_s = None
        working.cancel()
        await asyncio.wait([working])
        return again_s

    return run_driven(main())


def test_told_to_crank_longer_the_mechanic_does_so_from_then_on() -> None:
    async def main() -> list[float]:
        gauge = Handled()
        bench = SimulatedBench(gauge, dict.fromkeys(NAMES, EngineSpec()), held=True, manner=MANNER)
        working = asyncio.create_task(bench.run())
        await pulled_once(gauge, bench)
        for key in (PromptKey.STILL_RISING, PromptKey.AGAIN_BLEED):
            bench.hear(prompt(key, "PTO"))
            await gauge.fed.get()
        working.cancel()
        await asyncio.wait([working])
        return [kpa for _, kpa in bench.truth]

    first, *longer = run_driven(main())
    # Two strokes leave more than a tenth of the climb, nine of them next to nothing: the simulated engine's own truth.
    assert min(longer) > 1.1 * first
    assert longer[0] == pytest.approx(longer[1], rel=0.05)


def test_a_pull_that_nobody_answers_is_done_again() -> None:
    assert next_pull_s() is not None


@pytest.mark.parametrize("aside", [PromptKey.KEEP_CRANKING, PromptKey.ENOUGH, PromptKey.BATTERY_LOW])
def test_what_is_said_aside_answers_no_pull(aside: PromptKey) -> None:
    assert next_pull_s(prompt(aside)) is not None


def test_what_is_said_aside_does_not_drown_what_is_to_be_done() -> None:
    waited_s = next_pull_s(prompt(PromptKey.AGAIN_BLEED, "PTO"), prompt(PromptKey.BATTERY_LOW))
    assert waited_s is not None
    assert waited_s < MANNER.patience_s


@pytest.mark.parametrize("end", [PromptKey.LAST_DONE, PromptKey.ABANDONED, PromptKey.LINK_LOST])
def test_nobody_pulls_when_the_test_is_over_or_the_link_is_down(end: PromptKey) -> None:
    assert next_pull_s(prompt(end, *(["PTO"] if end is PromptKey.LINK_LOST else []))) is None


async def test_a_mechanic_who_fails_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    def come_apart(_gauge: SimulatedGauge) -> None:
        raise ArithmeticError("the valve came apart")

    monkeypatch.setattr(SimulatedGauge, "bleed", come_apart)
    gauges = {"amber": (GaugeSettings(name="amber", address="F0:5A:00:00:00:01"), made_up_layout(4))}

    async def go_on_until_the_mechanic_ends() -> None:
        async with simulated_shop(gauges, dict.fromkeys(NAMES, EngineSpec()), held=True, speed=20.0) as simulated:
            simulated.bench.hear(prompt(PromptKey.GO_TO, "PTO"))
            await asyncio.wait([simulated.working])

    with pytest.raises(ArithmeticError, match="came apart"):
        await go_on_until_the_mechanic_ends()


def test_nobody_pulls_under_air_and_it_is_let_off_before_the_next_pull() -> None:
    async def main() -> list[object]:
        gauge = Handled()
        bench = SimulatedBench(gauge, dict.fromkeys(NAMES, EngineSpec()), held=True, manner=MANNER)
        working = asyncio.create_task(bench.run())
        await pulled_once(gauge, bench)
        air = Prompter(PressureUnit.KPA, ENGLISH).say(PromptKey.LEAK_AIR, ("PTO",), cylinder="PTO", pressure=550.0)
        bench.hear(air)
        await gauge.fed.get()
        seen: list[object] = [len(bench.truth), [name for name, _ in bench.under_air], 0.0 < gauge.idle_kpa < 550.0]
        bench.hear(prompt(PromptKey.LEAK_FIRST, "PTO"))
        await asyncio.sleep(60.0)
        seen += [bench.air_off.is_set(), len(bench.truth)]
        bench.hear(prompt(PromptKey.GO_TO, "PTO"))
        await gauge.fed.get()
        seen += [gauge.idle_kpa, len(bench.truth)]
        # The gauge was on the tester: it is screwed in anew.
        await gauge.fed.get()
        await gauge.fed.get()
        seen += [bench.air_off.is_set(), len(bench.truth)]
        working.cancel()
        await asyncio.wait([working])
        return seen

    assert run_driven(main()) == [1, ["PTO"], True, False, 1, 0.0, 1, True, 2]
