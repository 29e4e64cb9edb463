"""Try gaugelink on a Linux machine without a radio.

    python -m simulators.bluez --layout config/gauges/streaming-u16.toml -- gaugelink run --config config/shop.toml

runs the command with a system bus of its own on which the stand-in for ``org.bluez`` shows simulated gauges. Without
a command it prints the bus's address and serves until it is interrupted. Somebody cranks an engine every few seconds.
"""

import argparse
import asyncio
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from gaugelink.errors import GaugelinkError
from gaugelink.gauge.layout import GaugeLayout, load_layout
from gaugelink.gauge.standard import environmental_pressure
from simulators.bluez.bus import BUS_VARIABLE, private_bus
from simulators.bluez.service import BluezStandIn
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import AirConditions, simulated_shop_radio

_DEFAULT_HZ = 100.0


def _arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m simulators.bluez",
        description="Runs a command with simulated gauges behind a stand-in for org.bluez on a bus of its own.",
    )
    parser.add_argument("--name", default="Simulated gauge", help="the name that the gauge advertises")
    parser.add_argument("--address", default="F0:5A:00:00:00:01", help="its address")
    parser.add_argument("--layout", type=Path, help="a layout file; without one it has Environmental Sensing")
    parser.add_argument("--rate", type=float, help="samples per second, when the layout does not say")
    parser.add_argument("--every", type=float, default=10.0, help="seconds between cranking events; 0 for none")
    parser.add_argument("--peak", type=float, default=900.0, help="peak of an event in kPa, gauge pressure")
    parser.add_argument("--loss", type=float, default=0.0, help="share of frames that are lost, 0 to 1")
    parser.add_argument("--without-adapter", action="store_true", help="show no adapter")
    parser.add_argument("command", nargs="*", help="what to run, after --")
    return parser.parse_args(argv)


def cranking(rate_hz: float, peak_kpa: float) -> tuple[np.ndarray, np.ndarray]:
    """A plain cranking event to look at, shape (n,) each: eight half-sine pulses that grow. No engine model."""
    time_s = np.arange(round(2.0 * rate_hz)) / rate_hz
    turns = time_s * 5.0
    reached = 1.0 - 0.5 ** (np.floor(turns) + 1.0)
    pulses = peak_kpa * reached * np.maximum(0.0, np.sin(2.0 * np.pi * turns)) ** 3
    return time_s, np.where(turns < 8.0, pulses, 0.0)


async def _crank(gauge: SimulatedGauge, every_s: float, peak_kpa: float) -> None:
    while True:
        await asyncio.sleep(every_s)
        await gauge.feed(*cranking(gauge.rate_hz, peak_kpa))


async def _serve(options: argparse.Namespace) -> int:
    layout: GaugeLayout = environmental_pressure()
    if options.layout is not None:
        layout = load_layout(options.layout.read_text(encoding="utf-8"), options.layout.name)
    rate_hz = options.rate or layout.rate_hz or _DEFAULT_HZ
    gauge = SimulatedGauge(layout, name=options.name, address=options.address, rate_hz=rate_hz)
    conditions = AirConditions(loss=options.loss)
    async with (
        private_bus() as address,
        simulated_shop_radio([gauge], conditions=conditions) as radio,
        BluezStandIn(address, radio, with_adapter=not options.without_adapter),
    ):
        crank = asyncio.create_task(_crank(gauge, options.every, options.peak)) if options.every > 0 else None
        try:
            if not options.command:
                print(f"export {BUS_VARIABLE}='{address}'", flush=True)
                print(f"{options.name} at {options.address}. Interrupt to end.", file=sys.stderr)
                await asyncio.Event().wait()
            environment = os.environ | {BUS_VARIABLE: address}
            process = await asyncio.create_subprocess_exec(*options.command, env=environment)
            return await process.wait()
        finally:
            if crank is not None:
                crank.cancel()


def main(argv: Sequence[str] | None = None) -> int:
    """Run; the exit status is the command's, or 1 when the stand-in could not be started."""
    try:
        return asyncio.run(_serve(_arguments(sys.argv[1:] if argv is None else argv)))
    except KeyboardInterrupt:
        return 0
    except (GaugelinkError, OSError) as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
