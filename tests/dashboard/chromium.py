"""Debian's Chromium with the page open in it.

One Chromium serves all tests of a process, each in a context of its own: to start one for each test, with the driver,
takes more than most tests do. The driver lives in one event loop, so these tests share that too (see conftest.py).
"""

import asyncio
import shutil
import socket
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, nullcontext

from playwright.async_api import Browser, Error, Page, async_playwright, expect

from gaugelink.dashboard.hub import BEAT_S
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
async def launched(*more: str) -> AsyncIterator[Browser]:
    """A Chromium of its own, without a window, with `more` of its switches. It is never downloaded."""
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


class KeptChromium:
    """The Chromium that goes on from one test to the next, in one event loop.

    It is a child of its driver, and the driver ends it where the process that uses them is gone, however it went.
    """

    def __init__(self) -> None:
        self._browser: Browser | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._open = AsyncExitStack()

    async def start(self) -> Browser:
        """Start it where it does not run, or does not answer any more."""
        if self._browser is None or not await answers(self._browser):
            await self.end()
            self._browser = await self._open.enter_async_context(launched())
            self._loop = asyncio.get_running_loop()
        return self._browser

    async def end(self) -> None:
        """End it where it runs."""
        self._browser = self._loop = None
        await self._open.aclose()

    def here(self) -> Browser | None:
        """It, where it runs in this event loop."""
        return self._browser if self._loop is asyncio.get_running_loop() else None


KEPT = KeptChromium()


async def answers(browser: Browser) -> bool:
    """Whether it runs; that it crashed is heard of no sooner than the event loop goes on."""
    try:
        await (await browser.new_browser_cdp_session()).detach()
    except Error:
        return False
    return True


@asynccontextmanager
async def chromium(*more: str) -> AsyncIterator[Browser]:
    """The Chromium that is kept; one of its own where none is kept, or with `more` of its switches."""
    kept = KEPT.here()
    if kept is None or more:
        async with launched(*more) as browser:
            yield browser
        return
    try:
        yield kept
    finally:
        for context in kept.contexts:
            await context.close()


@asynccontextmanager
async def nothing_goes_on() -> AsyncIterator[None]:
    """End what the block left to go on, as an event loop of its own would at its end."""
    before = asyncio.all_tasks()
    try:
        yield
    finally:
        left = asyncio.all_tasks() - before - {asyncio.current_task()}
        for task in left:
            task.cancel()
        if left:
            await asyncio.wait(left)


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
        grave = [one for one in complaints if "ERR_" not in one]
        assert grave == [], grave
        assert strangers == [], strangers
    finally:
        await context.close()


@asynccontextmanager
async def played_page(played: Played, *, beats: bool = True) -> AsyncIterator[str]:
    """Serve a page that the test plays; gives its address.

    Its server beats as every one does, or the page would take it for lost wherever a test takes longer than that.
    Without `beats` it is the test that does, beside a page's clock that it turns.
    """
    played.door.port = 0
    listening: socket.socket = take_port(played.door)
    async with served(played.app(), played.hub, listening), beating(played) if beats else nullcontext():
        yield played.door.address


@asynccontextmanager
async def beating(played: Played) -> AsyncIterator[None]:
    """Beat by the computer's clock; the hub's own is the test's to turn."""

    async def beat() -> None:
        while True:
            await asyncio.sleep(BEAT_S)
            played.hub.beat()

    task = asyncio.create_task(beat())
    try:
        yield
    finally:
        task.cancel()
