"""Which sentence is chosen, and with which names and numbers in it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import log

import pytest

from gaugelink.bench import saying
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.plan import Conditions, TestKind
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.bench.reading import Change, Phase, Reading, Status
from gaugelink.bench.state import BenchSettings, BenchState
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import Flag, GaugeKind
from tests.bench.conftest import FloorMaker

SAY = Prompter(PressureUnit.KPA, ENGLISH)
SETTLED = (930.0, 929.0)


def state_of(
    floor: FloorMaker,
    pulls: Mapping[str, Sequence[float]],
    cylinders: int = 3,
    flags: Sequence[Flag] = (),
    **more: object,
) -> BenchState:
    """A test whose cylinders have these readings, in this order, with `flags`, and which asks for nothing."""
    shop = floor(cylinders, **more)
    first = shop.pull(900.0, 20.0)
    state = shop.bench._state
    state.readings.clear()
    for name, peaks in pulls.items():
        for kpa in peaks:
            number = len(state.readings) + 1
            changes = (replace(first.changes[0], cylinder=name),)
            reading = replace(first, event_id=f"r{number}", pull=number, peak_kpa=kpa, cylinder=name, changes=changes)
            state.readings.append(replace(reading, flags=frozenset(flags), status=Status.GIVEN))
    state.target = ()
    return state


def held(state: BenchState, candidates: Sequence[tuple[str, float]]) -> Reading:
    """A last reading that belongs to one of these, likeliest first."""
    last = state.readings[-1]
    number = len(state.readings) + 1
    reading = replace(
        last, event_id=f"r{number}", pull=number, cylinder=None, status=Status.HELD, candidates=tuple(candidates),
        confidence=candidates[0][1], changes=(),
    )  # fmt: skip
    state.readings.append(reading)
    return reading


@pytest.mark.parametrize(
    ("oil_ml", "said"),
    [
        (7.5, "Wet test: 7.5 millilitres of oil into each cylinder, the same in each."),
        (None, "Wet test: a teaspoon of oil, five millilitres, into each cylinder, or what the maker's"),
    ],
)
def test_a_wet_test_begins_with_the_oil_that_it_takes(floor: FloorMaker, oil_ml: float | None, said: str) -> None:
    shop = floor(3, kind=TestKind.WET, conditions=Conditions(oil_ml=oil_ml))
    assert shop.prompts[-1].text.startswith(said)
    assert "Crank once without the gauge to spread it. " in shop.prompts[-1].text
    assert shop.prompts[-1].text.endswith("Put the gauge on PTO, the clutch side. Pull when ready.")
    assert "oil" not in floor(3).prompts[-1].text


@pytest.mark.parametrize(
    ("conditions", "said"),
    [
        ({}, "All plugs out, throttle wide open. "),
        ({"plugs_out": True, "throttle_open": True}, "All plugs out, throttle wide open. "),
        ({"throttle_open": False}, "All plugs out. "),
        ({"plugs_out": False}, "Throttle wide open. "),
        ({"plugs_out": False, "throttle_open": False}, ""),
    ],
)
def test_how_the_engine_is_to_be_is_said_first_where_it_is_asked_for(
    floor: FloorMaker, conditions: dict[str, bool], said: str
) -> None:
    shop = floor(3, conditions=Conditions(**conditions), asks_ready=True)
    assert shop.prompts[-1].text == f"{said}Put the gauge on PTO, the clutch side. Pull when ready."


@pytest.mark.parametrize(
    ("targets", "machine", "said"),
    [
        (("MAG",), "north-7", "The test of north-7 goes on. Next pull: MAG."),
        (("MAG", "PTO"), "north-7", "The test of north-7 goes on. Pull when ready."),
        (("MAG",), "", "The test of this machine goes on. Next pull: MAG."),
        ((), "north-7", "Test done: PTO, 930 kPa."),
    ],
)
def test_a_test_that_goes_on_is_named_and_what_comes_next(
    floor: FloorMaker, targets: tuple[str, ...], machine: str, said: str
) -> None:
    state = state_of(floor, {"PTO": [930.0]}, machine=machine)
    state.resumed, state.target = True, targets
    assert saying.opening(state, SAY).text == said


def test_a_test_that_is_given_up_is_named_and_is_of_this_machine_where_it_has_no_name(floor: FloorMaker) -> None:
    state = state_of(floor, {"PTO": SETTLED})
    assert saying.given_up(SAY, "", state.readings).text == (
        "The test of this machine is abandoned. Pulls kept in the record: 2."
    )
    assert saying.given_up(SAY, "north-7", state.readings).text.startswith("The test of north-7 is abandoned.")


def test_where_a_cylinder_is_is_said_when_the_test_begins_and_not_when_it_goes_on(floor: FloorMaker) -> None:
    state = state_of(floor, {"PTO": SETTLED})
    state.target = ("MAG",)
    state.placed.clear()
    assert saying.go_to(state, SAY).text == "Move the gauge to MAG. Pull when ready."
    assert saying.go_to(state, SAY, PromptKey.BEGIN).text == "Put the gauge on MAG, the ignition side. Pull when ready."


@pytest.mark.parametrize(
    ("peaks", "with_last", "said"),
    [
        ([930.0], False, "Test done: cylinder 1, 930 kPa."),
        (
            [930.0, 940.0, 890.0, 910.0], False,
            "Test done. In order: cylinder 1 930 kPa, cylinder 2 940 kPa, cylinder 3 890 kPa, cylinder 4 910 kPa.",
        ),
        (
            [930.0, 940.0, 890.0, 910.0], True,
            "Cylinder 4, 910 kPa, agreed. Test done. "
            "In order: cylinder 1 930 kPa, cylinder 2 940 kPa, cylinder 3 890 kPa, cylinder 4 910 kPa.",
        ),
        (
            [930.0, 940.0, 890.0, 910.0, 900.0], False,
            "Test done. Highest cylinder 2, 940 kPa. Lowest cylinder 3, 890 kPa.",
        ),
        (
            [930.0, 940.0, 890.0, 910.0, 900.0], True,
            "Cylinder 5, 900 kPa, agreed. Test done. Highest cylinder 2, 940 kPa. Lowest cylinder 3, 890 kPa.",
        ),
    ],
)  # fmt: skip
def test_up_to_four_cylinders_are_read_back_and_of_more_the_highest_and_the_lowest(
    floor: FloorMaker, peaks: list[float], with_last: bool, said: str
) -> None:
    state = state_of(floor, {str(n): [kpa, kpa] for n, kpa in enumerate(peaks, start=1)}, 6)
    for name in state.plan.cylinders:
        if name not in {reading.cylinder for reading in state.readings}:
            state.skipped.append(name)
    ended = saying.closing(state, SAY, state.readings[-1] if with_last else None).text
    assert ended.partition(" Skipped: ")[0] == said


def test_how_a_test_ended_names_what_rises_what_does_not_agree_what_was_skipped_and_what_is_on_no_cylinder(
    floor: FloorMaker,
) -> None:
    state = state_of(floor, {"PTO": (930.0, 700.0, 500.0), "middle": (900.0, 850.0, 800.0)})
    repeats = state.plan.repeats
    for reading in state.readings[:3]:
        state.put(replace(reading, flags=frozenset({Flag.STILL_RISING})))
    state.skipped.append("MAG")
    held(state, [("PTO", 0.6), ("middle", 0.4)])
    held(state, [("PTO", 0.6), ("middle", 0.4)])
    assert repeats <= 3
    state.phase = Phase.FINISHED
    said = saying.closing(state, SAY).text
    assert "Pulls on no cylinder: 2." in said
    assert "Still rising, so at least that: PTO." in said
    assert "Not agreed: middle." in said
    assert said.endswith("Skipped: MAG.")
    # One that was to be measured again, and was not, is missing from the list and is named.
    state.skipped.clear()
    assert saying.closing(state, SAY).text.endswith("Not agreed: middle. Not settled: MAG.")
    # A test with questions is not over.
    state.phase = Phase.MEASURING
    assert saying.closing(state, SAY).text == "2 questions left."
    state.readings.pop()
    assert saying.closing(state, SAY).text == "One question left."


@pytest.mark.parametrize(
    ("share", "strokes", "asked"),
    [
        (None, 0, saying.FEWEST_STROKES),
        (0.0, 0, saying.FEWEST_STROKES),
        (1.0, 0, saying.FEWEST_STROKES),
        # 0.003 of the climb is left after n strokes of which each takes two fifths of the rest: 0.6^n = 0.003.
        (0.4, 0, 12),
        (0.9, 0, saying.FEWEST_STROKES),
        (0.05, 0, saying.MOST_STROKES),
        (0.4, 15, 16),
        (0.4, 40, saying.MOST_STROKES),
    ],
)
def test_as_many_strokes_are_asked_for_as_a_climb_takes_to_settle(
    floor: FloorMaker, share: float | None, strokes: int, asked: int
) -> None:
    assert log(0.003) / log(0.6) == pytest.approx(11.4, abs=0.1)
    reading = state_of(floor, {"PTO": [930.0]}).readings[0]
    assert saying.strokes_to_settle(replace(reading, climb_per_stroke=share, strokes=strokes)) == asked


@pytest.mark.parametrize(
    ("candidates", "named"),
    [
        ((("MAG", 0.6), ("PTO", 0.3), ("middle", 0.1)), ("MAG", "PTO")),
        ((("MAG", 0.99), ("PTO", 0.01)), ("MAG",)),
        ((("MAG", 0.98), ("PTO", saying.WORTH_NAMING)), ("MAG", "PTO")),
        ((("MAG", 0.015), ("PTO", 0.012)), ("MAG",)),
    ],
)
def test_the_cylinders_that_a_reading_may_belong_to_are_named_in_a_question(
    floor: FloorMaker, candidates: tuple[tuple[str, float], ...], named: tuple[str, ...]
) -> None:
    assert saying.named_in_question(held(state_of(floor, {"PTO": SETTLED}), candidates)) == named


def test_a_reading_that_was_given_is_asked_about_by_what_it_had(floor: FloorMaker) -> None:
    state = state_of(floor, {"PTO": SETTLED})
    given = state.readings[-1].changes[0]
    changes: tuple[Change, ...] = (
        replace(given, cylinder="PTO", status=Status.MOVED),
        replace(given, cylinder="middle"),
        replace(given, cylinder="MAG"),
        replace(given, cylinder=None, status=Status.HELD),
    )
    reading = replace(held(state, [("MAG", 0.6), ("PTO", 0.4)]), changes=changes)
    assert saying.named_in_question(reading) == ("MAG", "PTO")
    assert saying.question(state, SAY, reading).text == (
        "Not sure any more about pull 3, 929 kPa on MAG. Was it PTO? Answer which."
    )
    alone = replace(reading, candidates=(("MAG", 1.0),))
    assert saying.named_in_question(alone) == ("MAG", "MAG")


@pytest.mark.parametrize(
    ("likely", "target", "older", "said"),
    [
        (0.6, ("middle",), False, "Not sure about 929 kPa. Was that MAG or PTO? Answer, or pull again on middle."),
        (0.99, ("middle",), False, "Not sure about 929 kPa. Was that MAG? Answer, or pull again on middle."),
        (0.6, ("middle",), True, "Not sure about pull 3, 929 kPa. Was that MAG or PTO?"),
        (0.99, ("middle",), True, "Not sure about pull 3, 929 kPa. Was that MAG?"),
        (0.6, (), False, "Not sure about pull 3, 929 kPa. Was that MAG or PTO?"),
        (0.99, (), False, "Not sure about pull 3, 929 kPa. Was that MAG?"),
    ],
)
def test_a_question_names_the_pull_where_it_is_not_the_last_or_nothing_comes_next(
    floor: FloorMaker, likely: float, target: tuple[str, ...], older: bool, said: str
) -> None:
    state = state_of(floor, {"PTO": SETTLED})
    reading = held(state, [("MAG", likely), ("PTO", 1.0 - likely)])
    if older:
        held(state, [("MAG", 0.6), ("PTO", 0.4)])
    state.target = target
    assert saying.question(state, SAY, reading).text == said


@pytest.mark.parametrize(("confirm", "likely"), [(True, 0.95), (True, 0.94), (False, 0.99)])
def test_a_move_is_confirmed_where_that_is_wanted_and_nothing_is_in_doubt(
    floor: FloorMaker, confirm: bool, likely: float
) -> None:
    state = state_of(floor, {"PTO": SETTLED}, settings=BenchSettings(confirm_moves=confirm))
    reading = held(state, [("MAG", likely), ("PTO", 1.0 - likely)])
    state.target = ("middle",)
    said = saying.question(state, SAY, reading).text
    assert (said == "929 kPa. Is that MAG? Answer which cylinder it was.") is (confirm and likely >= 0.95)


@pytest.mark.parametrize(
    ("kinds", "said"),
    [
        ((GaugeKind.LIVE, GaugeKind.LIVE), "PTO 930 kPa, MAG 910 kPa. Once more."),
        ((GaugeKind.LIVE, GaugeKind.HELD), "PTO 930 kPa, MAG 910 kPa. Bleed the gauges. Once more."),
    ],
)
def test_gauges_that_hold_are_bled_where_one_of_those_together_does(
    floor: FloorMaker, kinds: tuple[GaugeKind, GaugeKind], said: str
) -> None:
    state = state_of(floor, {"PTO": [930.0], "MAG": [910.0]})
    state.target, state.named = ("PTO", "MAG"), True
    pull = [replace(reading, kind=kind) for reading, kind in zip(state.readings, kinds, strict=True)]
    for reading in pull:
        state.put(reading)
    assert saying.after_pull(state, SAY, pull, ("PTO", "MAG")).text == said


def test_where_a_cylinder_is_is_said_once(floor: FloorMaker) -> None:
    state = state_of(floor, {"PTO": SETTLED})
    state.target = ("MAG",)
    state.placed.clear()
    said = [saying.go_to(state, SAY, PromptKey.BEGIN).text for _ in range(2)]
    assert said == [
        "Put the gauge on MAG, the ignition side. Pull when ready.",
        "Put the gauge on MAG. Pull when ready.",
    ]


def test_the_gauge_of_each_cylinder_is_named_after_the_first_pull_of_several_and_not_again(floor: FloorMaker) -> None:
    state = state_of(floor, {"PTO": [930.0], "MAG": [910.0]})
    state.target, state.named = ("PTO", "MAG"), False
    said = [saying.after_pull(state, SAY, state.readings, ("PTO", "MAG")).key for _ in range(2)]
    assert said == [PromptKey.ALL_NAMED, PromptKey.ALL_AGAIN]


@pytest.mark.parametrize(
    ("middle", "said"),
    [
        ((), "No reading from middle. Check its gauge. Once more."),
        (SETTLED, "PTO 930 kPa, MAG 910 kPa. Once more."),
    ],
)
def test_a_gauge_that_gave_nothing_is_missed_where_its_cylinder_is_not_settled(
    floor: FloorMaker, middle: tuple[float, ...], said: str
) -> None:
    state = state_of(floor, {"PTO": [930.0], "MAG": [910.0], "middle": middle})
    state.target, state.named = ("PTO", "middle", "MAG"), True
    assert saying.after_pull(state, SAY, state.readings[:2], state.target).text == said


@pytest.mark.parametrize(
    ("before", "now", "said"),
    [
        ((930.0, 700.0), 850.0, "PTO, 850 kPa. That is 80 kPa under the best pull: check the gauge is tight."),
        ((700.0, 750.0), 850.0, "PTO, 850 kPa. That is 100 kPa over the best pull before. Once more."),
        ((930.0,), 929.0, "PTO, 929 kPa. Once more."),
        ((), 929.0, "PTO, 929 kPa. Once more."),
    ],
)
def test_a_pull_is_held_against_the_best_before_it(
    floor: FloorMaker, before: tuple[float, ...], now: float, said: str
) -> None:
    state = state_of(floor, {"PTO": (*before, now)}, repeats=3, max_tries=6)
    state.target = ("PTO",)
    assert saying.after_pull(state, SAY, [state.readings[-1]], ("PTO",)).text == said


def test_a_pull_is_not_held_against_one_that_broke_off(floor: FloorMaker) -> None:
    state = state_of(floor, {"PTO": (990.0, 850.0)}, repeats=3, max_tries=6)
    state.target = ("PTO",)
    state.put(replace(state.readings[0], flags=frozenset({Flag.STILL_RISING})))
    assert saying.after_pull(state, SAY, [state.readings[1]], ("PTO",)).text == "PTO, 850 kPa. Once more."


def test_a_last_cylinder_that_does_not_agree_is_named_beside_what_is_open(floor: FloorMaker) -> None:
    pulls = {"PTO": SETTLED, "middle": SETTLED, "MAG": (930.0, 700.0, 500.0)}
    state = state_of(floor, pulls, max_tries=3)
    last = state.readings[-1]
    assert saying.after_pull(state, SAY, [last], ("MAG",)).text == "MAG does not agree after 3 pulls. Test done."
    held(state, [("PTO", 0.6), ("middle", 0.4)])
    assert saying.after_pull(state, SAY, [last], ("MAG",)).text == "Not agreed: MAG. One question left."
    # One more pull on a cylinder that is settled.
    assert saying.after_pull(state, SAY, [state.readings[0]], ()).text == (
        "That was PTO again, 930 kPa. One question left."
    )
    state.readings.pop()
    assert saying.after_pull(state, SAY, [state.readings[0]], ()).text == (
        "That was PTO again, 930 kPa. The test is done."
    )


@pytest.mark.parametrize("target", [(), ("middle",)])
def test_a_last_cylinder_that_still_rises_is_at_least_so_high(floor: FloorMaker, target: tuple[str, ...]) -> None:
    state = state_of(floor, {"PTO": (700.0, 800.0, 930.0)}, flags=[Flag.STILL_RISING], max_tries=3)
    state.target = target
    least = state.agreement("PTO").value_kpa
    said = saying.after_pull(state, SAY, [state.readings[-1]], ("PTO",)).text
    ends = "Move the gauge to middle." if target else "Test done."
    assert said == f"PTO still rises after 3 pulls: at least {least:.0f} kPa. {ends}"


@pytest.mark.parametrize("of", [0, 1])
def test_a_gauge_that_holds_is_bled_before_a_pull_that_is_made_again_for_what_was_wrong(
    floor: FloorMaker, of: int
) -> None:
    state = state_of(floor, {"PTO": [930.0], "MAG": [910.0]}, flags=[Flag.STILL_RISING])
    state.target = ("PTO", "MAG")
    pull = [replace(each, kind=GaugeKind.HELD) if n == of else each for n, each in enumerate(state.readings)]
    said = saying.after_pull(state, SAY, pull, ("PTO", "MAG")).text
    assert said.startswith("Bleed the gauge first. PTO, 930 kPa, still rising.")
