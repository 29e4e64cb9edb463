"""Last season's numbers: found without a press, followed while a test goes on, and beside today's verdict."""

import pytest
from playwright.async_api import expect

from gaugelink.broker.examples import example_of
from gaugelink.broker.messages import TestState
from gaugelink.dashboard.record import MachineRecord, TrendRow
from gaugelink.verdict.findings import Severity, VerdictWord
from tests.dashboard import pages
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, TRIPLE, in_full_swing, settled, state
from tests.dashboard.test_in_chromium import grave_faults

OTHER = TRIPLE.model_copy(update={"id": "ridge-6", "name": "Ridge 6"})


def done(revision: int, word: VerdictWord, **change: object) -> bytes:
    """The triple, settled, with a verdict."""
    told = TestState.model_validate_json(settled(revision=revision))
    return told.model_copy(update={"verdict": word, **change}).model_dump_json().encode()


def record(monkeypatch: pytest.MonkeyPatch, **change: object) -> MachineRecord:
    """Let the record say something else."""
    changed = pages.HISTORY.model_copy(update=change)
    monkeypatch.setattr(pages, "HISTORY", changed)
    return changed


async def test_a_page_opened_at_the_history_shows_it_and_a_test_that_is_closed_comes_into_it_by_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    played = Played(machines=(OTHER, TRIPLE))
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-history").click()
        await page.reload()
        # The machine that is tested, not the first of the fleet.
        await expect(page.locator("#history-machine")).to_have_value(TRIPLE.id)
        rows = page.locator("#history-tables table").last.locator("tbody tr")
        await expect(rows).to_have_count(3)
        today = pages.HISTORY.tests[-1].model_copy(update={"test_id": "test-1", "at": "2026-12-01T10:00:00Z"})
        record(monkeypatch, tests=(*pages.HISTORY.tests, today))
        played.hub.take(BENCH, "test", done(2, VerdictWord.CONSISTENT, closed=True, phase="finished"))
        await expect(rows).to_have_count(4)
        await page.locator("#history-machine").select_option(OTHER.id)
        await expect(page.locator("#history-why")).to_have_text("There is no test of this machine yet.")
        record(monkeypatch, left_out=True)
        await page.locator("#history-machine").select_option(TRIPLE.id)
        await page.locator("#history-machine").select_option(OTHER.id)
        why = "There is a test of this machine, and it is left out."
        await expect(page.locator("#history-why")).to_have_text(why)
        # What somebody chose stands until another test begins.
        await page.locator("#to-test").click()
        await page.locator("#to-history").click()
        await expect(page.locator("#history-machine")).to_have_value(OTHER.id)
        played.hub.take(BENCH, "test", state(revision=1, test_id="test-2", after_s=600.0))
        await expect(page.locator("#history-machine")).to_have_value(TRIPLE.id)


HOLD_BACK = """() => {
    const ask = fetch;
    window.held = [];
    window.fetch = async (...what) => {
        const answer = await ask(...what);
        if (!window.holding || !String(what[0]).endsWith("/history")) return answer;
        const body = await answer.json();
        return { ok: answer.ok, json: () => new Promise((read) => window.held.push(() => read(body))) };
    };
}"""
"""Answers of the record are read as late as the test wants, while `holding`."""


async def test_an_answer_that_is_read_late_does_not_take_the_place_of_a_later_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#notice")).to_be_visible()
        await page.evaluate(HOLD_BACK)
        await page.evaluate("window.holding = true")
        await page.locator("#to-history").click()
        # Not `wait_for_function`: it looks again with an eval, which the page's policy forbids.
        await page.evaluate("async () => { while (!window.held.length) await new Promise(requestAnimationFrame); }")
        await page.evaluate("window.holding = false")
        record(monkeypatch, tests=pages.HISTORY.tests[:2])
        played.hub.take(BENCH, "test", done(2, VerdictWord.CONSISTENT, closed=True, phase="finished"))
        rows = page.locator("#history-tables table").last.locator("tbody tr")
        await expect(rows).to_have_count(2)
        await page.evaluate(
            "async () => { for (const read of window.held) await read(); await new Promise(setTimeout); }"
        )
        await expect(rows).to_have_count(2)


async def test_a_verdict_stands_beside_what_the_seasons_say_and_is_not_all_well_while_a_cylinder_wears(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    wearing = TrendRow(cylinder="MAG", percent=-4.2, percent_u=1.1, is_wearing=True)
    says = ("MAG loses 4.2 ± 1.1 % a season, more than chance, over 3 tests.",)
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#next")).to_contain_text("Now MAG")
        seasons, word = page.locator("#seasons"), page.locator("#verdict-word")
        await expect(seasons).to_be_hidden()
        played.hub.take(BENCH, "test", done(2, VerdictWord.CONSISTENT))
        await expect(seasons).to_have_text("Over the seasons: Over 3 tests no cylinder goes down by more than chance.")
        await expect(word).to_have_text("consistent nothing asks for attention")
        record(monkeypatch, trends=(wearing,), says=says)
        played.hub.take(BENCH, "test", done(3, VerdictWord.CONSISTENT, closed=True, phase="finished"))
        await expect(seasons).to_have_text(f"Over the seasons: {says[0]}")
        await expect(word).to_have_text("consistent nothing in this test alone, but look at the seasons")
        assert await grave_faults(page) == []
        # A wet test belongs to no trend.
        played.hub.take(BENCH, "test", done(4, VerdictWord.CONSISTENT, kind="wet"))
        await expect(seasons).to_be_hidden()


async def test_what_would_tell_the_causes_apart_stands_on_the_page() -> None:
    finding = TestState.model_validate(example_finding()).findings[0]
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#next")).to_contain_text("Now MAG")
        await expect(page.locator("#tells")).to_be_hidden()
        told = done(2, VerdictWord.INVESTIGATE, findings=(finding,))
        played.hub.take(BENCH, "test", told)
        await expect(page.locator("#tells")).to_have_text(f"What would tell: {'; '.join(finding.next_tests)}.")


def example_finding() -> TestState:
    """A test whose first finding names what would tell."""
    told = TestState.model_validate(example_of("TestState"))
    asking = [one.model_copy(update={"severity": Severity.INVESTIGATE}) for one in told.findings if one.next_tests]
    assert asking
    return told.model_copy(update={"findings": tuple(asking)})


async def test_the_history_of_a_shop_whose_bench_is_off_is_in_the_shop_s_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    record(monkeypatch, display_unit="bar")
    played = Played()
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-history").click()
        table = page.get_by_role("region", name="Tests, as read, in bar")
        await expect(table.locator("tbody tr").first.locator("li")).to_have_text(["PTO 9.15", "MAG 9.31"])
        await expect(page.locator("#history-legend li").first).to_contain_text("last 9.15 ± 0.12 bar")


async def test_a_reading_of_the_history_is_in_one_line_with_its_cylinder(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("PTO", "middle", "MAG", "left front", "right rear")
    *before, last = pages.HISTORY.tests
    many = last.model_copy(update={"readings_kpa": dict.fromkeys(names, 930.0), "given_up": True})
    record(monkeypatch, tests=(*before, many))
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-history").click()
        rows = page.get_by_role("region", name="Tests, as read, in psi").locator("tbody tr")
        # The verdict is beside the day, in sight; of a test that was given up it is that.
        for row, word in ((0, "given up"), (1, "consistent")):
            await expect(rows.nth(row).locator("td").nth(1)).to_have_text(word)
            beside = rows.nth(row).locator("td").nth(1)
            assert await beside.evaluate("(one) => one.getBoundingClientRect().right <= innerWidth")
        readings = rows.first.locator("li")
        await expect(readings).to_have_text([f"{name} 135" for name in names])
        lines = await readings.evaluate_all(
            "(all) => all.map((one) => one.clientHeight / parseFloat(getComputedStyle(one).lineHeight))"
        )
        assert max(lines) < 1.5
