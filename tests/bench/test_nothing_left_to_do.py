"""The moments at which nothing is left to measure, or the test is closed: what is said, asked and taken there."""

from dataclasses import replace

import pytest

from gaugelink.bench.prompt_keys import ENDINGS, QUESTIONS, PromptKey
from gaugelink.bench.reading import CommandKind, Phase, Status
from gaugelink.bench.state import BenchSettings
from gaugelink.peak.events import Flag


def a_last_question_at_two_gauges(floor):
    """Four cylinders by two gauges that are moved: all are skipped but for one question about the red gauge's."""
    shop = floor(4, gauges={"1": "red", "2": "red", "3": "blue", "4": "blue"})
    shop.together({"red": 930.0, "blue": 930.0}, 20.0)
    shop.together({"red": 929.0, "blue": 929.0}, 6.0)
    held = shop.together({"red": 929.0, "blue": 930.0}, 14.0)[0]
    for name in shop.state.plan.cylinders:
        shop.command(CommandKind.SKIP, cylinder=name)
    for reading in shop.state.readings:
        if reading.status is Status.HELD and reading.event_id != held.event_id:
            shop.command(CommandKind.ANSWER, event=reading.event_id, cylinder="3")
    assert held.status is Status.HELD
    assert shop.state.phase is Phase.MEASURING
    assert shop.state.current == ()
    return shop, held


def answered_by_the_evidence(shop, held) -> None:
    """A pull whose first gauge makes the last question clear, while the other gauge has yet to report."""
    shop.bench._state.put(replace(held, status=Status.GIVEN, cylinder="1"))
    shop.pull(930.0, 1.0, gauge="red")
    assert shop.bench._state.pull is not None
    assert not shop.bench._state.questions
    assert shop.state.phase is Phase.MEASURING


def test_a_link_that_comes_back_while_the_last_pull_is_open_finds_nothing_left(floor) -> None:
    shop, held = a_last_question_at_two_gauges(floor)
    shop.take(shop.bench.link("blue", False, shop.now_s))
    shop.wait(5.0)
    answered_by_the_evidence(shop, held)
    shop.take(shop.bench.link("blue", True, shop.now_s))
    assert shop.said in ENDINGS
    shop.wait(10.0)
    assert shop.state.phase is Phase.DONE


def test_a_key_that_was_not_pressed_again_while_the_last_pull_is_open_finds_nothing_left(floor) -> None:
    shop, held = a_last_question_at_two_gauges(floor)
    shop.command(CommandKind.FINISH, key="f", again_s=2.5)
    answered_by_the_evidence(shop, held)
    shop.wait(1.0)
    assert shop.said is PromptKey.KEPT


def test_a_pull_that_the_radio_cut_where_nothing_is_left_does_not_leave_an_old_prompt_standing(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(929.0, 6.0)
    for name in ("middle", "MAG"):
        shop.command(CommandKind.SKIP, cylinder=name)
    assert shop.state.phase is Phase.DONE
    shop.command(CommandKind.STRIKE, key="x")
    assert shop.said is PromptKey.SURE_STRIKE
    assert shop.pull(700.0, 40.0, flags=(Flag.SHORT_RECORD,)).status is Status.HELD
    assert shop.state.phase is Phase.DONE
    assert shop.said in ENDINGS


def test_an_answer_is_for_the_question_that_is_open_and_not_for_a_pull_that_the_radio_cut(floor) -> None:
    shop = floor(3, settings=BenchSettings(confirm_moves=True))
    asked = shop.pull(930.0, 20.0)
    assert asked.status is Status.HELD
    shop.bench._state.put(replace(asked, asked=False))
    cut = shop.pull(930.0, 6.0, flags=(Flag.SHORT_RECORD,))
    assert cut.status is Status.HELD
    assert [one.event_id for one in shop.bench._state.questions] == [asked.event_id]
    shop.command(CommandKind.ANSWER, cylinder="PTO")
    assert shop.reading(asked.event_id).status is Status.MOVED


def test_nobody_is_asked_about_a_pull_that_the_radio_cut_and_later_pulls_put_in_doubt(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    cut = shop.pull(928.0, 6.0, flags=(Flag.SHORT_RECORD,))
    assert cut.status is Status.GIVEN
    doubted = cut.changed(replace(cut.changes[-1], status=Status.HELD, cylinder=None))
    shop.bench._state.put(replace(doubted, confidence=0.5))
    shop.bench._announcer.ask_about_doubts()
    assert shop.bench._announcer.taken(changed=False) == []


def test_cautions_are_not_acknowledged_for_a_test_that_was_given_up(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    shop.command(CommandKind.ABANDON)
    answer = shop.command(CommandKind.ACKNOWLEDGE)
    assert not answer.ok
    assert answer.text == "The test is closed: take that back to go on with it, or begin a new one."
    assert shop.state.acknowledged is None


def test_measuring_again_where_nothing_was_measured_asks_for_a_name(floor) -> None:
    shop = floor(3)
    for name in shop.state.plan.cylinders:
        shop.command(CommandKind.SKIP, cylinder=name)
    answer = shop.command(CommandKind.REDO)
    assert answer.text == "No cylinder has a reading: name the one that is to be measured."
    assert shop.command(CommandKind.REDO, cylinder="middle").ok
    assert shop.state.current == ("middle",)


def test_a_cylinder_of_a_pull_of_all_gauges_that_is_measured_again_is_pulled_with_the_others(floor) -> None:
    shop = floor(2, gauges={"PTO": "red", "MAG": "blue"})
    shop.together({"red": 930.0, "blue": 880.0}, 20.0)
    shop.command(CommandKind.REDO, cylinder="PTO")
    assert shop.said is PromptKey.REDO
    assert shop.prompts[-1].cylinders == shop.state.current == ("PTO", "MAG")
    assert shop.said not in QUESTIONS


@pytest.fixture
def all_but_one_question(two_pulls):
    """Nothing is left to be measured, and a pull that may have been on either of two cylinders."""
    shop = two_pulls
    assert shop.pull(929.0, 14.0).status is Status.HELD
    shop.command(CommandKind.SKIP)
    shop.command(CommandKind.SKIP)
    return shop


def test_a_test_with_an_open_question_is_not_done_and_asks_it(all_but_one_question) -> None:
    shop = all_but_one_question
    assert shop.state.phase is Phase.MEASURING
    assert [one.key for one in shop.prompts[-2:]] == [PromptKey.QUESTION_LEFT, PromptKey.ASK_PULL]
    assert shop.prompts[-1].text == "Not sure about pull 3, 135 psi. Was that middle or PTO?"
    assert shop.prompts[-1].spoken.startswith("Not sure about pull three, one hundred")
    shop.command(CommandKind.ANSWER, cylinder="PTO")
    assert shop.state.phase is Phase.DONE
    # Who only hears has to be told that this was the last thing.
    assert shop.said is PromptKey.DONE_ONE
    assert shop.prompts[-1].text.startswith("135 psi is now on PTO. Test done: PTO, 135 psi.")


def test_who_strikes_the_last_question_hears_that_the_test_is_done(all_but_one_question) -> None:
    shop = all_but_one_question
    shop.command(CommandKind.STRIKE)
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text.startswith("135 psi is struck out. Test done: PTO, 135 psi.")


def test_a_question_that_is_left_is_asked_again_after_a_while_and_after_a_lost_link(all_but_one_question) -> None:
    shop = all_but_one_question
    count = len(shop.prompts)
    shop.wait(95.0)
    assert [one.key for one in shop.prompts[count:]] == [PromptKey.ASK_PULL]
    shop.take(shop.bench.link("red", False, shop.now_s))
    shop.wait(5.0)
    shop.take(shop.bench.link("red", True, shop.now_s))
    assert shop.said is PromptKey.ASK_PULL


def test_closing_with_a_question_open_says_so_before_and_after(all_but_one_question) -> None:
    shop = all_but_one_question
    shop.command(CommandKind.FINISH, key="f")
    assert shop.prompts[-1].text == "Press f again to close the test. One question left."
    shop.command(CommandKind.FINISH)
    assert "Pulls on no cylinder: 1." in shop.prompts[-1].text
    assert shop.state.phase is Phase.FINISHED


def test_a_done_test_with_a_question_is_asked_it_when_the_service_comes_back(all_but_one_question) -> None:
    shop = all_but_one_question
    shop.bench = type(shop.bench).restore({**shop.bench.snapshot(), "phase": "done"}, shop.now_s)
    shop.take(shop.bench.resume(shop.now_s))
    assert shop.said is PromptKey.ASK_PULL
    assert shop.state.phase is Phase.MEASURING


def test_a_pull_after_the_last_cylinder_does_not_end_the_test_while_a_question_is_open(
    all_but_one_question,
) -> None:
    shop = all_but_one_question
    assert shop.pull(930.0, 14.0).cylinder == "PTO"
    assert shop.prompts[-2].text == "That was PTO again, 135 psi. One question left."
    assert shop.said is PromptKey.ASK_PULL
