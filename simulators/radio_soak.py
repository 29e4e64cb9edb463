"""A shop floor in a bad mood: hours of loss, jitter, silence, disconnects and switched-off gauges on driven time.

What must hold through all of it: samples and losses add up to the time that passed, sample times never go back, and
the link comes back by itself after every trouble.
"""

import asyncio
import random
from dataclasses import dataclass, field

import numpy as np

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.supervisor import SupervisedLink
from gaugelink.timelimit import time_limit
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import AirConditions, VirtualRadio, simulated_shop_radio
from simulators.radio_diary import Diary, keep_diary

TROUBLES = ("drop", "silence", "hang", "off", "moved", "refuse", "deaf", "noise")
"""drop: a disconnect. silence: connected by name alone. hang: the gauge's program stops and the gauge is restarted.
off: switched off for a while. moved: back at another address. refuse: connects fail. deaf: out of reach for a while.
noise: a tenth of the frames lost for a while."""


@dataclass
class Soak:
    """What came of it."""

    troubles: int = 0
    back_s: dict[str, list[float]] = field(default_factory=dict)
    """By trouble: seconds from the end of the trouble to the next frame."""
    samples: int = 0
    lost: int = 0
    span_s: float = 0.0
    """From the first to the last sample, as the sample clock tells it."""
    went_back: int = 0
    """Sample times that were not after the one before."""
    tasks_left: int = 0
    """Tasks that were left when all was closed."""


SOAK_LAYOUT = GaugeLayout.model_validate(
    {
        "name": "soak",
        "unit": "kPa",
        "rate_hz": 100.0,
        "listen": {"service": "ff01", "characteristic": "ff02"},
        "sequence": {"at": 0, "format": "u16"},
        "pressure": {"at": 2, "format": "u16", "scale": 0.1, "count": "fit"},
    }
)


async def _trouble(kind: str, source: random.Random, gauge: SimulatedGauge, radio: VirtualRadio) -> None:
    conditions = radio.conditions
    if kind == "drop":
        await radio.drop_connections()
    elif kind == "silence":
        radio.silence_connections()
    elif kind == "hang":
        gauge.hung = True
        await asyncio.sleep(source.uniform(0.5, 10.0))
        gauge.hung = False
        await gauge.switch_off()
        await gauge.switch_on()
    elif kind in ("off", "moved"):
        await gauge.switch_off()
        await asyncio.sleep(source.uniform(0.5, 60.0))
        address = f"F0:5A:00:00:{source.randrange(256):02X}:{source.randrange(256):02X}"
        await gauge.switch_on(address=address if kind == "moved" else None)
    elif kind == "refuse":
        conditions.refused_connects = source.randint(1, 5)
        await radio.drop_connections()
    elif kind == "deaf":
        conditions.out_of_reach = True
        await radio.drop_connections()
        await asyncio.sleep(source.uniform(1.0, 30.0))
        conditions.out_of_reach = False
    elif kind == "noise":
        conditions.loss = 0.1
        await asyncio.sleep(source.uniform(1.0, 30.0))
        conditions.loss = 0.0


async def soak(troubles: int, seed: int) -> Soak:
    """Make so many troubles, one after another, and wait after each until the gauge is heard again.

    Raises TimeoutError when the link does not come back within two minutes.
    """
    loop = asyncio.get_running_loop()
    source = random.Random(seed)
    result = Soak()
    before = asyncio.all_tasks()
    gauge = SimulatedGauge(SOAK_LAYOUT, name="Soaked gauge")
    air = AirConditions(jitter_s=0.03, interval_s=0.015)
    async with simulated_shop_radio([gauge], conditions=air, seed=seed) as radio:
        settings = GaugeSettings(name="soaked", advertised_name="Soaked gauge")
        link = SupervisedLink(settings, SOAK_LAYOUT, radio.as_radio(), clock=loop.time, rng=random.Random(seed + 1))
        async with keep_diary(link) as diary:
            await diary.until_phase(LinkPhase.STREAMING, 120.0)
            for _ in range(troubles):
                await asyncio.sleep(source.expovariate(1.0 / 10.0))
                kind = source.choice(TROUBLES)
                await _trouble(kind, source, gauge, radio)
                began_s = loop.time()
                await _heard_again(diary, radio)
                result.back_s.setdefault(kind, []).append(loop.time() - began_s)
                result.troubles += 1
            time_s = diary.time_s
            result.samples, result.lost = len(time_s), diary.lost - diary.batches[0].lost_before
            result.span_s = float(time_s[-1] - time_s[0])
            result.went_back = int(np.count_nonzero(np.diff(time_s) <= 0.0))
    await asyncio.sleep(5.0)
    result.tasks_left = len(asyncio.all_tasks() - before)
    return result


async def _heard_again(diary: Diary, radio: VirtualRadio) -> None:
    # A connection that fell silent does not count: frames that were on the way may still arrive from it.
    async with time_limit(120.0):
        while any(client.silent for client in radio.clients):
            await diary.until(lambda: not any(client.silent for client in radio.clients), 120.0)
    await diary.more(3, 120.0)
