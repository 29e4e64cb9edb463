"""The whole service with many gauges: frames in, live pressure and events out to mosquitto, on how much of a core?

``python -m tests.benchmarks.hundred_gauges [--gauges 100] [--seconds 30]``. Each gauge sends ten-sample frames at
100 samples/s, bytes and all, and is cranked once in ten minutes. What is counted is the processor time of this
process, less what making up the frames took; the share of the reader, which is not the service's, is printed beside.
"""

import argparse
import asyncio
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from gaugelink.app.daemon import Daemon
from gaugelink.app.shopfile import load_shop
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import GaugeLayout, load_layout
from gaugelink.gauge.link import GaugeLink
from gaugelink.gauge.samples import LinkPhase, LinkState, SampleBatch
from simulators.cranking import CheckValve, Cranking
from simulators.engine import EngineSpec
from simulators.gatt_frames import FrameWriter
from simulators.integrator import crank
from simulators.sensor import HeldGauge, sample
from tests.broker.mosquitto import Mosquitto

RATE_HZ = 100.0
LAYOUT = Path(__file__).parents[2] / "config" / "gauges" / "streaming-u16.toml"
CRANKED_EVERY_S = 600.0


def frames_of(layout: GaugeLayout, seconds: float, begins_s: float, held_kpa: np.ndarray) -> list[bytes]:
    """The frames of one gauge: at rest, cranked at `begins_s`, bled some seconds later."""
    rng = np.random.default_rng(int(begins_s * 1000))
    pressure = rng.normal(0.0, 0.8, int(seconds * RATE_HZ))
    first = int(begins_s * RATE_HZ)
    if first < len(pressure):
        held = np.concatenate([held_kpa, np.full(int(3 * RATE_HZ), held_kpa[-1])])[: len(pressure) - first]
        pressure[first : first + len(held)] += held
    writer = FrameWriter(layout, None)
    return [
        writer.write([max(0.0, kpa) for kpa in pressure[i : i + 10]], i / RATE_HZ, 80.0, False)
        for i in range(0, len(pressure) - 9, 10)
    ]


class FrameLink(GaugeLink):
    """A gauge whose frames were made beforehand and come at their time."""

    def __init__(self, name: str, layout: GaugeLayout, frames: list[bytes], offset_s: float) -> None:
        self.name = name
        self._reader = FrameReader(name, layout)
        self._frames = frames
        self._offset_s = offset_s

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing to let go of."""

    async def items(self) -> AsyncIterator[SampleBatch | LinkState]:
        """The frames as batches, ten a second."""
        yield LinkState(self.name, LinkPhase.STREAMING, rate_hz=RATE_HZ)
        loop = asyncio.get_running_loop()
        begin_s = loop.time() + self._offset_s
        for number, frame in enumerate(self._frames):
            await asyncio.sleep(max(0.0, begin_s + number * 0.1 - loop.time()))
            batch = self._reader.feed(frame, time.monotonic())
            if batch is not None:
                yield batch


async def run(gauges: int, seconds: float) -> None:
    """Run the service over made-up frames and print its share of a core."""
    layout = load_layout(LAYOUT.read_text(), str(LAYOUT))
    trace = crank(EngineSpec(), Cranking(duration_s=1.5), CheckValve())
    held_kpa = sample(trace, HeldGauge(noise_kpa=0.5), RATE_HZ, 1, before_s=0.0, after_s=0.5).pressure_kpa
    rng = np.random.default_rng(5)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        async with Mosquitto(folder) as broker:
            text = f'[bench]\nname = "hall"\njournal = "hall.db"\n[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n'
            text += "".join(
                f'[[gauges]]\nname = "g{n}"\nadvertised_name = "G{n}"\nlayout = "{LAYOUT}"\nkind = "held"\n'
                for n in range(gauges)
            )
            path = folder / "shop.toml"
            path.write_text(text)
            shop = load_shop(path)
            links = {
                f"g{n}": FrameLink(
                    f"g{n}",
                    layout,
                    frames_of(layout, seconds, float(rng.uniform(3.0, CRANKED_EVERY_S)), held_kpa),
                    float(rng.uniform(0.0, 0.1)),
                )
                for n in range(gauges)
            }

            def link(settings: GaugeSettings) -> GaugeLink:
                return links[settings.name]

            daemon = Daemon(shop, silent=True, link=link)
            running = asyncio.create_task(daemon.run())
            await asyncio.sleep(2.0)
            cpu_s, wall_s = time.process_time(), time.perf_counter()
            await asyncio.sleep(seconds - 4.0)
            cpu_s, wall_s = time.process_time() - cpu_s, time.perf_counter() - wall_s
            daemon.stop()
            await running
    print(
        f"{gauges} gauges of {RATE_HZ:g} samples/s in frames of 10, each cranked once in {CRANKED_EVERY_S / 60:g} min: "
        f"{100 * cpu_s / wall_s:.0f} % of one core over {wall_s:.0f} s"
    )


def main() -> None:
    """Read the arguments and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gauges", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=30.0)
    arguments = parser.parse_args()
    asyncio.run(run(arguments.gauges, arguments.seconds))


if __name__ == "__main__":
    main()
