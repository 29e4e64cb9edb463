"""What the page says to who only glances at it is so: nothing of a bench that nobody heard, no number that misleads."""

import pytest
from playwright.async_api import Page, expect

from gaugelink.broker.messages import GaugeState, TestState
from gaugelink.gauge.samples import LinkPhase
from tests.dashboard.chromium import PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import (
    BENCH,
    GAUGE,
    gauge,
    in_full_swing,
    leak_progress,
    leak_state,
    live,
    prompt,
    state,
)

NAMES = ["PTO", "middle", "MAG"]


async def joined(page: Page, text: str, names: list[str]) -> str:
    """A sentence as the page shows it."""
    found: str = await page.evaluate(
        "async ([text, names]) => (await import('/static/sentence.js')).joined(text, names)", [text, names]
    )
    return found


async def test_when_a_bench_was_heard_last_stands_still_while_the_server_beats_on_without_its_broker() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, frozen=True) as page,
    ):
        contact, since = page.locator("#contact"), page.locator("#contact .since")
        await expect(page.locator(".question")).to_be_visible()
        played.hub.broker(False, "The broker is away.")
        await expect(contact).to_contain_text("What stands here was heard at")
        said = await since.text_content()
        # A screen reader says it whenever it changes, too.
        for seconds in (1, 2, 3):
            await page.clock.fast_forward(1000)
            played.hub.broker(False, f"The broker is away: {seconds}.")
            await expect(page.locator("#prompt-text")).to_have_text(f"The broker is away: {seconds}.")
            assert await since.text_content() == said
        played.hub.broker(True)
        await expect(contact).to_be_empty()


async def test_of_a_bench_that_was_never_heard_the_page_claims_neither_a_test_nor_that_there_is_none() -> None:
    played = Played()
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#prompt-text")).to_have_text("The broker is being looked for.")
        await expect(page.locator("#notice")).to_be_visible()
        for part in ("#no-test", "#contact", "#judged"):
            await expect(page.locator(part)).to_be_hidden()
        await expect(page.locator("#subject")).to_be_empty()
        played.hub.broker(True)
        played.hub.take(BENCH, "availability", b"online")
        await expect(page.locator("#no-test")).to_be_visible()
        await expect(page.locator("#subject")).to_have_text("no test")


@pytest.mark.parametrize("phase", [one for one in LinkPhase if one is not LinkPhase.STREAMING])
async def test_a_gauge_whose_link_is_not_up_shows_no_pressure(phase: LinkPhase) -> None:
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, frozen=True) as page,
    ):
        await expect(page.locator(".question")).to_be_visible()
        await page.clock.run_for(400)
        await expect(page.locator(".now")).to_have_text("0 psi")
        played.hub.take(BENCH, f"gauge/{GAUGE}/state", gauge(phase))
        await expect(page.locator("#gauges")).to_contain_text(f"blue {phase.value}")
        await page.clock.run_for(400)
        await expect(page.locator(".now")).to_have_text("–")
        await expect(page.locator("figure")).to_have_attribute("data-silent", "true")
        await expect(page.locator("body")).to_have_attribute("data-stale", "false")


async def test_a_leak_test_whose_gauge_is_not_heard_shows_no_pressure_of_before() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        played.hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
        played.hub.take(BENCH, "decay/progress", leak_progress(10.0))
        reads, rate = page.locator("#leak-reads"), page.locator("#leak-rate")
        # 40 kPa by NIST SP 811, appendix B.8.
        await expect(reads).to_have_text("Ridge 7: 5.8 psi")
        # Nothing is published by a gauge that fell silent; the server's beat tells.
        played.clock.now_s += 2.6
        played.hub.beat()
        await expect(reads).to_have_text("Ridge 7: –")
        await expect(rate).to_have_text("blue is not heard.")
        played.hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(20.0, [40.0] * 20))
        played.hub.beat()
        await expect(reads).to_have_text("Ridge 7: 5.8 psi")
        played.hub.broker(False, "The broker is away.")
        await expect(reads).to_have_text("Ridge 7: –")


async def test_with_the_broker_away_no_gauge_is_said_to_stream() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#gauges")).to_have_text("blue streaming, battery 80 %")
        played.hub.broker(False, "The broker is away.")
        await expect(page.locator("#gauges")).to_have_text("blue not heard, battery 80 %")
        await expect(page.locator("#gauges li")).to_have_attribute("data-well", "false")


async def test_the_faults_of_a_gauge_are_sentences() -> None:
    faults = ("The disk does not take results.", "The battery is low: charge the gauge.")
    told = GaugeState(bench=BENCH, gauge=GAUGE, phase=LinkPhase.STREAMING, battery_percent=12.0, faults=faults)
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, f"gauge/{GAUGE}/state", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#gauges")).to_have_text(f"blue streaming, battery 12 %. {' '.join(faults)}")


async def test_a_name_and_its_number_stay_in_one_line() -> None:
    played = Played()
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        cases = [
            ("In order: PTO 134, middle 113.", NAMES, "In order: PTO_134, middle_113."),
            ("MAG, 133, agreed. Move the gauge to PTO.", NAMES, "MAG,_133, agreed. Move the gauge to PTO."),
            ("Highest 1, 11.86. Lowest 4, 9.79.", list("123456"), "Highest 1,_11.86. Lowest 4,_9.79."),
            ("Skipped: 1, 2, 3, 4.", list("1234"), "Skipped: 1, 2, 3, 4."),
            ("left front 182, left 178.", ["left", "left front"], "left front_182, left_178."),
            ("middle at 113 psi is 84 % of PTO.", NAMES, "middle at 113_psi is 84_% of PTO."),
            ("A.1 (top) 120, A11 99.", ["A.1 (top)"], "A.1 (top)_120, A11 99."),
            ("Radio gap, that pull does not count.", [], "Radio gap, that pull does not count."),
        ]
        shown = [await joined(page, text, names) for text, names, _ in cases]
        assert shown == [expected.replace("_", "\u00a0") for _, _, expected in cases]
        in_full_swing(played.hub)
        played.hub.take(BENCH, "prompt", prompt("Test done. In order: PTO 134, middle 113, MAG 133.", 9.0, "done"))
        for size in ({"width": 390, "height": 844}, {"width": 320, "height": 640}, {"width": 1024, "height": 768}):
            await page.set_viewport_size(size)  # type: ignore[arg-type]
            await expect(page.locator("#prompt-text")).to_contain_text("MAG 133")
            tops = await page.locator("#prompt-text").evaluate(
                "(one) => { const text = one.firstChild; const top = (at) => { const range = document.createRange();"
                " range.setStart(text, at); range.setEnd(text, at + 1); return range.getBoundingClientRect().top; };"
                " return [...text.data.matchAll(/(PTO|middle|MAG)\\s(\\d+)/g)].map("
                "   (found) => top(found.index) === top(found.index + found[0].length - 1)); }"
            )
            assert tops == [True] * 3, size


async def test_a_name_from_right_to_left_turns_nothing_round_that_stands_about_it() -> None:
    # Hebrew for right and left, from dictionaries.
    right, left = "\u05d9\u05de\u05d9\u05df", "\u05e9\u05de\u05d0\u05dc"
    played = Played()
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        shown = await joined(page, f"In order: {right} 134, {left} 133.", [right, left])
        # Isolated as UAX 9, 2.4 has it, so that a number is on the same side of every name.
        assert shown == f"In order: \u2068{right}\u2069\u00a0134, \u2068{left}\u2069\u00a0133."


@pytest.mark.parametrize("size", [WALL, PHONE], ids=["wall", "phone"])
async def test_the_number_of_a_reading_below_the_makers_range_does_not_stand_in_that_range(
    size: dict[str, int],
) -> None:
    # 930 kPa are inside 800 to 980 kPa, 760 kPa below.
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        boxes = [await page.locator(".value .number").nth(place).bounding_box() for place in (0, 1)]
        edges = await page.locator(".stair").nth(1).locator(".band").bounding_box()
        assert edges is not None
        inside, below = boxes
        assert inside is not None
        assert below is not None
        # The letters begin a little beneath the top of their line.
        assert below["y"] >= edges["y"] + edges["height"]
        assert inside["y"] < edges["y"] + edges["height"]
        # Where there is no range the number is above its staircase.
        told = TestState.model_validate_json(state(revision=2)).model_copy(update={"band_low_kpa": None})
        played.hub.take(BENCH, "test", told.model_dump_json().encode())
        await expect(page.locator("#range")).to_be_hidden()
        tread = await page.locator(".stair").nth(1).locator(".tread").bounding_box()
        above = await page.locator(".value .number").nth(1).bounding_box()
        assert tread is not None
        assert above is not None
        assert above["y"] + above["height"] <= tread["y"] + tread["height"]
