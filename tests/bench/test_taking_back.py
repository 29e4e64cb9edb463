"""What a person did is taken back: one step at a time, the whole of it, and the prompt says where the test then is."""

from random import Random

import pytest

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import CommandKind, Phase, Status


def two_pulls(floor):
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(929.0, 6.0)
    return shop


def stands(shop):
    """Everything that an undo has to bring back."""
    state, bench = shop.state, shop.bench.snapshot()
    readings = [(one.event_id, one.status, one.cylinder) for one in state.readings]
    return readings, state.phase, state.current, bench["skipped"], bench["wished"], bench["gauges"]


def test_giving_up_before_the_cautions_is_taken_back_to_the_cautions(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    cautions = [one.key for one in shop.prompts]
    shop.command(CommandKind.ABANDON)
    count = len(shop.prompts)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.phase is Phase.CAUTIONS
    assert [one.key for one in shop.prompts[count:]] == cautions


def test_a_change_that_was_taken_back_by_itself_is_no_step_of_the_next_undo(floor) -> None:
    shop = two_pulls(floor)
    last = shop.state.readings[-1].event_id
    shop.command(CommandKind.SKIP)
    shop.command(CommandKind.STRIKE, event=last)
    shop.command(CommandKind.TAKE_BACK, event=last)
    assert shop.state.current == ("MAG",)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.current == ("middle",)


def test_one_reading_of_a_redo_that_is_taken_back_by_itself_leaves_the_rest_to_the_undo(floor) -> None:
    shop = two_pulls(floor)
    first, last = (one.event_id for one in shop.state.readings)
    shop.command(CommandKind.REDO)
    shop.command(CommandKind.TAKE_BACK, event=first)
    assert [one.status for one in shop.state.readings] == [Status.GIVEN, Status.STRUCK]
    shop.command(CommandKind.TAKE_BACK)
    assert shop.reading(last).status is Status.GIVEN


@pytest.mark.parametrize("seed", range(40))
def test_an_undo_brings_back_what_the_evidence_changed_because_of_the_deed(floor, seed: int) -> None:
    rng = Random(seed)
    shop = floor(3)
    for _ in range(rng.randrange(3, 9)):
        shop.pull(rng.choice((930.0, 905.0, 880.0)) * rng.gauss(1.0, 0.004), rng.choice((6.0, 14.0, 25.0)))
    for _ in range(3):
        # Weighs everything anew and changes nothing by itself: whatever the evidence still wants to change it does now.
        shop.command(CommandKind.ACKNOWLEDGE)
    held = [one for one in shop.state.readings if one.status is Status.HELD]
    before = stands(shop)
    name = rng.choice(shop.state.plan.cylinders)
    if held:
        assert shop.command(CommandKind.ANSWER, event=rng.choice(held).event_id, cylinder=name).ok
    else:
        assert shop.command(CommandKind.ASSIGN, event=rng.choice(shop.state.readings).event_id, cylinder=name).ok
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert stands(shop) == before


def test_a_refused_command_leaves_the_key_that_is_waited_for(floor) -> None:
    shop = two_pulls(floor)
    shop.command(CommandKind.REDO, key="r")
    assert not shop.command(CommandKind.RETURN, cylinder="MAG").ok
    assert shop.said is PromptKey.SURE_STRIKE_MANY
    shop.wait(8.0)
    assert shop.said is PromptKey.KEPT
