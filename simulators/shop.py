"""A shop without a gauge: its shop file's gauges on a virtual radio, its machine under them, and a mechanic."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace

from gaugelink.engine.fleet import EngineRecord
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.standard import environmental_pressure
from simulators.bench import Manner, SimulatedBench
from simulators.engine import EngineSpec
from simulators.gatt_gauge import SimulatedGauge
from simulators.made_up import made_up_layout
from simulators.radio import AirConditions, simulated_shop_radio

USUAL_RATE_HZ = 50.0
"""Samples per second of a simulated gauge whose layout leaves it open."""
CONNECTION_S, LATE_S = 0.03, 0.002
"""Between a simulated radio's connection events, and what a frame is late besides, at most. 7.5 ms to 4 s are allowed
(Bluetooth Core 5.4, Vol 6 Part B, 4.5.1); tens of milliseconds are usual, no source."""


def engine_under(record: EngineRecord, worn: str | None = None) -> dict[str, EngineSpec]:
    """What is under each plug hole of an engine of the fleet; `worn` names a cylinder with worn rings."""
    usual = EngineSpec(cycle=record.cycle)
    bore = record.bore_mm or usual.bore_mm
    stroke = record.stroke_mm or usual.stroke_mm
    closes = usual.closes_deg
    if record.exhaust_duration_deg is not None:
        closes = 180.0 - record.exhaust_duration_deg / 2.0
    elif record.intake_closes_deg_abdc is not None:
        closes = 180.0 - record.intake_closes_deg_abdc
    sound = EngineSpec(
        cycle=record.cycle,
        bore_mm=bore,
        stroke_mm=stroke,
        rod_ratio=2.0 * record.rod_mm / stroke if record.rod_mm is not None else usual.rod_ratio,
        trapped_ratio=record.compression_ratio_trapped or usual.trapped_ratio,
        closes_deg=closes,
        cylinders=len(record.cylinders),
    )
    engine = {}
    for place, name in enumerate(record.cylinder_names):
        # No two cylinders are quite alike: a head that sits differently is worth a percent.
        engine[name] = replace(sound, trapped_ratio=sound.trapped_ratio - (0.0, 0.06, 0.03)[place % 3])
        if name == worn:
            engine[name] = replace(engine[name], ring_leak_mm2=2.2, ring_seating=1.5)
    return engine


@dataclass(frozen=True, slots=True)
class SimulatedShop:
    """What a service that runs on simulated gauges needs."""

    radio: Radio
    bench: SimulatedBench
    gauges: Mapping[str, SimulatedGauge]
    working: asyncio.Task[None]
    """The mechanic at work: it ends before the shop does only by a fault of the program, which leaving the shop raises.
    """


def usual_air(speed: float = 1.0) -> AirConditions:
    """What a radio in a shop does to frames: they leave at its connection events, and come a little late besides."""
    return AirConditions(interval_s=CONNECTION_S / speed, jitter_s=LATE_S / speed)


@asynccontextmanager
async def simulated_shop(
    gauges: Mapping[str, tuple[GaugeSettings, GaugeLayout | None]],
    engine: Mapping[str, EngineSpec],
    *,
    held: bool = False,
    speed: float = 1.0,
    manner: Manner | None = None,
    conditions: AirConditions | None = None,
    seed: int = 0,
) -> AsyncIterator[SimulatedShop]:
    """Put a shop's gauges on a virtual radio and a mechanic at its engine, until the block ends.

    Args:
        gauges: settings and layout of each gauge by name; the first one is in the mechanic's hand.
        engine: what is under each plug hole.
        held: whether the gauges have check valves.
        speed: simulated seconds to a second.
        manner: how the mechanic works.
        conditions: what the air does to frames; `usual_air` where it is left out.
        seed: of everything that is random.
    """
    made = {
        name: SimulatedGauge(
            layout if layout is not None else environmental_pressure(),
            name=settings.advertised_name or f"Gauge {name}",
            address=settings.address or f"F0:5A:00:00:01:{number:02X}",
            rate_hz=settings.rate_hz or (layout.rate_hz if layout is not None else None) or USUAL_RATE_HZ,
            noise_kpa=1.0,
            holds=held,
            speed=speed,
            seed=seed + number,
        )
        for number, (name, (settings, layout)) in enumerate(gauges.items())
    }
    air = usual_air(speed) if conditions is None else conditions
    async with simulated_shop_radio(made.values(), conditions=air, seed=seed) as radio:
        bench = SimulatedBench(next(iter(made.values())), engine, held=held, speed=speed, manner=manner, seed=seed)
        working = asyncio.create_task(bench.run(), name="simulated mechanic")
        try:
            yield SimulatedShop(radio.as_radio(), bench, made, working)
        finally:
            working.cancel()
            await asyncio.wait([working])
            if not working.cancelled():
                working.result()


@asynccontextmanager
async def made_up_radio(seed: int = 4) -> AsyncIterator[tuple[Radio, tuple[SimulatedGauge, ...]]]:
    """A virtual radio with a gauge that describes itself and one of a made-up format, for looking around, and both."""
    standard = SimulatedGauge(environmental_pressure(), name="Pressure 01", address="F0:5A:00:00:02:01", rate_hz=20.0)
    odd = SimulatedGauge(made_up_layout(seed), name="Gauge 77", address="F0:5A:00:00:02:02", noise_kpa=0.5, seed=seed)
    async with simulated_shop_radio([standard, odd], seed=seed) as radio:
        yield radio.as_radio(), (standard, odd)
