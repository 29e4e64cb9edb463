"""Frames a second through bleak's Linux code and the stand-in for org.bluez, by both ways of notifying.

python -m tests.benchmarks.linux_path

Gauge, controllers, stand-in and supervisor share one process, so the ratio tells more than the figures.
"""

import argparse
import asyncio
import os
import time

import numpy as np

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.supervisor import SupervisedLink, Timing
from simulators.bluez.bus import BUS_VARIABLE, private_bus
from simulators.bluez.service import BluezStandIn
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import simulated_shop_radio
from simulators.radio_diary import keep_diary
from simulators.radio_soak import SOAK_LAYOUT

FRAMES = 2000


async def _run(acquire_notify: bool) -> tuple[float, int]:
    gauge = SimulatedGauge(SOAK_LAYOUT, name="Fast gauge", speed=None)
    settings = GaugeSettings(name="fast", advertised_name="Fast gauge", silence_s=60.0)
    async with private_bus() as address, simulated_shop_radio([gauge]) as virtual, BluezStandIn(address, virtual):
        os.environ[BUS_VARIABLE] = address
        radio = Radio(acquire_notify=acquire_notify)
        link = SupervisedLink(settings, SOAK_LAYOUT, radio, timing=Timing(settle_s=0.2))
        async with keep_diary(link) as diary:
            await diary.until_phase(LinkPhase.CONNECTING)
            while diary.state.phase is not LinkPhase.STREAMING:
                await gauge.feed([0.0], np.zeros(10))
                await asyncio.sleep(0.05)
            began_s, before = time.perf_counter(), len(diary.batches)
            await gauge.feed(np.arange(10 * FRAMES) / 100.0, np.zeros(10 * FRAMES))
            await diary.until(lambda: len(diary.batches) - before >= 0.95 * FRAMES)
            return time.perf_counter() - began_s, diary.lost


def main() -> None:
    """Print both rates and their ratio."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    rates = {}
    for way, acquire in (("StartNotify", False), ("AcquireNotify", True)):
        took_s, lost = asyncio.run(_run(acquire))
        rates[way] = 0.95 * FRAMES / took_s
        print(f"{way:14s} {rates[way]:6.0f} frames/s, {lost} samples lost")
    print(f"ratio {rates['AcquireNotify'] / rates['StartNotify']:.2f}")


if __name__ == "__main__":
    main()
