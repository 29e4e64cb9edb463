"""The leak-down's view: what it begins, and what it says while one is under way and when it is stopped."""

from playwright.async_api import expect

from gaugelink.broker.messages import Urgency
from tests.dashboard.chromium import chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, leak_progress, leak_state, prompt, settled

DONE = "Test done. In order: PTO 135 psi, middle 110 psi, MAG 135 psi."
PUMP = "Seal the crankcase. Pump slowly to 6.0 psi."


async def test_during_a_leak_down_its_own_prompt_stands_and_one_that_was_stopped_cannot_be_stopped_again() -> None:
    played = Played()
    hub = played.hub
    in_full_swing(hub)
    hub.take(BENCH, "test", settled(revision=2))
    hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        large, on_leak = page.locator("#prompt-text"), page.locator("#leak-prompt")
        stop = page.get_by_role("button", name="Stop")
        # Whoever joins in the middle was told no prompt of it; that of the test is not the one to go by.
        await expect(large).to_have_text("A leak test is under way: Ridge 7.")
        hub.take(BENCH, "prompt", prompt(PUMP, 25.0, "leak_pump"))
        hub.take(BENCH, "prompt", prompt(DONE, 30.0, "last_done"))
        hub.take(BENCH, "decay/progress", leak_progress(9.0))
        await page.locator("#to-leak").click()
        await expect(on_leak).to_have_text(PUMP)
        await expect(stop).to_be_visible()
        hub.take(BENCH, "prompt", prompt("Gauge blue is away.", 31.0, "link_lost", Urgency.PROBLEM))
        await expect(on_leak).to_have_text("Gauge blue is away.")
        hub.take(BENCH, "prompt", prompt(DONE, 32.0, "last_done"))
        await page.locator("#to-test").click()
        await expect(large).to_have_text(PUMP)
        await page.locator("#to-leak").click()
        await stop.click()
        assert [sent.action for _, sent in played.reader.asked] == ["stop_decay"]
        hub.take(BENCH, "prompt", prompt("Leak test stopped. Let the air off.", 33.0, "leak_stopped"))
        hub.take(BENCH, "decay/state", leak_state("ended", 33.0))
        await expect(stop).to_be_hidden()
        await expect(on_leak).to_have_text("Leak test stopped. Let the air off.")
        await page.reload()
        await expect(page.locator("#leak-now")).to_have_text("No leak-down is under way.")
