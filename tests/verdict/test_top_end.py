"""What is said of the top end: of which cylinders, for what, and which test comes first."""

from dataclasses import replace

import pytest

from gaugelink.leak.heard import Heard
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import RuleName, Severity, TopEnd, VerdictWord
from gaugelink.verdict.history import read_history
from gaugelink.verdict.judge import judge_test, with_more
from gaugelink.verdict.leakdown import LeakDownValue
from gaugelink.verdict.past import PastReading
from gaugelink.verdict.trend import trend_findings
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, WET, judge, only, reading, readings
from tests.verdict.test_history import past

SINGLE = FOUR.model_copy(update={"cylinders": FOUR.cylinders[:1]})
UNMEASURED = TRIPLE.model_copy(update={"bore_mm": None})
LEAKS = LeakDownValue("middle", 42.0, 4.0, (Heard.CRANKCASE,))


def test_only_cylinders_that_two_tests_are_against_are_said_to_come_off() -> None:
    """The whole engine reads low, which one leaking cylinder does not explain."""
    verdict = judge(readings(TRIPLE, 112.0, 111.0, 112.0), leak_down=[LEAKS])
    assert verdict.top_end is TopEnd.TEST_FIRST
    assert only(verdict, RuleName.TOP_END).cylinders == ("middle",)
    every = [LeakDownValue(name, 42.0, 4.0, (Heard.CRANKCASE,)) for name in TRIPLE.cylinder_names]
    worn = judge(readings(TRIPLE, 112.0, 111.0, 112.0), leak_down=every)
    assert worn.top_end is TopEnd.LIKELY
    assert set(only(worn, RuleName.TOP_END).cylinders) == set(TRIPLE.cylinder_names)


@pytest.mark.parametrize("psi", [139.0, 110.0])
def test_a_test_that_was_done_is_not_asked_for_again(psi: float) -> None:
    sound = LeakDownValue("middle", 8.0, 3.0)
    verdict = judge(readings(TRIPLE, 140.0, psi, 140.0), leak_down=[LEAKS if psi > 130.0 else sound])
    told = only(verdict, RuleName.TOP_END).text
    assert verdict.top_end is TopEnd.TEST_FIRST
    assert "a look through the exhaust port and a wet test come first" in told
    assert "leak-down" not in told


def test_where_every_test_was_done_and_none_tells_a_look_inside_is_left() -> None:
    dry = readings(FOUR, 160.0, 105.0, 158.0, 159.0)
    # Wet, the low one rises by what can be told neither from rings nor from none.
    wet = readings(FOUR, 160.5, 111.0, 158.5, 159.5)
    verdict = judge_test(FOUR, wet, WET, dry=dry, leak_down=[LeakDownValue("2", 9.0, 3.0)])
    assert verdict.top_end is TopEnd.TEST_FIRST
    assert "a look through the plug hole comes first: it tells" in only(verdict, RuleName.TOP_END).text


def test_two_tests_that_name_two_causes_are_not_said_to_agree_on_one() -> None:
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    leaks = LeakDownValue("middle", 42.0, 4.0, (Heard.COOLANT,))
    verdict = judge(readings(TRIPLE, 143.0, 139.0, 142.0), WET, dry=dry, leak_down=[leaks])
    told = only(verdict, RuleName.TOP_END).text
    assert verdict.top_end is TopEnd.LIKELY
    assert "of the cause they do not" in told
    assert "first of all" not in told


def test_a_rise_near_the_limit_is_no_proof_that_rings_are_sound() -> None:
    """Excess 6 % with an expanded uncertainty of some 4 %: it may be beyond 8 % as well as below it."""
    dry = readings(TRIPLE, 135.0, 110.0, 134.0)
    verdict = judge(readings(TRIPLE, 143.0, 123.0, 142.0), WET, dry=dry)
    finding = next(f for f in verdict.findings if f.rule is RuleName.WET_DRY and f.cylinders == ("middle",))
    assert (
        finding.numbers["excess_percent"]
        < 8.0
        < finding.numbers["excess_percent"] + finding.numbers["excess_u_percent"]
    )
    assert finding.severity is Severity.WATCH
    assert "cannot be told from what is a clear rise, 8 %" in finding.text
    assert verdict.top_end is not TopEnd.LIKELY


def test_a_wet_test_that_tells_nothing_takes_back_nothing_that_the_dry_one_said() -> None:
    dry = readings(FOUR, 160.0, 115.0, 158.0, 159.0)
    assert judge_test(FOUR, dry, SEA_LEVEL).top_end is TopEnd.TEST_FIRST
    verdict = judge_test(FOUR, readings(FOUR, 160.5, 121.6, 158.5, 159.5), WET, dry=dry)
    assert verdict.top_end is TopEnd.UNKNOWN
    assert "why 2 was low: what the dry one says of the top end stands" in verdict.summary


def test_wet_readings_say_nothing_of_how_worn_rings_climb() -> None:
    dry = [reading(n, p, first_psi=f) for n, p, f in (("PTO", 135, 81), ("middle", 110, 45), ("MAG", 134, 80))]
    wet = [reading(n, p, first_psi=f) for n, p, f in (("PTO", 143, 86), ("middle", 131, 80), ("MAG", 142, 86))]
    assert "rings" in only(judge(dry), RuleName.FIRST_STROKE).causes[0]
    assert RuleName.FIRST_STROKE not in {finding.rule for finding in judge(wet, WET, dry=dry).findings}


def test_a_wet_test_without_a_dry_one_says_that_it_has_none() -> None:
    verdict = judge(readings(TRIPLE, 143.0, 123.0, 142.0), WET)
    assert "held against no dry test" in only(verdict, RuleName.WET_DRY).text
    assert "a look through the exhaust port and a leak-down test come first" in only(verdict, RuleName.TOP_END).text
    assert RuleName.WET_DRY not in {finding.rule for finding in judge(readings(TRIPLE, 140, 139, 140)).findings}


def test_a_wet_test_without_a_dry_one_clears_nobody() -> None:
    """Oil seals worn rings: a triple that reads 135, 110, 136 psi dry is even with a teaspoon in each."""
    alone = judge(readings(TRIPLE, 139.0, 138.0, 140.0), WET)
    assert (alone.word, alone.top_end) == (VerdictWord.RETEST, TopEnd.UNKNOWN)
    assert "held against no dry test" in alone.summary
    assert not any("asks for the top end to come off" in finding.text for finding in alone.findings)
    assert "read every cylinder dry, then wet again with the same oil in each" in alone.next_tests
    held = judge(readings(TRIPLE, 139.0, 138.0, 140.0), WET, dry=readings(TRIPLE, 135.0, 134.0, 136.0))
    assert held.word is VerdictWord.CONSISTENT


def test_a_first_stroke_is_a_hint_and_nothing_where_the_others_do_not_begin_alike() -> None:
    """A pull that begins with the piston on its way up has a short first stroke, whatever the cylinder: simulated
    engines cranked from any angle were told the wrong one of two causes in a quarter of cases."""
    low = reading("middle", 110.0, first_psi=45.0)
    alike = judge([reading("PTO", 135.0, first_psi=81.0), low, reading("MAG", 134.0, first_psi=80.0)])
    hint = only(alike, RuleName.FIRST_STROKE)
    assert hint.severity is Severity.NOTE
    assert "begins in the middle of a stroke" in hint.text
    apart = judge([reading("PTO", 135.0, first_psi=81.0), low, reading("MAG", 134.0, first_psi=60.0)])
    assert RuleName.FIRST_STROKE not in {finding.rule for finding in apart.findings}


def test_one_reading_with_nothing_beside_it_says_nothing_of_the_top_end() -> None:
    """40 psi of an engine that nothing is known of: a seized ring or a decompression valve, and no word of sound."""
    single = FOUR.model_copy(update={"cylinders": FOUR.cylinders[:1]})
    verdict = judge_test(single, [reading("1", 40.0)], SEA_LEVEL)
    assert verdict.top_end is TopEnd.UNKNOWN
    assert "One reading alone cannot say" in verdict.summary
    assert "leak-down" in verdict.summary
    told = judge_test(single, [reading("1", 40.0)], SEA_LEVEL, leak_down=[LeakDownValue("1", 8.0, 3.0)])
    assert told.top_end is TopEnd.LEAVE
    assert judge_test(single, [reading("1", 40.0)], WET).top_end is TopEnd.UNKNOWN


def test_readings_that_were_held_against_each_other_alone_are_said_to_be() -> None:
    """All four at 50 psi, even and far too low for any car: without a maker's range no rule sees it."""
    even = judge_test(FOUR, readings(FOUR, 50.0, 50.0, 50.0, 50.0), SEA_LEVEL)
    assert even.top_end is TopEnd.LEAVE
    assert "against each other alone" in even.summary
    assert "against each other alone" not in judge(readings(TRIPLE, 135.0, 134.0, 135.0)).summary


@pytest.mark.parametrize("flags", [frozenset[Flag](), frozenset({Flag.LOST_SAMPLES})])
@pytest.mark.parametrize("repeats", [(), (40.0, 40.5)])
def test_what_is_said_of_how_one_reading_was_taken_is_nothing_to_hold_it_against(
    flags: frozenset[Flag], repeats: tuple[float, ...]
) -> None:
    verdict = judge_test(SINGLE, [reading("1", 40.0, flags=flags, repeats_psi=repeats)], SEA_LEVEL)
    assert verdict.top_end is TopEnd.UNKNOWN
    assert "One reading alone cannot say" in verdict.summary


def test_one_cylinder_is_held_against_its_own_seasons_and_its_own_dry_test() -> None:
    tests = [past(s, *(3 * [900.0 * 0.93**s])) for s in (0.0, 1.0, 2.0, 3.0)]
    alone = [replace(t, readings=(PastReading("1", t.readings[0].sea_level_kpa, 4.0),)) for t in tests]
    trend = trend_findings(read_history(alone), SINGLE)
    assert trend
    assert with_more(judge_test(SINGLE, [reading("1", 105.0)], SEA_LEVEL), trend, SINGLE).top_end is TopEnd.LEAVE
    wet = judge_test(SINGLE, [reading("1", 133.0)], WET, dry=[reading("1", 130.0)])
    assert wet.top_end is TopEnd.LEAVE


@pytest.mark.parametrize("engine", [UNMEASURED, TRIPLE.model_copy(update={"band": None})])
def test_a_range_or_dimensions_alone_are_something_beside_the_other_cylinders(engine: object) -> None:
    verdict = judge_test(engine, readings(TRIPLE, 140.0, 139.0, 140.0), SEA_LEVEL)  # type: ignore[arg-type]
    assert verdict.top_end is TopEnd.LEAVE
    assert "against each other alone" not in verdict.summary


def test_a_clear_rise_of_a_cylinder_that_was_not_low_leaves_the_top_end_on() -> None:
    dry = readings(TRIPLE, 135.0, 132.0, 134.0)
    verdict = judge(readings(TRIPLE, 143.0, 162.0, 142.0), WET, dry=dry)
    rise = next(f for f in verdict.findings if f.rule is RuleName.WET_DRY and f.cylinders == ("middle",))
    assert (rise.severity, rise.causes[0]) == (Severity.WATCH, "worn or stuck rings")
    assert (verdict.word, verdict.top_end) == (VerdictWord.WATCH, TopEnd.LEAVE)


def test_a_low_reading_that_was_cut_short_is_no_second_test_beside_a_leak() -> None:
    items = readings(TRIPLE, 135.0, 110.0, 134.0)
    items[1] = replace(items[1], flags=frozenset({Flag.STILL_RISING}))
    verdict = judge(items, leak_down=[LEAKS])
    assert (verdict.word, verdict.top_end) == (VerdictWord.INVESTIGATE, TopEnd.TEST_FIRST)


def test_one_cylinder_below_the_range_is_not_taken_for_an_engine_that_reads_low_as_a_whole() -> None:
    verdict = judge(readings(TRIPLE, 131.0, 123.5, 131.0))
    told = only(verdict, RuleName.TOP_END)
    assert told.text.startswith("The top end may have to come off on middle, but a look through the exhaust port")
    every = only(judge(readings(TRIPLE, 105.0, 106.0, 105.0)), RuleName.TOP_END)
    assert every.text.startswith("Before the top end look to what makes an engine read low as a whole: throttle")
    assert every.cylinders == TRIPLE.cylinder_names


def test_the_cause_is_the_one_that_the_telling_tests_name() -> None:
    """A low two-stroke has rings first of its causes; air in the coolant comes past the gasket."""
    leaks = LeakDownValue("middle", 42.0, 4.0, (Heard.COOLANT,))
    verdict = judge(readings(TRIPLE, 135.0, 110.0, 134.0), leak_down=[leaks])
    told = only(verdict, RuleName.TOP_END)
    assert only(verdict, RuleName.LOWEST_OF_HIGHEST).causes[0] == "worn or stuck rings"
    assert "gasket" in told.causes[0]
    assert f"on middle, for {told.causes[0]} first of all" in told.text


def test_a_pressure_below_the_estimate_is_watched_and_one_above_it_is_not() -> None:
    bare = TRIPLE.model_copy(update={"band": None})
    low, high = (judge_test(bare, readings(bare, psi, psi, psi), SEA_LEVEL, unit=PSI) for psi in (85.0, 200.0))
    assert "read PTO, middle, MAG again after a few hours of running" in low.summary
    assert "read again before the season is over" in high.summary


def test_a_leak_of_a_cylinder_that_reads_well_names_no_cause_of_another_s() -> None:
    leaks = [LeakDownValue("middle", 42.0, 4.0, (Heard.CRANKCASE,)), LeakDownValue("MAG", 41.0, 4.0, (Heard.COOLANT,))]
    told = only(judge(readings(TRIPLE, 135.0, 110.0, 134.0), leak_down=leaks), RuleName.TOP_END)
    assert told.cylinders == ("middle",)
    assert not any("gasket" in cause for cause in told.causes)
    assert "for worn or stuck rings first of all" in told.text


def test_one_that_is_low_among_low_ones_is_looked_into_and_not_the_throttle_alone() -> None:
    told = only(judge(readings(TRIPLE, 118.0, 92.0, 117.0)), RuleName.TOP_END)
    assert told.text.startswith("The top end may have to come off on middle, but")


def test_a_test_of_another_cylinder_is_none_of_the_low_one() -> None:
    verdict = judge(readings(TRIPLE, 140.0, 110.0, 140.0), leak_down=[LeakDownValue("PTO", 8.0, 3.0)])
    assert "but a look through the exhaust port and a leak-down or wet test come first" in verdict.summary


def test_what_comes_first_of_a_four_stroke_has_no_ports_to_look_through() -> None:
    told = only(judge_test(FOUR, readings(FOUR, 160.0, 105.0, 158.0, 159.0), SEA_LEVEL), RuleName.TOP_END)
    assert "but a leak-down or wet test comes first: it tells rings and piston from gasket and valves" in told.text


def test_where_every_test_of_a_two_stroke_was_done_the_look_through_the_port_is_left() -> None:
    dry = readings(TRIPLE, 140.0, 110.0, 140.0)
    wet = readings(TRIPLE, 140.5, 110.5, 140.5)
    verdict = judge(wet, WET, dry=dry, leak_down=[LeakDownValue("middle", 9.0, 3.0)])
    done = only(verdict, RuleName.TOP_END)
    assert verdict.top_end is TopEnd.LIKELY
    assert "Two tests agree" in done.text
    unclear = judge(readings(TRIPLE, 140.5, 116.5, 140.5), WET, dry=dry, leak_down=[LeakDownValue("middle", 9.0, 3.0)])
    assert unclear.top_end is TopEnd.TEST_FIRST
    assert "but a look through the exhaust port comes first: it tells rings" in only(unclear, RuleName.TOP_END).text


def test_two_cylinders_with_a_cause_each_are_not_said_to_have_one() -> None:
    leaks = [LeakDownValue("middle", 42.0, 4.0, (Heard.CRANKCASE,)), LeakDownValue("MAG", 41.0, 4.0, (Heard.COOLANT,))]
    told = only(judge(readings(TRIPLE, 135.0, 108.0, 112.0), leak_down=leaks), RuleName.TOP_END)
    assert set(told.cylinders) == {"middle", "MAG"}
    assert "first of all" not in told.text
    assert "of the cause they do not" not in told.text


def test_an_engine_that_is_even_and_in_its_range_is_told_no_yet() -> None:
    verdict = judge(readings(TRIPLE, 135.0, 134.0, 135.0))
    assert verdict.word is VerdictWord.CONSISTENT
    assert only(verdict, RuleName.TOP_END).text == "Nothing in these readings asks for the top end to come off."
    items = [reading("PTO", 135.0, flags=frozenset({Flag.STILL_RISING})), *readings(TRIPLE, 135.0, 134.0, 135.0)[1:]]
    assert only(judge(items), RuleName.TOP_END).text.endswith("read again first.")
