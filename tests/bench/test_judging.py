"""What a test makes of a pull beside the others, and what is said of gauges and cranking while it is measured."""

import pytest

from gaugelink.bench.assign import TestBench
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import CommandKind, Phase, Status
from gaugelink.peak.events import Flag


@pytest.mark.parametrize("flag", [Flag.STILL_RISING, Flag.OVER_RANGE, Flag.SHORT_RECORD])
def test_how_high_a_pull_came_whose_top_was_not_seen_says_nothing_of_where_the_gauge_was(floor, flag: Flag) -> None:
    whole, short = [], []
    for peak_kpa in (930.0, 600.0):
        for flags, seen in (((), whole), ((flag,), short)):
            shop = floor(3)
            shop.pull(930.0, 20.0)
            shop.pull(929.0, 6.0)
            seen.append(shop.pull(peak_kpa, 11.0, flags=flags).candidates)
    assert short[0] == short[1]
    assert whole[0] != whole[1]


def test_a_struck_pull_says_nothing_of_the_pressure_of_its_cylinder(floor) -> None:
    shares = []
    for struck_kpa in (950.0, 1100.0):
        shop = floor(3)
        first = shop.pull(struck_kpa, 20.0)
        shop.command(CommandKind.STRIKE, event=first.event_id)
        shares.append(shop.pull(900.0, 11.0).candidates)
    assert shares[0] == shares[1]


@pytest.mark.parametrize(("after_s", "learnt"), [(118.0, 1), (119.5, 0)])
def test_a_pause_of_minutes_is_no_habit_of_the_mechanic(floor, after_s: float, learnt: int) -> None:
    # From the end of one pull, decided 1.2 s after it, to the beginning of the next; two minutes is the longest.
    shop = floor(3)
    for wait_s, cylinder in ((20.0, "PTO"), (after_s, "middle")):
        got = shop.pull(930.0, wait_s)
        shop.command(CommandKind.ASSIGN, event=got.event_id, cylinder=cylinder)
    habits = shop.bench.habits()
    assert (habits.stays, habits.moves) == (0, learnt)


def test_whoever_cranks_before_the_cautions_are_acknowledged_hears_of_it_as_cranking_begins(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    shop.take(shop.bench.opened("red", shop.now_s + 5.0))
    assert shop.said is PromptKey.ACKNOWLEDGE_FIRST


@pytest.mark.parametrize("cranked_by", ["cord", None])
def test_whoever_pulls_a_cord_is_not_told_to_keep_cranking(floor, cranked_by: str | None) -> None:
    shop = floor(3, conditions={"cranked_by": cranked_by})
    count = len(shop.prompts)
    shop.take(shop.bench.opened("red", shop.now_s))
    for level in (300.0, 500.0, 650.0, 740.0, 790.0, 815.0, 820.0, 822.0):
        shop.now_s += 0.3
        shop.take(shop.bench.stroke("red", level, shop.now_s))
    assert len(shop.prompts) == count


def test_a_test_that_was_given_up_is_said_to_be_given_up(two_pulls) -> None:
    two_pulls.command(CommandKind.ABANDON)
    assert (two_pulls.state.phase, two_pulls.said) == (Phase.ABANDONED, PromptKey.ABANDONED)


@pytest.mark.parametrize("kind", [CommandKind.ASSIGN, CommandKind.SKIP, CommandKind.REDO])
def test_a_cylinder_that_the_engine_does_not_have_is_refused(two_pulls, kind: CommandKind) -> None:
    stood = two_pulls.state
    answer = two_pulls.command(kind, event="e1" if kind is CommandKind.ASSIGN else None, cylinder="4")
    assert not answer.ok
    assert "4" in answer.text
    assert two_pulls.state.readings == stood.readings


@pytest.mark.parametrize("down_before_s", [None, 30.0])
def test_the_time_a_service_was_away_is_time_the_gauge_was_not_heard_and_counts_once(two_pulls, down_before_s) -> None:
    shop = two_pulls
    if down_before_s is not None:
        shop.take(shop.bench.link("red", False, shop.now_s))
        shop.now_s += down_before_s
        shop.take(shop.bench.tick(shop.now_s))
    again = TestBench.restore(shop.bench.snapshot(), 5.0, away_s=600.0)
    again.link("red", True, 5.0)
    tracks = again.snapshot()["tracks"]
    assert isinstance(tracks, dict)
    assert tracks["red"]["lost_s"] == pytest.approx(600.0 + (down_before_s or 0.0))


def test_a_gauge_that_was_not_heard_is_asked_for_and_once_it_is_the_first_pull_is(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s, absent=frozenset({"red"})))
    shop.command(CommandKind.ACKNOWLEDGE)
    assert shop.said is not PromptKey.BEGIN_PLACE
    shop.take(shop.bench.link("red", True, shop.now_s + 9.0))
    assert shop.said is PromptKey.BEGIN_PLACE
    assert shop.pull(930.0, 20.0).status is Status.GIVEN


def test_a_pull_is_not_compared_with_one_whose_top_was_not_seen(floor) -> None:
    shop = floor(3)
    shop.pull(700.0, 20.0, flags=(Flag.STILL_RISING,))
    shop.pull(930.0, 6.0)
    assert shop.state.readings[-1].cylinder == "PTO"
    assert shop.said not in (PromptKey.OVER, PromptKey.UNDER)
