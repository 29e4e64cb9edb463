"""Prompts that come late, or never came: what does not stand any more is neither spoken nor shown as what to do."""

from playwright.async_api import expect

from gaugelink.broker.messages import Prompt, TestState
from tests.dashboard.chromium import chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, prompt, state
from tests.dashboard.test_hands_busy import listen_to_it

TO_PTO, TO_MAG = "Move the gauge to PTO.", "Move the gauge to MAG."


def of_the_test(text: str, after_s: float, *, say: bool = True) -> bytes:
    """A prompt of the test that stands; `say` is whether it is still worth speaking."""
    told = Prompt.model_validate_json(prompt(text, after_s, "move"))
    return told.model_copy(update={"test_id": "test-1", "say": say}).model_dump_json().encode()


def standing(text: str, after_s: float, revision: int) -> bytes:
    """The test, with what is to be done in it."""
    told = TestState.model_validate_json(state(revision=revision, after_s=after_s))
    return told.model_copy(update={"prompt": text}).model_dump_json().encode()


async def test_a_prompt_that_is_not_worth_speaking_any_more_is_shown_alone() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, frozen=True) as page:
        await expect(page.locator("#cylinders li")).to_have_count(3)
        said = await listen_to_it(page)
        played.hub.take(BENCH, "prompt", of_the_test(TO_PTO, 20.0, say=False))
        await expect(page.locator("#prompt-text")).to_have_text(TO_PTO)
        # A page whose stream breaks in between catches up with what is worth it.
        played.hub.close()
        while played.hub.listeners:
            await page.evaluate("() => 0")
        played.hub.take(BENCH, "prompt", of_the_test("PTO, 134 psi. Once more.", 21.0, say=False))
        await page.clock.fast_forward(3000)
        await expect(page.locator("#prompt-text")).to_have_text("PTO, 134 psi. Once more.")
        await expect(page.locator("body")).to_have_attribute("data-stale", "false")
        played.hub.take(BENCH, "prompt", of_the_test(TO_MAG, 30.0))
        await expect(page.locator("#prompt-text")).to_have_text(TO_MAG)
        lost = "This page is out of touch. Look at the screen."
        assert await said() == ["Prompts are spoken here.", lost, TO_MAG]


async def test_a_prompt_that_was_lost_is_shown_as_the_test_has_it_and_the_one_before_is_not_spoken() -> None:
    """The page's server was away from the broker: the test is told again, and prompts are not."""
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "prompt", of_the_test(TO_PTO, 20.0))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        # The test is told together with its prompt, and behind a battery too: then nothing was lost.
        played.hub.take(BENCH, "test", standing(TO_PTO, 20.0, 2))
        played.hub.take(BENCH, "prompt", prompt("The battery is low.", 21.0, "battery_low"))
        played.hub.take(BENCH, "test", standing(TO_PTO, 22.0, 3))
        await expect(page.locator("#prompt-text")).to_have_text(f"{TO_PTO} The battery is low.")
        played.hub.take(BENCH, "test", standing(TO_MAG, 40.0, 4))
        await expect(page.locator("#prompt-text")).to_have_text(TO_MAG)
        said = await listen_to_it(page)
        played.hub.close()
        while played.hub.listeners:
            await page.evaluate("() => 0")
        await expect(page.locator("#prompt-text")).to_have_text(TO_MAG)
        await expect(page.locator("body")).to_have_attribute("data-stale", "false")
        played.hub.take(BENCH, "prompt", of_the_test("Test done.", 50.0))
        await expect(page.locator("#prompt-text")).to_have_text("Test done.")
        assert [text for text in await said() if TO_PTO in text] == []
        assert (await said())[-1] == "Test done."
