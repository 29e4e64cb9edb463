"""How many frames a second go from a simulated gauge through the virtual radio and bleak to the supervisor.

python -m tests.benchmarks.virtual_radio
"""

import argparse
import asyncio
import time

import numpy as np

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import simulated_shop_radio
from simulators.radio_diary import keep_diary
from simulators.radio_soak import SOAK_LAYOUT

FRAMES = 5000


async def _run() -> tuple[float, int]:
    gauge = SimulatedGauge(SOAK_LAYOUT, name="Fast gauge", speed=None)
    async with simulated_shop_radio([gauge]) as radio:
        link = SupervisedLink(GaugeSettings(name="fast", advertised_name="Fast gauge"), SOAK_LAYOUT, radio.as_radio())
        async with keep_diary(link) as diary:
            await diary.until_phase(LinkPhase.CONNECTING)
            # A gauge that sends only what it is fed: the first frame shows that it is subscribed to.
            while diary.state.phase is not LinkPhase.STREAMING:
                await gauge.feed([0.0], np.zeros(10))
                await asyncio.sleep(0.05)
            began_s = time.perf_counter()
            await gauge.feed(np.arange(10 * FRAMES) / 100.0, np.zeros(10 * FRAMES))
            await diary.until(lambda: len(diary.batches) >= 0.99 * FRAMES)
            return time.perf_counter() - began_s, sum(len(batch.time_s) for batch in diary.batches)


def main() -> None:
    """Print the rate."""
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    took_s, samples = asyncio.run(_run())
    frames_hz = samples / 10 / took_s
    print(
        f"{samples} samples in {took_s:.2f} s: {frames_hz:.0f} frames/s, {frames_hz / 10:.0f} times a gauge of 100 Hz"
    )


if __name__ == "__main__":
    main()
