"""Days on the page are those of whoever looks at it; what travels is in UTC."""

import pytest
from playwright.async_api import expect

from tests.dashboard import pages
from tests.dashboard.chromium import chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import in_full_swing


@pytest.mark.parametrize(("zone", "day"), [("America/Vancouver", "2026-03-01"), ("Australia/Brisbane", "2026-03-02")])
async def test_a_test_of_an_evening_is_of_that_day(zone: str, day: str, monkeypatch: pytest.MonkeyPatch) -> None:
    *before, last = pages.HISTORY.tests
    evening = last.model_copy(update={"at": "2026-03-02T03:28:00Z"})
    monkeypatch.setattr(pages, "HISTORY", pages.HISTORY.model_copy(update={"tests": (*before, evening)}))
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, zone=zone) as page,
    ):
        await page.locator("#to-history").click()
        await expect(page.locator("#history-tables")).to_contain_text(f"{day}dry")
