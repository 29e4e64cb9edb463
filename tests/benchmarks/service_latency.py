"""From the notification that completes an event's evidence to a subscriber: the whole service on the virtual radio.

``python -m tests.benchmarks.service_latency [--events 40]`` prints median and 99th percentile through detection,
fit, assignment, journal, outbox and mosquitto, for a held and for a live gauge, beside a bare publish to the same
broker that is sent in turn with the events.
"""

import argparse
import asyncio
import json
import socket
import tempfile
from collections import deque
from pathlib import Path

import aiomqtt
import numpy as np

from gaugelink.app.daemon import Daemon
from gaugelink.app.service import Clock, MechanicsEar, acknowledgement
from gaugelink.app.shopfile import load_shop
from gaugelink.gauge.config import GaugeSettings
from gaugelink.peak.events import GaugeTraits
from gaugelink.peak.notices import EventClosed
from simulators.bench import Manner
from simulators.shop import engine_under, simulated_shop
from tests.app.killing import write_shop
from tests.broker.mosquitto import Mosquitto

SPEED = 4.0
BARE = "bare/publish"


class Timed(Daemon):
    """A service that notes when each event's evidence was complete."""

    decided: deque[float]

    async def judged(
        self, settings: GaugeSettings, traits: GaugeTraits, closed: EventClosed, decided_s: float
    ) -> float:
        """Note the time, in seconds of the machine's clock."""
        self.decided.append(decided_s / SPEED)
        return await super().judged(settings, traits, closed, decided_s)


async def measure(held: bool, events: int) -> tuple[list[float], list[float]]:
    """Times in ms of the events and of bare publishes sent after each of them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        async with Mosquitto(folder) as broker:
            path = write_shop(folder, broker.port, repeats=10)
            text = path.read_text().replace('kind = "held"', f'kind = "{"held" if held else "live"}"')
            path.write_text(text.replace("repeats = 10", "repeats = 10\nmax_tries = 30"))
            shop = load_shop(path)
            gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
            engine = engine_under(shop.fleet.engine_of("north-7"))
            manner = Manner(turns=6.0, move_s=20.0, react_s=1.0)
            async with (
                simulated_shop(gauges, engine, held=held, speed=SPEED, manner=manner) as simulated,
                # Small messages must not wait for each other (Nagle's algorithm), as the service's own do not.
                aiomqtt.Client(
                    "127.0.0.1", broker.port, socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
                ) as client,
            ):
                ear = MechanicsEar(simulated)
                daemon = Timed(shop, simulated.radio, clock=Clock(SPEED), watchers=[ear], silent=True)
                daemon.decided = deque()
                await client.subscribe("gaugelink/bay-9/cranking", qos=1)
                await client.subscribe(BARE, qos=1)
                running = asyncio.create_task(daemon.run())
                await asyncio.sleep(1.0)
                await daemon.obey(acknowledgement("benchmark"))
                whole, bare = [], []
                loop, clock = asyncio.get_running_loop(), Clock(1.0)
                async for message in client.messages:
                    arrived = clock()
                    if str(message.topic) == BARE:
                        bare.append(1000.0 * (loop.time() - json.loads(message.payload)["at"]))
                        if len(whole) >= events:
                            break
                        continue
                    whole.append(1000.0 * (arrived - daemon.decided.popleft()))
                    await client.publish(BARE, json.dumps({"at": loop.time(), "pad": "x" * 900}), qos=1)
                daemon.stop()
                await running
    return whole, bare


async def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=25)
    arguments = parser.parse_args()
    for held in (True, False):
        whole, bare = await measure(held, arguments.events)
        kind = "held" if held else "live"
        print(
            f"{kind} gauge, {len(whole)} events: evidence to subscriber median {np.median(whole):.0f} ms, "
            f"p99 {np.percentile(whole, 99):.0f} ms; bare publish median {np.median(bare):.1f} ms, "
            f"p99 {np.percentile(bare, 99):.1f} ms; difference of medians {np.median(whole) - np.median(bare):.0f} ms"
        )


if __name__ == "__main__":
    asyncio.run(main())
