"""Every mistake a mechanic makes: the reading ends on the right cylinder, or the bench asks, or it can be put right."""

from dataclasses import replace

import pytest

from gaugelink.bench.prompt_keys import QUESTIONS, PromptKey
from gaugelink.bench.reading import CommandKind, Phase, Status
from gaugelink.bench.saying import strokes_to_settle
from gaugelink.peak.events import CrankingEvent, Flag, GaugeKind, Method, Stroke
from gaugelink.peak.notices import HandlingKind


def cranking_event(start_s: float, peak_kpa: float) -> CrankingEvent:
    return CrankingEvent(GaugeKind.LIVE, start_s, start_s + 1, peak_kpa, 9.0, Method.FITTED, None, (), frozenset())


def settle_first(shop, level_kpa: float = 930.0) -> None:
    """Bring the first cylinder of a triple to agreement."""
    shop.screw(15.0)
    shop.pull(level_kpa, 5.0)
    shop.pull(level_kpa * 0.997, 6.0)
    assert shop.state.current == ("middle",)


@pytest.mark.parametrize("held", [False, True])
def test_an_extra_pull_stays_on_its_cylinder(floor, held) -> None:
    shop = floor(3, held=held)
    settle_first(shop)
    if held:
        shop.handle(HandlingKind.VENTED, 1.0)
    extra = shop.pull(928.0, 4.0)
    assert extra.cylinder == "PTO"
    assert shop.said is PromptKey.EXTRA
    assert shop.state.current == ("middle",)


def test_time_is_counted_from_bleeding_a_held_gauge(floor) -> None:
    shop = floor(3, held=True)
    settle_first(shop)
    shop.handle(HandlingKind.VENTED, 30.0)
    assert shop.pull(928.0, 4.0).cylinder == "PTO"


def test_an_extra_pull_at_the_end_does_not_open_the_test_again(floor) -> None:
    shop = floor(2)
    shop.pull(930.0, 20.0)
    shop.pull(928.0, 6.0)
    shop.screw(25.0)
    shop.pull(900.0, 4.0)
    shop.pull(902.0, 6.0)
    assert shop.state.phase is Phase.DONE
    assert shop.pull(901.0, 5.0).cylinder == "MAG"
    assert shop.said is PromptKey.EXTRA_DONE
    assert shop.state.phase is Phase.DONE


def test_a_pull_while_the_gauge_is_being_screwed_in_is_not_given_to_the_cylinder_before(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    shop.handle(HandlingKind.SCREWED, 18.0)
    loose = shop.pull(450.0, 1.0)
    assert loose.cylinder != "PTO"
    shop.handle(HandlingKind.SCREWED, 4.0)
    shop.pull(905.0, 4.0)
    shop.pull(903.0, 6.0)
    middle = shop.state.cylinders[1]
    assert middle.value_kpa == pytest.approx(904.0)
    assert loose.event_id not in middle.repeats


def test_a_pull_before_the_gauge_can_have_been_moved_that_does_not_fit_is_asked_about_or_kept(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    doubtful = shop.pull(700.0, 10.0)
    assert doubtful.status is Status.HELD
    assert shop.said in QUESTIONS


def test_two_cylinders_swapped_are_told_apart_by_an_earlier_test(floor) -> None:
    earlier = {"PTO": {"peak_kpa": 930.0}, "middle": {"peak_kpa": 940.0}, "MAG": {"peak_kpa": 760.0}}
    shop = floor(3, expected=earlier)
    settle_first(shop)
    shop.screw(22.0)
    wrong = shop.pull(762.0, 5.0)
    assert wrong.status is Status.HELD
    assert shop.said is PromptKey.ASK_WHICH
    shop.command(CommandKind.ANSWER, cylinder="MAG")
    assert shop.state.current == ("MAG",)
    assert shop.pull(764.0, 6.0).cylinder == "MAG"
    assert shop.state.current == ("middle",)


def test_without_an_earlier_test_the_voice_names_the_cylinder_and_one_word_puts_it_right(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    shop.screw(22.0)
    assert "middle" in shop.prompts[-1].text
    shop.pull(905.0, 5.0)
    assert shop.prompts[-1].args["cylinder"] == "middle"
    assert shop.command(CommandKind.ASSIGN, cylinder="MAG").ok
    assert shop.state.current == ("MAG",)
    assert shop.pull(903.0, 6.0).cylinder == "MAG"


def test_a_swap_found_at_the_end_is_put_right_by_one_exchange(floor) -> None:
    shop = floor(3)
    for level in (930.0, 890.0, 910.0):
        shop.screw(22.0)
        shop.pull(level, 5.0)
        shop.pull(level, 6.0)
    assert shop.prompts[-1].text.endswith("In order: PTO 135 psi, middle 129 psi, MAG 132 psi.")
    assert shop.command(CommandKind.EXCHANGE, cylinder="middle", other="MAG").ok
    values = {one.name: one.value_kpa for one in shop.state.cylinders}
    assert values == {"PTO": 930.0, "middle": 910.0, "MAG": 890.0}
    assert shop.state.phase is Phase.DONE


def test_a_skipped_cylinder_is_named_and_put_right(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    shop.screw(22.0)
    first, second = shop.pull(905.0, 5.0), shop.pull(903.0, 6.0)
    assert {first.cylinder, second.cylinder} == {"middle"}
    for reading in (first, second):
        shop.command(CommandKind.ASSIGN, event=reading.event_id, cylinder="MAG")
    assert shop.state.current == ("middle",)
    shop.screw(22.0)
    shop.pull(890.0, 5.0)
    shop.pull(892.0, 6.0)
    assert shop.state.phase is Phase.DONE
    assert [one.value_kpa for one in shop.state.cylinders] == pytest.approx([928.605, 891.0, 904.0])


def test_one_answer_reaches_the_pulls_beside_it(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    shop.screw(22.0)
    first, second = shop.pull(905.0, 5.0), shop.pull(903.0, 6.0)
    shop.command(CommandKind.ASSIGN, event=second.event_id, cylinder="MAG")
    beside = shop.reading(first.event_id)
    assert beside.status is Status.HELD
    assert beside.asked
    assert shop.said is PromptKey.ASK_LATER


def test_a_gauge_bled_half_way_costs_a_pull_and_nothing_else(floor) -> None:
    shop = floor(3, held=True)
    shop.screw(15.0)
    cut = shop.pull(610.0, 5.0, flags=[Flag.STILL_RISING])
    shop.handle(HandlingKind.VENTED, 0.0)
    assert cut.cylinder == "PTO"
    shop.pull(930.0, 5.0)
    shop.handle(HandlingKind.VENTED, 1.0)
    shop.pull(927.0, 5.0)
    assert shop.state.current == ("middle",)
    assert shop.state.cylinders[0].value_kpa == pytest.approx(928.5)
    assert shop.state.cylinders[0].left_out == (cut.event_id,)


def test_what_still_rises_after_all_tries_is_said_to_be_at_least_that_and_never_agreed(floor) -> None:
    shop = floor(2, held=True, max_tries=3)
    for peak_kpa, after_s in ((880.0, 20.0), (884.0, 5.0)):
        shop.pull(peak_kpa, after_s, flags=[Flag.STILL_RISING])
        shop.handle(HandlingKind.VENTED, 1.0)
        assert shop.said is PromptKey.STILL_RISING
    assert shop.prompts[-1].text == (
        "Bleed the gauge first. PTO, 128 psi, still rising. Crank longer, 8 to 10 strokes. Once more."
    )
    assert "eight to ten strokes" in shop.prompts[-1].spoken
    shop.pull(882.0, 5.0, flags=[Flag.STILL_RISING])
    assert shop.prompts[-1].text == "PTO still rises after 3 pulls: at least 128 psi. Move the gauge to MAG."
    pto = shop.state.cylinders[0]
    assert (pto.agreed, pto.value_kpa) == (False, 884.0)
    shop.screw(20.0)
    shop.pull(930.0, 5.0)
    shop.handle(HandlingKind.VENTED, 1.0)
    shop.pull(931.0, 6.0)
    assert shop.prompts[-1].text.endswith("Still rising, so at least that: PTO.")
    assert "Not agreed" not in shop.prompts[-1].text


def test_the_last_cylinder_that_still_rises_ends_the_test_with_at_least_what_it_reached(floor) -> None:
    shop = floor(1, held=True, max_tries=2)
    for _ in range(2):
        shop.pull(880.0, 20.0, flags=[Flag.STILL_RISING])
        shop.handle(HandlingKind.VENTED, 1.0)
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text == "Single still rises after 2 pulls: at least 128 psi. Test done."


@pytest.mark.parametrize("flag", [Flag.SHORT_RECORD, None])
def test_a_gauge_with_a_check_valve_is_bled_before_anything_else_is_done_again(floor, flag: Flag | None) -> None:
    for held in (True, False):
        shop = floor(3, held=held)
        shop.pull(930.0, 20.0)
        shop.handle(HandlingKind.VENTED, 1.0)
        shop.pull(700.0, 6.0, flags=[flag] if flag else [])
        assert shop.said is (PromptKey.RADIO_GAP if flag else PromptKey.UNDER)
        assert shop.prompts[-1].text.startswith("Bleed the gauge first. ") is held


@pytest.mark.parametrize(
    ("climb_per_stroke", "strokes", "asked"),
    # A share k of what is left: 0.3 % of it is left after log(0.003) / log(1 - k) strokes.
    [(0.5, 7, 9), (0.45, 7, 10), (0.3, 7, 17), (0.1, 7, 20), (0.9, 4, 8), (0.9, 11, 12), (None, 0, 8), (None, 30, 20)],
)
def test_strokes_that_are_asked_for_follow_from_the_climb(
    floor, climb_per_stroke: float | None, strokes: int, asked: int
) -> None:
    reading = floor(3).pull(880.0, 20.0)
    assert strokes_to_settle(replace(reading, climb_per_stroke=climb_per_stroke, strokes=strokes)) == asked


def test_a_reading_keeps_the_strokes_and_the_climb_of_its_pull(floor) -> None:
    shop = floor(3)
    event = replace(cranking_event(shop.now_s, 880.0), strokes=(Stroke(0.1, 500.0, 5.0),), climb_per_stroke=0.45)
    shop.take(shop.bench.event("e1", "red", event, shop.now_s + 2.0))
    assert (shop.reading("e1").strokes, shop.reading("e1").climb_per_stroke) == (1, 0.45)


def test_a_pull_that_the_radio_cut_is_not_blamed_on_who_cranked_and_counts_for_nothing(floor) -> None:
    shop = floor(3, max_tries=2)
    shop.screw(15.0)
    shop.now_s += 4.0
    shop.take(shop.bench.link("red", False, shop.now_s))
    shop.pull(400.0, 0.1, flags=[Flag.SHORT_RECORD, Flag.LOST_SAMPLES])
    assert [prompt.key for prompt in shop.prompts[-2:]] == [PromptKey.RADIO_GAP, PromptKey.LINK_LOST]
    assert shop.prompts[-2].text == "Radio gap, that pull does not count. Once more."
    shop.wait(4.0)
    assert [prompt.key for prompt in shop.prompts].count(PromptKey.LINK_LOST) == 1
    shop.take(shop.bench.link("red", True, shop.now_s))
    assert shop.said is PromptKey.LINK_BACK
    pto = shop.state.cylinders[0]
    assert (pto.tries, pto.value_kpa, pto.agreed) == (0, None, False)
    shop.pull(401.0, 5.0, flags=[Flag.SHORT_RECORD])
    assert shop.said is PromptKey.RADIO_GAP
    shop.pull(930.0, 5.0)
    shop.pull(928.0, 5.0)
    assert shop.state.current == ("middle",)
    assert shop.state.cylinders[0].value_kpa == pytest.approx(929.0)


def test_a_climb_that_ended_with_the_radio_is_the_radio_s(floor) -> None:
    """Such a record may only end when the radio is back, and then it looks like a pull that was too short."""
    shop = floor(3, held=True)
    shop.now_s += 20.0
    shop.take(shop.bench.opened("red", shop.now_s))
    shop.take(shop.bench.link("red", False, shop.now_s + 1.0))
    shop.wait(8.0)
    assert shop.said is PromptKey.LINK_LOST
    shop.take(shop.bench.link("red", True, shop.now_s))
    cut = shop.pull(735.0, 0.1, flags=[Flag.STILL_RISING, Flag.FEW_STROKES])
    assert shop.prompts[-1].text == "Bleed the gauge first. Radio gap, that pull does not count. Once more."
    assert Flag.SHORT_RECORD in cut.flags
    assert shop.state.cylinders[0].tries == 0
    shop.handle(HandlingKind.VENTED, 1.0)
    shop.take(shop.bench.opened("red", shop.now_s + 4.0))
    shop.pull(735.0, 5.0, flags=[Flag.STILL_RISING])
    assert shop.said is PromptKey.STILL_RISING


def test_a_pull_that_was_whole_counts_although_the_radio_was_lost_behind_it(floor) -> None:
    shop = floor(3)
    shop.now_s += 20.0
    shop.take(shop.bench.opened("red", shop.now_s))
    shop.take(shop.bench.link("red", False, shop.now_s + 2.0))
    shop.take(shop.bench.link("red", True, shop.now_s + 2.5))
    shop.pull(930.0, 1.0)
    assert shop.said is PromptKey.AGAIN


def test_a_pull_that_the_radio_cut_and_that_may_be_of_two_cylinders_asks_nobody(floor) -> None:
    shop = floor(3, max_tries=2)
    settle_first(shop)
    shop.wait(4.0)
    cut = shop.pull(400.0, 8.0, flags=[Flag.SHORT_RECORD])
    assert cut.status is Status.HELD
    assert shop.said is PromptKey.RADIO_GAP
    for peak_kpa in (905.0, 910.0):
        shop.screw(20.0)
        shop.pull(peak_kpa, 5.0)
        shop.pull(peak_kpa, 6.0)
    assert shop.said is PromptKey.LAST_DONE
    assert [one.tries for one in shop.state.cylinders] == [2, 2, 2]


def test_while_the_gauge_is_lost_nobody_is_sent_to_pull(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.take(shop.bench.link("red", False, shop.now_s))
    shop.wait(5.0)
    assert shop.said is PromptKey.LINK_LOST
    # Judged late: it came before the loss.
    shop.pull(500.0, 0.0)
    assert [prompt.key for prompt in shop.prompts[-2:]] == [PromptKey.UNDER, PromptKey.LINK_LOST]
    shop.command(CommandKind.SKIP)
    assert [prompt.key for prompt in shop.prompts[-2:]] == [PromptKey.SKIPPED, PromptKey.LINK_LOST]
    before = len(shop.prompts)
    shop.wait(400.0)
    assert {prompt.key for prompt in shop.prompts[before:]} == {PromptKey.LINK_LOST}
    shop.take(shop.bench.link("red", True, shop.now_s))
    assert shop.said is PromptKey.LINK_BACK


def test_a_test_abandoned_by_command_keeps_its_readings_and_takes_no_more(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    assert shop.command(CommandKind.ABANDON).ok
    assert shop.state.phase is Phase.ABANDONED
    assert len(shop.state.readings) == 2
    late = shop.bench.event("late", "red", cranking_event(shop.now_s + 28.0, 900.0), shop.now_s + 30.0)
    assert late == []


def test_of_a_test_that_was_given_up_no_reading_is_changed_before_that_is_taken_back(floor) -> None:
    shop = floor(3)
    settle_first(shop)
    shop.pull(870.0, 40.0)
    moved = shop.command(CommandKind.ASSIGN, event="e3", cylinder="MAG")
    assert moved.ok
    assert shop.command(CommandKind.ABANDON).ok
    before = shop.state.readings
    refused = "The test of this machine was given up, and its readings count nowhere: take that back to go on with them"
    for kind, details in (
        (CommandKind.ASSIGN, {"event": "e2", "cylinder": "MAG"}),
        (CommandKind.ANSWER, {"cylinder": "MAG"}),
        (CommandKind.EXCHANGE, {"cylinder": "PTO", "other": "MAG"}),
        (CommandKind.STRIKE, {}),
        (CommandKind.REDO, {"cylinder": "PTO"}),
        (CommandKind.SKIP, {}),
        (CommandKind.FINISH, {}),
        (CommandKind.TAKE_BACK, {"event": "e3"}),
    ):
        told = shop.command(kind, **details)
        assert (told.ok, told.text) == (False, f"{refused}, or begin a new test."), kind
        assert shop.state.readings == before
    assert shop.command(CommandKind.TAKE_BACK).ok
    assert shop.command(CommandKind.TAKE_BACK, event="e3").text == "Taken back: the last change of pull 2."


def test_a_test_begun_again_without_a_word_is_found_by_an_earlier_test(floor) -> None:
    earlier = {"PTO": {"peak_kpa": 930.0}, "middle": {"peak_kpa": 800.0}, "MAG": {"peak_kpa": 810.0}}
    shop = floor(3, expected=earlier)
    settle_first(shop)
    again = shop.pull(931.0, 40.0)
    assert again.cylinder != "middle"


def test_twenty_minutes_of_pause_make_the_bench_careful_but_not_deaf(floor) -> None:
    brisk, paused = floor(3), floor(3)
    for shop, wait_s in ((brisk, 25.0), (paused, 1200.0)):
        settle_first(shop)
        shop.wait(wait_s)
        shop.pull(905.0, 3.0)
    sure = [dict(shop.state.readings[-1].candidates)["middle"] for shop in (brisk, paused)]
    assert sure[0] > sure[1] > 0.5
    assert paused.prompts[-2].key is PromptKey.WAITING


def test_a_radio_lost_for_half_a_minute_is_said_and_weighed(floor) -> None:
    kept, lost = floor(3), floor(3)
    settle_first(kept)
    settle_first(lost)
    kept.wait(40.0)
    lost.wait(5.0)
    lost.take(lost.bench.link("red", False, lost.now_s))
    lost.wait(30.0)
    assert lost.said is PromptKey.LINK_LOST
    lost.take(lost.bench.link("red", True, lost.now_s))
    assert lost.said is PromptKey.LINK_BACK
    lost.wait(5.0)
    sure = [dict(shop.pull(905.0, 3.0).candidates)["middle"] for shop in (kept, lost)]
    assert sure[0] > sure[1]


def test_a_radio_hiccup_is_not_spoken_of(floor) -> None:
    shop = floor(3)
    said = len(shop.prompts)
    shop.take(shop.bench.link("red", False, shop.now_s))
    shop.wait(2.0)
    shop.take(shop.bench.link("red", True, shop.now_s))
    shop.wait(5.0)
    assert len(shop.prompts) == said
