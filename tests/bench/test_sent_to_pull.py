"""Nobody is sent to pull while air is on or the gauge is away, whichever sentence comes first in what is said."""

from collections.abc import Callable

import pytest

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import CommandKind
from tests.bench.conftest import Floor


def taken_back(shop: Floor) -> None:
    shop.command(CommandKind.STRIKE)
    shop.command(CommandKind.TAKE_BACK)


def returned_to(shop: Floor) -> None:
    shop.command(CommandKind.SKIP, cylinder="middle")
    shop.command(CommandKind.RETURN, cylinder="middle")


def left_alone(shop: Floor) -> None:
    shop.command(CommandKind.STRIKE, key="x")
    shop.wait(10.0)


SAID = [
    (taken_back, PromptKey.BACK_ONE, "counts again"),
    (returned_to, PromptKey.UNSKIPPED, "is no longer skipped"),
    (left_alone, PromptKey.KEPT, "Nothing was changed"),
]


@pytest.mark.parametrize(("what", "key", "words"), SAID)
def test_what_is_changed_by_hand_says_where_to_pull_next(
    floor: Callable[..., Floor], what: Callable[[Floor], None], key: PromptKey, words: str
) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    what(shop)
    assert shop.said is key
    assert words in shop.prompts[-1].text
    assert shop.prompts[-1].text.endswith("Pull when ready.")


@pytest.mark.parametrize("what", [what for what, _, _ in SAID])
def test_under_air_it_says_that_the_leak_test_comes_first(
    floor: Callable[..., Floor], what: Callable[[Floor], None]
) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.bench.leak_down(True)
    before = len(shop.prompts)
    what(shop)
    assert shop.said is PromptKey.LEAK_FIRST
    assert not any("Pull when ready" in one.text or "Next pull" in one.text for one in shop.prompts[before:])


@pytest.mark.parametrize(("what", "key"), [(what, key) for what, key, _ in SAID])
def test_without_the_gauge_it_says_last_to_wait_for_it(
    floor: Callable[..., Floor], what: Callable[[Floor], None], key: PromptKey
) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.take(shop.bench.link("red", False, shop.now_s))
    shop.wait(5.0)
    what(shop)
    assert [one.key for one in shop.prompts[-2:]] == [key, PromptKey.LINK_LOST]
