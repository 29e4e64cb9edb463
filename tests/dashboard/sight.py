"""Where parts of a page are, in one look at it."""

from playwright.async_api import Page, expect

Box = tuple[float, float, float, float]
"""Left, top, right and bottom on the screen, in CSS pixels."""
LOOK = """(parts) => document.body.dataset.stale === "true" ? null : parts.flatMap((part) => {
  const drawn = [...document.querySelectorAll(part)].filter((one) => one.getClientRects().length > 0);
  if (drawn.length === 0) throw new Error(`nothing is drawn of ${part}`);
  return drawn.map((one) => one.getBoundingClientRect()).map((box) => [box.left, box.top, box.right, box.bottom]);
})"""


async def boxes(page: Page, *parts: str) -> list[Box]:
    """Where all that is drawn of these parts, by their CSS selectors, is while the page is in touch.

    On a busy machine a page is out of touch now and then, and what it says of that moves the rest: parts that were
    looked at one after the other would have been at no time where they are held against each other.
    """
    while (found := await page.evaluate(LOOK, parts)) is None:
        await expect(page.locator("body")).to_have_attribute("data-stale", "false")
    return [tuple(box) for box in found]
