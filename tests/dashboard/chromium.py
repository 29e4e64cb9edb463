"""Debian's Chromium with the page open in it."""

import shutil
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from playwright.async_api import Browser, Page, async_playwright, expect

from gaugelink.dashboard.serve import served, take_port
from tests.dashboard.pages import Played

QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WALL = {"width": 1600, "height": 900}
PHONE = {"width": 390, "height": 844}
SMALL_PHONE = {"width": 360, "height": 740}
PATIENCE_MS = 30_000
"""How long a page is waited for on a busy machine; nothing is asserted of it."""


@asynccontextmanager
async def chromium(*more: str) -> AsyncIterator[Browser]:
    """Chromium without a window, with `more` of its switches. It is never downloaded."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise FileNotFoundError("chromium is missing: install Debian's (apt-get install chromium); this test needs it.")
    expect.set_options(timeout=PATIENCE_MS)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=program, args=[*QUIET, *more])
        try:
            yield browser
        finally:
            await browser.close()


@asynccontextmanager
async def opened(
    browser: Browser,
    address: str,
    size: dict[str, int] = WALL,
    *,
    dark: bool = False,
    frozen: bool = False,
    zone: str = "UTC",
) -> AsyncIterator[Page]:
    """The page at an address. It may complain of nothing, and ask nobody else for anything.

    With `frozen` the page's clock stands until the test turns it. `zone` is where it is looked at, of the tz database.
    """
    context = await browser.new_context(
        viewport=size,  # type: ignore[arg-type]
        color_scheme="dark" if dark else "light",
        timezone_id=zone,
    )
    page = await context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    complaints: list[str] = []
    strangers: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("request", lambda asked: None if asked.url.startswith(address) else strangers.append(asked.url))
    if frozen:
        await page.clock.install()
    await page.goto(address)
    try:
        yield page
        # Losing the server is what some tests are about; the browser reports it in its own words.
        assert [one for one in complaints if "ERR_" not in one] == []
        assert strangers == []
    finally:
        await context.close()


@asynccontextmanager
async def played_page(played: Played) -> AsyncIterator[str]:
    """Serve a page that the test plays; gives its address."""
    played.door.port = 0
    listening: socket.socket = take_port(played.door)
    async with served(played.app(), played.hub, listening):
        yield played.door.address
