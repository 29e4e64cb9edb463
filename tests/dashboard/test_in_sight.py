"""What is in sight at once on a small wall, and what nothing may cover."""

import asyncio
import json

import pytest
from playwright.async_api import Page, expect

from gaugelink.broker.messages import TestState
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, HELD, TRIPLE, gauge, in_full_swing, live, settled, state
from tests.dashboard.sight import Box, boxes

SMALL_WALL = {"width": 1280, "height": 900}


def meet(one: Box, other: Box) -> bool:
    """Whether two boxes cover each other anywhere."""
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


async def covered(page: Page, *parts: str) -> list[str]:
    """Parts that the answer to a command lies over."""
    answer, *others = await boxes(page, "#result", *parts)
    return [part for part, other in zip(parts, others, strict=True) if meet(answer, other)]


def a_full_shop() -> Played:
    """A long name, two gauges, and a question open after every cylinder was read."""
    played = Played(machines=(TRIPLE.model_copy(update={"name": "Ridge 7 of the upper lodge, long track"}),))
    in_full_swing(played.hub)
    played.hub.take(BENCH, "gauge/red/state", gauge().replace(b"blue", b"red"))
    played.hub.take(BENCH, "gauge/red/pressure", live(9.0, [0.0] * 100).replace(b"blue", b"red"))
    told = TestState.model_validate_json(settled(revision=2)).model_copy(update={"held_events": (HELD,)})
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    return played


async def test_on_a_small_wall_the_switches_keep_their_row_and_the_verdict_is_in_sight_beside_a_question() -> None:
    played = a_full_shop()
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, SMALL_WALL) as page,
    ):
        await expect(page.locator("figure")).to_have_count(2)
        views, *switches = await boxes(page, "nav", "#speak", "#theme")
        for _, top, right, bottom in switches:
            assert views[1] <= top < bottom <= views[3]
            assert right <= SMALL_WALL["width"]
        parts = ("#verdict-word", "#next", "#spread", "#summary")
        (_, _, _, floor), (_, below, _, _), *inside = await boxes(page, "#judged", "#actions", *parts)
        for part, (_, _, _, bottom) in zip(parts, inside, strict=True):
            assert bottom <= floor + 0.5, part
        assert floor <= below


@pytest.mark.parametrize("size", [SMALL_WALL, PHONE], ids=["small wall", "phone"])
async def test_the_answer_to_a_command_covers_no_reading_and_nothing_to_press(size: dict[str, int]) -> None:
    played = a_full_shop()
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        await page.locator(".question").get_by_role("button", name="MAG").click()
        await expect(page.locator("#result")).to_have_text("Done: answer heard.")
        parts = ("#prompt", "#questions", "#engine", "#live", "#judged", "#actions", "nav", "#speak", "#theme")
        assert await covered(page, *parts) == []


async def test_the_makers_range_is_written_in_numbers_as_it_is_for_here() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        # 800 and 980 kPa by NIST SP 811, appendix B.8: 116.0 and 142.1 psi.
        words = page.locator("#range")
        await expect(words).to_have_text("Maker's range, for here: 116 to 142 psi")
        open_range, no_range = {"band_high_kpa": None}, {"band_low_kpa": None, "band_high_kpa": None}
        shown = ((3, open_range, "Maker's range, for here: 116 psi and more"), (4, no_range, ""))
        for revision, change, text in shown:
            said = TestState.model_validate_json(state(revision=revision)).model_copy(update=change)
            played.hub.take(BENCH, "test", said.model_dump_json().encode())
            await expect(words).to_have_text(text)
        await expect(words).to_be_hidden()


async def test_what_was_noted_stands_beside_the_verdict() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#spread")).to_contain_text("psi")
        await expect(page.locator("#noted")).to_be_hidden()
        notes = [{"at": "2026-02-03T12:00:00Z", "by": "Kim", "text": "<b>blue</b> deposit"}]
        told = TestState.model_validate(json.loads(state(revision=3)) | {"notes": notes})
        played.hub.take(BENCH, "test", told.model_dump_json().encode())
        await expect(page.locator("#noted")).to_have_text("Noted: <b>blue</b> deposit (Kim)")


async def test_parts_are_looked_at_while_the_page_is_in_touch() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await expect(page.locator(".shaft")).to_have_count(3)
        in_touch = await boxes(page, ".shaft")
        played.hub.broker(False, "The broker at 127.0.0.1:1883 is away.")
        await expect(page.locator("body")).to_have_attribute("data-stale", "true")
        looking = asyncio.create_task(boxes(page, ".shaft"))
        # What is asked of a page after the look is answered after it.
        await asyncio.sleep(0)
        assert await page.locator(".shaft").first.bounding_box() is not None
        played.hub.broker(True)
        assert await looking == in_touch


async def test_a_played_page_stays_in_touch_however_long_its_test_takes() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with (
        chromium() as browser,
        played_page(played) as address,
        opened(browser, address, frozen=True) as page,
    ):
        body = page.locator("body")
        await expect(body).to_have_attribute("data-stale", "false")
        await page.clock.fast_forward(3000)
        await expect(body).to_have_attribute("data-stale", "false")
