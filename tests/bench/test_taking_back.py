"""What a person did is taken back: one step at a time, the whole of it, and the prompt says where the test then is."""

from random import Random

import pytest

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import CommandKind, Phase, Status


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


def test_a_change_that_was_taken_back_by_itself_is_no_step_of_the_next_undo(two_pulls) -> None:
    shop = two_pulls
    last = shop.state.readings[-1].event_id
    shop.command(CommandKind.SKIP)
    shop.command(CommandKind.STRIKE, event=last)
    shop.command(CommandKind.TAKE_BACK, event=last)
    assert shop.state.current == ("MAG",)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.current == ("middle",)


def test_one_reading_of_a_redo_that_is_taken_back_by_itself_leaves_the_rest_to_the_undo(two_pulls) -> None:
    shop = two_pulls
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


def test_a_refused_command_leaves_the_key_that_is_waited_for(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.REDO, key="r")
    assert not shop.command(CommandKind.RETURN, cylinder="MAG").ok
    assert shop.said is PromptKey.SURE_STRIKE_MANY
    shop.wait(8.0)
    assert shop.said is PromptKey.KEPT


def test_taking_back_a_change_gives_the_reading_back_to_the_evidence(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(928.0, 6.0)
    shop.command(CommandKind.ASSIGN, event="e3", cylinder="MAG")
    shop.command(CommandKind.TAKE_BACK)
    assert shop.reading("e3").status is Status.GIVEN
    assert shop.state.current == ("middle",)


def test_one_undo_takes_back_the_whole_of_a_redo_and_says_what_came_back(two_pulls) -> None:
    shop = two_pulls
    before = shop.state.cylinders
    shop.command(CommandKind.REDO)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.cylinders == before
    assert shop.prompts[-1].text == "2 pulls of PTO count again. Move the gauge to middle. Pull when ready."
    assert shop.prompts[-1].spoken.startswith("Two pulls of P T O count again.")
    assert not shop.command(CommandKind.TAKE_BACK).ok


def test_an_undo_opens_a_closed_test_again(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.FINISH)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.phase is Phase.MEASURING
    assert shop.prompts[-1].text == "The test is open again. Move the gauge to middle. Pull when ready."


@pytest.mark.parametrize("closes", [CommandKind.FINISH, CommandKind.ABANDON])
@pytest.mark.parametrize("skipped", [False, True], ids=["read", "skipped"])
def test_a_settled_test_that_is_opened_again_is_not_said_to_be_done_or_closed(
    floor, closes: CommandKind, skipped: bool
) -> None:
    shop = floor(1)
    if skipped:
        shop.command(CommandKind.SKIP)
    else:
        shop.pull(930.0, 20.0)
        shop.pull(929.0, 6.0)
    shop.command(closes)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text == "The test is open again. Nothing is left to measure."


def test_a_finished_test_can_be_given_up_and_counts_again_when_that_is_taken_back(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.FINISH)
    readings = shop.state.readings
    assert shop.command(CommandKind.ABANDON).ok
    assert (shop.state.phase, shop.prompts[-1].key) == (Phase.ABANDONED, PromptKey.ABANDONED)
    assert shop.command(CommandKind.ABANDON).text == "The test of this machine was abandoned already."
    assert not shop.command(CommandKind.FINISH).ok
    assert shop.state.readings == readings
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.phase is Phase.FINISHED
    assert shop.prompts[-1].text == "The test counts again. Test done: PTO, 135 psi. Not settled: middle and MAG."
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.state.phase is Phase.MEASURING
    assert shop.prompts[-1].text == "The test is open again. Move the gauge to middle. Pull when ready."


def test_changes_are_taken_back_one_after_the_other_the_last_one_first(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.SKIP)
    shop.command(CommandKind.EXCHANGE, cylinder="PTO", other="MAG")
    shop.command(CommandKind.STRIKE)
    said = []
    for _ in range(3):
        assert shop.command(CommandKind.TAKE_BACK).ok
        said.append(shop.prompts[-1].text.split(".")[0])
    assert said == ["135 psi of MAG counts again", "PTO and MAG are exchanged back", "Middle is no longer skipped"]
    assert [one.cylinder for one in shop.state.readings] == ["PTO", "PTO"]
    assert shop.state.current == ("middle",)


def test_a_move_and_an_answer_are_taken_back_with_their_cylinder(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.ASSIGN, cylinder="MAG")
    shop.command(CommandKind.TAKE_BACK)
    assert shop.prompts[-1].text.startswith("135 psi is back on PTO.")
    assert shop.pull(929.0, 14.0).status is Status.HELD
    shop.command(CommandKind.ANSWER, cylinder="MAG")
    shop.command(CommandKind.TAKE_BACK)
    assert shop.prompts[-1].text.startswith("135 psi is on no cylinder again.")


def test_what_can_be_taken_back_and_a_key_that_is_waited_for_outlast_a_restart(two_pulls) -> None:
    shop = two_pulls
    shop.command(CommandKind.REDO)
    shop.command(CommandKind.FINISH, key="f")
    shop.bench = type(shop.bench).restore(shop.bench.snapshot(), shop.now_s)
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert {one.status for one in shop.state.readings} == {Status.GIVEN}


def test_whoever_asks_from_elsewhere_is_told_what_it_was_that_changed(two_pulls) -> None:
    """The mechanic goes on while somebody types: the last reading need not be the one that was thought of."""
    shop = two_pulls
    first = shop.state.readings[0].event_id
    asked = [
        (CommandKind.ASSIGN, {"cylinder": "MAG"}, "Pull 2 is on MAG."),
        (CommandKind.STRIKE, {}, "Struck out: pull 2 of MAG."),
        (CommandKind.STRIKE, {"event": first}, "Struck out: pull 1 of PTO."),
        (CommandKind.TAKE_BACK, {"event": first}, "Taken back: the last change of pull 1."),
        (CommandKind.TAKE_BACK, {}, "Taken back: strike."),
        (CommandKind.REDO, {"cylinder": "PTO"}, "PTO is measured again."),
        (CommandKind.TAKE_BACK, {}, "Taken back: redo PTO."),
    ]
    assert [shop.command(kind, **what).text for kind, what, _ in asked] == [said for *_, said in asked]


def test_whoever_takes_back_a_pull_that_the_test_does_not_have_is_told_so(two_pulls) -> None:
    before = stands(two_pulls)
    answer = two_pulls.command(CommandKind.TAKE_BACK, event="e99")
    assert (answer.ok, answer.text) == (False, "No event e99 belongs to this test.")
    assert stands(two_pulls) == before


def test_a_reading_that_was_only_thought_surer_because_of_the_deed_is_no_reading_taken_back(two_pulls) -> None:
    shop = two_pulls
    first, last = (one.event_id for one in shop.state.readings)
    history, sure = shop.reading(first).changes, shop.reading(first).confidence
    shop.command(CommandKind.ASSIGN, event=last, cylinder="PTO")
    assert shop.reading(first).confidence != sure
    shop.command(CommandKind.TAKE_BACK)
    assert (shop.reading(first).changes, shop.reading(first).confidence) == (history, pytest.approx(sure))


def test_a_move_that_was_changed_again_since_is_not_said_to_be_taken_back(floor) -> None:
    shop = floor(3)
    event = shop.pull(930.0, 20.0).event_id
    shop.command(CommandKind.SKIP, cylinder="PTO")
    for cylinder in ("middle", "MAG"):
        shop.command(CommandKind.ASSIGN, event=event, cylinder=cylinder)
    # The last change of the pull is taken back, and that again: it is on MAG as before.
    for _ in range(2):
        shop.command(CommandKind.TAKE_BACK, event=event)
    assert shop.command(CommandKind.TAKE_BACK).text == "Taken back: skip PTO."
    assert shop.reading(event).cylinder == "MAG"
    assert not shop.command(CommandKind.TAKE_BACK).ok
