"""Takes the README's pictures of the page during the demo's test: ``python -m tests.dashboard.pictures``."""

import asyncio
import re
import tempfile
from pathlib import Path

from playwright.async_api import Page, expect

from gaugelink.app.daemon import Daemon
from gaugelink.app.demo import MACHINE, MISTAKE, demo_shop
from gaugelink.app.mechanic import MechanicsEar
from gaugelink.app.running import Waiter
from gaugelink.app.service import SIMULATION, Clock, acknowledgement
from gaugelink.app.shoppage import page_beside
from simulators.bench import Manner
from simulators.shop import engine_under, simulated_shop
from tests.dashboard.chromium import PHONE, chromium, opened

DOCS = Path("docs")
SPEED = 2.0
LONG_MS = 150_000
DOUBT = re.compile("check the gauge is tight|Not sure")


async def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        shop = demo_shop(Path(folder), held=False)
        engine = engine_under(shop.fleet.engine_of(MACHINE))
        gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
        manner = Manner(slips=MISTAKE, move_s=12.0, react_s=1.5)
        async with (
            simulated_shop(gauges, engine, speed=SPEED, manner=manner, seed=7) as simulated,
            page_beside(shop, 0, SIMULATION) as (told, door),
            chromium() as browser,
        ):
            waiter = Waiter()
            watchers = [MechanicsEar(simulated), told, waiter]
            daemon = Daemon(shop, simulated.radio, clock=Clock(SPEED), watchers=watchers, silent=True)
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(daemon.run())
                await told.port()
                async with (
                    opened(browser, door.address, {"width": 1920, "height": 1080}) as wall,
                    opened(browser, door.address, PHONE, dark=True) as phone,
                ):
                    await expect(wall.locator("#do-acknowledge")).to_be_visible(timeout=LONG_MS)
                    await daemon.obey(acknowledgement("simulated mechanic"))
                    await picture(wall, phone)
                daemon.stop()


async def picture(wall: Page, phone: Page) -> None:
    """Wait for the moment, a doubt about a loose gauge and then the end, and take both pictures."""
    await expect(phone.locator("#prompt-text")).to_contain_text(DOUBT, timeout=LONG_MS)
    await phone.screenshot(path=DOCS / "dashboard-phone.png")
    await expect(wall.locator("#subject")).to_contain_text("done", timeout=LONG_MS)
    await wall.screenshot(path=DOCS / "dashboard.png")


if __name__ == "__main__":
    asyncio.run(main())
