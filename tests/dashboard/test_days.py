"""Days on the page are those of whoever looks at it; what travels is in UTC."""

from datetime import UTC, datetime, timedelta

import pytest
from playwright.async_api import expect

from gaugelink.broker.messages import TestState
from tests.dashboard import pages
from tests.dashboard.chromium import PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, state

NEXT_DAY = datetime(2026, 2, 4, 8, 0, 30, tzinfo=UTC)


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
        await expect(page.locator("#history-tables")).to_contain_text(f"{day}consistent")


@pytest.mark.parametrize("size", [WALL, PHONE], ids=["wall", "phone"])
async def test_a_test_that_goes_on_from_another_day_says_which_and_one_of_today_does_not(size: dict[str, int]) -> None:
    played = Played()
    in_full_swing(played.hub)
    began = TestState.model_validate_json(state()).began_at
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, size, zone="America/Vancouver", frozen=True) as page,
    ):
        day = page.locator("#began")
        await page.clock.set_fixed_time(began)
        await page.reload()
        await expect(page.locator("#subject")).to_contain_text("Ridge 7, dry test")
        await expect(day).to_be_hidden()
        # Noon in UTC is four in the morning there, and twenty hours later it is the next day.
        await page.clock.set_fixed_time(began + timedelta(hours=19, minutes=59))
        played.hub.take(BENCH, "test", state(revision=2))
        await expect(page.locator("#questions")).to_be_hidden()
        await expect(day).to_be_hidden()
        await page.clock.set_fixed_time(began + timedelta(hours=20, minutes=1))
        played.hub.beat()
        await expect(day).to_have_text("begun 2026-02-03")
        box = await day.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= size["width"]
        none = TestState.model_validate_json(state(3, "test-2")).model_copy(update={"began_at": NEXT_DAY})
        played.hub.take(BENCH, "test", none.model_dump_json().encode())
        await expect(day).to_be_hidden()
