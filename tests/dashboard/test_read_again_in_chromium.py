"""What the page says and offers where readings are to be taken again, or were not seen to their tops."""

import pytest
from playwright.async_api import expect

from gaugelink.broker.commands import CommandAction
from gaugelink.broker.messages import FindingPart, TestState
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import Severity, VerdictWord
from tests.dashboard.chromium import PHONE, chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, settled

READ_AGAIN = FindingPart(
    rule="doubted", severity=Severity.RETEST, text="middle rose to the end.", cylinders=("middle",)
)


async def test_a_test_whose_readings_ask_to_be_taken_again_is_not_called_settled() -> None:
    played = Played()
    in_full_swing(played.hub)
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        for revision, word, line in ((2, "retest", "read middle again."), (3, "consistent", "All settled")):
            said = TestState.model_validate_json(settled(revision=revision))
            told = said.model_copy(update={"verdict": VerdictWord(word), "findings": (READ_AGAIN,)})
            played.hub.take(BENCH, "test", told.model_dump_json().encode())
            await expect(page.locator("#next")).to_contain_text(line)


async def test_what_is_to_be_read_again_is_the_press_to_make_next_and_not_the_end_of_the_test() -> None:
    played = Played()
    in_full_swing(played.hub)
    asked = TestState.model_validate_json(settled(revision=2))
    asked = asked.model_copy(update={"verdict": VerdictWord.RETEST, "findings": (READ_AGAIN,)})
    played.hub.take(BENCH, "test", asked.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address, PHONE) as page:
        await expect(page.locator("#actions button.main:visible")).to_have_text("Redo middle")
        await expect(page.locator("#actions button:visible")).to_have_text(["Redo middle", "Finish", "More"])
        await page.locator("#do-redo").click()
        await expect(page.locator("#result")).to_have_text("Done: redo heard.")
        assert [(one.action, one.cylinder) for _, one in played.reader.asked] == [(CommandAction.REDO, "middle")]


async def test_a_wet_test_that_asks_for_a_dry_one_sends_nobody_to_read_its_cylinders_again() -> None:
    played = Played()
    in_full_swing(played.hub)
    text = "These are wet readings, held against no dry test: what the oil did cannot be told."
    no_dry = FindingPart(rule="wet_dry", severity=Severity.RETEST, text=text, cylinders=("PTO", "middle", "MAG"))
    told = TestState.model_validate_json(settled(revision=2))
    told = told.model_copy(update={"verdict": VerdictWord.RETEST, "findings": (no_dry,)})
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#next")).to_have_text("Every cylinder was read: finish, then see what would tell.")
        await expect(page.locator("#actions button.main:visible")).to_have_text("Finish")


@pytest.mark.parametrize(
    ("cut", "bound"), [(("middle",), "at most "), (("PTO",), "at least "), (("PTO", "middle"), "")]
)
async def test_a_spread_of_which_an_end_was_not_seen_to_its_top_is_told_as_such(
    cut: tuple[str, ...], bound: str
) -> None:
    played = Played()
    in_full_swing(played.hub)
    told = TestState.model_validate_json(settled(revision=2))
    rising = {"flags": (Flag.STILL_RISING,)}
    cylinders = tuple(
        one.model_copy(update={"readings": tuple(r.model_copy(update=rising) for r in one.readings)})
        if one.name in cut
        else one.model_copy(update={"pressure_kpa": 920.0 if one.name == "MAG" else one.pressure_kpa})
        for one in told.cylinders
    )
    played.hub.take(BENCH, "test", told.model_copy(update={"cylinders": cylinders}).model_dump_json().encode())
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        # 170 and 12 kPa by NIST SP 811, appendix B.8.
        await expect(page.locator("#spread")).to_have_text(f"Spread {bound}24.7 ± 1.7 psi, 18.3 % of the highest")
