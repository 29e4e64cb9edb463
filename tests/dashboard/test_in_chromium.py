"""The page as a browser shows it: what it says, for whom it can be used, and what it does when it is out of touch."""

import re

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Page, expect

from gaugelink.broker.examples import example_of
from gaugelink.broker.leak_messages import Decay
from gaugelink.broker.messages import TestState, Urgency
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import LinkPhase
from gaugelink.leak.wording import rate_text
from gaugelink.peak.events import Flag
from gaugelink.report.plain import flags_text
from tests.dashboard import pages
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, EVENT, GAUGE, HELD, gauge, in_full_swing, live, prompt, settled, state

GRAVE = {"serious", "critical"}
"""Impacts as axe-core has them; its rules follow WCAG 2.x, levels A and AA."""


async def grave_faults(page: Page) -> list[str]:
    """What axe-core finds, of serious or critical impact."""
    found = (await Axe().run(page)).response["violations"]
    return [
        f"{one['id']}: {node['target']} {node['failureSummary']}"
        for one in found
        if one["impact"] in GRAVE
        for node in one["nodes"]
    ]


async def test_the_page_shows_every_cylinder_in_words_and_asks_what_is_held() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        cylinders = page.locator("#cylinders li")
        await expect(cylinders).to_have_count(3)
        assert [(await one.inner_text()).split()[1] for one in await cylinders.all()] == ["PTO", "middle", "MAG"]
        words = [await one.get_attribute("aria-label") or "" for one in await page.locator(".cylinder").all()]
        assert words[0].startswith("Cylinder PTO: 135 psi plus or minus 1.3, agreed")
        assert words[1].startswith("Cylinder middle: 110 psi plus or minus 1.3, odd")
        assert words[2].startswith("Cylinder MAG: no reading, in progress")
        await expect(page.locator("#prompt-text")).to_have_text("Not sure about 131 psi. Was that MAG or PTO?")
        await expect(page.locator("#spread")).to_contain_text("24.7 ± 1.7 psi, 18.3 %")
        sizes = await page.evaluate(
            "() => [...document.querySelectorAll('body *')].filter((one) => one.innerText && one.offsetParent)"
            ".map((one) => [parseFloat(getComputedStyle(one).fontSize), one.closest('#prompt') !== null])"
        )
        assert max(size for size, is_prompt in sizes if is_prompt) > max(size for size, other in sizes if not other)
        await page.locator(".question").get_by_role("button", name="MAG").click()
        await expect(page.locator("#result")).to_have_text("Done: answer heard.")
        bench, sent = played.reader.asked[0]
        assert (bench, sent.action, sent.event_id, sent.cylinder) == (BENCH, "answer", HELD, "MAG")


async def test_why_a_reading_is_doubted_is_said_in_the_words_of_the_report() -> None:
    told = TestState.model_validate_json(state(revision=2))
    reading = told.cylinders[0].readings[0].model_copy(update={"flags": tuple(Flag)})
    pto = told.cylinders[0].model_copy(update={"readings": (reading,)})
    played = Played()
    in_full_swing(played.hub)
    told = told.model_copy(update={"cylinders": (pto, *told.cylinders[1:])})
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        first = page.locator(".cylinder").first
        for _ in ("as it came", "for whoever joins later"):
            label = f"Cylinder PTO: at least 135 psi plus or minus 1.3, agreed, {flags_text(frozenset(Flag))}."
            await expect(first).to_have_attribute("aria-label", f"{label} Show what can be done.")
            await page.reload()


async def test_the_page_writes_a_pressure_and_its_uncertainty_as_screen_and_report_do() -> None:
    figures = [(929.4, u_kpa) for u_kpa in (0.0, 1.234, 9.94, 9.96, 12.3, 22.3, 84.8, 99.7, 123.4, 1234.5)]
    figures += [(62.34, 12.31), (-0.2, 3.0), (174.3, 123.4)]
    # Just between two figures: the mean of two whole readings of a notebook is, half of the time.
    figures += [(1212.5, 17.25), (1213.5, 17.75), (-1212.5, 0.25), (925.0, 125.0), (935.0, 135.0), (12.375, 0.125)]
    played = Played()
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        for unit in PressureUnit:
            for fine in (False, True):
                written = await page.evaluate(
                    "async ([figures, unit, fine]) => { const { withDoubt } = await import('/static/units.js');"
                    " return figures.map(([kpa, doubt]) => withDoubt(kpa, doubt, unit, fine)); }",
                    [figures, unit.value, fine],
                )
                assert [tuple(one) for one in written] == [unit.with_doubt(*one, fine=fine) for one in figures], unit
            rates = [(40.368, 3.21), (0.041, 0.012), (0.689, 0.0), (-0.001, 0.12), (40.368, 18.1)]
            written = await page.evaluate(
                "async ([rates, unit]) => { const { rateWithDoubt } = await import('/static/units.js');"
                " return rates.map(([kpa, doubt]) => rateWithDoubt(kpa, doubt, unit)); }",
                [rates, unit.value],
            )
            told = [rate_text(rate, doubt, unit).replace(" a minute", "/min") for rate, doubt in rates]
            assert written == told, unit


async def test_an_uncertainty_of_three_digits_takes_the_last_one_from_its_reading_too() -> None:
    told = TestState.model_validate_json(state())
    pto = told.cylinders[0].model_copy(update={"pressure_kpa": 933.0, "pressure_u_kpa": 123.0})
    spread = {"spread_kpa": 172.6, "spread_u_kpa": 12.3, "display_unit": "kPa"}
    told = told.model_copy(update={**spread, "cylinders": (pto, *told.cylinders[1:])})
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told.model_copy(update={"revision": 9}).model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        first = page.locator(".cylinder").first
        await expect(first.locator(".value")).to_have_text("930")
        await expect(first.locator(".interval")).to_have_text("± 120 kPa")
        await expect(page.locator("#spread")).to_contain_text("173 ± 12 kPa")


async def test_why_a_leak_down_is_doubted_stands_on_the_page_in_words() -> None:
    told = Decay.model_validate(example_of("Decay")).model_copy(update={"bench": BENCH, "flags": ("supply_stated",)})
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "decay", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        await expect(page.locator("#leak-results")).to_contain_text("Doubts: regulated pressure not measured")


async def test_a_trend_that_rounds_to_nothing_is_not_below_nothing() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-history").click()
        await expect(page.locator("#history-tables")).to_contain_text("+0.0 ± 1.2")


@pytest.mark.parametrize("readings_psi", [[156.6, 157.4, 158.0], [157.0]])
async def test_readings_that_differ_by_little_lie_close_together_on_the_axis_of_the_seasons(
    readings_psi: list[float],
) -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        for spread in (1.0, 40.0):
            values = [spread * (one - 157.0) + 157.0 for one in readings_psi]
            low, high = await page.evaluate(
                "async (values) => (await import('/static/history.js')).seasonsScale(values)", values
            )
            assert low < min(values) <= max(values) < high
            assert high - low >= 0.1 * 157.0
        await page.locator("#to-history").click()
        await expect(page.locator("#history-bars")).to_have_text(
            "Bars: how far a reading may be off beside the others, about 95 %."
        )


async def test_a_cylinder_that_the_last_test_did_not_read_keeps_its_last_reading_with_its_day(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    *before, last = pages.HISTORY.tests
    short = last.model_copy(update={"readings_kpa": {"PTO": 915.0}, "sea_level_kpa": {"PTO": 915.0}})
    monkeypatch.setattr(pages, "HISTORY", pages.HISTORY.model_copy(update={"tests": (*before, short)}))
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-history").click()
        legend = page.locator("#history-legend li")
        await expect(legend.nth(0)).to_have_text("PTO, at sea level, last 133 ± 1.7 psi")
        # 880 kPa by NIST SP 811, appendix B.8: 127.6 psi.
        await expect(legend.nth(1)).to_have_text("MAG, at sea level, last 128 psi, on 2025-11-02")


async def test_nothing_grave_is_in_the_way_of_anyone_on_wall_or_phone_in_light_or_dark() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address:
        async with opened(browser, address) as page:
            await expect(page.locator(".question")).to_be_visible()
            assert await grave_faults(page) == []
            for view in ("leak", "history"):
                await page.locator(f"#to-{view}").click()
                await expect(page.locator(f"#view-{view} h2").first).to_be_visible()
                assert await grave_faults(page) == []
            await expect(page.get_by_role("link", name="PDF").first).to_be_visible()
        async with opened(browser, address, PHONE, dark=True) as page:
            await expect(page.locator(".question")).to_be_visible()
            assert await grave_faults(page) == []
            await page.locator("#do-more").click()
            await page.locator("#do-assign").click()
            assert await grave_faults(page) == []
            await page.keyboard.press("Escape")
            await page.locator("#do-more").click()
            assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
            buttons = page.locator("#actions button:visible, .question button:visible")
            boxes = [await button.bounding_box() for button in await buttons.all()]
            assert len(boxes) > 8
            # 44 CSS pixels are WCAG 2.2's enhanced target size (2.5.5); a glove wants more.
            assert min(min(box["width"], box["height"]) for box in boxes if box is not None) >= 48.0
            played.hub.broker(False, "The broker at 127.0.0.1:1883 is away.")
            await expect(page.locator("body")).to_have_attribute("data-stale", "true")
            assert await grave_faults(page) == []


async def test_on_a_phone_the_buttons_of_a_test_are_one_row_that_leaves_cylinders_and_verdict_in_sight() -> None:
    played = Played()
    in_full_swing(played.hub)
    ended = "MAG, 135 psi, agreed. Test done. In order: PTO 135 psi, middle 110 psi, MAG 135 psi."
    played.hub.take(BENCH, "test", settled(revision=2))
    played.hub.take(BENCH, "prompt", prompt(ended, 9.0, "last_done"))
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        bar, shown = page.locator("#actions"), page.locator("#actions button:visible")
        await expect(page.locator("#do-finish")).to_be_visible()
        assert [await one.inner_text() for one in await shown.all()] == ["Begin a test", "Finish", "More"]
        top = await bar.evaluate("(one) => one.getBoundingClientRect().top / innerHeight")
        assert top > 0.9
        for what in ("#cylinders", "#verdict-word"):
            bottom = await page.locator(what).evaluate("(one) => one.getBoundingClientRect().bottom / innerHeight")
            assert bottom <= top
        assert await page.locator("#actions button.main:visible").all_inner_texts() == ["Finish"]
        await page.locator("#do-more").click()
        await expect(page.locator("#do-more")).to_have_attribute("aria-expanded", "true")
        await page.locator("#do-take-back").click()
        await expect(page.locator("#result")).to_have_text("Done: take_back heard.")
        await expect(page.locator("#do-take-back")).to_be_hidden()
        played.hub.take(BENCH, "test", state(revision=3))
        await expect(page.locator("#do-skip")).to_be_visible()
        assert [await one.inner_text() for one in await shown.all()] == ["Redo middle", "Skip MAG", "More"]


async def test_what_the_page_asks_before_it_acts_is_words_and_choices_and_nothing_else() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", settled(revision=2))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#do-begin").click()
        dialog = page.locator("#ask-body")
        await expect(dialog.get_by_role("button", name="Ridge 7")).to_be_visible()
        shown = (await dialog.inner_text()).split("\n")
        assert [line for line in shown if "null" in line or "undefined" in line] == []


@pytest.mark.parametrize("phase", ["measuring", "done"])
async def test_with_a_question_open_the_page_says_so_and_which_pull_is_meant_and_nothing_is_settled(phase: str) -> None:
    said = TestState.model_validate_json(settled(revision=2))
    told = said.model_copy(update={"held_events": (HELD,), "phase": phase})
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator(".question p")).to_contain_text("Which cylinder was 131 psi, read at 12:04:07")
        await expect(page.locator("#next")).to_have_text("1 question left: say which cylinder it was.")
        await expect(page.locator("#subject")).to_have_text("Ridge 7, dry test, 1 question left")
        await expect(page.locator("#do-finish")).not_to_have_class("main")
        await page.locator("#do-finish").click()
        await expect(page.get_by_role("dialog")).to_contain_text("1 question left")
        assert played.reader.asked == []
        await page.keyboard.press("Escape")
        played.hub.take(BENCH, "test", state(revision=3, held=(HELD, EVENT)))
        await expect(page.locator("#next")).to_have_text("Now MAG, the last one. 2 questions left.")
        numbered = TestState.model_validate_json(state(revision=4, held=(HELD, EVENT)))
        told = numbered.model_copy(update={"held_pulls": (7, 5)})
        played.hub.take(BENCH, "test", told.model_dump_json().encode())
        await expect(page.locator(".question p")).to_have_text(
            ["Which cylinder was pull 7, 131 psi?", "Which cylinder was pull 5, 135 psi?"]
        )
        # Before the cautions are acknowledged no answer is taken.
        played.hub.take(BENCH, "test", state(revision=5, held=(HELD, EVENT), phase="cautions"))
        await expect(page.locator(".question")).to_have_count(0)


async def test_a_lost_broker_an_absent_bench_and_a_lost_server_are_each_shown_as_such() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium() as browser,
        played_page(played, beats=False) as address,
        opened(browser, address, frozen=True) as page,
    ):
        contact, body = page.locator("#contact"), page.locator("body")
        await expect(page.locator(".question")).to_be_visible()
        await expect(body).to_have_attribute("data-stale", "false")
        played.hub.broker(False, "The broker at 127.0.0.1:1883 is away.")
        await expect(contact).to_contain_text("The broker at 127.0.0.1:1883 is away. What stands here was heard at")
        await expect(page.locator("#prompt-text")).to_have_text("The broker at 127.0.0.1:1883 is away.")
        await expect(page.locator("#prompt-last")).to_contain_text("Not sure about 131 psi")
        await expect(page.locator(".cylinder").first).to_have_attribute("aria-label", "Cylinder PTO: 135 psi plus or "
        "minus 1.3, agreed, old. Show what can be done.")  # fmt: skip
        struck = await page.locator(".value").first.evaluate("(one) => getComputedStyle(one).textDecorationLine")
        assert struck == "line-through"
        played.hub.broker(True)
        await expect(body).to_have_attribute("data-stale", "false")
        played.hub.take(BENCH, "availability", b"offline")
        await expect(contact).to_contain_text(f"Bench {BENCH} is offline.")
        played.hub.take(BENCH, "availability", b"online")
        await expect(contact).to_be_empty()
        await page.clock.fast_forward(2000)
        await expect(body).to_have_attribute("data-stale", "false")
        await page.clock.fast_forward(900)
        lost = "The page has lost its server: the bench is off or out of reach."
        to_do = "See to its power and network; the readings are kept there."
        await expect(contact).to_contain_text(f"{lost} {to_do} What stands here was heard at")
        await expect(page.locator("#prompt-text")).to_have_text(f"{lost} {to_do}")
        played.hub.beat()
        await expect(contact).to_be_empty()


async def test_a_gauge_that_is_not_heard_shows_no_pressure() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator(".now")).to_have_text("0 psi")
        played.clock.now_s += 2.6
        played.hub.beat()
        await expect(page.locator(".now")).to_have_text("–")
        await expect(page.locator(".heard")).to_have_text("not heard")
        await expect(page.locator("#gauges")).to_contain_text("blue not heard")
        played.hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(20.0, [689.5] * 20))
        played.hub.take(BENCH, f"gauge/{GAUGE}/state", gauge(LinkPhase.STREAMING))
        played.hub.beat()
        await expect(page.locator(".now")).to_have_text("100 psi")
        played.hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(21.0, [-1.0] * 20))
        await expect(page.locator(".now")).to_have_text("0 psi")


async def test_prompts_are_spoken_when_asked_for_and_the_switches_are_remembered() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.evaluate(
            "() => { window.said = []; speechSynthesis.speak = (words) => window.said.push(words.text); }"
        )
        await expect(page.locator("#cylinders li")).to_have_count(3)
        played.hub.take(BENCH, "prompt", prompt("One before the voice is on.", after_s=1.0))
        await expect(page.locator("#prompt-text")).to_have_text("One before the voice is on.")
        await page.locator("#speak").click()
        await expect(page.locator("#speak")).to_have_attribute("aria-pressed", "true")
        played.hub.take(BENCH, "prompt", prompt("Keep clear of the belt.", after_s=2.0, urgency=Urgency.CAUTION))
        await expect(page.locator("#prompt")).to_have_attribute("data-urgency", "caution")
        assert await page.evaluate("() => window.said") == ["Prompts are spoken here.", "Keep clear of the belt."]
        await page.locator("#theme").click()
        await page.locator("#theme").click()
        await page.reload()
        await expect(page.locator("html")).to_have_attribute("data-theme", "dark")
        await expect(page.locator("#speak")).to_have_attribute("aria-pressed", "true")
        # A browser may hold its voice back after a page was loaded again, or have none: the switch is on and says so.
        await expect(page.locator("#speak")).to_have_text(re.compile("^Speak: (on|press|no voice)$"))


async def test_what_a_broker_says_never_becomes_markup() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#cylinders li")).to_have_count(3)
        hostile = "<img src=x onerror=alert(1)>"
        played.hub.take(BENCH, "prompt", prompt(hostile, after_s=60.0))
        played.hub.take(BENCH, "test", state(revision=2).replace(b"middle", b"<b>mid</b>"))
        await expect(page.locator("#prompt-text")).to_have_text(hostile)
        await expect(page.locator(".name").nth(1)).to_have_text("<b>mid</b>")
        assert await page.locator("main img, main b").count() == 0
