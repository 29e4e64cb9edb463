"""What stands in a cylinder's place, and what is offered when it is pressed: each names what it would change."""

import pytest
from playwright.async_api import Page, expect

from gaugelink.broker.messages import CylinderStatus, TestState
from gaugelink.peak.events import Flag
from tests.dashboard.chromium import PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, EVENT, HELD, cranking, in_full_swing, settled, state
from tests.dashboard.sight import boxes
from tests.dashboard.test_in_chromium import grave_faults

OTHER = "019c23f0-0000-7000-8000-00000000000c"


def with_flags(revision: int, *flags: Flag) -> bytes:
    """The triple, both pulls of its PTO with flags, and it without agreement."""
    told = TestState.model_validate_json(state(revision=revision))
    pulls = tuple(
        told.cylinders[0].readings[0].model_copy(update={"event_id": event_id, "flags": flags})
        for event_id in (EVENT, OTHER)
    )
    pto = told.cylinders[0].model_copy(update={"readings": pulls, "status": CylinderStatus.ODD})
    return told.model_copy(update={"cylinders": (pto, *told.cylinders[1:])}).model_dump_json().encode()


async def dialog_buttons(page: Page, cylinder: int) -> list[str]:
    """What is offered when a cylinder is pressed."""
    await page.locator(".cylinder").nth(cylinder).click()
    offered = await page.get_by_role("dialog").get_by_role("button").all_inner_texts()
    await page.keyboard.press("Escape")
    return offered


@pytest.mark.parametrize("size", [WALL, PHONE], ids=["wall", "phone"])
async def test_a_cylinder_that_still_rose_reads_at_least_so_much_and_says_why(size: dict[str, int]) -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        first = page.locator(".cylinder").first
        await expect(first.locator(".value")).to_have_text("135")
        await expect(page.locator("#doubts")).to_be_hidden()
        for revision, flag, words in ((2, Flag.STILL_RISING, "still rising"), (3, Flag.OVER_RANGE, "over the gauge's")):
            played.hub.take(BENCH, "test", with_flags(revision, flag))
            await expect(page.locator("#doubts")).to_contain_text(f"PTO: {words}")
            await expect(page.locator("#doubts")).to_be_visible()
            await expect(first.locator(".value")).to_have_text("at least 135")
            (_, least, _, _), (_, _, _, above) = await boxes(page, ".cylinder .value small", "#range")
            assert least >= above
            label = await first.get_attribute("aria-label") or ""
            assert label.startswith("Cylinder PTO: at least 135 psi plus or minus")
        assert await grave_faults(page) == []
        # The crankshaft is straight, whatever there is to say of one cylinder.
        shafts = await boxes(page, ".shaft")
        assert len(shafts) == 3
        assert len({top for _, top, _, _ in shafts}) == 1
        played.hub.take(BENCH, "test", with_flags(4, Flag.ZERO_DRIFT))
        await expect(page.locator("#doubts")).to_have_text("PTO: zero moved.")
        await expect(first.locator(".value")).to_have_text("135")


async def test_a_press_on_a_cylinder_is_taken_although_its_parts_are_drawn_anew_under_the_finger() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        # what the fleet is comes after what the bench says, and moves all of it down by a line
        await expect(page.locator("#notice")).to_be_visible()
        spot = await page.locator(".cylinder .status").first.evaluate("part => part.getBoundingClientRect().toJSON()")
        await page.mouse.move(spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] / 2)
        await page.mouse.down()
        played.hub.take(BENCH, "test", with_flags(2, Flag.ZERO_DRIFT))
        await expect(page.locator("#doubts")).to_have_text("PTO: zero moved.")
        await page.mouse.up()
        await expect(page.get_by_role("dialog")).to_be_visible()


async def test_what_is_offered_for_a_cylinder_is_what_its_bench_would_do() -> None:
    played = Played()
    in_full_swing(played.hub)
    told = TestState.model_validate_json(state(revision=2, held=(HELD,)))
    pulls = tuple(
        told.cylinders[0].readings[0].model_copy(update={"event_id": event_id, "peak_kpa": kpa, "counted": counts})
        for event_id, kpa, counts in ((EVENT, 930.0, True), (OTHER, 700.0, False))
    )
    pto = told.cylinders[0].model_copy(update={"readings": pulls})
    told = told.model_copy(update={"cylinders": (pto, *told.cylinders[1:])})
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator(".cylinder").first.locator("s")).to_have_text("102")
        # A pull that was left out was changed by nobody: there is nothing to take back of it.
        assert await dialog_buttons(page, 0) == [
            "Measure PTO again",
            "The last reading, 131 psi, was PTO",
            "Strike 135 psi",
            "Strike 102 psi, left out, it does not agree",
            "Close",
        ]
        assert await dialog_buttons(page, 2) == [
            "Measure MAG again",
            "Skip MAG",
            "The last reading, 131 psi, was MAG",
            "Close",
        ]
        await page.locator(".cylinder").nth(2).click()
        played.hub.take(BENCH, "cranking", cranking(OTHER, 700.0, 300.0))
        # Another pull came since the question was put: what was read on the button is what is moved.
        await page.get_by_role("button", name="The last reading, 131 psi, was MAG").click()
        await expect(page.locator("#result")).to_have_text("Done: assign heard.")
        assert [(one.cylinder, one.event_id) for _, one in played.reader.asked] == [("MAG", HELD)]
        played.hub.take(BENCH, "test", state(revision=3, phase="cautions"))
        await expect(page.locator("#do-give-up")).to_be_visible()
        assert await dialog_buttons(page, 0) == ["Close"]


async def test_the_commands_name_what_they_change_and_a_finish_can_be_taken_back() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#do-strike")).to_have_text("Strike 131 psi")
        # The last pull is on no cylinder yet; what is measured again is the last that was read, as the bench has it.
        await expect(page.locator("#do-redo")).to_have_text("Redo middle")
        played.hub.take(BENCH, "test", state(revision=2))
        await expect(page.locator("#do-strike")).to_have_text("Strike 135 psi")
        await expect(page.locator("#do-redo")).to_have_text("Redo middle")
        await expect(page.locator("#do-skip")).to_have_text("Skip MAG")
        for name in ("strike", "redo"):
            await page.locator(f"#do-{name}").click()
            await expect(page.locator("#result")).to_have_text(f"Done: {name} heard.")
        struck, again = [one for _, one in played.reader.asked]
        assert (struck.event_id, again.cylinder) == (EVENT, "middle")
        # One that is under way and has a reading goes before the last one that was read.
        told = TestState.model_validate_json(state(revision=3))
        begun = told.cylinders[2].model_copy(update={"readings": told.cylinders[0].readings})
        pto = told.cylinders[0].model_copy(update={"readings": ()})
        told = told.model_copy(update={"cylinders": (pto, told.cylinders[1], begun), "next_cylinder": "MAG"})
        played.hub.take(BENCH, "test", told.model_dump_json().encode())
        await expect(page.locator("#do-redo")).to_have_text("Redo MAG")
        closed = TestState.model_validate_json(settled(revision=4)).model_copy(
            update={"closed": True, "phase": "finished"}
        )
        played.hub.take(BENCH, "test", closed.model_dump_json().encode())
        await expect(page.locator("#do-strike")).to_be_hidden()
        await page.locator("#do-take-back").click()
        await expect(page.locator("#result")).to_have_text("Done: take_back heard.")
