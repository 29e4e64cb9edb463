"""The leak-down's view: what it begins, and what it says while one is under way and when it is stopped."""

import pytest
from playwright.async_api import expect

from gaugelink.broker.examples import example_of
from gaugelink.broker.leak_messages import Decay, DecayKind, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import Urgency
from gaugelink.engine.units import PressureUnit
from gaugelink.leak.heard import Heard
from gaugelink.leak.limits import Practice
from gaugelink.leak.steady import SteadyPhase
from gaugelink.leak.watch import WatchPhase
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import (
    BENCH,
    GAUGE,
    TRIPLE,
    gauge,
    in_full_swing,
    leak_progress,
    leak_state,
    live,
    prompt,
    settled,
)
from tests.dashboard.test_in_chromium import grave_faults

DONE = "Test done. In order: PTO 135 psi, middle 110 psi, MAG 135 psi."
PUMP = "Seal the crankcase. Pump slowly to 6.0 psi."


async def test_during_a_leak_down_its_own_prompt_stands_and_one_that_was_stopped_cannot_be_stopped_again() -> None:
    played = Played()
    hub = played.hub
    in_full_swing(hub)
    hub.take(BENCH, "test", settled(revision=2))
    hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        large, on_leak = page.locator("#prompt-text"), page.locator("#leak-prompt")
        stop = page.get_by_role("button", name="Stop")
        # Whoever joins in the middle was told no prompt of it; that of the test is not the one to go by.
        await expect(large).to_have_text("A leak test is under way: Ridge 7.")
        hub.take(BENCH, "prompt", prompt(PUMP, 25.0, "leak_pump"))
        hub.take(BENCH, "prompt", prompt(DONE, 30.0, "last_done"))
        hub.take(BENCH, "decay/progress", leak_progress(9.0))
        await page.locator("#to-leak").click()
        await expect(on_leak).to_have_text(PUMP)
        await expect(stop).to_be_visible()
        hub.take(BENCH, "prompt", prompt("Gauge blue is away.", 31.0, "link_lost", Urgency.PROBLEM))
        await expect(on_leak).to_have_text("Gauge blue is away.")
        hub.take(BENCH, "prompt", prompt(DONE, 32.0, "last_done"))
        await page.locator("#to-test").click()
        await expect(large).to_have_text(PUMP)
        await page.locator("#to-leak").click()
        await stop.click()
        assert [sent.action for _, sent in played.reader.asked] == ["stop_decay"]
        hub.take(BENCH, "prompt", prompt("Leak test stopped. Let the air off.", 33.0, "leak_stopped"))
        hub.take(BENCH, "decay/state", leak_state("ended", 33.0))
        await expect(stop).to_be_hidden()
        await expect(on_leak).to_have_text("Leak test stopped. Let the air off.")
        await page.reload()
        await expect(page.locator("#leak-now")).to_have_text("No leak-down is under way.")


async def test_a_leak_test_says_what_it_begins_and_begins_when_that_was_read() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        await page.get_by_role("button", name="Crankcase…").click()
        # 6 and 7 psi and 1 psi in 10 minutes: the usual practice for a two-stroke's crankcase (leak/limits.py).
        await expect(dialog).to_contain_text("the crankcase is sealed, pumped to 6.0 psi, never over 7.0 psi")
        await expect(dialog.locator("#leak-limit")).to_contain_text("1.0 psi in 10 minutes")
        assert await grave_faults(page) == []
        assert played.reader.asked == []
        await dialog.get_by_role("button", name="Close").click()
        assert played.reader.asked == []
        await page.get_by_role("button", name="Crankcase…").click()
        await dialog.get_by_role("button", name="Begin the leak test").click()
        await expect(page.locator("#result")).to_have_text("Done: begin_decay heard.")
        await page.get_by_role("button", name="PTO…").click()
        await dialog.locator("#leak-limit").select_option("strict")
        await dialog.get_by_role("button", name="Begin the leak test").click()
        await expect(dialog).to_be_hidden()
    sent = [(one.machine, one.cylinder, one.leak) for _, one in played.reader.asked]
    strict = LeakRequest(practice=Practice.STRICT)
    assert sent == [("ridge-7", None, LeakRequest()), ("ridge-7", "PTO", strict)]


async def test_a_differential_test_takes_supply_and_orifice_from_the_engine_or_from_whoever_begins_it() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        go = dialog.get_by_role("button", name="Begin the differential test")
        await page.get_by_role("button", name="MAG, differential…").click()
        # FAA AC 43.13-1B, 8-14: 80 psi, and 0.040 in for a bore below 5 in.
        await expect(dialog.locator("#leak-supply")).to_have_value("80.0")
        await expect(dialog).to_contain_text("1.016, the aviation reference's for this bore")
        assert await grave_faults(page) == []
        await go.click()
        await page.get_by_role("button", name="MAG, differential…").click()
        await dialog.locator("#leak-supply").fill("60")
        await dialog.locator("#leak-orifice").fill("1.5")
        await dialog.locator("#leak-hot").check()
        await go.click()
        await expect(dialog).to_be_hidden()
    asked, named = [one for _, one in played.reader.asked]
    assert (asked.cylinder, asked.leak) == ("MAG", LeakRequest(kind=DecayKind.DIFFERENTIAL))
    assert named.leak is not None
    assert named.leak.supply_kpa == pytest.approx(60.0 * PressureUnit.PSI.kpa)
    assert (named.leak.orifice_mm, named.leak.hot) == (1.5, True)


async def test_an_engine_without_a_bore_asks_for_the_orifice_before_it_begins() -> None:
    played = Played(machines=(TRIPLE.model_copy(update={"bore_mm": None, "cycle": 4}),))
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        await page.get_by_role("button", name="PTO, differential…").click()
        await expect(page.get_by_role("button", name="Crankcase…")).to_be_hidden()
        await dialog.get_by_role("button", name="Begin the differential test").click()
        await expect(dialog.locator("#leak-orifice")).to_be_focused()
        assert played.reader.asked == []


async def test_stop_keeps_its_place_and_the_focus_while_the_pressure_is_told_and_its_phase_is_in_words() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "decay/state", leak_state("measuring", 20.0))
    phases = {**dict.fromkeys(WatchPhase), **dict.fromkeys(SteadyPhase)}
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        stop, note = page.locator("#leak-stop"), page.locator("#leak-note")
        await stop.focus()
        said = set()
        for second, phase in enumerate(phases, start=1):
            played.hub.take(BENCH, "decay/progress", leak_progress(float(second), phase.value))
            await expect(page.locator("#leak-rate")).to_contain_text(f"{second} s")
            await expect(stop).to_be_focused()
            words = await note.inner_text()
            # A sentence for a mechanic, and not the word that the program has for it.
            assert words.endswith("."), phase
            said.add(words)
        assert len(said) == len({phase.value for phase in phases})
        played.hub.take(BENCH, "decay/progress", leak_progress(60.0, "Pump slowly."))
        await expect(note).to_have_text("Pump slowly.")
        await page.keyboard.press("Enter")
        await expect(page.locator("#result")).to_have_text("Done: stop_decay heard.")
        assert [sent.action for _, sent in played.reader.asked] == ["stop_decay"]


async def test_a_result_says_first_what_was_tested_and_whether_it_passes() -> None:
    case = Decay.model_validate(example_of("Decay")).model_copy(
        update={"bench": BENCH, "cylinder": None, "part": "crankcase", "machine": TRIPLE.id, "verdict": "fail"}
    )
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "decay", case.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-leak").click()
        first = page.locator("#leak-results li")
        await expect(first.locator(".large")).to_contain_text("crankcase fails: ")
        await expect(first).to_contain_text(TRIPLE.name)
        await expect(first.locator("svg")).to_have_count(1)


async def test_where_the_air_goes_is_asked_of_a_cylinder_by_place_and_of_any_part_in_words() -> None:
    played = Played()
    in_full_swing(played.hub)
    of_cylinder = Decay.model_validate(example_of("Decay")).model_copy(
        update={"bench": BENCH, "machine": TRIPLE.id, "heard": (Heard.EXHAUST,)}
    )
    of_case = of_cylinder.model_copy(
        update={"id": new_id(), "decay_id": new_id(), "cylinder": None, "part": "crankcase", "heard": ()}
    )
    for case in (of_cylinder, of_case):
        played.hub.take(BENCH, "decay", case.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        keep = dialog.get_by_role("button", name="Keep it")
        last = page.locator("#leak-results li").last
        await expect(last).to_contain_text("Air heard at the exhaust")
        await page.get_by_role("button", name="Where the air of cylinder MAG goes").click()
        await expect(dialog.get_by_label("at the exhaust")).to_be_checked()
        await dialog.get_by_label("in the crankcase").check()
        assert await grave_faults(page) == []
        await keep.click()
        await expect(dialog).to_be_hidden()
        told = of_cylinder.model_copy(update={"id": new_id(), "heard": (Heard.EXHAUST, Heard.CRANKCASE)})
        played.hub.take(BENCH, "decay", told.model_dump_json().encode())
        await expect(last).to_contain_text("Air heard at the exhaust and in the crankcase")
        await page.get_by_role("button", name="Where the air of the crankcase goes").click()
        await expect(dialog.get_by_role("checkbox")).to_have_count(0)
        await dialog.get_by_label("In words").fill("left crank seal")
        await keep.click()
        await expect(dialog).to_be_hidden()
    sent = [(one.action, one.decay_id, one.heard, one.note) for _, one in played.reader.asked]
    assert sent == [
        ("leak_found", of_cylinder.decay_id, (Heard.EXHAUST, Heard.CRANKCASE), None),
        ("leak_found", of_case.decay_id, (), "left crank seal"),
    ]


async def test_a_number_with_a_comma_is_what_was_typed_and_nothing_else_is_taken_for_one() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        await page.get_by_role("button", name="MAG, differential…").click()
        supply, go = dialog.locator("#leak-supply"), dialog.get_by_role("button", name="Begin the differential test")
        for wrong in ("1.000,5", "5-5", "80 psi", "0", "101"):
            await supply.fill(wrong)
            await go.click()
            await expect(supply).to_be_focused()
        assert played.reader.asked == []
        await supply.fill("")
        await page.keyboard.type("5,5")
        await go.click()
        await expect(dialog).to_be_hidden()
    ((_, sent),) = played.reader.asked
    assert sent.leak is not None
    assert sent.leak.supply_kpa == pytest.approx(5.5 * PressureUnit.PSI.kpa)


async def test_a_leak_test_of_any_part_asks_how_much_it_may_be_given() -> None:
    played = Played(machines=(TRIPLE.model_copy(update={"cycle": 4}),))
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await page.locator("#to-leak").click()
        dialog = page.get_by_role("dialog")
        go = dialog.get_by_role("button", name="Begin the leak test")
        await page.get_by_role("button", name="Cooling system…").click()
        await expect(dialog).to_contain_text("the cooling system is sealed, pumped up and shut off")
        assert await grave_faults(page) == []
        await dialog.locator("#leak-pump").fill("13")
        await dialog.locator("#leak-highest").fill("15,5")
        await go.click()
        await expect(dialog).to_be_hidden()
        await page.get_by_role("button", name="Another part…").click()
        await go.click()
        await expect(dialog.locator("#leak-part")).to_be_focused()
        await dialog.locator("#leak-part").fill("reed cage 2")
        await go.click()
        await expect(dialog).to_be_hidden()
    psi = PressureUnit.PSI.kpa
    cooling, reed = [sent.leak for _, sent in played.reader.asked]
    assert cooling is not None
    assert (cooling.part, cooling.test_kpa, cooling.highest_kpa) == (
        "cooling system", pytest.approx(13.0 * psi), pytest.approx(15.5 * psi),
    )  # fmt: skip
    # What is left as it is shown is the usual practice for a crankcase, the least of all: 6 and 7 psi.
    assert reed is not None
    assert (reed.part, reed.test_kpa, reed.highest_kpa) == (
        "reed cage 2", pytest.approx(6.0 * psi), pytest.approx(7.0 * psi),
    )  # fmt: skip


async def test_a_shop_that_reads_in_bar_does_so_before_any_test_was_begun() -> None:
    played = Played()
    played.hub.broker(True)
    played.hub.take(BENCH, "availability", b"online")
    played.hub.take(BENCH, f"gauge/{GAUGE}/state", gauge(unit="bar"))
    played.hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(9.0, [250.0] * 20))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator(".now")).to_have_text("2.50 bar")
        await page.locator("#to-leak").click()
        await page.get_by_role("button", name="Crankcase…").click()
        await expect(page.get_by_role("dialog")).to_contain_text("pumped to 0.414 bar, never over 0.480 bar")
