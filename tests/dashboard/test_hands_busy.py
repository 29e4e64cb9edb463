"""A phone that leans at the engine: all in sight, the screen awake, and a voice that says when it hears nothing."""

from collections.abc import Awaitable, Callable

import pytest
from playwright.async_api import Page, Route, expect

from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.messages import TestState
from gaugelink.engine.units import PressureUnit
from tests.dashboard.chromium import SMALL_PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, TRIPLE, in_full_swing, leak_state, prompt, settled, state
from tests.dashboard.sight import boxes
from tests.dashboard.test_cautions_in_chromium import in_sight
from tests.dashboard.test_in_chromium import grave_faults

LONG_NAME = "Ridge 7 of the upper lodge, long track"


async def rows(page: Page, *parts: str) -> set[int]:
    """Middles of parts from the top of the page, in steps of 20 pixels."""
    return {round((top + bottom) / 2 / 20) for _, top, _, bottom in await boxes(page, *parts)}


async def test_on_a_small_phone_every_caution_of_a_machine_with_a_note_is_in_sight_with_its_button() -> None:
    said = Prompter(PressureUnit.PSI, ENGLISH).cautions(None, "Runs in deep powder; check the belt guard.")
    cautions = tuple(one.text for one in said)
    told = TestState.model_validate_json(state(revision=2, phase="cautions")).model_copy(update={"cautions": cautions})
    played = Played(machines=(TRIPLE.model_copy(update={"name": LONG_NAME}),))
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, SMALL_PHONE) as page:
        await expect(page.locator("#do-acknowledge")).to_be_in_viewport(ratio=1)
        assert await in_sight(page) == list(cautions)
        assert len(await rows(page, "nav", "#speak", "#theme")) == 1
        assert await grave_faults(page) == []
        # A long name gives way; what is under way does not.
        state_words = page.locator("#subject-state")
        await expect(state_words).to_have_text(", dry test, cautions first")
        box = await state_words.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= SMALL_PHONE["width"]
        assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")


async def test_on_a_small_phone_the_verdict_is_in_sight_when_the_test_is_done() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", settled(revision=2))
    ended = "MAG, 135 psi, agreed. Test done. In order: PTO 135 psi, middle 110 psi, MAG 135 psi."
    played.hub.take(BENCH, "prompt", prompt(ended, 9.0, "last_done"))
    async with chromium() as browser, played_page(played) as address, opened(browser, address, SMALL_PHONE) as page:
        await expect(page.locator("#do-finish")).to_be_visible()
        (_, bar, _, _), (_, _, _, word) = await boxes(page, "#actions", "#verdict-word")
        assert word <= bar


async def test_what_is_wrong_is_said_once_and_above_the_cautions_where_these_stand() -> None:
    played = Played()
    in_full_swing(played.hub)
    away = "The broker at 127.0.0.1:1883 is away."
    async with chromium() as browser, played_page(played) as address, opened(browser, address, SMALL_PHONE) as page:
        await expect(page.locator(".question")).to_be_visible()
        played.hub.broker(False, away)
        said = page.get_by_text(away)
        await expect(page.locator("#prompt-text")).to_have_text(away)
        assert [await one.is_visible() for one in await said.all()].count(True) == 1
        await page.locator("#to-leak").click()
        await expect(page.locator("#contact .why")).to_be_visible()
        await page.locator("#to-test").click()
        played.hub.take(BENCH, "test", state(revision=2, phase="cautions"))
        await expect(page.locator("#contact .why")).to_be_in_viewport(ratio=1)


async def test_the_screen_stays_awake_while_a_test_or_a_leak_down_is_under_way_and_no_longer() -> None:
    played = Played()
    played.hub.broker(True)
    played.hub.take(BENCH, "availability", b"online")
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#no-test")).to_be_visible()
        await page.evaluate(
            "() => { const told = (by) => document.body.dataset.awake = Number(document.body.dataset.awake ?? 0) + by;"
            " Object.defineProperty(navigator, 'wakeLock', { value: { request: async (kind) => {"
            " const lock = new EventTarget(); if (kind === 'screen') told(1);"
            " lock.release = async () => { told(-1); lock.dispatchEvent(new Event('release')); };"
            " window.lock = lock; return lock; } } }); }"
        )

        async def awake(count: int) -> None:
            await expect(page.locator("body")).to_have_attribute("data-awake", str(count))

        played.hub.take(BENCH, "test", state(revision=1, phase="cautions"))
        await awake(1)
        played.hub.take(BENCH, "test", state(revision=2))
        await expect(page.locator("#subject")).to_contain_text("measuring")
        await awake(1)
        # The browser lets go of it when the page is hidden; back in sight it is asked for anew.
        await page.evaluate("() => window.lock.release()")
        await page.evaluate("() => document.dispatchEvent(new Event('visibilitychange'))")
        await awake(1)
        played.hub.take(BENCH, "test", settled(revision=3))
        await awake(0)
        played.hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
        await awake(1)
        played.hub.take(BENCH, "decay/state", leak_state("ended", 30.0))
        await awake(0)


async def listen_to_it(page: Page) -> Callable[[], Awaitable[list[str]]]:
    """Take down what the page says aloud from now on, and switch its voice on."""
    await page.evaluate("() => { window.said = []; speechSynthesis.speak = (words) => window.said.push(words.text); }")
    await page.locator("#speak").click()

    async def said() -> list[str]:
        found: list[str] = await page.evaluate("() => window.said")
        return found

    return said


async def test_the_voice_says_that_nothing_is_heard_and_then_what_was_missed() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium() as browser,
        played_page(played, beats=False) as address,
        opened(browser, address, frozen=True) as page,
    ):
        await expect(page.locator("#cylinders li")).to_have_count(3)
        said = await listen_to_it(page)
        # The stream breaks, and what is said meanwhile comes with the next one.
        played.hub.close()
        while played.hub.listeners:
            await page.evaluate("() => 0")
        played.hub.take(BENCH, "prompt", prompt("Move the gauge to MAG.", 20.0))
        await page.clock.fast_forward(3000)
        await expect(page.locator("#prompt-text")).to_have_text("Move the gauge to MAG.")
        await expect(page.locator("body")).to_have_attribute("data-stale", "false")
        lost = "This page is out of touch. Look at the screen."
        assert await said() == ["Prompts are spoken here.", lost, "Move the gauge to MAG."]
        played.hub.broker(False, "The broker at 127.0.0.1:1883 is away.")
        await expect(page.locator("body")).to_have_attribute("data-stale", "true")
        played.hub.broker(True)
        await expect(page.locator("body")).to_have_attribute("data-stale", "false")
        # Nothing new was missed, so nothing is said twice.
        assert (await said())[3:] == [lost]


async def test_a_voice_that_the_browser_holds_back_says_so_and_speaks_at_the_first_press() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, SMALL_PHONE) as page:
        await expect(page.locator("#cylinders li")).to_have_count(3)
        said = await listen_to_it(page)
        await page.evaluate(
            "() => { window.allowed = false; speechSynthesis.speak = (words) => {"
            " const event = new Event(window.allowed ? 'start' : 'error'); event.error = 'not-allowed';"
            " if (window.allowed) window.said.push(words.text); words.dispatchEvent(event); }; }"
        )
        played.hub.take(BENCH, "prompt", prompt("Move the gauge to MAG.", 20.0))
        await expect(page.locator("#speak")).to_have_text("Speak: press")
        await page.evaluate("() => { window.allowed = true; }")
        await page.locator("#bench").click()
        await expect(page.locator("#speak")).to_have_text("Speak: on")
        assert await said() == ["Prompts are spoken here.", "Move the gauge to MAG."]
        await page.evaluate(
            "() => { speechSynthesis.speak = (words) => { const event = new Event('error');"
            " event.error = 'synthesis-failed'; words.dispatchEvent(event); }; }"
        )
        played.hub.take(BENCH, "prompt", prompt("Pull when ready.", 21.0))
        await expect(page.locator("#speak")).to_have_text("Speak: no voice")


async def test_a_page_that_missed_its_machines_fetches_them_with_the_next_stream() -> None:
    played = Played()
    in_full_swing(played.hub)

    async def lose(route: Route) -> None:
        await route.abort()

    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.route("**/api/setup", lose)
        await page.reload()
        await expect(page.locator("#subject")).to_contain_text("ridge-7, dry test")
        await page.unroute("**/api/setup")
        played.hub.close()
        await expect(page.locator("#subject")).to_contain_text("Ridge 7, dry test")
        await expect(page.locator("#notice")).to_have_text("All of this is invented.")


@pytest.mark.parametrize("lost", ["script", "module"])
async def test_a_page_without_its_program_says_so_and_claims_nothing_of_the_bench(lost: str) -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address:
        context = await browser.new_context(java_script_enabled=lost != "script", viewport=WALL)  # type: ignore[arg-type]
        page = await context.new_page()
        await page.route("**/static/store.js", lambda route: route.abort())
        await page.goto(address)
        await expect(page.locator("#prompt-text")).to_contain_text("This page is not running yet")
        await expect(page.locator("#no-test")).to_be_hidden()
        if lost == "script":
            await expect(page.locator("noscript p")).to_be_in_viewport(ratio=1)
        await context.close()


async def test_letters_are_as_large_as_somebody_chose_for_all_pages_and_nothing_is_lost_by_it() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium("--blink-settings=defaultFontSize=32") as browser,
        played_page(played) as address,
        opened(browser, address, SMALL_PHONE) as page,
    ):
        await expect(page.locator(".question")).to_be_visible()
        size = await page.evaluate("() => parseFloat(getComputedStyle(document.documentElement).fontSize)")
        assert size == 32.0
        # WCAG 2.2, 1.4.4: text can be twice as large without loss of content or function.
        assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        for part in ("#speak", "#theme", "#to-history", "#do-more"):
            box = await page.locator(part).bounding_box()
            assert box is not None
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= SMALL_PHONE["width"], part


async def test_a_question_and_the_cautions_can_be_answered_from_the_keyboard_and_what_comes_next_has_the_focus() -> (
    None
):
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator(".question")).to_be_visible()
        pressed = page.locator(".question").get_by_role("button", name="MAG")
        for _ in range(30):
            await page.keyboard.press("Tab")
            if await pressed.evaluate("(one) => one === document.activeElement"):
                break
        outline = await pressed.evaluate("(one) => parseFloat(getComputedStyle(one).outlineWidth)")
        # WCAG 2.2, 2.4.13: a focus that is seen is 2 CSS pixels thick or more.
        assert outline >= 2.0
        await page.keyboard.press("Enter")
        await expect(page.locator("#result")).to_have_text("Done: answer heard.")
        played.hub.take(BENCH, "test", state(revision=2))
        await expect(page.locator("#questions")).to_be_hidden()
        await expect(page.locator("#prompt")).to_be_focused()
        played.hub.take(BENCH, "test", state(revision=3, test_id="test-2", after_s=60.0, phase="cautions"))
        acknowledge = page.locator("#do-acknowledge")
        await expect(acknowledge).to_be_visible()
        await acknowledge.focus()
        await expect(acknowledge).to_be_focused()
        await page.keyboard.press("Space")
        await expect(page.locator("#result")).to_have_text("Done: acknowledge heard.")
        played.hub.take(BENCH, "test", state(revision=4, test_id="test-2", after_s=61.0))
        await expect(page.locator("#cautions")).to_be_hidden()
        await expect(page.locator("#prompt")).to_be_focused()
        assert [sent.action for _, sent in played.reader.asked] == ["answer", "acknowledge"]
