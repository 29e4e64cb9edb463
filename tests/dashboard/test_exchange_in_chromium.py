"""Two cylinders that look mixed up are exchanged by one press, whatever they and the others are called."""

import pytest
from playwright.async_api import expect

from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.messages import CylinderPart, TestState
from gaugelink.engine.units import PressureUnit
from tests.dashboard.chromium import chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, prompt, state

SIDES = ("PTO", "middle", "MAG")
TWELVE = tuple(str(number) for number in range(1, 13))
BANKS = ("left", "left 1", "right", "right 1")


@pytest.mark.parametrize(
    ("names", "mixed_up"),
    [(SIDES, ("PTO", "MAG")), (SIDES, ("middle", "MAG")), (TWELVE, ("1", "12")), (BANKS, ("left 1", "right"))],
    ids=["sides", "a small letter that begins the sentence", "a number in a number", "a name in a name"],
)
async def test_the_two_that_are_named_are_exchanged(names: tuple[str, ...], mixed_up: tuple[str, str]) -> None:
    cylinders = tuple(CylinderPart(name=name, place=place) for place, name in enumerate(names, start=1))
    told = TestState.model_validate_json(state(revision=2)).model_copy(update={"cylinders": cylinders})
    first, second = mixed_up
    asked = Prompter(PressureUnit.PSI, ENGLISH).say(PromptKey.ASK_EXCHANGED, first=first, second=second).text
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", told.model_dump_json().encode())
    played.hub.take(BENCH, "prompt", prompt(asked, 9.0, "ask_exchanged"))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#questions")).to_contain_text(f"Are {first} and {second} exchanged?")
        await page.get_by_role("button", name="Exchange them").click()
        await expect(page.locator("#result")).to_have_text("Done: exchange heard.")
    assert [(command.cylinder, command.other) for _, command in played.reader.asked] == [mixed_up]
