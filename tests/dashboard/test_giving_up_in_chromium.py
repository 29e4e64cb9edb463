"""A test that is done or finished can be given up on the page; then nothing of it is a verdict on the machine."""

import pytest
from playwright.async_api import expect

from gaugelink.broker.messages import TestState
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, settled


def told(revision: int, phase: str) -> bytes:
    """The settled triple, in this phase."""
    closed = phase in ("finished", "abandoned")
    state = TestState.model_validate_json(settled(revision)).model_copy(update={"phase": phase, "closed": closed})
    return state.model_dump_json().encode()


@pytest.mark.parametrize("phase", ["done", "finished"])
async def test_a_test_is_given_up_by_its_id_after_it_is_done_and_counts_nowhere_on_the_page(phase: str) -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told(2, phase))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#verdict-word")).to_contain_text("investigate")
        await page.locator("#do-give-up").click()
        dialog = page.get_by_role("dialog")
        await expect(dialog).to_contain_text("Ridge 7, begun 2026-02-03.")
        await dialog.get_by_role("button", name="Give it up").click()
        await expect(page.locator("#result")).to_have_text("Done: abandon heard.")
        played.hub.take(BENCH, "test", told(3, "abandoned"))
        await expect(page.locator("#subject")).to_contain_text("given up")
        await expect(page.locator("#next")).to_have_text("Given up: this test proves nothing of the engine.")
        await expect(page.locator("#verdict-word")).to_be_hidden()
        for part in ("#summary", "#findings"):
            await expect(page.locator(part)).to_be_empty()
        await expect(page.locator("#do-give-up")).to_be_hidden()
        await page.locator("#do-take-back").click()
        await expect(page.locator("#result")).to_have_text("Done: take_back heard.")
        played.hub.take(BENCH, "test", told(4, "finished"))
        await expect(page.locator("#verdict-word")).to_contain_text("investigate")
        # It counts, so its id would ask for nothing: it is opened again as any last change is undone.
        async with page.expect_response("**/command"):
            await page.locator("#do-take-back").click()
    assert [(command.action.value, command.test_id) for _, command in played.reader.asked] == [
        ("abandon", "test-1"),
        ("take_back", "test-1"),
        ("take_back", None),
    ]


async def test_on_a_phone_giving_up_is_behind_more_where_there_is_something_else_to_do() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told(2, "finished"))
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        shown = page.locator("#actions button:visible")
        await expect(page.locator("#do-begin")).to_be_visible()
        await expect(shown).to_have_text(["Begin a test", "More"])
        await page.locator("#do-more").click()
        await expect(shown).to_have_text(["Begin a test", "Take back", "Give it up", "Less"])
        played.hub.take(BENCH, "test", told(3, "cautions"))
        await expect(page.locator("#do-begin")).to_be_hidden()
        await expect(shown).to_have_text(["Give it up"])
