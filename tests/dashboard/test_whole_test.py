"""A whole simulated test, watched and steered through the page: radio, service, broker, page and browser."""

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.async_api import Page, expect
from playwright.async_api import TimeoutError as NotThere

from gaugelink.app.daemon import Daemon
from gaugelink.app.mechanic import MechanicsEar
from gaugelink.app.service import Clock
from gaugelink.app.shopfile import Shop
from gaugelink.app.shoppage import JournalRecord, page_beside
from gaugelink.bench.reading import Reading, Status
from gaugelink.dashboard import reader
from simulators.shop import engine_under, simulated_shop
from tests.app.shops import SHOP, shop_in
from tests.dashboard.chromium import PATIENCE_MS, chromium, opened

SPEED = 12.0
SHORT_MS = 10_000
LONG_MS = 300_000
"""A whole test takes a few seconds; a busy machine may take longer, and nothing is asserted of that."""


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A page that waits for broker and bench as long as this test does: all of them share one process here, and on a
    busy machine an answer takes longer than whoever stands at a real bench would wait."""
    for limit in ("ANSWER_S", "CONNECT_S", "PROBE_S"):
        monkeypatch.setattr(reader, limit, LONG_MS / 1000.0)
    yield
    expect.set_options(timeout=PATIENCE_MS)


def shop_of(folder: Path) -> Shop:
    """A shop with one held gauge; one reading of each cylinder is enough."""
    text = SHOP.replace("repeats = 2", "repeats = 1").replace(
        "[[gauges]]", "[broker]\nembedded = true\nport = 0\nsettle_s = 0\n\n[[gauges]]"
    )
    return shop_in(folder, text)


def statuses_by_page(reading: Reading) -> list[Status]:
    """What the page made of a reading."""
    return [change.status for change in reading.changes if change.by == "page"]


def read(file: Path) -> str:
    """What stands in a file."""
    return file.read_text(encoding="utf-8")


async def until_done(page: Page) -> None:
    """Wait for the end. When nothing but a question is left, its pull is of a cylinder that did not agree."""
    done = page.locator("#subject", has_text="dry test, done")
    only_asked = page.locator("#next", has_text=re.compile("^[0-9] questions? left: "))
    await expect(done.or_(only_asked).first).to_be_visible()
    while not await done.is_visible():
        names = page.locator('#cylinders li:not([data-status="agreed"]) .name')
        name = await (names if await names.count() else page.locator("#cylinders .name")).first.inner_text()
        try:
            await page.locator(".question").first.get_by_role("button", name=name).click(timeout=SHORT_MS)
            # One more pull of the mechanic may answer it first: then nothing is held any more, and that is said.
            await expect(page.locator("#result")).to_have_text(re.compile("^(Done|Not done): "))
        except NotThere:
            assert await done.is_visible() or not await page.locator(".question").count()
        await expect(done.or_(only_asked).first).to_be_visible()
    # On a busy machine the simulated radio loses samples, and then a cylinder may end without agreeing.
    settled = page.locator('#cylinders li:is([data-status="agreed"], [data-status="odd"], [data-status="unsure"])')
    await expect(settled).to_have_count(3)


@pytest.mark.timeout(900)
async def test_a_test_is_begun_watched_put_right_and_finished_through_the_page(tmp_path: Path) -> None:
    shop = shop_of(tmp_path)
    gauges = {gauge.name: (gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges}
    engine = engine_under(shop.fleet.engine_of("north-7"))
    async with (
        simulated_shop(gauges, engine, held=True, speed=SPEED, seed=3) as simulated,
        page_beside(shop, 0, "All of this is simulated.") as (told, door),
        chromium() as browser,
    ):
        ears = [MechanicsEar(simulated), told]
        daemon = Daemon(shop, simulated.radio, clock=Clock(SPEED), watchers=ears, silent=True)
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(daemon.run())
            await told.port()
            async with opened(browser, door.address) as page:
                page.set_default_timeout(LONG_MS)
                expect.set_options(timeout=LONG_MS)
                await expect(page.locator("#notice")).to_have_text("All of this is simulated.")
                await page.locator("#do-begin").click()
                await page.get_by_role("button", name="North 7").click()
                await expect(page.locator("#result")).to_have_text("Done: Test of north-7 begun.")
                await expect(page.locator("#cylinders li")).to_have_count(3)
                await page.locator("#do-acknowledge").click()
                await expect(page.locator("#do-acknowledge")).to_be_hidden()
                await until_done(page)
                await expect(page.locator("#prompt-text")).to_have_text(re.compile("test (is )?done", re.IGNORECASE))
                await expect(page.locator("#spread")).to_contain_text("psi")
                assert daemon.session.test is not None
                await page.locator("#cylinders li", has_text="PTO").click()
                await page.get_by_role("dialog").get_by_role("button", name="Strike").last.click()
                await expect(page.locator("#result")).to_contain_text("Done: Struck out: pull ")
                struck = [one for one in daemon.session.test.state.readings if Status.STRUCK in statuses_by_page(one)]
                assert len(struck) == 1
                await page.locator("#do-take-back").click()
                await expect(page.locator("#result")).to_contain_text("Done: Taken back")
                await until_done(page)
                await page.locator("#do-finish").click()
                # The mechanic may have cranked while it was struck: with a question open, finishing is asked about.
                closed = page.locator("#subject", has_text="finished")
                anyway = page.get_by_role("button", name="Finish with what there is")
                await expect(closed.or_(anyway).first).to_be_visible()
                if await anyway.is_visible():
                    await anyway.click()
                await expect(closed).to_be_visible()
                values = {one.name: one.value_kpa for one in daemon.session.test.state.cylinders}
                for name, kpa in values.items():
                    shown = page.locator("#cylinders li", has_text=name).locator(".value .number")
                    assert kpa is not None
                    await expect(shown).to_have_text(f"{kpa / 6.894757:.0f}")
                (recorded,) = (await JournalRecord(shop).history("north-7")).tests
                assert set(recorded.sea_level_u_kpa) == set(recorded.sea_level_kpa) == set(values)
                await page.locator("#to-history").click()
                async with page.expect_download() as downloading:
                    await page.get_by_role("link", name="HTML").click()
                await (await downloading.value).save_as(tmp_path / "report.html")
                await page.locator("#to-test").click()
                daemon.stop()
                await expect(page.locator("#contact")).to_contain_text("What stands here was heard at")
        assert daemon.session.test.state.phase.value == "finished"
    assert "North 7" in read(tmp_path / "report.html")
