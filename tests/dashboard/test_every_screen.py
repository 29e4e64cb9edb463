"""What fits on one screen fits on the others: a straight crankshaft, names in their bores, nothing beyond the edge."""

import pytest
from playwright.async_api import Page, expect

from gaugelink.broker.messages import CylinderPart, CylinderStatus, GaugeState, ReadingPart, TestState
from gaugelink.dashboard.record import Cylinder
from gaugelink.gauge.samples import LinkPhase
from tests.dashboard.chromium import PHONE, SMALL_PHONE, WALL, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import (
    BENCH,
    EVENT,
    GAUGE,
    HELD,
    TRIPLE,
    in_full_swing,
    leak_progress,
    leak_state,
    prompt,
    settled,
    state,
)

TABLET = {"width": 1024, "height": 768}
ON_ITS_SIDE = {"width": 640, "height": 360}
ENLARGED = {"width": 260, "height": 563}
"""A phone with its letters made half as large again."""
SIZES = {"phone": PHONE, "tablet": TABLET, "wall": WALL}
on_every_screen = pytest.mark.parametrize("size", SIZES.values(), ids=SIZES.keys())


def engine_of(names: list[str]) -> bytes:
    """A test of an engine of these cylinders: five pulls on the first, the last but one under way, the last waiting."""
    told = TestState.model_validate_json(state(revision=2))
    pull = ReadingPart(event_id=EVENT, peak_kpa=1240.0, peak_u_kpa=9.0)
    read = {"status": CylinderStatus.AGREED, "pressure_kpa": 1240.0, "pressure_u_kpa": 9.0}
    cylinders = [
        CylinderPart(name=name, place=place, readings=(pull,) * (5 if place == 1 else 2), **read)
        for place, name in enumerate(names, 1)
    ]
    cylinders[-2] = CylinderPart(name=names[-2], place=len(names) - 1, status=CylinderStatus.IN_PROGRESS)
    cylinders[-1] = CylinderPart(name=names[-1], place=len(names))
    change = {"cylinders": tuple(cylinders), "next_cylinder": names[-2], "display_unit": "kPa"}
    return told.model_copy(update=change).model_dump_json().encode()


def an_engine(names: list[str]) -> Played:
    """A bench in the middle of that test."""
    cylinders = tuple(Cylinder(name=name) for name in names)
    played = Played(machines=(TRIPLE.model_copy(update={"cylinders": cylinders, "layout": "inline_front"}),))
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", engine_of(names))
    return played


async def edges(page: Page, parts: str, side: str) -> list[float]:
    """A side of the boxes of parts, in CSS pixels."""
    found: list[float] = await page.locator(parts).evaluate_all(
        "(all, side) => all.map((one) => one.getBoundingClientRect()[side])", side
    )
    return found


@pytest.mark.parametrize("count", [6, 8])
async def test_a_crankshaft_is_straight_and_all_staircases_stand_on_one_deck_however_much_there_is_to_say(
    count: int,
) -> None:
    names = [str(number) for number in range(1, count + 1)]
    async with chromium() as browser, played_page(an_engine(names)) as address:
        for size in (TABLET, WALL):
            async with opened(browser, address, size) as page:
                await expect(page.locator(".stage")).to_have_count(count)
                assert await page.locator(".pulls").first.locator("span").count() == 5
                for part, side in ((".stage", "top"), (".stage", "bottom"), (".shaft", "top")):
                    assert len({round(edge) for edge in await edges(page, part, side)}) == 1, (part, side, size)
                # Four digits of one cylinder do not run into those of the next.
                for part in (".value .number", ".pulls", ".status"):
                    lefts, rights = await edges(page, part, "left"), await edges(page, part, "right")
                    assert all(right <= left for right, left in zip(rights, lefts[1:], strict=False)), (part, size)


@on_every_screen
@pytest.mark.parametrize("names", [["PTO", "middle", "MAG"], ["left front", "left rear", "right front", "right rear"]])
async def test_a_name_is_inside_its_bore(names: list[str], size: dict[str, int]) -> None:
    async with (
        chromium() as browser,
        played_page(an_engine(names)) as address,
        opened(browser, address, size) as page,
    ):
        await expect(page.locator(".name")).to_have_text(names)
        reach = await page.locator(".barrel").evaluate_all(
            "(all) => all.map((barrel) => { const range = document.createRange();"
            " range.selectNodeContents(barrel.querySelector('.name'));"
            " const bore = barrel.querySelector('.wall').getBoundingClientRect();"
            " return [...range.getClientRects()].map((line) => Math.max(bore.left - line.left, line.right - bore.right,"
            "   line.width - 0.86 * bore.width)); })"
        )
        # The wall of a bore takes a tenth of its radius on each side.
        assert [line for lines in reach for line in lines if line > 0] == []


@on_every_screen
async def test_no_view_is_wider_than_its_screen(size: dict[str, int]) -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        await expect(page.locator("#cylinders li")).to_have_count(3)
        for view in ("test", "leak", "history"):
            await page.locator(f"#to-{view}").click()
            await expect(page.locator(f"#view-{view} h2").first).to_be_visible()
            if view == "history":
                await expect(page.get_by_role("link", name="PDF").first).to_be_attached()
            assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), view


@pytest.mark.parametrize("size", [SMALL_PHONE, ON_ITS_SIDE, ENLARGED], ids=["small phone", "on its side", "enlarged"])
async def test_long_names_leave_a_phone_its_edge_its_prompt_whole_and_the_machine_known(size: dict[str, int]) -> None:
    names = [f"{place} {side}" for side in ("links Fahrerseite", "rechts Beifahrer") for place in ("Vorne", "Hinten")]
    played = an_engine(names)
    long_name = "Snow groomer of the upper lodge, long track, red trailer"
    played.machines = (played.machines[0].model_copy(update={"name": long_name}),)
    played.hub.take(
        BENCH, "prompt", prompt(f"{names[2]}, 11.95 bar, agreed. Move the gauge to {names[3]}.", 9.0, "move")
    )
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        await expect(page.locator("#prompt-text")).to_contain_text("11.95")
        assert await page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        assert await page.locator("#prompt-text").evaluate("(one) => one.scrollWidth <= one.clientWidth")
        [width] = await page.locator("#subject-machine").evaluate_all("(all) => all.map((one) => one.clientWidth)")
        assert width >= 140.0


async def test_on_a_tablet_what_is_wrong_with_a_gauge_is_one_line_and_the_machine_keeps_its_name() -> None:
    faults = ("The battery is low: charge the gauge.",)
    told = GaugeState(bench=BENCH, gauge=GAUGE, phase=LinkPhase.LOST, battery_percent=12.0, faults=faults)
    played = Played(machines=(TRIPLE.model_copy(update={"name": "Pier 6, work boat"}),))
    in_full_swing(played.hub)
    played.hub.take(BENCH, f"gauge/{GAUGE}/state", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, TABLET) as page:
        item = page.locator("#gauges li")
        await expect(item).to_contain_text("charge the gauge.")
        lines = await item.evaluate(
            "(one) => one.getBoundingClientRect().height / parseFloat(getComputedStyle(one).lineHeight)"
        )
        assert lines < 1.5
        machine = page.locator("#subject-machine")
        await expect(machine).to_have_text("Pier 6, work boat")
        assert await machine.evaluate("(one) => one.scrollWidth <= one.clientWidth")


async def test_on_a_tablet_a_question_leaves_the_verdict_so_far_in_sight_and_the_pressure_of_now() -> None:
    told = TestState.model_validate_json(settled(revision=2)).model_copy(update={"held_events": (HELD,)})
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, TABLET) as page:
        await expect(page.locator(".question")).to_be_visible()
        for part in ("#verdict-word", "#next", ".now"):
            await expect(page.locator(part)).to_be_in_viewport(ratio=1)
        [floor] = await edges(page, "#judged", "bottom")
        for part in ("#verdict-word", "#next"):
            assert (await edges(page, part, "bottom"))[0] <= floor, part


@pytest.mark.parametrize("size", [TABLET, {"width": 1920, "height": 1080}], ids=["tablet", "wall"])
async def test_a_long_prompt_covers_nothing_and_leaves_the_commands_in_sight(size: dict[str, int]) -> None:
    names = ["PTO (clutch side)", "middle, under the exhaust", "MAG (ignition side)"]
    played = an_engine(names)
    asked = f"Not sure about 131. Was that {names[0]} or {names[1]}? Answer, or pull again on {names[2]}."
    told = TestState.model_validate_json(engine_of(names)).model_copy(update={"held_events": (HELD,), "revision": 3})
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    played.hub.take(BENCH, "prompt", prompt(asked, 9.0, "ask_which"))
    async with chromium() as browser, played_page(played) as address, opened(browser, address, size) as page:
        await expect(page.locator("#prompt-text")).to_have_text(asked)
        await expect(page.locator(".question button")).to_have_count(4)
        [foot] = await edges(page, "#prompt-text", "bottom")
        assert foot <= (await edges(page, "#engine", "top"))[0]
        assert foot <= (await edges(page, "#questions", "top"))[0]
        await expect(page.locator("#do-finish")).to_be_in_viewport(ratio=1)


async def test_words_of_jobs_lie_over_no_reading_and_end_inside_their_drawing() -> None:
    played = Played()
    async with chromium() as browser, played_page(played) as address, opened(browser, address, SMALL_PHONE) as page:
        await expect(page.locator("#notice")).to_be_visible()
        written = await page.evaluate(
            "async () => { const { drawJobs } = await import('/static/history.js');"
            " const ctx = document.createElement('canvas').getContext('2d'); const written = [];"
            " ctx.fillText = (text, x, y) => written.push([x, x + ctx.measureText(text).width, y]);"
            " const plot = { ctx, bbox: { left: 40, top: 90, width: 280, height: 200 }, valToPos: (at) => 40 + at };"
            " drawJobs(plot, [[100, 'top end, middle'], [110, 'reeds'], [270, 'rings and a new piston, middle'],"
            "   [400, 'after the last test']], 4, () => '#000'); return written; }"
        )
        assert len(written) == 3
        for left, right, foot in written:
            assert left >= 40
            assert right <= 320
            assert foot <= 90
        for number, (left, right, foot) in enumerate(written):
            for other in written[number + 1 :]:
                assert foot != other[2] or right < other[0] or other[1] < left


async def test_the_pressure_of_a_leak_test_is_as_large_as_what_is_to_be_done_and_its_axes_have_units() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, WALL) as page:
        await page.evaluate(
            "() => { const write = CanvasRenderingContext2D.prototype.fillText; window.written = [];"
            " CanvasRenderingContext2D.prototype.fillText = function (text, ...rest) {"
            " window.written.push(text); return write.call(this, text, ...rest); }; }"
        )
        await page.locator("#to-leak").click()
        played.hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
        for elapsed_s in (0.0, 10.0, 20.0):
            played.hub.take(BENCH, "decay/progress", leak_progress(elapsed_s))
        await expect(page.locator("#leak-plot canvas")).to_be_visible()
        reads, prompts = [
            await page.locator(part).evaluate("(one) => parseFloat(getComputedStyle(one).fontSize)")
            for part in ("#leak-reads", "#leak-prompt")
        ]
        assert reads >= prompts
        await expect(page.locator("#leak-rate")).to_contain_text("20 s")
        written: list[str] = [
            text for text in await page.evaluate("() => window.written") if text and text[0].isdigit()
        ]
        assert {text.split()[1] for text in written[-12:]} == {"s", "psi"}
