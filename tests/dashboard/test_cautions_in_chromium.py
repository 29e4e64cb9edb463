"""Every caution is in sight on a wall and on a phone, in each view, until somebody acknowledges it."""

import re

import pytest
from playwright.async_api import Page, expect

from gaugelink.bench.english import ENGLISH, SENTENCES
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, CAUTIONS
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.messages import TestState, Urgency
from gaugelink.engine.fleet import CrankedBy
from gaugelink.engine.units import PressureUnit
from tests.dashboard.chromium import PHONE, SMALL_PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, air_cautions, in_full_swing, prompt, state
from tests.dashboard.test_in_chromium import grave_faults


async def in_sight(page: Page) -> list[str]:
    """The cautions whose whole box is inside the window, unscrolled."""
    shown: list[str] = await page.evaluate(
        "() => [...document.querySelectorAll('#caution-list li')].filter((one) => {"
        " const box = one.getBoundingClientRect();"
        " return box.height > 0 && box.top >= 0 && box.bottom <= innerHeight && box.right <= innerWidth;"
        "}).map((one) => one.innerText.trim())"
    )
    return shown


@pytest.mark.parametrize("size", [WALL, PHONE], ids=["wall", "phone"])
async def test_every_caution_of_a_test_is_in_sight_with_the_button_that_acknowledges_it(size: dict[str, int]) -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", state(revision=2, phase="cautions"))
    played.hub.take(BENCH, "prompt", prompt("Confirm that you heard the cautions, then we begin.", 9.0, "acknowledge"))
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        button = page.locator("#do-acknowledge")
        await expect(button).to_be_in_viewport(ratio=1)
        assert await in_sight(page) == [SENTENCES[key] for key in CAUTIONS]
        assert await grave_faults(page) == []
        offered = page.locator("#actions button:visible")
        assert [await one.inner_text() for one in await offered.all()] == ["Give it up"]
        await button.click()
        await expect(page.locator("#result")).to_have_text("Done: acknowledge heard.")
        assert played.reader.asked[0][1].action == "acknowledge"
        played.hub.take(BENCH, "test", state(revision=3))
        await expect(page.locator("#cautions")).to_be_hidden()


LONG_NOTE = (
    "Crack in the recoil housing, keep the hand flat on it while pulling. Kill switch is wired backwards: down is off. "
    "The decompression lever sticks, check it is shut before each pull. Owner has the key to the box with the "
    "adapters; the long one is for MAG. Coolant hose was replaced, look for drops under the head after the test."
)


@pytest.mark.parametrize("size", [WALL, PHONE, SMALL_PHONE], ids=["wall", "phone", "small phone"])
async def test_all_of_a_long_note_of_the_machine_is_a_press_away_and_the_button_stays_in_sight(
    size: dict[str, int],
) -> None:
    played = Played()
    said = Prompter(PressureUnit.PSI, ENGLISH).cautions(CrankedBy.CORD, LONG_NOTE)
    told = TestState.model_validate_json(state(phase="cautions"))
    told = told.model_copy(update={"cautions": tuple(one.text for one in said)})
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told.model_copy(update={"revision": 2}).model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        await expect(page.locator("#do-acknowledge")).to_be_in_viewport(ratio=1)
        assert len(await in_sight(page)) == len(said)
        note = page.locator("#caution-list details")
        await expect(note).to_have_text(re.compile("^This machine: Crack in the recoil housing"), use_inner_text=True)
        await expect(note).not_to_contain_text("look for drops", use_inner_text=True)
        await note.locator("summary").click()
        for sentence in LONG_NOTE.split(". "):
            await expect(note).to_contain_text(sentence, use_inner_text=True)
        assert await grave_faults(page) == []
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        await page.locator("#do-acknowledge").click()
        await expect(page.locator("#result")).to_have_text("Done: acknowledge heard.")


async def test_every_caution_of_air_is_in_sight_on_a_phone_where_the_leak_down_is_begun() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-leak").click()
        await expect(page.locator("#cautions")).to_be_hidden()
        for said in air_cautions():
            played.hub.take(BENCH, "prompt", said)
        await expect(page.locator("#caution-list li")).to_have_count(len(AIR_CAUTIONS))
        shown = await in_sight(page)
        assert len(shown) == len(AIR_CAUTIONS)
        assert "Never more than 7.0 psi: seals blow out. Let the air in slowly." in shown
        await page.reload()
        await expect(page.locator("#do-acknowledge")).to_be_in_viewport(ratio=1)
        assert await in_sight(page) == shown
        await page.locator("#do-acknowledge").click()
        played.hub.take(BENCH, "prompt", prompt("Seal the crankcase.", 40.0, "leak_pump"))
        await expect(page.locator("#cautions")).to_be_hidden()
        stop = "Stop. 8.1 psi is over the limit of 7.0 psi. Let air off now."
        played.hub.take(BENCH, "prompt", prompt(stop, 50.0, "leak_over", Urgency.PROBLEM))
        await expect(page.locator("#leak-prompt")).to_have_text(stop)
        await expect(page.locator("#leak-prompt")).to_be_in_viewport(ratio=1)
        assert await grave_faults(page) == []
