"""One Chromium for all tests of a process: none of them hears of another."""

import asyncio
import os
import signal

import pytest
from playwright.async_api import Browser, expect

from tests.dashboard.chromium import KeptChromium, chromium, nothing_goes_on, opened, played_page
from tests.dashboard.pages import Played


async def process_of(browser: Browser) -> int:
    """The browser's own process, not its pages'."""
    asking = await browser.new_browser_cdp_session()
    running = (await asking.send("SystemInfo.getProcessInfo"))["processInfo"]
    (process,) = (int(one["id"]) for one in running if one["type"] == "browser")
    await asking.detach()
    return process


async def test_one_chromium_serves_who_asks_for_nothing_special() -> None:
    async with chromium() as first:
        pass
    async with chromium() as second, chromium("--force-color-profile=srgb") as special:
        assert second is first
        assert await process_of(special) != await process_of(second)
    assert second.is_connected()
    assert not special.is_connected()


async def test_where_none_is_kept_there_is_one_that_ends_with_its_block() -> None:
    def alone() -> Browser:
        async def ask() -> Browser:
            async with chromium() as browser:
                assert browser.is_connected()
            return browser

        return asyncio.run(ask())

    assert not (await asyncio.to_thread(alone)).is_connected()


async def test_what_was_left_open_is_closed_before_the_next() -> None:
    async with chromium() as browser:
        page = await (await browser.new_context()).new_page()
    assert page.is_closed()
    assert browser.contexts == []


async def test_a_page_finds_nothing_that_the_one_before_it_kept() -> None:
    kept = "() => [localStorage.length, sessionStorage.length, document.cookie]"
    async with chromium() as browser, played_page(Played()) as address:
        async with opened(browser, address) as page:
            before = await page.evaluate(kept)
            await page.evaluate("() => { localStorage.a = sessionStorage.a = 1; document.cookie = 'a=1' }")
            assert await page.evaluate(kept) != before
        async with opened(browser, address) as page:
            assert await page.evaluate(kept) == before


async def test_a_complaint_is_its_own_pages_alone() -> None:
    async with chromium() as browser, played_page(Played()) as address, opened(browser, address):
        with pytest.raises(AssertionError, match="said by the other"):
            async with opened(browser, address) as other:
                await other.evaluate("() => console.error('said by the other')")


async def test_a_chromium_that_crashed_is_started_anew() -> None:
    kept = KeptChromium()
    try:
        crashed = await kept.start()
        assert await kept.start() is crashed
        os.kill(await process_of(crashed), signal.SIGKILL)
        anew = await kept.start()
        assert anew is not crashed
        page = await (await anew.new_context()).new_page()
        await page.set_content("<p>here</p>")
        await expect(page.locator("p")).to_have_text("here")
    finally:
        await kept.end()
    assert not anew.is_connected()
    assert kept.here() is None


async def test_what_a_test_left_to_go_on_is_ended() -> None:
    before = asyncio.create_task(asyncio.Event().wait())
    async with nothing_goes_on():
        left = asyncio.create_task(asyncio.Event().wait())
        await asyncio.sleep(0)
    assert left.cancelled()
    assert not before.done()
    before.cancel()
