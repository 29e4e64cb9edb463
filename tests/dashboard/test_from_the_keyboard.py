"""Keyboard and screen reader alone: the focus is never lost, never hidden, and nothing is said that is not new."""

from playwright.async_api import Page, expect

from gaugelink.broker.messages import TestState
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, leak_progress, leak_state, settled, state


async def tab_to(page: Page, part: str) -> None:
    """Press Tab until a part has the focus."""
    sought = page.locator(part)
    for _ in range(40):
        await page.keyboard.press("Tab")
        if await sought.evaluate("(one) => one === document.activeElement"):
            return
    raise AssertionError(f"{part} is not reached")


async def test_a_command_that_is_gone_once_it_was_done_leaves_the_focus_on_what_is_to_be_done() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", settled(revision=2))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await tab_to(page, "#do-finish")
        await page.keyboard.press("Enter")
        await expect(page.locator("#result")).to_have_text("Done: finish heard.")
        told = TestState.model_validate_json(settled(revision=3)).model_copy(
            update={"closed": True, "phase": "finished"}
        )
        played.hub.take(BENCH, "test", told.model_dump_json().encode())
        await expect(page.locator("#do-finish")).to_be_hidden()
        await expect(page.locator("#prompt")).to_be_focused()


async def test_a_question_that_is_put_from_behind_more_gives_the_focus_back_to_more() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await expect(page.locator("#do-more")).to_be_visible()
        await page.locator("#do-more").focus()
        await page.keyboard.press("Enter")
        await page.locator("#do-assign").focus()
        await page.keyboard.press("Enter")
        await expect(page.get_by_role("dialog")).to_be_visible()
        await page.keyboard.press("Escape")
        await expect(page.locator("#do-more")).to_be_focused()


async def test_what_begins_and_what_ends_a_leak_test_leaves_the_focus_on_what_it_says() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        await page.get_by_role("button", name="Crankcase…").focus()
        await page.keyboard.press("Enter")
        await page.get_by_role("button", name="Begin the leak test").focus()
        await page.keyboard.press("Enter")
        await expect(page.locator("#result")).to_have_text("Done: begin_decay heard.")
        played.hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
        played.hub.take(BENCH, "decay/progress", leak_progress(1.0))
        await expect(page.locator("#leak-prompt")).to_be_focused()
        await tab_to(page, "#leak-stop")
        played.hub.take(BENCH, "decay/state", leak_state("ended", 30.0))
        await expect(page.locator("#leak-stop")).to_be_hidden()
        await expect(page.locator("#leak-prompt")).to_be_focused()


async def test_the_first_link_leads_to_what_is_to_be_done_in_the_view_that_is_open() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        for view, part in (("test", "#prompt"), ("leak", "#leak-prompt"), ("history", "#view-history")):
            await page.locator(f"#to-{view}").click()
            await expect(page.locator(part)).to_be_visible()
            await page.locator("#skip").focus()
            await page.keyboard.press("Enter")
            await expect(page.locator(part)).to_be_focused()


async def test_what_has_the_focus_on_a_phone_is_not_behind_the_commands() -> None:
    # WCAG 2.2, 2.4.11.
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", state(revision=2))
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, {"width": 390, "height": 480}) as page,
    ):
        await expect(page.locator("#cylinders li")).to_have_count(3)
        seen = 0
        for _ in range(20):
            await page.keyboard.press("Tab")
            hidden = await page.evaluate(
                "() => { const one = document.activeElement; if (!one || one === document.body) return null;"
                " if (document.getElementById('actions').contains(one)) return null;"
                " const [box, bar] = [one, document.getElementById('actions')].map((part) =>"
                "   part.getBoundingClientRect());"
                " return [one.id || one.className, box.bottom - bar.top, box.height]; }"
            )
            if hidden is not None:
                seen += 1
                name, below, height = hidden
                assert below < height, name
        assert seen > 8
        for name in range(3):
            await page.locator(".cylinder").nth(name).focus()
            below = await page.evaluate(
                "() => document.activeElement.getBoundingClientRect().bottom"
                " - document.getElementById('actions').getBoundingClientRect().top"
            )
            assert below <= 0


async def test_whoever_reads_the_gauges_is_not_thrown_out_of_the_list_by_a_beat() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#gauges li")).to_have_count(1)
        await page.locator("#gauges li").evaluate("(one) => { one.dataset.same = 'yes'; }")
        for number in range(3):
            played.hub.beat()
            played.hub.take(BENCH, "test", state(revision=10 + number, phase="done" if number % 2 else "measuring"))
        await expect(page.locator("#subject")).to_contain_text("measuring")
        await expect(page.locator("#gauges li")).to_have_attribute("data-same", "yes")
