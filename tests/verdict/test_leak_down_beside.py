"""A differential leak-down beside the readings of its cylinder: whether it agrees, and what its air names."""

import pytest

from gaugelink.leak.heard import Heard, places_text
from gaugelink.verdict.findings import RuleName, Severity, TopEnd
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.leakdown import LeakDownValue
from tests.verdict.shop import FOUR, SEA_LEVEL, TRIPLE, WET, judge, only, readings


def test_a_leak_down_result_beside_a_low_reading_makes_the_case() -> None:
    low = readings(TRIPLE, 135.0, 110.0, 134.0)
    verdict = judge(low, leak_down=[LeakDownValue("middle", 42.0, 4.0, (Heard.CRANKCASE,))])
    assert verdict.top_end is TopEnd.LIKELY
    assert "rings" in only(verdict, RuleName.LEAK_DOWN).causes[0]
    sound = judge(low, leak_down=[LeakDownValue("middle", 8.0, 3.0)])
    assert only(sound, RuleName.LEAK_DOWN).severity is Severity.NOTE
    assert sound.top_end is TopEnd.TEST_FIRST


@pytest.mark.parametrize(
    ("heard", "cause"),
    [
        (Heard.EXHAUST, "exhaust valve"),
        (Heard.INTAKE, "intake valve"),
        (Heard.CRANKCASE, "rings"),
        (Heard.COOLANT, "gasket"),
        (Heard.NEIGHBOUR, "gasket"),
    ],
)
def test_where_the_air_of_a_four_stroke_is_heard_names_the_cause(heard: Heard, cause: str) -> None:
    """Common practice, no source."""
    items = readings(FOUR, 165.0, 110.0, 164.0, 163.0)
    name = FOUR.cylinder_names[1]
    found = only(
        judge_test(FOUR, items, SEA_LEVEL, leak_down=[LeakDownValue(name, 42.0, 4.0, (heard,))]), RuleName.LEAK_DOWN
    )
    assert cause in found.causes[0]


def test_air_at_two_places_names_what_both_may_come_from_the_likeliest_of_both_first() -> None:
    """Common practice, no source."""
    low = readings(TRIPLE, 135.0, 110.0, 134.0)
    heard = (Heard.EXHAUST, Heard.COOLANT, Heard.CRANKCASE)
    found = only(judge(low, leak_down=[LeakDownValue("middle", 42.0, 4.0, heard)]), RuleName.LEAK_DOWN)
    assert "heard at the exhaust, in the coolant and in the crankcase" in found.text
    assert found.causes[0] == "worn or stuck rings"
    assert {"head gasket or O-ring leaking", "hole in the piston crown"} < set(found.causes)
    assert found.next_tests == (
        "look at rings and piston through the exhaust port",
        "check the head's bolts against the maker's torque, then test again",
    )


def test_a_cylinder_that_holds_has_no_cause_wherever_a_little_air_is_heard() -> None:
    low = readings(TRIPLE, 135.0, 110.0, 134.0)
    found = only(judge(low, leak_down=[LeakDownValue("middle", 8.0, 3.0, (Heard.EXHAUST,))]), RuleName.LEAK_DOWN)
    assert (found.severity, found.causes) == (Severity.NOTE, ())
    assert "heard" not in found.text


def test_every_place_has_words() -> None:
    assert places_text(()) == ""
    assert places_text(tuple(Heard)) == (
        "at the exhaust, at the intake, in the crankcase, in the coolant and at the next plug hole"
    )


def test_a_test_that_was_done_is_not_asked_for_again() -> None:
    low = readings(TRIPLE, 135.0, 110.0, 134.0)
    before = judge(low)
    assert any(test.startswith("leak-down test") for test in before.next_tests)
    assert any(test.startswith("wet test") for test in before.next_tests)
    after = judge(low, leak_down=[LeakDownValue("middle", 42.0, 4.0, (Heard.EXHAUST,))])
    assert not any(test.startswith("leak-down test") for test in after.next_tests)
    assert any(test.startswith("wet test") for test in after.next_tests)
    other = judge(low, leak_down=[LeakDownValue("PTO", 8.0, 3.0)])
    assert any(test.startswith("leak-down test") for test in other.next_tests)


def test_after_a_wet_test_that_was_held_against_its_dry_one_none_is_asked_for() -> None:
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    wet = judge(readings(TRIPLE, 140.0, 113.0, 139.0), WET, dry=dry)
    assert any(finding.rule is RuleName.WET_DRY and "middle" in finding.cylinders for finding in wet.findings)
    assert not any(test.startswith("wet test") for test in wet.next_tests)
