"""Whoever has the token comes in with a browser, and goes out again."""

import re

import pytest
from playwright.async_api import expect
from pydantic import SecretStr

from gaugelink.dashboard.door import Door
from tests.dashboard.chromium import SMALL_PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import in_full_swing
from tests.dashboard.test_hands_busy import rows
from tests.dashboard.test_in_chromium import grave_faults

TOKEN = "a-token-that-is-long-enough"


@pytest.mark.parametrize("size", [WALL, SMALL_PHONE], ids=["wall", "phone"])
async def test_a_browser_signs_in_with_the_token_and_out_again(size: dict[str, int]) -> None:
    played = Played(door=Door(token=SecretStr(TOKEN)))
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        field = page.get_by_label("The token of this shop's page")
        assert await grave_faults(page) == []
        await field.fill("another token")
        await page.keyboard.press("Enter")
        await expect(page.locator("#wrong")).to_contain_text("That is not the token.")
        await field.fill(TOKEN)
        await page.keyboard.press("Enter")
        await expect(page.locator("#prompt-text")).to_have_text("Not sure about 131 psi. Was that MAG or PTO?")
        await page.locator(".question").get_by_role("button", name="MAG").click()
        await expect(page.locator("#result")).to_have_text("Done: answer heard.")
        assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        out = page.get_by_role("button", name="Sign out")
        # The way out takes no line of its own from what is to be done.
        assert len(await rows(page, "nav", "#speak", "#theme", "#logout button")) == 1
        await out.click()
        await expect(page).to_have_url(re.compile("/login$"))
        await page.goto(address)
        await expect(field).to_be_visible()
