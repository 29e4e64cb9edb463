"""Cylinders against each other: what is told is what was read, and each rule holds just as far as it says."""

from dataclasses import replace

import pytest

from gaugelink.engine.fleet import EngineRecord, parse_engine
from gaugelink.peak.events import Flag
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Finding, RuleName, Rules, Severity, TopEnd, VerdictWord
from gaugelink.verdict.judge import judge_test
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, judge, only, reading, readings, rules_of

UNMEASURED = TRIPLE.model_copy(update={"bore_mm": None, "band": None})
TWIN = parse_engine('id = "twin"\nname = "Twin"\ncycle = 2\nlayout = "side_named"\ncylinders = 2\n', "twin.toml")


def test_two_cylinders_are_compared_as_well_as_three() -> None:
    verdict = judge_test(TWIN, readings(TWIN, 135.0, 110.0), SEA_LEVEL, unit=PSI)
    assert only(verdict, RuleName.LOWEST_OF_HIGHEST).cylinders == ("MAG", "PTO")
    assert only(verdict, RuleName.SPREAD).numbers["spread_kpa"] == pytest.approx(PSI.to_kpa(25.0))
    assert (verdict.word, verdict.top_end) == (VerdictWord.INVESTIGATE, TopEnd.TEST_FIRST)
    # Of two nobody can say which is the odd one, and no two of them are low together.
    assert not rules_of(verdict) & {RuleName.ODD_CYLINDER, RuleName.NEIGHBOURS_LOW}


def test_a_twin_s_low_cylinder_is_watched_as_well_as_a_triple_s() -> None:
    verdict = judge_test(TWIN, readings(TWIN, 145.0, 134.0), SEA_LEVEL, unit=PSI)
    assert only(verdict, RuleName.LOWEST_OF_HIGHEST).severity is Severity.WATCH
    assert "needs no watching" not in only(verdict, RuleName.SPREAD).text


@pytest.mark.parametrize(
    ("flag", "firm"),
    [
        (Flag.STILL_RISING, True),
        (Flag.OVER_RANGE, True),
        (Flag.FEW_STROKES, True),
        (Flag.LOST_SAMPLES, True),
        (Flag.POOR_FIT, False),
        (Flag.SHORT_RECORD, False),
    ],
)
def test_a_highest_reading_is_a_measure_where_the_pressure_is_at_least_what_it_shows(flag: Flag, firm: bool) -> None:
    """A pull cut short, or past the gauge's range, was higher yet; a trace that is none of a cylinder says nothing.

    Two neighbours are low together beside it alone: no gasket either.
    """
    items = readings(TRIPLE, 140.0, 110.0, 120.0)
    items[0] = replace(items[0], flags=frozenset({flag}))
    verdict = judge_test(UNMEASURED, items, SEA_LEVEL)
    low = next(f for f in verdict.findings if f.rule is RuleName.LOWEST_OF_HIGHEST)
    assert low.cylinders == ("middle", "PTO")
    assert low.firm is firm
    assert verdict.word is (VerdictWord.INVESTIGATE if firm else VerdictWord.RETEST)


def test_a_highest_reading_whose_pulls_disagree_is_no_measure() -> None:
    items = [replace(one, agreed=one.cylinder != "PTO") for one in readings(TRIPLE, 140.0, 110.0, 120.0)]
    verdict = judge_test(UNMEASURED, items, SEA_LEVEL)
    assert not next(f for f in verdict.findings if f.rule is RuleName.LOWEST_OF_HIGHEST).firm
    assert verdict.word is VerdictWord.RETEST


def test_a_low_reading_that_may_be_higher_is_read_again() -> None:
    items = readings(TRIPLE, 140.0, 110.0, 139.0)
    items[1] = replace(items[1], flags=frozenset({Flag.FEW_STROKES}))
    assert judge_test(UNMEASURED, items, SEA_LEVEL).word is VerdictWord.RETEST


def test_what_is_told_of_lowest_and_highest_is_what_was_read() -> None:
    """110 of 135 psi are 81.5 %, 25 psi or 18.5 % less; nine tenths of 135 are 121.5."""
    verdict = judge(readings(TRIPLE, 135.0, 110.0, 134.0))
    spread = only(verdict, RuleName.SPREAD)
    assert spread.text.startswith("Spread 25.0 psi, 18.5 % of the highest: more than the ")
    assert spread.numbers["spread_percent"] == pytest.approx(100.0 * 25.0 / 135.0) == verdict.spread_percent
    assert spread.cylinders == ("PTO", "middle")
    low = only(verdict, RuleName.LOWEST_OF_HIGHEST)
    assert low.text == "middle at 110 psi is 81 % of the highest, PTO at 135 psi: below the limit of 90 %, 122 psi."
    assert low.numbers["lowest_percent"] == pytest.approx(100.0 * 110.0 / 135.0)
    assert low.numbers["limit_kpa"] == pytest.approx(PSI.to_kpa(121.5))


@pytest.mark.parametrize(("low_psi", "watched"), [(136.5, False), (134.0, True)])
def test_no_cylinder_that_is_watched_is_said_to_need_no_watching(low_psi: float, watched: bool) -> None:
    """Both are really lower; 94 % of 145 psi are 136.3."""
    verdict = judge(readings(TRIPLE, 145.0, low_psi, 144.0))
    assert "so it is real" in only(verdict, RuleName.SPREAD).text
    assert ("needs no watching" in only(verdict, RuleName.SPREAD).text) is not watched
    assert verdict.word is (VerdictWord.WATCH if watched else VerdictWord.CONSISTENT)


def test_a_maker_s_limit_that_is_stricter_than_the_shop_s_watching_is_watched_too() -> None:
    """97 % of 145 psi are 140.7: 138 is within the 6 % that the shop lets pass, and not within the maker's 3."""
    strict = TRIPLE.model_copy(update={"lowest_percent": 97.0})
    verdict = judge_test(strict, readings(strict, 145.0, 138.0, 145.0), SEA_LEVEL, unit=PSI)
    assert "so it is real." in only(verdict, RuleName.SPREAD).text
    assert verdict.word is VerdictWord.WATCH


def test_below_the_limit_by_less_than_can_be_told_is_said_to_be() -> None:
    """120.5 of 135 psi are 89 %; what is uncertain of the limit is 4 psi."""
    verdict = judge(readings(TRIPLE, 135.0, 120.5, 134.0))
    low = only(verdict, RuleName.LOWEST_OF_HIGHEST)
    assert low.severity is Severity.WATCH
    assert low.text.endswith("below the limit of 90 %, 122 psi, but by less than the readings can tell.")


def test_whose_limit_it_is_goes_by_the_engine() -> None:
    own = TRIPLE.model_copy(update={"lowest_percent": 92.0})
    told = {
        only(judge_test(engine, values, SEA_LEVEL), RuleName.LOWEST_OF_HIGHEST).source
        for engine, values in (
            (TRIPLE, readings(TRIPLE, 135.0, 134.0, 135.0)),
            (FOUR, readings(FOUR, 165.0, 164.0, 165.0, 165.0)),
            (own, readings(TRIPLE, 135.0, 134.0, 135.0)),
        )
    }
    assert len(told) == 3
    assert "the engine's record" in told
    assert any(source.startswith("two-stroke practice") for source in told)
    assert any(source.startswith("four-stroke service manuals") for source in told)


def test_a_cylinder_that_is_surely_low_is_not_hidden_by_a_lower_one_that_nobody_can_tell() -> None:
    """The middle one was read to no better than two fifths: MAG is 23 psi below PTO all the same."""
    items = [reading("PTO", 135.0), reading("middle", 108.0, random_fraction=0.2), reading("MAG", 112.0)]
    verdict = judge(items)
    found = {f.cylinders[0]: f for f in verdict.findings if f.rule is RuleName.LOWEST_OF_HIGHEST}
    assert found["middle"].severity is Severity.RETEST
    assert not found["middle"].firm
    assert (found["MAG"].severity, found["MAG"].firm) == (Severity.INVESTIGATE, True)
    assert verdict.word is VerdictWord.INVESTIGATE


def test_of_several_that_are_surely_low_the_lowest_is_told_beside_one_in_doubt() -> None:
    items = readings(FOUR, 160.0, 90.0, 110.0, 100.0)
    items[1] = replace(items[1], flags=frozenset({Flag.STILL_RISING}))
    verdict = judge_test(FOUR, items, SEA_LEVEL)
    told = [(f.cylinders[0], f.firm) for f in verdict.findings if f.rule is RuleName.LOWEST_OF_HIGHEST]
    assert sorted(told) == [("2", False), ("4", True)]
    assert verdict.word is VerdictWord.INVESTIGATE


def odd(*psi: float, rules: Rules | None = None) -> tuple[Finding, ...]:
    found = judge_test(TRIPLE, readings(TRIPLE, *psi), SEA_LEVEL, rules, unit=PSI).findings
    return tuple(finding for finding in found if finding.rule is RuleName.ODD_CYLINDER)


def test_the_odd_one_is_told_on_the_side_on_which_it_lies() -> None:
    (low,), (high,) = odd(135.0, 110.0, 134.0), odd(110.0, 135.0, 111.0)
    assert low.text == "middle is the odd one: 24.5 psi below the others, which lie within 1.0 psi of each other."
    assert high.text == "middle is the odd one: 24.5 psi above the others, which lie within 1.0 psi of each other."
    assert low.numbers["gap_kpa"] == pytest.approx(PSI.to_kpa(-24.5)) == -high.numbers["gap_kpa"]
    assert low.numbers["others_spread_kpa"] == pytest.approx(PSI.to_kpa(1.0))


def test_none_is_odd_where_the_others_lie_far_apart_themselves() -> None:
    """29 psi off two that are 10 psi apart is less than three times that, 31 psi is more."""
    assert not odd(150.0, 116.0, 140.0)
    assert odd(150.0, 114.0, 140.0)
    assert odd(150.0, 116.0, 140.0, rules=Rules(odd_times=2.0))


def test_none_is_odd_by_less_than_alike_cylinders_show() -> None:
    assert not odd(135.0, 133.5, 135.0)
    # Three times their spread and more, and yet 4.1 psi from the nearest of them: alike ones show 4.7.
    assert not odd(135.8, 130.1, 134.2)
    assert odd(135.8, 129.0, 135.0)


def test_an_odd_one_whose_pulls_disagree_is_not_firm() -> None:
    items = [replace(one, agreed=one.cylinder != "middle") for one in readings(TRIPLE, 135.0, 110.0, 134.0)]
    assert not only(judge(items), RuleName.ODD_CYLINDER).firm


def test_two_cylinders_low_side_by_side_are_told_beside_the_rest() -> None:
    """Half of 165 and 164, less half of 118 and 120 psi."""
    verdict = judge_test(FOUR, readings(FOUR, 165.0, 118.0, 120.0, 164.0), SEA_LEVEL, unit=PSI)
    found = only(verdict, RuleName.NEIGHBOURS_LOW)
    assert found.numbers["gap_kpa"] == pytest.approx(PSI.to_kpa(45.5))
    assert found.numbers["pair_apart_kpa"] == pytest.approx(PSI.to_kpa(2.0))
    assert "2 and 3 lie side by side and are low together, by 45.5 psi" in found.text
    assert found.next_tests == ("leak-down test on 2 and listen at the plug hole of 3",)


@pytest.mark.parametrize("psi", [(165.0, 118.0, 120.0, 122.0), (165.0, 130.0, 100.0, 164.0)])
def test_three_low_ones_or_two_unlike_ones_point_at_no_gasket_between_two(psi: tuple[float, ...]) -> None:
    """The second two are 30 psi apart, more than half of what they lie below the rest."""
    assert RuleName.NEIGHBOURS_LOW not in rules_of(judge_test(FOUR, readings(FOUR, *psi), SEA_LEVEL))


@pytest.mark.parametrize("psi", [(165.0, 128.0, 118.0, 164.0), (165.0, 118.0, 128.0, 164.0)])
def test_one_of_two_neighbours_below_the_limit_is_enough_to_look_between_them(psi: tuple[float, ...]) -> None:
    """Three quarters of 165 psi are 124."""
    verdict = judge_test(FOUR, readings(FOUR, *psi), SEA_LEVEL)
    assert only(verdict, RuleName.NEIGHBOURS_LOW).severity is Severity.INVESTIGATE


def test_two_neighbours_that_were_cranked_slower_than_the_rest_are_read_again_first() -> None:
    """A battery that runs down from 250 to 150 rpm takes more off than these two lack."""
    speeds = (250.0, 150.0, 150.0, 250.0)
    values = zip(FOUR.cylinder_names, (165.0, 118.0, 120.0, 164.0), speeds, strict=True)
    verdict = judge_test(FOUR, [reading(name, psi, rpm=rpm) for name, psi, rpm in values], SEA_LEVEL)
    assert only(verdict, RuleName.NEIGHBOURS_LOW).severity is Severity.WATCH
    assert verdict.word is VerdictWord.RETEST


@pytest.mark.parametrize(("fourth_psi", "word"), [(164.0, VerdictWord.INVESTIGATE), (138.0, VerdictWord.RETEST)])
def test_two_neighbours_are_low_beside_a_reading_that_is_not_in_doubt_or_beside_none(
    fourth_psi: float, word: VerdictWord
) -> None:
    """The highest does not look like a cranked cylinder: alone it is no measure, beside a sound one it need not be."""
    items = readings(FOUR, 165.0, 118.0, 120.0, fourth_psi)
    items[0] = replace(items[0], flags=frozenset({Flag.POOR_FIT}))
    assert judge_test(FOUR, items, SEA_LEVEL).word is word


@pytest.mark.parametrize(
    ("pulls_psi", "word"), [((162.0, 171.0), VerdictWord.INVESTIGATE), ((118.0, 215.0), VerdictWord.RETEST)]
)
def test_of_pulls_that_disagree_the_lowest_tells_whether_two_neighbours_are_low(
    pulls_psi: tuple[float, float], word: VerdictWord
) -> None:
    """Three quarters of 162 psi are 122, of 118 they are 89."""
    values = [
        reading(name, sum(pulls) / 2.0, repeats_psi=pulls)
        for name, pulls in zip(FOUR.cylinder_names, (pulls_psi, (89.0, 91.0), (85.0, 85.0)), strict=False)
    ]
    three = FOUR.model_copy(update={"cylinders": FOUR.cylinders[:3]})
    verdict = judge_test(three, values, SEA_LEVEL)
    assert verdict.word is word


def first_strokes(engine: EngineRecord, low: ReadingValue, rest_psi: float) -> list[Finding]:
    """Hints of the first stroke on a low second cylinder, the others reaching six tenths with it."""
    items = [reading(name, rest_psi, first_psi=0.6 * rest_psi) for name in engine.cylinder_names]
    items[1] = low
    return [f for f in judge_test(engine, items, SEA_LEVEL).findings if f.rule is RuleName.FIRST_STROKE]


@pytest.mark.parametrize(("engine", "blamed"), [(FOUR, "valve"), (TRIPLE, "head gasket or O-ring")])
@pytest.mark.parametrize(("share", "climbs"), [(0.45, True), (0.6, False)])
def test_how_a_low_cylinder_climbs_is_laid_to_what_its_kind_of_engine_has(
    engine: EngineRecord, blamed: str, share: float, climbs: bool
) -> None:
    """Service-manual practice: rings build up over strokes; below 88 % of what the others reach it is climbing."""
    name = engine.cylinder_names[1]
    (found,) = first_strokes(engine, reading(name, 100.0, first_psi=100.0 * share), 150.0)
    assert f"{100.0 * share:.0f} % of its end" in found.text or not climbs
    assert blamed in found.text
    assert ("rings or bore do so" in found.text) is climbs
    assert (found.causes[0] == "worn or stuck rings") is climbs
    assert climbs or found.causes[0].startswith(blamed)
    assert "worn or stuck rings" in found.causes
    assert len(found.next_tests) == 2
    assert (found.numbers["climbing"], found.numbers["others_percent"]) == (float(climbs), pytest.approx(60.0))


def test_nothing_is_made_of_the_first_stroke_of_a_pull_in_doubt_or_that_was_not_seen() -> None:
    low = reading("middle", 100.0, first_psi=45.0)
    assert first_strokes(TRIPLE, low, 150.0)
    assert not first_strokes(TRIPLE, replace(low, flags=frozenset({Flag.STILL_RISING})), 150.0)
    assert not first_strokes(TRIPLE, replace(low, first_stroke_kpa=None), 150.0)
    assert not first_strokes(TRIPLE, replace(low, peak_kpa=0.0, first_stroke_kpa=0.0), 150.0)


def unseen(engine: EngineRecord, cut: tuple[str, ...], *psi: float) -> list[ReadingValue]:
    """Readings of which those of `cut` rose to the end of their pulls."""
    rising = frozenset({Flag.STILL_RISING})
    return [replace(one, flags=rising) if one.cylinder in cut else one for one in readings(engine, *psi)]


def test_a_low_reading_whose_top_was_not_seen_shows_no_difference_and_no_odd_cylinder() -> None:
    verdict = judge_test(TRIPLE, unseen(TRIPLE, ("PTO",), 113.0, 134.0, 135.0), SEA_LEVEL, unit=PSI)
    spread = only(verdict, RuleName.SPREAD).text
    assert spread.startswith("Spread at most 22.0 psi, 16.3 % of the highest: ")
    assert spread.endswith("the top of PTO was not seen, so no difference is shown.")
    assert verdict.spread_is_real is False
    assert verdict.spread_bound == "at most "
    assert RuleName.ODD_CYLINDER not in rules_of(verdict)
    share = only(verdict, RuleName.LOWEST_OF_HIGHEST).text
    assert "below the limit of 90 %, 122 psi, but PTO may have more than it shows: its top was not seen." in share
    assert "113 psi. PTO may have more: the top was not seen." in only(verdict, RuleName.BAND).text
    assert verdict.word is VerdictWord.RETEST


def test_two_neighbours_that_were_not_seen_to_their_tops_are_not_low_together() -> None:
    def of(cut: tuple[str, ...]) -> set[RuleName]:
        return rules_of(judge_test(FOUR, unseen(FOUR, cut, 110.0, 111.0, 150.0, 151.0), SEA_LEVEL, unit=PSI))

    assert RuleName.NEIGHBOURS_LOW in of(())
    assert RuleName.NEIGHBOURS_LOW not in of(("2",))


def test_a_highest_whose_top_was_not_seen_makes_the_spread_a_least_one_and_clears_nobody() -> None:
    even = judge_test(TRIPLE, unseen(TRIPLE, ("MAG",), 134.0, 135.0, 136.0), SEA_LEVEL, unit=PSI)
    assert only(even, RuleName.SPREAD).text.startswith("Spread at least 2.0 psi")
    assert only(even, RuleName.SPREAD).text.endswith("could show, as far as MAG was seen.")
    assert only(even, RuleName.LOWEST_OF_HIGHEST).text.endswith(", but MAG may have more than it shows.")
    low = judge_test(TRIPLE, unseen(TRIPLE, ("MAG",), 113.0, 135.0, 136.0), SEA_LEVEL, unit=PSI)
    assert "so it is real" in only(low, RuleName.SPREAD).text
    assert low.spread_is_real is True
    both = judge_test(TRIPLE, unseen(TRIPLE, ("PTO", "MAG"), 113.0, 135.0, 136.0), SEA_LEVEL, unit=PSI)
    assert only(both, RuleName.SPREAD).text.startswith("Spread 23.0 psi")
    assert "the top of MAG and PTO was not seen" in only(both, RuleName.SPREAD).text
