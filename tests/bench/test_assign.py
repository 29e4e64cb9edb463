"""A whole test by one gauge that is moved: hands free, and held where the evidence is thin."""

import pytest

from gaugelink.bench.prompt_keys import PromptKey, Tone
from gaugelink.bench.reading import CommandKind, Phase, ReadingChanged, Status
from gaugelink.bench.state import BenchSettings
from gaugelink.peak.events import CrankingEvent, Flag, GaugeKind, Method
from gaugelink.peak.notices import HandlingKind


def test_a_triple_is_measured_without_a_touch(floor) -> None:
    shop = floor(3)
    for name, level in (("PTO", 930.0), ("middle", 890.0), ("MAG", 905.0)):
        assert shop.state.current == (name,)
        shop.screw(20.0)
        assert shop.pull(level, 5.0).cylinder == name
        assert shop.pull(level * 0.995, 6.0).cylinder == name
    assert shop.state.phase is Phase.DONE
    assert shop.state.touches == 0
    assert [one.agreed for one in shop.state.cylinders] == [True, True, True]
    assert shop.said is PromptKey.LAST_DONE
    assert shop.prompts[-1].tone is Tone.DONE


def test_prompts_say_what_was_read_and_what_comes_next(floor) -> None:
    shop = floor(3)
    assert shop.prompts[-1].text == "Put the gauge on PTO, the clutch side. Pull when ready."
    shop.pull(924.0, 20.0)
    assert shop.prompts[-1].text == "PTO, 134 psi. Once more."
    assert shop.prompts[-1].spoken == "P T O, one hundred and thirty-four. Once more."
    shop.pull(917.0, 6.0)
    assert shop.prompts[-1].text == "PTO, 133 psi, agreed. Move the gauge to middle, between the others."
    shop.screw(22.0)
    assert shop.prompts[-1].text == "Gauge is in. This should be middle. Pull when ready."


def test_a_held_gauge_is_bled_before_the_next_pull(floor) -> None:
    shop = floor(3, held=True)
    shop.pull(924.0, 20.0)
    assert shop.prompts[-1].text == "PTO, 134 psi. Bleed the gauge. Once more."


def test_a_low_repeat_is_named_with_its_difference(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(868.0, 6.0)
    assert shop.prompts[-1].spoken == (
        "P T O, one hundred and twenty-six. That is nine P S I under the best pull: check the gauge is tight."
    )
    shop.pull(1010.0, 6.0)
    assert shop.said is PromptKey.OVER


def test_still_rising_asks_for_longer_cranking_and_does_not_settle_the_cylinder(floor) -> None:
    shop = floor(3)
    shop.pull(700.0, 20.0, flags=[Flag.STILL_RISING])
    assert shop.said is PromptKey.STILL_RISING
    shop.pull(702.0, 6.0, flags=[Flag.STILL_RISING])
    assert shop.state.current == ("PTO",)
    shop.pull(930.0, 6.0)
    shop.pull(926.0, 6.0)
    assert shop.state.current == ("middle",)
    assert shop.state.cylinders[0].value_kpa == pytest.approx(928.0)
    assert shop.state.cylinders[0].left_out == ("e2", "e3")


def test_over_range_says_so(floor) -> None:
    shop = floor(3)
    shop.pull(1000.0, 20.0, flags=[Flag.OVER_RANGE])
    assert shop.said is PromptKey.OVER_RANGE


def test_a_pull_is_under_the_best_by_what_the_two_figures_that_were_said_differ(floor) -> None:
    shop = floor(3)
    shop.pull(1004.0, 20.0)
    assert shop.prompts[-1].text == "PTO, 146 psi. Once more."
    shop.pull(946.0, 6.0)
    assert shop.said is PromptKey.UNDER
    # 8.4 psi apart, and nobody who heard 146 and 137 would call that 8.
    assert shop.prompts[-1].text.startswith("PTO, 137 psi. That is 9 psi under the best pull")


def test_tries_are_limited_and_the_test_goes_on_saying_so(floor) -> None:
    shop = floor(3, max_tries=3)
    for level in (930.0, 700.0, 500.0):
        shop.pull(level, 6.0)
    assert shop.said is PromptKey.MOVE_UNAGREED
    assert shop.state.current == ("middle",)
    assert not shop.state.cylinders[0].agreed


def test_a_last_cylinder_that_does_not_agree_is_not_called_agreed(floor) -> None:
    shop = floor(1, max_tries=2)
    shop.pull(930.0, 20.0)
    shop.pull(700.0, 6.0)
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text == "Single does not agree after 2 pulls. Test done."


def test_a_pull_too_uncertain_to_count_is_asked_for_again_with_its_reason(floor) -> None:
    shop = floor(3)
    shop.pull(1006.0, 20.0, u_share=0.08)
    assert shop.said is PromptKey.UNSURE
    assert shop.prompts[-1].text.startswith("PTO, 146 psi, but too uncertain to count.")
    shop.pull(945.0, 6.0)
    assert shop.said is PromptKey.AGAIN
    assert shop.state.current == ("PTO",)
    shop.pull(940.0, 6.0)
    assert shop.said is PromptKey.MOVE_PLACE
    assert shop.state.cylinders[0].agreed
    assert shop.state.cylinders[0].left_out == ("e2",)


def test_a_cylinder_of_uncertain_pulls_alone_ends_as_not_agreed(floor) -> None:
    shop = floor(1, max_tries=3)
    for after_s in (20.0, 6.0, 6.0):
        shop.pull(930.0, after_s, u_share=0.08)
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text == "Single does not agree after 3 pulls. Test done."
    assert not shop.state.cylinders[0].agreed


def test_cylinders_that_do_not_agree_are_named_when_all_are_read_back(floor) -> None:
    shop = floor(2, max_tries=2)
    shop.pull(930.0, 20.0)
    shop.pull(700.0, 6.0)
    shop.screw(30.0)
    shop.pull(925.0, 5.0)
    shop.pull(926.0, 6.0)
    assert shop.state.phase is Phase.DONE
    assert shop.prompts[-1].text.endswith("Not agreed: PTO.")


def test_before_the_cautions_are_heard_no_pull_is_asked_for(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    shop.wait(120.0)
    assert shop.said is PromptKey.ACKNOWLEDGE
    shop.command(CommandKind.ACKNOWLEDGE)
    assert shop.prompts[-1].args["next"] == "PTO"


def test_an_event_that_ends_while_the_radio_is_lost_keeps_the_loss(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.take(shop.bench.link("red", False, shop.now_s))
    shop.pull(928.0, 6.0)
    shop.wait(20.0)
    assert shop.said is PromptKey.LINK_LOST
    shop.take(shop.bench.link("red", True, shop.now_s))
    assert shop.said is PromptKey.LINK_BACK


def test_an_ambiguous_event_is_held_and_asked_about(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(928.0, 6.0)
    held = shop.pull(929.0, 14.0)
    assert held.status is Status.HELD
    assert held.cylinder is None
    assert held.asked
    assert {name for name, _ in held.candidates[:2]} == {"PTO", "middle"}
    assert shop.said is PromptKey.ASK_WHICH
    assert shop.prompts[-1].urgent


def test_a_held_reading_is_cleared_up_by_an_answer(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(928.0, 6.0)
    held = shop.pull(929.0, 14.0)
    assert shop.command(CommandKind.ANSWER, cylinder="PTO", by="foot switch").ok
    reading = shop.reading(held.event_id)
    assert (reading.status, reading.cylinder) == (Status.MOVED, "PTO")
    assert reading.changes[-1].by == "foot switch"
    assert shop.state.current == ("middle",)


def test_a_held_reading_is_cleared_up_by_later_pulls_without_a_touch(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.pull(928.0, 6.0)
    held = shop.pull(905.0, 12.0)
    assert held.status is Status.HELD
    shop.pull(903.0, 6.0)
    shop.pull(904.0, 6.0)
    assert shop.reading(held.event_id).cylinder == "middle"
    assert shop.state.touches == 0


def test_every_change_of_a_reading_is_published(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.command(CommandKind.STRIKE)
    shop.command(CommandKind.TAKE_BACK)
    shop.command(CommandKind.ASSIGN, event="e2", cylinder="MAG")
    seen = [one.reading for one in shop.out if isinstance(one, ReadingChanged)]
    assert [(one.status, one.cylinder) for one in seen] == [
        (Status.GIVEN, "PTO"),
        (Status.STRUCK, None),
        (Status.GIVEN, "PTO"),
        (Status.MOVED, "MAG"),
    ]
    assert len(seen[-1].changes) == 4


def test_moving_by_hand_is_wanted_once_a_cylinder_when_the_shop_says_so(floor) -> None:
    shop = floor(2, settings=BenchSettings(confirm_moves=True))
    assert shop.pull(930.0, 20.0).status is Status.HELD
    assert shop.said is PromptKey.CONFIRM
    assert shop.command(CommandKind.ANSWER).ok
    assert shop.pull(928.0, 6.0).status is Status.GIVEN
    shop.screw(25.0)
    assert shop.pull(900.0, 5.0).status is Status.HELD
    shop.command(CommandKind.ANSWER)
    assert shop.pull(901.0, 6.0).status is Status.GIVEN
    assert shop.state.phase is Phase.DONE


def test_cautions_come_first_and_pulls_before_them_are_held(floor) -> None:
    shop = floor(3, started=False)
    shop.take(shop.bench.begin(shop.now_s))
    assert [prompt.key for prompt in shop.prompts][:3] == [
        PromptKey.CAUTION_IGNITION,
        PromptKey.CAUTION_FUEL,
        PromptKey.CAUTION_PARK,
    ]
    assert shop.said is PromptKey.ACKNOWLEDGE
    assert shop.pull(930.0, 10.0).status is Status.HELD
    assert shop.said is PromptKey.ACKNOWLEDGE_FIRST
    shop.command(CommandKind.ACKNOWLEDGE, by="key")
    assert shop.reading("e1").cylinder == "PTO"
    assert shop.state.acknowledged is not None
    assert shop.state.acknowledged.by == "key"
    assert "caution_cord" in shop.state.acknowledged.cautions
    assert shop.state.touches == 0


def test_cautions_are_not_repeated_in_the_same_session(floor) -> None:
    first = floor(3)
    again = floor(3, started=False)
    again.take(again.bench.begin(again.now_s, first.state.acknowledged))
    assert [prompt.key for prompt in again.prompts] == [PromptKey.BEGIN_PLACE]
    assert again.state.acknowledged == first.state.acknowledged


def test_the_same_event_twice_counts_once(floor) -> None:
    shop = floor(3)
    shop.pull(930.0, 20.0)
    shop.count -= 1
    shop.pull(930.0, 0.0)
    assert len(shop.state.readings) == 1


def test_an_event_of_a_foreign_gauge_is_not_counted(floor) -> None:
    shop = floor(3)
    shop.now_s += 10
    from_elsewhere = shop.bench.event("x", "purple", _event(shop.now_s), shop.now_s)
    shop.take(from_elsewhere)
    assert shop.said is PromptKey.ASK_GAUGE
    assert shop.state.readings == ()


def test_a_starter_is_told_to_keep_cranking_and_when_it_is_enough(floor) -> None:
    shop = floor(3, conditions={"cranked_by": "starter"})
    shop.take(shop.bench.opened("red", shop.now_s))
    for level in (300.0, 500.0, 650.0, 740.0, 790.0, 815.0, 820.0, 822.0):
        shop.now_s += 0.3
        shop.take(shop.bench.stroke("red", level, shop.now_s))
    assert [prompt.key for prompt in shop.prompts[-2:]] == [PromptKey.KEEP_CRANKING, PromptKey.ENOUGH]


def test_a_silent_shop_is_reminded_a_few_times_then_left_alone(floor) -> None:
    shop = floor(3)
    shop.wait(3600.0)
    reminders = [prompt.text for prompt in shop.prompts if prompt.key is PromptKey.WAITING]
    # A hole without any compression gives no event: who cranked it hears how to go on.
    assert reminders == ["Waiting for a pull on PTO. If it shows no pressure, skip it."] * BenchSettings().reminders


def test_a_sign_of_screwing_in_turns_a_doubtful_event_into_the_next_cylinder(floor) -> None:
    with_sign, without = floor(3), floor(3)
    for shop in (with_sign, without):
        shop.pull(930.0, 20.0)
        shop.pull(928.0, 6.0)
    with_sign.handle(HandlingKind.SCREWED, 12.0)
    signed = with_sign.pull(929.0, 3.0)
    unsigned = without.pull(929.0, 15.0)
    assert signed.cylinder == "middle"
    assert dict(signed.candidates)["middle"] > dict(unsigned.candidates)["middle"]


def _event(now_s: float) -> CrankingEvent:
    return CrankingEvent(GaugeKind.LIVE, now_s - 2, now_s - 1, 900.0, 9.0, Method.FITTED, None, (), frozenset())
