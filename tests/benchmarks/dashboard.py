"""Measures the shop page: first paint, frames a second, and what its server costs, with six gauges live.

    python -m tests.benchmarks.dashboard [--seconds 20] [--gauges 6] [--rate 100]

A bench is played on mosquitto: each gauge sends all of its samples in packs, five a second, and a cranking event every
few seconds, so that every stroke is drawn and marked. The page's server is a process of its own (`gaugelink
dashboard`); its processor time is taken from the system's accounting (proc(5), `stat`, utime and stime). Chromium
draws in software, without a graphics processor, which is the slow case.

First paint: `first-contentful-paint` of the browser's own Paint Timing. Frames: calls of `requestAnimationFrame`, in
each of which the page draws all traces. Out of touch: broker, server or
gauges are taken away; how long until the page says so.
"""

import argparse
import asyncio
import math
import os
import signal
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
from playwright.async_api import Locator, Page, expect

from gaugelink.broker.client import Client
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import Cranking, GaugeState, StrokePart
from gaugelink.broker.senml import live_pressure
from gaugelink.gauge.samples import LinkPhase
from gaugelink.peak.events import GaugeKind, Method
from tests.app.shops import SHOP
from tests.broker.mosquitto import Mosquitto, free_port
from tests.dashboard.chromium import PHONE, WALL, chromium, opened
from tests.dashboard.said import state

BENCH = "north"
PACK_S = 0.2
EVENT_EVERY_S = 6.0
STROKES = 8


def pressure_kpa(time_s: float) -> float:
    """Live pressure: eight strokes of a cord pull every few seconds."""
    at = time_s % EVENT_EVERY_S
    if at > STROKES * 0.15:
        return 0.0
    level = 930.0 * (1.0 - 0.4 * math.exp(-at / 0.2))
    return float(level * max(0.0, math.cos(2.0 * math.pi * (at % 0.15 - 0.075) / 0.15)) ** 6)


async def play(port: int, gauges: int, rate_hz: float, stop: asyncio.Event) -> None:
    """Publish what a bench with live gauges publishes."""
    base = datetime.now(UTC)
    began = time.monotonic()
    names = [f"gauge-{number + 1}" for number in range(gauges)]
    async with Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V311) as client:
        await client.publish(f"gaugelink/{BENCH}/availability", "online", qos=1, retain=True)
        await client.publish(f"gaugelink/{BENCH}/test", state(), qos=1, retain=True)
        for name in names:
            told = GaugeState(bench=BENCH, gauge=name, phase=LinkPhase.STREAMING, rate_hz=rate_hz)
            await client.publish(f"gaugelink/{BENCH}/gauge/{name}/state", told.model_dump_json(), qos=1, retain=True)
        sent = 0
        while not stop.is_set():
            await asyncio.sleep(max(0.0, began + (sent + 1) * PACK_S - time.monotonic()))
            times = [sent * PACK_S + number / rate_hz for number in range(round(PACK_S * rate_hz))]
            for number, name in enumerate(names):
                shifted = [pressure_kpa(at + number) for at in times]
                pack = live_pressure(BENCH, name, base, times, shifted)
                await client.publish(f"gaugelink/{BENCH}/gauge/{name}/pressure", pack, qos=0)
                if (times[0] + number) % EVENT_EVERY_S < PACK_S:
                    event = _event(name, times[0] - EVENT_EVERY_S + 1.3)
                    await client.publish(f"gaugelink/{BENCH}/cranking", event, qos=1)
            sent += 1


def _event(gauge: str, start_s: float) -> str:
    strokes = tuple(
        StrokePart(time_s=start_s + 0.075 + 0.15 * number, peak_kpa=560.0 + 45.0 * number, peak_u_kpa=9.0)
        for number in range(STROKES)
    )
    event = Cranking(
        bench=BENCH,
        event_id=new_id(),
        gauge=gauge,
        kind=GaugeKind.LIVE,
        start_s=start_s,
        end_s=start_s + 1.2,
        peak_kpa=930.0,
        peak_u_kpa=9.0,
        method=Method.FITTED,
        strokes=strokes,
    )
    return event.model_dump_json()


def processor_s(pid: int) -> float:
    """Processor time of a process, in seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def frames_per_s(page: Page, seconds: float) -> tuple[float, float]:
    """Frames a second, and the longest time between two of them in milliseconds."""
    count, longest_ms, took_ms = await page.evaluate(
        """(seconds) => new Promise((done) => {
             let count = 0, longest = 0, first = null, before = null;
             const frame = (at) => {
               if (first === null) first = at;
               if (before !== null) longest = Math.max(longest, at - before);
               before = at;
               if (at - first >= 1000 * seconds) done([count, longest, at - first]);
               else { count += 1; requestAnimationFrame(frame); }
             };
             requestAnimationFrame(frame);
           })""",
        seconds,
    )
    return 1000.0 * count / took_ms, longest_ms


async def first_paint_ms(page: Page) -> float:
    """First contentful paint after the navigation began, in milliseconds."""
    await expect(page.locator("#cylinders li")).to_have_count(3, timeout=30_000)
    painted = await page.evaluate("() => performance.getEntriesByName('first-contentful-paint')[0].startTime")
    return float(painted)


async def until_answers(port: int) -> None:
    """Wait until something listens."""
    while True:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except ConnectionError:
            await asyncio.sleep(0.1)
        else:
            writer.close()
            await writer.wait_closed()
            return


async def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--gauges", type=int, default=6)
    parser.add_argument("--rate", type=float, default=100.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="gaugelink-page-") as place:
        folder = Path(place)
        async with Mosquitto(folder) as broker:
            port, stop = free_port(), asyncio.Event()
            shop = SHOP.replace('name = "bay-3"', f'name = "{BENCH}"')
            (folder / "shop.toml").write_text(f"[broker]\nport = {broker.port}\n{shop}", encoding="utf-8")
            server = await asyncio.create_subprocess_exec(
                *("gaugelink", "dashboard", "--config", str(folder / "shop.toml"), "--port", str(port))
            )
            playing = asyncio.create_task(play(broker.port, given.gauges, given.rate, stop))
            await until_answers(port)
            try:
                await measure(f"http://127.0.0.1:{port}/", server.pid, broker, stop, given)
            finally:
                stop.set()
                server.terminate()
                await server.wait()
                playing.cancel()
                await asyncio.gather(playing, return_exceptions=True)


async def measure(address: str, pid: int, broker: Mosquitto, silence: asyncio.Event, given: argparse.Namespace) -> None:
    """Open the page and measure."""
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    async with chromium() as browser:
        paints = []
        for _ in range(5):
            async with opened(browser, address) as page:
                paints.append(await first_paint_ms(page))
        print(f"first paint: median {sorted(paints)[2]:.0f} ms, worst {max(paints):.0f} ms (wanted: under 1000)")
        for name, size in (("wall", WALL), ("phone", PHONE)):
            async with opened(browser, address, size) as page:
                await expect(page.locator(".plot canvas")).to_have_count(given.gauges, timeout=30_000)
                before_s, began = processor_s(pid), time.monotonic()
                frames, longest_ms = await frames_per_s(page, given.seconds)
                share = (processor_s(pid) - before_s) / (time.monotonic() - began)
                print(
                    f"{name}, {given.gauges} gauges at {given.rate:g} samples/s: {frames:.1f} frames/s, longest gap "
                    f"{longest_ms:.0f} ms (wanted: above 30 frames/s); "
                    f"server {share:.3f} of a core (wanted: under 0.25)"
                )
        async with opened(browser, address) as page:
            await out_of_touch(page, pid, broker, silence)


async def out_of_touch(page: Page, pid: int, broker: Mosquitto, silence: asyncio.Event) -> None:
    """Take one thing after the other away, and measure how long the page takes to say so."""
    body, gauge = page.locator("body"), page.locator(".plot").first.locator("..")

    async def until(what: str, locator: Locator, attribute: str, began: float) -> None:
        await expect(locator).to_have_attribute(attribute, "true", timeout=30_000)
        print(f"{what}: the page says so after {time.monotonic() - began:.2f} s (wanted: within 3)")

    await expect(body).to_have_attribute("data-stale", "false", timeout=30_000)
    broker.freeze()
    await until("broker hangs", body, "data-stale", time.monotonic())
    broker.thaw()
    await expect(body).to_have_attribute("data-stale", "false", timeout=30_000)
    os.kill(pid, signal.SIGSTOP)
    await until("page's server hangs", body, "data-stale", time.monotonic())
    os.kill(pid, signal.SIGCONT)
    await expect(body).to_have_attribute("data-stale", "false", timeout=30_000)
    await expect(gauge).to_have_attribute("data-silent", "false", timeout=30_000)
    silence.set()
    await until("gauges fall silent", gauge, "data-silent", time.monotonic())
    await broker.kill()
    await until("broker killed", body, "data-stale", time.monotonic())


if __name__ == "__main__":
    asyncio.run(main())
