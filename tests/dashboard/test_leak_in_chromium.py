"""The leak-down's view: what it begins, and what it says while one is under way and when it is stopped."""

import pytest
from playwright.async_api import expect

from gaugelink.broker.leak_messages import DecayKind, LeakRequest
from gaugelink.broker.messages import Urgency
from gaugelink.engine.units import PressureUnit
from gaugelink.leak.limits import Practice
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, TRIPLE, in_full_swing, leak_progress, leak_state, prompt, settled
from tests.dashboard.test_in_chromium import grave_faults

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


async def test_a_leak_test_says_what_it_begins_and_begins_when_that_was_read() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        await page.get_by_role("button", name="Crankcase…").click()
        # 6 and 7 psi and 1 psi in 10 minutes: the usual practice for a two-stroke's crankcase (leak/limits.py).
        await expect(dialog).to_contain_text("the crankcase is sealed, pumped to 6.0 psi, never over 7.0 psi")
        await expect(dialog.locator("#leak-limit")).to_contain_text("1.0 psi in 10 minutes")
        assert await grave_faults(page) == []
        assert played.reader.asked == []
        await dialog.get_by_role("button", name="Close").click()
        assert played.reader.asked == []
        await page.get_by_role("button", name="Crankcase…").click()
        await dialog.get_by_role("button", name="Begin the leak test").click()
        await expect(page.locator("#result")).to_have_text("Done: begin_decay heard.")
        await page.get_by_role("button", name="PTO…").click()
        await dialog.locator("#leak-limit").select_option("strict")
        await dialog.get_by_role("button", name="Begin the leak test").click()
        await expect(dialog).to_be_hidden()
    sent = [(one.machine, one.cylinder, one.leak) for _, one in played.reader.asked]
    strict = LeakRequest(practice=Practice.STRICT)
    assert sent == [("ridge-7", None, LeakRequest()), ("ridge-7", "PTO", strict)]


async def test_a_differential_test_takes_supply_and_orifice_from_the_engine_or_from_whoever_begins_it() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        go = dialog.get_by_role("button", name="Begin the differential test")
        await page.get_by_role("button", name="MAG, differential…").click()
        # FAA AC 43.13-1B, 8-14: 80 psi, and 0.040 in for a bore below 5 in.
        await expect(dialog.locator("#leak-supply")).to_have_value("80.0")
        await expect(dialog).to_contain_text("1.016, the aviation reference's for this bore")
        assert await grave_faults(page) == []
        await go.click()
        await page.get_by_role("button", name="MAG, differential…").click()
        await dialog.locator("#leak-supply").fill("60")
        await dialog.locator("#leak-orifice").fill("1.5")
        await dialog.locator("#leak-hot").check()
        await go.click()
        await expect(dialog).to_be_hidden()
    asked, named = [one for _, one in played.reader.asked]
    assert (asked.cylinder, asked.leak) == ("MAG", LeakRequest(kind=DecayKind.DIFFERENTIAL))
    assert named.leak is not None
    assert named.leak.supply_kpa == pytest.approx(60.0 * PressureUnit.PSI.kpa)
    assert (named.leak.orifice_mm, named.leak.hot) == (1.5, True)


async def test_an_engine_without_a_bore_asks_for_the_orifice_before_it_begins() -> None:
    played = Played(machines=(TRIPLE.model_copy(update={"bore_mm": None, "cycle": 4}),))
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        await page.get_by_role("button", name="PTO, differential…").click()
        await expect(page.get_by_role("button", name="Crankcase…")).to_be_hidden()
        await dialog.get_by_role("button", name="Begin the differential test").click()
        await expect(dialog.locator("#leak-orifice")).to_be_focused()
        assert played.reader.asked == []
