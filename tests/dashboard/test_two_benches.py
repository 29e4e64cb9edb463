"""One page of two benches: the other one can be reached, and says there when somebody is waited for."""

from playwright.async_api import expect

from gaugelink.broker.messages import Urgency
from gaugelink.dashboard.hub import Hub
from tests.dashboard.chromium import SMALL_PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, HELD, gauge, in_full_swing, prompt, state
from tests.dashboard.test_in_chromium import grave_faults

SOUTH = "south"


async def test_what_waits_at_the_other_bench_is_said_beside_this_one() -> None:
    played = Played()
    played.hub = Hub([BENCH, SOUTH], played.clock)

    def south(suffix: str, payload: bytes) -> None:
        played.hub.take(SOUTH, suffix, payload.replace(f'"{BENCH}"'.encode(), f'"{SOUTH}"'.encode()))

    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, SMALL_PHONE) as page:
        elsewhere, benches = page.locator("#elsewhere"), page.locator("#benches")
        await expect(benches).to_have_value(BENCH)
        await expect(elsewhere).to_be_hidden()
        south("availability", b"online")
        south("gauge/red/state", gauge().replace(b"blue", b"red"))
        south("test", state(revision=1, test_id="test-9", held=(HELD,)))
        await expect(elsewhere).to_have_text("south: 1 question left")
        assert await grave_faults(page) == []
        assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        lost = "Gauge red is away."
        south("prompt", prompt(lost, 3.0, "link_lost", Urgency.PROBLEM))
        await expect(elsewhere).to_have_text(f"south: {lost}")
        await benches.select_option(SOUTH)
        await expect(page.locator("#prompt-text")).to_have_text(lost)
        await expect(page.locator("#gauges")).to_contain_text("red streaming")
        await expect(elsewhere).to_have_text("north: 1 question left")
        await page.locator("#do-skip").click()
        await expect(page.locator("#result")).to_contain_text("Not done: skip heard.")
        assert [bench for bench, _ in played.reader.asked] == [SOUTH]
        south("availability", b"offline")
        await benches.select_option(BENCH)
        await expect(elsewhere).to_have_text("south: offline")
