"""The page's colours, measured: WCAG 2.2, 1.4.3 (text, 4.5 to 1) and 1.4.11 (what is drawn, 3 to 1), light and dark."""

import re
from itertools import product

import pytest
from playwright.async_api import expect

from gaugelink.broker.messages import CylinderStatus, Urgency
from gaugelink.dashboard.page import STATIC
from gaugelink.verdict.findings import VerdictWord
from tests.dashboard.chromium import chromium, opened, played_page
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH, in_full_swing, settled

TEXT = ("ink", "faint", "good", "watch", "bad", "again")
GROUNDS = ("paper", "panel", "old", "band", "metal-light")
DRAWN = ("metal", "band-edge", "good", "bad", *(f"line-{number}" for number in range(1, 7)))
DARK = ':root[data-theme="dark"]'


def colours(look: str) -> dict[str, str]:
    """The colours of light or dark, as the style sheet has them."""
    sheet = (STATIC / "look.css").read_text(encoding="utf-8")
    begin = sheet.index(DARK) if look == "dark" else 0
    return dict(re.findall(r"--([\w-]+):\s*#([0-9a-f]{6})\b", sheet[begin : sheet.index("}", begin)]))


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, glossary)."""
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, glossary)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_black_on_white_is_the_greatest_contrast() -> None:
    # WCAG 2.2, glossary: contrast ratios range from 1 to 21; #767676 is the lightest grey for text on white.
    assert ratio("000000", "ffffff") == pytest.approx(21.0)
    assert ratio("767676", "ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("look", ["light", "dark"])
def test_every_word_and_every_line_stands_off_from_what_is_behind_it(look: str) -> None:
    shown = colours(look)
    pale = {(text, ground): ratio(shown[text], shown[ground]) for text, ground in product(TEXT, GROUNDS)}
    assert {pair: found for pair, found in pale.items() if found < 4.5} == {}
    assert ratio(shown["press"], shown["press-ink"]) >= 4.5
    faint = {line: ratio(shown[line], shown["paper"]) for line in DRAWN}
    assert {line: found for line, found in faint.items() if found < 3.0} == {}
    assert ratio(shown["band-edge"], shown["band"]) >= 3.0


async def test_no_state_is_told_by_colour_alone() -> None:
    played = Played()
    in_full_swing(played.hub)
    groups = (tuple(CylinderStatus), (*Urgency, "ask"), tuple(VerdictWord))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await expect(page.locator("#cylinders li")).to_have_count(3)
        for group in groups:
            drawn = await page.evaluate(
                "async (names) => { const { sign } = await import('/static/dom.js');"
                " return names.map((name) => sign(name).innerHTML); }",
                [str(name) for name in group],
            )
            assert len(set(drawn)) == len(group)


async def test_with_colours_of_somebodys_own_the_open_view_and_the_next_press_still_stand_out() -> None:
    played = Played()
    in_full_swing(played.hub)
    played.hub.take(BENCH, "test", settled(revision=2))
    async with chromium() as browser, played_page(played) as address, opened(browser, address) as page:
        await page.emulate_media(forced_colors="active")
        await expect(page.locator("#do-finish")).to_be_visible()
        lines = await page.locator("nav a").evaluate_all(
            "(all) => all.map((one) => getComputedStyle(one).borderBottomColor)"
        )
        ground = await page.locator("body").evaluate("(one) => getComputedStyle(one).backgroundColor")
        assert [line == ground for line in lines] == [False, True, True]
        widths = [
            await page.locator(f"#do-{name}").evaluate("(one) => parseFloat(getComputedStyle(one).borderTopWidth)")
            for name in ("finish", "begin")
        ]
        assert widths[0] > widths[1]
