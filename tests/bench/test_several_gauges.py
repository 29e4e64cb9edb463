"""Several gauges cranked together: matched by time, the pulls shared."""

import pytest

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import CommandKind, Phase, ReadingChanged
from gaugelink.bench.state import BenchSettings
from gaugelink.peak.events import CrankingEvent, GaugeKind, Method
from gaugelink.peak.notices import HandlingKind


def cranking_event(start_s: float, peak_kpa: float) -> CrankingEvent:
    return CrankingEvent(GaugeKind.LIVE, start_s, start_s + 1, peak_kpa, 9.0, Method.FITTED, None, (), frozenset())


TRIPLE = {"PTO": "red", "middle": "blue", "MAG": "green"}


def test_each_reading_falls_to_its_gauges_cylinder_and_one_pull_is_one_pull(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    assert shop.prompts[-1].text == "Put red on PTO, blue on middle, green on MAG. Pull when ready."
    first = shop.together({"red": 930.0, "blue": 890.0, "green": 905.0}, 20.0)
    assert [one.cylinder for one in first] == ["PTO", "middle", "MAG"]
    assert {one.pull for one in first} == {1}
    assert shop.prompts[-1].text == "Red on PTO 135 psi, blue on middle 129 psi, green on MAG 131 psi. Once more."
    second = shop.together({"red": 928.0, "blue": 893.0, "green": 903.0}, 6.0)
    assert {one.pull for one in second} == {2}
    assert shop.state.phase is Phase.DONE
    assert shop.state.touches == 0


def test_one_prompt_comes_of_one_pull(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    said = len(shop.prompts)
    shop.together({"red": 930.0, "blue": 890.0, "green": 905.0}, 20.0)
    assert len(shop.prompts) == said + 1


def test_a_gauge_that_did_not_report_is_named_after_a_while(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    said = len(shop.prompts)
    shop.together({"red": 930.0, "green": 905.0}, 20.0)
    assert len(shop.prompts) == said
    shop.wait(5.0)
    assert shop.said is PromptKey.MISSING
    assert shop.prompts[-1].args["cylinder"] == "middle"
    shop.together({"red": 931.0, "blue": 890.0, "green": 904.0}, 10.0)
    shop.together({"red": 929.0, "blue": 891.0, "green": 906.0}, 6.0)
    assert shop.state.phase is Phase.DONE
    assert [one.tries for one in shop.state.cylinders] == [3, 2, 3]


def test_a_gauge_that_is_still_measuring_is_waited_for(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    shop.take(shop.bench.opened("blue", shop.now_s + 20.5))
    said = len(shop.prompts)
    shop.together({"red": 930.0, "green": 905.0}, 20.0)
    shop.wait(5.0)
    assert len(shop.prompts) == said
    shop.wait(15.0)
    assert shop.said is PromptKey.MISSING


def test_a_second_pull_soon_after_is_another_pull(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    shop.together({"red": 930.0, "blue": 890.0}, 20.0)
    late = shop.together({"red": 931.0, "blue": 891.0, "green": 900.0}, 2.5)
    assert {one.pull for one in late} == {2}


def test_two_gauges_on_four_cylinders_are_moved_together(floor) -> None:
    shop = floor(4, gauges={"1": "red", "2": "blue", "3": "red", "4": "blue"})
    shop.together({"red": 930.0, "blue": 890.0}, 20.0)
    shop.together({"red": 928.0, "blue": 892.0}, 6.0)
    assert shop.said is PromptKey.MOVE_ALL
    assert shop.state.current == ("3", "4")
    shop.handle(HandlingKind.SCREWED, 30.0, "red")
    shop.handle(HandlingKind.SCREWED, 15.0, "blue")
    assert shop.said is PromptKey.READY_ALL
    got = shop.together({"red": 915.0, "blue": 880.0}, 5.0)
    assert [one.cylinder for one in got] == ["3", "4"]
    shop.together({"red": 913.0, "blue": 882.0}, 6.0)
    assert shop.state.phase is Phase.DONE


def test_a_gauge_left_in_a_settled_cylinder_sees_the_pulls_and_nothing_is_said_of_it(floor) -> None:
    shop = floor(3, gauges={"PTO": "red", "middle": "blue", "MAG": "red"})
    shop.together({"red": 930.0, "blue": 890.0}, 20.0)
    shop.together({"red": 928.0, "blue": 892.0}, 6.0)
    shop.handle(HandlingKind.SCREWED, 25.0, "red")
    said = len(shop.prompts)
    got = shop.together({"red": 905.0, "blue": 893.0}, 5.0)
    assert [one.cylinder for one in got] == ["MAG", "middle"]
    assert len({one.pull for one in got}) == 1
    assert [prompt.key for prompt in shop.prompts[said:]] == [PromptKey.AGAIN]


def test_a_gauge_that_reports_late_completes_the_pull_it_belongs_to(floor) -> None:
    shop = floor(2, gauges={"PTO": "red", "MAG": "blue"}, settings=BenchSettings(wait_for_gauges_s=0.5))
    shop.now_s += 20.0
    start_s = shop.now_s
    shop.now_s += 2.2
    shop.take(shop.bench.event("early", "red", cranking_event(start_s, 930.0), shop.now_s))
    shop.now_s += 1.0
    shop.take(shop.bench.tick(shop.now_s))
    assert shop.said is PromptKey.MISSING
    shop.take(shop.bench.event("late", "blue", cranking_event(start_s, 905.0), shop.now_s))
    assert shop.said is PromptKey.ALL_NAMED
    assert shop.reading("late").pull == shop.reading("early").pull


def test_a_late_pull_after_the_end_is_one_sentence(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    shop.together({"red": 930.0, "blue": 890.0, "green": 905.0}, 20.0)
    shop.together({"red": 928.0, "blue": 893.0, "green": 903.0}, 6.0)
    said = len(shop.prompts)
    shop.together({"red": 929.0, "blue": 891.0, "green": 904.0}, 6.0)
    assert [prompt.key for prompt in shop.prompts[said:]] == [PromptKey.EXTRA_DONE]
    assert shop.state.phase is Phase.DONE


def test_exchanged_gauges_are_put_right_by_one_command_for_the_past_and_the_future(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    shop.together({"red": 930.0, "blue": 890.0, "green": 905.0}, 20.0)
    assert shop.command(CommandKind.EXCHANGE, cylinder="middle", other="MAG").ok
    shop.together({"red": 928.0, "blue": 892.0, "green": 903.0}, 6.0)
    values = {one.name: (one.gauge, one.value_kpa) for one in shop.state.cylinders}
    assert values["middle"] == ("green", pytest.approx(904.0))
    assert values["MAG"] == ("blue", pytest.approx(891.0))
    assert shop.state.phase is Phase.DONE


def test_exchanged_gauges_are_suspected_beside_an_earlier_test(floor) -> None:
    earlier = {"PTO": {"peak_kpa": 930.0}, "middle": {"peak_kpa": 920.0}, "MAG": {"peak_kpa": 700.0}}
    shop = floor(3, gauges=TRIPLE, expected=earlier)
    shop.together({"red": 930.0, "blue": 702.0, "green": 915.0}, 20.0)
    shop.together({"red": 928.0, "blue": 700.0, "green": 918.0}, 6.0)
    assert shop.said is PromptKey.ASK_EXCHANGED
    assert {shop.prompts[-1].args["first"], shop.prompts[-1].args["second"]} == {"middle", "MAG"}


def test_a_reading_that_is_asked_about_has_not_changed(floor) -> None:
    """What has changed is written down as a line of the record, and published: it is given once."""
    earlier = {"PTO": {"peak_kpa": 930.0}, "middle": {"peak_kpa": 920.0}, "MAG": {"peak_kpa": 820.0}}
    shop = floor(3, gauges=TRIPLE, expected=earlier)
    shop.together({"red": 820.0, "blue": 920.0, "green": 930.0}, 20.0)
    shop.together({"red": 821.0, "blue": 921.0, "green": 931.0}, 6.0)
    assert shop.said is PromptKey.ASK_EXCHANGED
    changed = [one.reading.event_id for one in shop.out if isinstance(one, ReadingChanged)]
    assert sorted(changed) == ["e2", "e3", "e4", "e5", "e6", "e7"]
    asked = [one.event_id for one in shop.state.readings if one.asked]
    assert asked == ["e2", "e4", "e5", "e7"]


def test_an_engine_that_changed_a_little_is_not_suspected(floor) -> None:
    earlier = {"PTO": {"peak_kpa": 930.0}, "middle": {"peak_kpa": 920.0}, "MAG": {"peak_kpa": 880.0}}
    shop = floor(3, gauges=TRIPLE, expected=earlier)
    shop.together({"red": 900.0, "blue": 880.0, "green": 890.0}, 20.0)
    shop.together({"red": 901.0, "blue": 882.0, "green": 888.0}, 6.0)
    assert shop.said is PromptKey.DONE_NAMED
    assert shop.prompts[-1].text == "Test done: red on PTO 131 psi, blue on middle 128 psi, green on MAG 129 psi."


def test_a_gauge_that_was_put_away_is_waited_for_by_nobody(floor) -> None:
    shop = floor(3, gauges={"PTO": "red", "middle": "blue", "MAG": "red"})
    shop.together({"red": 930.0, "blue": 880.0}, 20.0)
    shop.together({"red": 928.0, "blue": 881.0}, 6.0)
    assert shop.state.current == ("MAG",)
    before = len(shop.prompts)
    shop.take(shop.bench.link("blue", False, shop.now_s))
    shop.wait(5.0)
    shop.take(shop.bench.link("blue", True, shop.now_s))
    assert shop.prompts[before:] == []
    shop.take(shop.bench.link("blue", False, shop.now_s))
    shop.wait(5.0)
    shop.command(CommandKind.REDO, cylinder="middle")
    assert shop.said is PromptKey.LINK_LOST
    shop.take(shop.bench.link("blue", True, shop.now_s))
    assert shop.said is PromptKey.LINK_BACK_ALL


def test_one_gauge_that_is_back_sends_nobody_to_pull_while_the_other_is_lost(floor) -> None:
    shop = floor(2, gauges={"PTO": "red", "MAG": "blue"})
    shop.together({"red": 930.0, "blue": 880.0}, 20.0)
    for gauge in ("red", "blue"):
        shop.take(shop.bench.link(gauge, False, shop.now_s))
    shop.wait(5.0)
    shop.take(shop.bench.link("red", True, shop.now_s))
    assert shop.said is PromptKey.LINK_LOST
    shop.take(shop.bench.link("blue", True, shop.now_s))
    assert shop.said is PromptKey.LINK_BACK_ALL


def test_a_pull_of_several_gauges_is_one_that_is_kept_when_the_test_is_given_up(floor) -> None:
    shop = floor(3, gauges=TRIPLE)
    shop.together({"red": 930.0, "blue": 890.0, "green": 905.0}, 20.0)
    shop.together({"red": 928.0, "blue": 893.0, "green": 903.0}, 6.0)
    assert shop.command(CommandKind.ABANDON).text.endswith("where it proves nothing: 2 pulls.")
    assert shop.prompts[-1].text == "The test of this machine is abandoned. Pulls kept in the record: 2."
