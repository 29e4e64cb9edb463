"""Beginning a test on the page: what may be told with it, and what is not taken for a number."""

from playwright.async_api import expect

from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, settled
from tests.dashboard.test_in_chromium import grave_faults


async def test_a_test_may_be_begun_with_what_the_hour_meter_shows() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", settled(revision=2))
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        dialog = page.get_by_role("dialog")
        go = dialog.get_by_role("button", name="Ridge 7")
        await page.locator("#do-begin").click()
        count = dialog.get_by_label("The machine's odometer or hour meter")
        assert await grave_faults(page) == []
        # Thousands with a mark would be a thousandth of what was meant.
        for wrong in ("5,200", "5.200", "5200 km", "-1"):
            await count.fill(wrong)
            await go.click()
            await expect(count).to_be_focused()
        assert played.reader.asked == []
        await count.fill("5200,5")
        await go.click()
        await expect(dialog).to_be_hidden()
        await page.locator("#do-begin").click()
        await go.click()
        await expect(dialog).to_be_hidden()
    sent = [(one.action, one.machine, one.odometer) for _, one in played.reader.asked]
    assert sent == [("begin", "ridge-7", 5200.5), ("begin", "ridge-7", None)]
