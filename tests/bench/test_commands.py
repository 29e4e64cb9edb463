"""Commands act once, and refusals say why."""

import pytest

from gaugelink.bench.commands import CAUTIONS_FIRST
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import CommandKind, CommandResult, Phase, Status

OPENS_OR_GIVES_UP = (CommandKind.ACKNOWLEDGE, CommandKind.ABANDON)


def test_a_command_with_the_same_id_acts_once_and_gets_the_same_answer(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    first = shop.command(CommandKind.STRIKE, id="same")
    shop.pull(931.0, 6.0)
    second = shop.command(CommandKind.STRIKE, id="same")
    assert (first.ok, first.text) == (second.ok, second.text)
    assert second.repeated
    assert [one.status for one in shop.state.readings] == [Status.STRUCK, Status.GIVEN]
    assert shop.state.touches == 1


@pytest.mark.parametrize(
    ("kind", "fields", "says"),
    [
        (CommandKind.ASSIGN, {"cylinder": "middel"}, "No cylinder is called middel: this engine has PTO, middle, MAG."),
        (CommandKind.ASSIGN, {"event": "nope", "cylinder": "MAG"}, "No event nope belongs to this test."),
        (CommandKind.ASSIGN, {}, "Say which cylinder"),
        (CommandKind.STRIKE, {"event": "nope"}, "No event nope"),
        (CommandKind.ANSWER, {"cylinder": "MAG"}, "No reading is held"),
        (CommandKind.TAKE_BACK, {}, "nothing to take back"),
        (CommandKind.EXCHANGE, {"cylinder": "MAG"}, "two different cylinders"),
        (CommandKind.EXCHANGE, {"cylinder": "MAG", "other": "middle"}, "Neither MAG nor middle has a reading"),
        (CommandKind.SKIP, {"cylinder": "PTO"}, "PTO is not waiting"),
    ],
)
def test_a_refused_command_says_why_and_changes_nothing(floor, kind, fields, says) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(930.0, 6.0)
    before = shop.state.readings
    answer = shop.command(kind, **fields)
    assert not answer.ok
    assert says in answer.text
    assert shop.state.readings == before
    assert shop.state.touches == 0


def test_an_exchange_counts_the_readings_that_it_moved(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    assert shop.command(CommandKind.EXCHANGE, cylinder="PTO", other="MAG").text == "PTO and MAG exchanged, 1 reading."
    shop.pull(930.0, 6.0)
    shop.pull(930.0, 6.0)
    assert shop.command(CommandKind.EXCHANGE, cylinder="PTO", other="MAG").text.endswith("exchanged, 3 readings.")


def test_every_command_gets_exactly_one_answer(floor) -> None:
    for kind in CommandKind:
        shop = floor(3)
        shop.pull(930.0, 20.0)
        count = len([one for one in shop.out if isinstance(one, CommandResult)])
        shop.command(kind)
        assert len([one for one in shop.out if isinstance(one, CommandResult)]) == count + 1


@pytest.mark.parametrize("kind", [kind for kind in CommandKind if kind not in OPENS_OR_GIVES_UP])
def test_before_the_cautions_are_acknowledged_a_command_is_refused_in_one_sentence(floor, kind) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    shop.pull(930.0, 10.0)
    before = (shop.state.readings, shop.state.cylinders, len(shop.prompts))
    answer = shop.command(kind, cylinder="PTO", other="MAG")
    assert (answer.ok, answer.text) == (False, CAUTIONS_FIRST)
    assert (shop.state.readings, shop.state.cylinders, len(shop.prompts)) == before
    shop.command(CommandKind.ACKNOWLEDGE)
    assert shop.state.phase is Phase.MEASURING
    assert not any(cylinder.skipped for cylinder in shop.state.cylinders)


def test_a_test_begun_by_mistake_is_given_up_without_acknowledging_anything(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    assert shop.command(CommandKind.ABANDON).ok
    assert shop.state.phase is Phase.ABANDONED
    assert shop.state.acknowledged is None


def test_the_end_of_a_test_names_the_cylinders_that_were_skipped(floor) -> None:
    shop = floor(3)
    shop.command(CommandKind.SKIP)
    for level in (910.0, 900.0):
        shop.screw(25.0)
        shop.pull(level, 4.0)
        shop.pull(level, 6.0)
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text == (
        "MAG, 131 psi, agreed. Test done. In order: middle 132 psi, MAG 131 psi. Skipped: PTO."
    )
    assert shop.prompts[-1].spoken.endswith("Skipped: P T O.")
    assert shop.prompts[-1].key is PromptKey.LAST_DONE
    shop.pull(900.0, 6.0)
    assert shop.prompts[-1].text == "That was MAG again, 131 psi. The test is done. Skipped: PTO."
    shop.command(CommandKind.FINISH)
    assert shop.prompts[-1].text.endswith("Skipped: PTO.")


def test_a_test_whose_last_cylinder_is_skipped_or_does_not_agree_names_the_skipped_ones(floor) -> None:
    shop = floor(2, max_tries=2)
    shop.pull(910.0, 20.0)
    shop.pull(910.0, 6.0)
    shop.command(CommandKind.SKIP)
    assert shop.prompts[-1].text == "Test done: PTO, 132 psi. Skipped: MAG."
    shop = floor(2, max_tries=2)
    shop.command(CommandKind.SKIP)
    shop.pull(930.0, 20.0)
    shop.pull(700.0, 6.0)
    assert shop.prompts[-1].text == "MAG does not agree after 2 pulls. Test done. Skipped: PTO."
    shop = floor(2)
    shop.command(CommandKind.SKIP)
    shop.command(CommandKind.SKIP)
    assert shop.prompts[-1].text == "Test closed. There are no readings. Skipped: PTO and MAG."


def test_skip_goes_on_to_the_next_cylinder(floor) -> None:
    shop = floor(3)
    assert shop.command(CommandKind.SKIP).ok
    assert shop.state.current == ("middle",)
    assert shop.said is PromptKey.SKIPPED
    assert shop.state.cylinders[0].skipped


def test_redo_strikes_a_cylinder_and_goes_back_to_it(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(929.0, 6.0)
    assert shop.state.current == ("middle",)
    assert shop.command(CommandKind.REDO).ok
    assert shop.state.current == ("PTO",)
    assert shop.said is PromptKey.REDO
    assert [one.status for one in shop.state.readings] == [Status.STRUCK, Status.STRUCK]
    shop.pull(925.0, 6.0)
    shop.pull(926.0, 6.0)
    assert shop.state.cylinders[0].value_kpa == pytest.approx(925.5)
    assert shop.state.current == ("middle",)


def test_redo_goes_to_the_cylinder_that_was_asked_for_whatever_the_order(floor) -> None:
    shop = floor(3)
    assert shop.command(CommandKind.REDO, cylinder="MAG").ok
    assert shop.state.current == ("MAG",)
    assert shop.pull(905.0, 30.0).cylinder == "MAG"
    assert shop.pull(903.0, 6.0).cylinder == "MAG"
    assert shop.state.current == ("PTO",)


def test_finish_counts_the_readings_that_are_held(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(928.0, 6.0)
    assert shop.pull(929.0, 14.0).status is Status.HELD
    assert shop.command(CommandKind.FINISH).text.endswith("Readings that are held and count nowhere: 1.")


def test_finish_closes_with_what_there_is_and_names_what_is_missing(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(929.0, 6.0)
    answer = shop.command(CommandKind.FINISH)
    assert answer.text == "Finished; not settled: middle, MAG."
    assert shop.state.phase is Phase.FINISHED
    assert not shop.command(CommandKind.FINISH).ok


def test_a_reading_can_be_put_right_after_the_test_is_closed(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.command(CommandKind.FINISH)
    assert shop.command(CommandKind.ASSIGN, event="e2", cylinder="middle").ok
    assert shop.state.phase is Phase.FINISHED
    assert shop.state.cylinders[1].value_kpa == 930.0


def test_striking_a_reading_of_a_finished_cylinder_opens_it_again(floor) -> None:
    shop = floor(2)
    for level in (930.0, 900.0):
        shop.screw(25.0)
        shop.pull(level, 4.0)
        shop.pull(level, 6.0)
    assert shop.state.phase is Phase.DONE
    shop.command(CommandKind.STRIKE, event="e2")
    assert shop.state.phase is Phase.MEASURING
    assert shop.state.current == ("PTO",)


def test_who_and_when_stay_in_the_record(floor) -> None:
    shop = floor(3)
    reading = shop.pull(930.0, 20.0)
    shop.now_s += 7.0
    shop.command(CommandKind.ASSIGN, event=reading.event_id, cylinder="MAG", by="dashboard")
    shop.now_s += 3.0
    shop.command(CommandKind.TAKE_BACK, event=reading.event_id, by="numpad")
    given, moved, back = shop.reading(reading.event_id).changes
    assert (given.by, given.cylinder) == ("bench", "PTO")
    assert (moved.by, moved.cylinder, moved.status) == ("dashboard", "MAG", Status.MOVED)
    assert (back.by, back.cylinder, back.status) == ("numpad", "PTO", Status.GIVEN)
    assert moved.at_s - given.at_s == pytest.approx(7.0)
    assert back.at_s - moved.at_s == pytest.approx(3.0)


def test_a_skipped_cylinder_is_returned_to_with_what_it_has(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.command(CommandKind.SKIP)
    assert shop.state.current == ("middle",)
    assert shop.command(CommandKind.RETURN, cylinder="PTO").ok
    assert shop.state.current == ("PTO",)
    assert shop.state.cylinders[0].tries == 1
    assert shop.prompts[-1].text == "PTO is no longer skipped. Move the gauge to PTO. Pull when ready."
    assert not shop.command(CommandKind.RETURN, cylinder="PTO").ok
    shop.command(CommandKind.TAKE_BACK)
    assert shop.prompts[-1].text.startswith("PTO is skipped again.")
    assert shop.state.cylinders[0].skipped
