"""The stated intervals hold where the scatter of cranking is known, for pulls that a plan picked too."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from gaugelink.bench.repeats import CRANKING_SCATTER, Repeat, Scatter
from gaugelink.engine.air import ambient_factor
from gaugelink.engine.units import PressureUnit
from gaugelink.verdict.case import lay_out
from gaugelink.verdict.difference import PullValue, ReadingValue
from gaugelink.verdict.findings import Conditions, RuleName, Rules, Severity, TopEnd, VerdictWord
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.record import past_test
from tests.benchmarks.judging import World, a_job, inside_one_test, own_interval
from tests.verdict.shop import FOUR, TRIPLE, only


def of_pulls(name: str, *behind: float, left: tuple[PullValue, ...] = ()) -> ReadingValue:
    """A reading from pulls that agree, beside others that were left out."""
    mean = sum(behind) / len(behind)
    pulls = (*(PullValue(Repeat(kpa, 1.0)) for kpa in behind), *left)
    return ReadingValue(name, mean, 20.0, 1.0 / len(behind) ** 0.5, repeats=behind, pulls=pulls, agreed=True)


def left_out(kpa: float, u_kpa: float = 1.0, *, whole: bool = True) -> PullValue:
    return PullValue(Repeat(kpa, u_kpa), counted=False, whole=whole)


@pytest.mark.parametrize(
    "world", [World(3, 2, 0.03, by_plan=False), World(3, 3, 0.03, by_plan=False), World(3, 2, 0.03), World(4, 2, 0.02)]
)
def test_the_interval_of_what_a_job_gained_holds_in_the_share_that_it_states(world: World) -> None:
    missed = a_job(world, 600, 7).missed
    assert len(missed) > 550
    assert 0.02 <= sum(missed) / len(missed) <= 0.08


@pytest.mark.parametrize("world", [World(3, 2, 0.03), World(4, 2, 0.02), World(2, 3, 0.02)])
def test_a_plan_that_picks_pulls_that_agree_makes_no_interval_too_narrow(world: World) -> None:
    found = inside_one_test(world, 800, 7)
    assert 0.02 <= sum(found.missed) / 800 <= 0.09
    assert 0.02 <= sum(found.real) / 800 <= 0.09


@pytest.mark.parametrize("world", [World(3, 2, 0.03), World(3, 3, 0.03), World(3, 2, 0.02), World(3, 2, 0.01)])
def test_a_cylinders_own_interval_holds_its_pressure_where_pulls_were_picked_for_being_alike(world: World) -> None:
    assert 0.01 <= sum(own_interval(world, 800, 7).missed) / 800 <= 0.11


@pytest.mark.parametrize(
    ("left", "share"),
    [
        ((), CRANKING_SCATTER),
        ((left_out(930.0),), pytest.approx(0.0212, rel=0.005)),
        ((left_out(930.0, whole=False),), CRANKING_SCATTER),
        ((left_out(930.0, 30.0),), CRANKING_SCATTER),
        ((left_out(800.0),), CRANKING_SCATTER),
        ((left_out(890.0),), CRANKING_SCATTER),
        ((left_out(920.0), left_out(890.0)), pytest.approx(0.0370, rel=0.005)),
    ],
    ids=["none", "told", "top not seen", "too uncertain", "a mistake", "far off alone", "not alone"],
)
def test_pulls_that_were_left_out_tell_how_cranking_scatters(left: tuple[PullValue, ...], share: float) -> None:
    """By hand: the squares of 980, 980, 930 about their mean are 2/3 of 50 squared; four degrees of freedom in all.

    Of 980, 980, 920, 890 they are 6075, and there are five."""
    values = [of_pulls("PTO", 980.0, 980.0, left=left), of_pulls("middle", 970.0, 970.0), of_pulls("MAG", 960.0, 960.0)]
    case = lay_out(TRIPLE, values, Conditions(), Rules(), PressureUnit.KPA)
    assert case.scatter.share == share
    assert (case.scatter == Scatter(CRANKING_SCATTER)) == (share == CRANKING_SCATTER)


def test_a_past_reading_hands_over_its_pulls_and_is_as_uncertain_as_all_of_them_make_it() -> None:
    values = [of_pulls("PTO", 980.0, 980.0, left=(left_out(930.0),)), of_pulls("MAG", 970.0, 970.0)]
    there = replace(Conditions(), ambient_abs_kpa=90.0)
    kept = past_test(judge_test(TRIPLE, values, there), "t", datetime(2026, 1, 1, tzinfo=UTC)).readings[0]
    carried = kept.sea_level_kpa / 980.0
    assert carried > 1.05
    assert kept.pulls == pytest.approx([980.0 * carried, 980.0 * carried, 930.0 * carried])
    own = carried * 1.0 / 2**0.5
    assert kept.u_kpa(0.03) == pytest.approx((own**2 + (0.03 * kept.sea_level_kpa) ** 2 / 2.0) ** 0.5)
    unknown = replace(kept, pulls=())
    assert unknown.u_kpa(0.03) == kept.u_random_kpa


def test_where_alike_cylinders_could_be_as_far_apart_the_pulls_are_asked_for_again() -> None:
    """The pulls on the low one and on the highest agree by chance; those on the other are 8 % apart."""
    values = [of_pulls("PTO", 840.0, 833.0), of_pulls("middle", 887.0, 962.0), of_pulls("MAG", 948.0, 964.0)]
    verdict = judge_test(TRIPLE.model_copy(update={"band": None}), values, Conditions())
    assert verdict.spread_is_real is False
    assert "no more than the" in only(verdict, RuleName.SPREAD).text
    assert verdict.word is VerdictWord.RETEST
    assert verdict.top_end is TopEnd.UNKNOWN
    finding = only(verdict, RuleName.LOWEST_OF_HIGHEST)
    assert finding.severity is Severity.RETEST
    assert "below the limit of 90 %, 860 kPa, but alike cylinders could read as far apart: read both" in finding.text
    assert finding.next_tests == ("more pulls on PTO and MAG, all cranked alike",)
    steady = [*values[:1], of_pulls("middle", 930.0, 940.0), values[2]]
    assert judge_test(TRIPLE, steady, Conditions()).word is VerdictWord.INVESTIGATE


@pytest.mark.parametrize("by_plan", [False, True])
def test_a_cylinder_at_the_limit_is_not_passed_for_the_scatter_of_the_pulls(by_plan: bool) -> None:
    low = inside_one_test(World(3, 2, 0.03, by_plan=by_plan, low=0.10), 300, 11)
    assert low.share(VerdictWord.CONSISTENT) < 8.0
    sound = inside_one_test(World(3, 2, 0.03, by_plan=by_plan), 300, 11)
    assert sound.share(VerdictWord.CONSISTENT) > 70.0
    assert sound.share(VerdictWord.INVESTIGATE) < 1.0
    steady = inside_one_test(World(3, 2, 0.01, by_plan=by_plan), 300, 11)
    assert steady.share(VerdictWord.CONSISTENT) > 99.0


@pytest.mark.parametrize("by_plan", [False, True])
@pytest.mark.parametrize("scatter", [0.01, 0.02, 0.03])
def test_a_cylinder_just_at_the_limit_is_seldom_called_below_it_however_much_cranking_scatters(
    scatter: float, by_plan: bool
) -> None:
    """Guarded rejection by the expanded uncertainty, JCGM 106:2012, 8.3.3 (from memory): 2.5 % by one side, and more
    by as much as the higher of two sound cylinders is above its own pressure."""
    at_the_limit = inside_one_test(World(3, 2, scatter, by_plan=by_plan, low=0.10), 400, 11)
    assert at_the_limit.share(VerdictWord.INVESTIGATE) < 7.0
    far_below = inside_one_test(World(3, 2, scatter, by_plan=by_plan, low=0.20), 400, 11)
    assert far_below.share(VerdictWord.INVESTIGATE) > 65.0


def test_a_cylinder_whose_own_pulls_scatter_more_than_the_others_is_less_certain() -> None:
    """By all its pulls, not by the three that agree, in a test; over the seasons by those of all tests."""
    odd = inside_one_test(World(4, 3, 0.01, 0.04), 600, 5)
    assert sum(odd.missed) / 600 <= 0.15
    job = a_job(World(3, 3, 0.01, 0.04, by_plan=False, tests=3), 200, 5)
    assert sum(job.missed) / 200 <= 0.09


def test_a_wet_reading_is_as_certain_wherever_it_was_taken() -> None:
    """Carried to the air of the dry test with its pulls, those that were left out as well."""
    dry = [of_pulls(name, 900.0, 905.0) for name in TRIPLE.cylinder_names]
    wet = [of_pulls(name, 985.0, 975.0, left=(left_out(920.0),)) for name in TRIPLE.cylinder_names]
    here = Conditions(ambient_u_kpa=0.0)
    high = replace(here, ambient_abs_kpa=80.0)
    factor = ambient_factor(high.ambient_abs_kpa)
    thin = [
        of_pulls(name, 985.0 * factor, 975.0 * factor, left=(left_out(920.0 * factor),))
        for name in TRIPLE.cylinder_names
    ]
    found = [
        [
            f.u_kpa
            for f in judge_test(TRIPLE, values, replace(there, wet=True), dry=dry, dry_conditions=here).findings
            if f.rule is RuleName.WET_DRY
        ]
        for values, there in ((wet, here), (thin, high))
    ]
    assert found[1] == pytest.approx(found[0], rel=0.001)


def test_two_neighbours_that_read_nothing_beside_pulls_that_scatter_are_judged() -> None:
    pulls = ((900.0, 940.0), (0.0, 0.0), (0.0, 0.0), (950.0, 900.0))
    values = [
        ReadingValue(name, sum(peaks) / 2.0, 20.0, 0.0, repeats=peaks)
        for name, peaks in zip(FOUR.cylinder_names, pulls, strict=True)
    ]
    verdict = judge_test(FOUR, values, Conditions())
    assert verdict.word is VerdictWord.INVESTIGATE
    assert only(verdict, RuleName.NEIGHBOURS_LOW).cylinders == FOUR.cylinder_names[1:3]
