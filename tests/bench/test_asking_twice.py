"""A key that strikes or closes is pressed by mistake: it is asked for once more, with what would be lost."""

import pytest

from gaugelink.bench.reading import CommandKind, Phase, Status


def test_a_key_that_strikes_says_what_would_be_lost_and_acts_when_it_is_pressed_once_more(two_pulls) -> None:
    shop = two_pulls
    before = shop.state.readings
    assert not shop.command(CommandKind.REDO, key="r").ok
    assert shop.prompts[-1].text == "Press r again to strike 2 pulls of PTO."
    assert shop.prompts[-1].urgent
    assert shop.state.readings == before
    shop.now_s += 2.0
    assert shop.command(CommandKind.REDO, key="r").ok
    assert {one.status for one in shop.state.readings} == {Status.STRUCK}


@pytest.mark.parametrize(
    ("kind", "asked"),
    [
        (CommandKind.STRIKE, "Press k again to strike 135 psi of PTO."),
        (CommandKind.FINISH, "Press k again to close the test. Not settled: middle and MAG."),
    ],
)
def test_each_key_that_strikes_or_closes_is_asked_for_twice(two_pulls, kind, asked) -> None:
    shop = two_pulls
    shop.command(kind, key="k")
    assert shop.prompts[-1].text == asked
    assert shop.state.phase is Phase.MEASURING
    shop.now_s += 2.0
    assert shop.command(kind, key="k").ok


def test_what_is_asked_for_without_a_key_is_done_at_once(two_pulls) -> None:
    shop = two_pulls
    assert shop.command(CommandKind.STRIKE).ok
    assert shop.command(CommandKind.REDO).ok
    assert shop.command(CommandKind.FINISH).ok


def test_a_key_that_would_lose_nothing_acts_at_once(floor) -> None:
    shop = floor(3)
    assert shop.command(CommandKind.REDO, key="r").ok
    assert shop.command(CommandKind.SKIP, key="n").ok


def test_a_key_that_is_held_down_has_not_been_pressed_again(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.REDO, key="r")
    shop.now_s += 0.5
    for _ in range(60):
        assert shop.command(CommandKind.REDO, key="r").text == "Let go of r first, then press it again."
        shop.now_s += 0.03
    shop.now_s += 1.0
    assert shop.command(CommandKind.REDO, key="r").ok


def test_a_key_that_comes_too_late_is_asked_for_anew_and_the_test_says_that_nothing_was_changed(two_pulls) -> None:
    shop = two_pulls
    before = shop.state.readings
    shop.command(CommandKind.REDO, key="r")
    shop.wait(8.0)
    assert shop.prompts[-1].text == "Nothing was changed. Move the gauge to middle. Pull when ready."
    assert shop.prompts[-1].cylinders == ("middle",)
    assert not shop.command(CommandKind.REDO, key="r").ok
    assert shop.state.readings == before
    count = len(shop.prompts)
    shop.now_s += 2.0
    shop.command(CommandKind.SKIP, key="n")
    assert not shop.command(CommandKind.REDO, key="r").ok
    assert len(shop.prompts) == count + 2


def test_another_key_or_another_pull_in_between_asks_anew(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.FINISH, key="f")
    shop.now_s += 2.0
    assert not shop.command(CommandKind.REDO, key="r").ok
    shop.now_s += 2.0
    assert not shop.command(CommandKind.FINISH, key="f").ok
    shop.pull(928.0, 0.5)
    assert not shop.command(CommandKind.FINISH, key="f").ok
