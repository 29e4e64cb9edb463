"""From the last stroke to the next prompt: the whole service on the virtual radio, at the pace of the clock.

    python -m tests.benchmarks.service_latency [--events 12] [--speed 1] [--gauges 1] [--only live100]

For a held gauge and for live ones of 50 and 100 samples/s, ten frames a second, it prints: how long after the last
stroke (held: after the plateau was reached) the end of an event is decided; how long after that the prompt is at a
subscriber, and the speech program has been started; beside a bare publish to the same broker, sent in turn with the
events. Aims: decided within 1.2 s (live) and 2 s (held), a prompt out within 300 ms of that. With ``--gauges 4`` each
cylinder has a gauge of its own and all are cranked at once; the prompt is then measured from the last one's end.
"""

import argparse
import asyncio
import json
import socket
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from gaugelink.app.daemon import Daemon
from gaugelink.app.service import Clock, acknowledgement
from gaugelink.app.shopfile import Shop, load_shop
from gaugelink.app.step import Step
from gaugelink.app.watcher import Watcher
from gaugelink.broker.client import Client
from gaugelink.gauge.config import GaugeSettings
from gaugelink.peak.events import CrankingEvent, EventSamples
from simulators.cranking import CheckValve, Cranking, CylinderTrace
from simulators.engine import EngineSpec
from simulators.gatt_gauge import SimulatedGauge
from simulators.integrator import Turn, crank_many
from simulators.sensor import HeldGauge, LiveGauge, sample
from simulators.shop import SimulatedShop, simulated_shop
from tests.broker.mosquitto import Mosquitto

LAYOUT = Path(__file__).parents[2] / "config" / "gauges" / "streaming-u16.toml"
KINDS = {"held": ("held", 100), "live50": ("live", 50), "live100": ("live", 100)}
BARE = "bare/publish"
NAMES = "ABCDEFGH"
SOON_MS = 300.0
PLATEAU = 0.995
"""Share of the end level from which a staircase is on its plateau."""

SHOP = """
[bench]
name = "bay-9"
journal = "bay-9.db"
barometer_abs_kpa = 99.0

[broker]
host = "127.0.0.1"
port = {port}

{gauges}
[[engines]]
id = "engine"
name = "Engine"
cycle = 2
layout = "listed"
cylinders = {cylinders}

[[machines]]
id = "north-7"
name = "North 7"
engine = "engine"

[test]
machine = "north-7"
repeats = 10
max_tries = 30
{named}
"""
GAUGE = """
[[gauges]]
name = "{name}"
address = "F0:5A:00:00:00:0{number}"
layout = "gauge.toml"
kind = "{kind}"
rate_hz = {rate}
"""


def write_shop(folder: Path, port: int, kind: str, rate: int, gauges: int) -> Shop:
    """A shop with so many gauges, each on a cylinder of its own; one alone is moved through three cylinders."""
    (folder / "gauge.toml").write_text(LAYOUT.read_text().replace("count = 10", f"count = {rate // 10}"))
    cylinders = ", ".join(f'{{ name = "{NAMES[n]}" }}' for n in range(gauges if gauges > 1 else 3))
    named = "gauges = { " + ", ".join(f'{NAMES[n]} = "g{n}"' for n in range(gauges)) + " }" if gauges > 1 else ""
    parts = [GAUGE.format(name=f"g{n}", number=n, kind=kind, rate=rate) for n in range(gauges)]
    path = folder / "shop.toml"
    path.write_text(SHOP.format(port=port, gauges="".join(parts), cylinders=f"[{cylinders}]", named=named))
    return load_shop(path)


@dataclass
class Pull:
    """One cranking, on all gauges at once. Times are monotonic seconds of the machine."""

    last_stroke: dict[str, float] = field(default_factory=dict)
    decided: dict[str, float] = field(default_factory=dict)
    prompt_id: str | None = None
    prompted: float | None = None
    spoken: float | None = None
    told: asyncio.Event = field(default_factory=asyncio.Event)


class Timed(Daemon):
    """A service that notes when the end of each event was decided, and when the speech program was started."""

    speed: float
    pulls: list[Pull]

    async def judged(
        self, settings: GaugeSettings, event: CrankingEvent, samples: EventSamples, decided_s: float
    ) -> None:
        """Note when the end was decided."""
        self.pulls[-1].decided[settings.name] = decided_s / self.speed
        await super().judged(settings, event, samples, decided_s)

    async def listen_for(self, pull: Pull) -> None:
        """Note when the latest prompt is being said."""
        assert self._voice is not None
        await self._voice.underway()
        pull.spoken = time.monotonic()


class Beside(Watcher):
    """Hears the prompts that answer an event."""

    def __init__(self) -> None:
        self.service: Timed
        self.waiting: set[asyncio.Task[None]] = set()

    def stepped(self, step: Step) -> None:
        """Note which message has the prompt."""
        if step.event is None or not step.prompts:
            return
        pull = self.service.pulls[-1]
        pull.prompt_id = next(str(message.id) for message in step.messages if message.topic_suffix == "prompt")
        task = asyncio.create_task(self.service.listen_for(pull))
        self.waiting.add(task)
        task.add_done_callback(self.waiting.discard)


def cranked(held: bool, count: int) -> list[CylinderTrace]:
    """Pulls of an invented two-stroke cylinder, as strong as a hand makes them."""
    rng = np.random.default_rng(3)
    spec = EngineSpec(cylinders=3)
    turns = []
    for _ in range(count):
        cranking = Cranking(
            duration_s=4.0,
            stall_nm=55.0 * float(rng.uniform(0.97, 1.03)),
            free_rpm=620.0 * float(rng.uniform(0.9, 1.03)),
            turns=float(rng.uniform(5.0, 8.0)),
            start_angle_deg=float(rng.uniform(90.0, 180.0)),
        )
        turns.append(Turn(spec, cranking, CheckValve() if held else None))
    return crank_many(turns)


async def crank_gauge(gauge: SimulatedGauge, trace: CylinderTrace, held: bool, speed: float, pull: Pull) -> None:
    """Let a gauge see a pull, and note when its last stroke was."""
    how = HeldGauge if held else LiveGauge
    seen = sample(trace, how(noise_kpa=1.0, resolution_kpa=0.0), gauge.rate_hz, 1, before_s=0.0, after_s=0.3)
    if held:
        # The gauge stays at the last of these and adds its noise to it.
        seen.pressure_kpa[-1] = seen.pressure_kpa[-20:].mean()
    # The gauge samples at its own rate from the frame on in which it takes the first of these.
    await gauge.feed(seen.time_s, seen.pressure_kpa)
    frame = round(gauge.rate_hz / 10)
    first_s = time.monotonic() - -(-len(seen.time_s) // frame) * frame / gauge.rate_hz / speed
    last_s = trace.strokes[-1].time_s
    if trace.held_kpa is not None:
        last_s = float(trace.time_s[(trace.held_kpa >= PLATEAU * trace.final_held_kpa).argmax()])
    pull.last_stroke[gauge.name.removeprefix("Gauge ")] = first_s + (last_s - float(seen.time_s[0])) / speed


async def mechanic(service: Timed, simulated: SimulatedShop, traces: Sequence[CylinderTrace], held: bool) -> None:
    """Crank all gauges together, again and again, each time after the prompt."""
    gauges = list(simulated.gauges.values())
    for first in range(0, len(traces), len(gauges)):
        await asyncio.sleep(1.6 / service.speed)
        pull = Pull()
        service.pulls.append(pull)
        for gauge in gauges:
            gauge.bleed()
        await asyncio.sleep(1.4 / service.speed)
        mine = traces[first : first + len(gauges)]
        await asyncio.gather(
            *(crank_gauge(gauge, trace, held, service.speed, pull) for gauge, trace in zip(gauges, mine, strict=True))
        )
        async with asyncio.timeout(20.0):
            await pull.told.wait()


async def measure(name: str, events: int, speed: float, count: int) -> tuple[list[Pull], list[float]]:
    """The pulls with their times, and the times in ms of bare publishes sent after each."""
    kind, rate = KINDS[name]
    held = kind == "held"
    traces = cranked(held, events * count)
    bare: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        async with Mosquitto(Path(folder)) as broker:
            shop = write_shop(Path(folder), broker.port, kind, rate, count)
            gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
            async with (
                simulated_shop(gauges, {}, held=held, speed=speed) as simulated,
                # Small messages must not wait for each other (Nagle's algorithm), as the service's own do not.
                Client(
                    "127.0.0.1", broker.port, socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
                ) as client,
            ):
                beside = Beside()
                service = Timed(shop, simulated.radio, clock=Clock(speed), watchers=[beside])
                service.speed, service.pulls, beside.service = speed, [], service
                await client.subscribe("gaugelink/bay-9/prompt", qos=1)
                await client.subscribe(BARE, qos=1)
                running = asyncio.create_task(service.run())
                await service.ready.wait()
                await asyncio.sleep(2.0)
                await service.obey(acknowledgement("benchmark"))
                cranking = asyncio.create_task(mechanic(service, simulated, traces, held))
                async for message in client.messages:
                    arrived = time.monotonic()
                    payload = json.loads(message.payload)
                    if str(message.topic) == BARE:
                        bare.append(1000.0 * (arrived - payload["at"]))
                        service.pulls[-1].told.set()
                        if len(bare) >= events:
                            break
                    elif service.pulls and payload["id"] == service.pulls[-1].prompt_id:
                        service.pulls[-1].prompted = arrived
                        await client.publish(BARE, json.dumps({"at": time.monotonic(), "pad": "x" * 900}), qos=1)
                await cranking
                if beside.waiting:
                    await asyncio.wait(beside.waiting)
                service.stop()
                await running
    return service.pulls, bare


def row(what: str, ms: Sequence[float], limit_ms: float) -> str:
    """One line of the table."""
    share = 100.0 * float(np.mean(np.array(ms) <= limit_ms))
    return (
        f"  {what:34} median {np.median(ms):5.0f} ms, p99 {np.percentile(ms, 99):5.0f} ms, "
        f"{share:3.0f} % within {limit_ms:.0f} ms"
    )


async def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--events", type=int, default=12)
    parser.add_argument("--speed", type=float, default=1.0, help="simulated seconds to a second")
    parser.add_argument("--gauges", type=int, default=1, choices=range(1, len(NAMES) + 1))
    parser.add_argument("--only", choices=sorted(KINDS))
    arguments = parser.parse_args()
    for name in [arguments.only] if arguments.only else KINDS:
        pulls, bare = await measure(name, arguments.events, arguments.speed, arguments.gauges)
        kind, rate = KINDS[name]
        decided = [
            1000.0 * arguments.speed * (at - pull.last_stroke[gauge])
            for pull in pulls
            for gauge, at in pull.decided.items()
        ]
        last = [max(pull.decided.values()) for pull in pulls]
        prompted = [1000.0 * (pull.prompted - at) for pull, at in zip(pulls, last, strict=True) if pull.prompted]
        spoken = [1000.0 * (pull.spoken - at) for pull, at in zip(pulls, last, strict=True) if pull.spoken]
        print(f"{kind} gauges at {rate}/s, {arguments.gauges} at once, speed {arguments.speed:g}, {len(pulls)} pulls:")
        print(row("end decided, gauge's seconds", decided, 2000.0 if kind == "held" else 1200.0))
        print(row("from there to the prompt's topic", prompted, SOON_MS))
        print(row("from there to the speech program", spoken, SOON_MS))
        print(row("a bare publish beside it", bare, SOON_MS), flush=True)


if __name__ == "__main__":
    asyncio.run(main())
