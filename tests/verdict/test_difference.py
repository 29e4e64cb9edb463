"""Differences: what a gauge shares between two readings cancels. Against the GUM's arithmetic and GTC."""

from dataclasses import replace
from datetime import date
from math import hypot
from statistics import fmean

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.bench.repeats import CRANKING_SCATTER, Scatter, common_u_kpa, own_u_kpa, pooled_scatter
from gaugelink.engine.calibration import CalibrationPoint, CalibrationRecord
from gaugelink.peak.events import (
    BudgetLine,
    CrankingEvent,
    EngineHints,
    Flag,
    GaugeKind,
    GaugeTraits,
    Method,
)
from gaugelink.peak.judge import judge
from gaugelink.verdict.corrected import corrected_event
from gaugelink.verdict.difference import (
    ReadingValue,
    SharedError,
    difference,
    factor_among,
    u_of_combination,
    u_of_one_kpa,
    u_of_pair_kpa,
)
from gaugelink.verdict.findings import Conditions
from gaugelink.verdict.judge import judge_test
from tests.peak.shapes import clock, closed, feed, pulses, shown, stairs
from tests.verdict.shop import TRIPLE, reading


def pulled(cylinder: str, pulls: list[CrankingEvent]) -> ReadingValue:
    """The mean of pulls, with what they do not share averaged out."""
    peaks = tuple(pull.peak_kpa for pull in pulls)
    random = hypot(*(own_u_kpa(pull) for pull in pulls)) / len(pulls)
    common = max(common_u_kpa(pull) for pull in pulls)
    return ReadingValue(
        cylinder=cylinder,
        peak_kpa=fmean(peaks),
        peak_u_kpa=2.0 * hypot(random, common),
        u_random_kpa=random,
        repeats=peaks if len(peaks) > 1 else (),
        cranking_rpm=pulls[0].cranking_rpm,
        first_stroke_kpa=pulls[0].first_stroke_kpa,
    )


def event(
    peak_kpa: float, u_random_kpa: float = 3.0, u_common_kpa: float = 8.0, flags: frozenset[Flag] = frozenset()
) -> CrankingEvent:
    """A live event with a budget of one random and one common line."""
    return CrankingEvent(
        kind=GaugeKind.LIVE,
        start_s=0.0,
        end_s=1.0,
        peak_kpa=peak_kpa,
        peak_u_kpa=2.0 * (u_random_kpa**2 + u_common_kpa**2) ** 0.5,
        method=Method.FITTED,
        cranking_rpm=400.0,
        strokes=(),
        flags=flags,
        budget=(BudgetLine("sampling and noise", u_random_kpa), BudgetLine("calibration", u_common_kpa, common=True)),
        first_stroke_kpa=0.6 * peak_kpa,
    )


def test_ten_resistors_of_the_gum_add_up_and_two_of_them_subtract_to_nothing() -> None:
    """JCGM 100:2008, 5.2.2, example: ten resistors of 1,000 ohm, each calibrated with the same standard, u = 0.1 ohm.

    In series their errors are fully correlated: u = 10 * 0.1 = 1 ohm, not 0.32. The difference of two has none.
    """
    shared = SharedError(gain=0.1 / 1000.0)
    assert u_of_combination([1.0] * 10, [1000.0] * 10, [0.0] * 10, shared) == pytest.approx(1.0)
    assert u_of_combination([1.0] * 10, [1000.0] * 10, [0.1] * 10, SharedError()) == pytest.approx(0.316, abs=0.001)
    assert u_of_combination([1.0, -1.0], [1000.0] * 2, [0.0] * 2, shared) == pytest.approx(0.0, abs=1e-12)


@given(
    a=st.floats(300.0, 1500.0),
    b=st.floats(300.0, 1500.0),
    gain=st.floats(0.0, 0.05),
    offset=st.floats(0.0, 30.0),
    u_a=st.floats(0.1, 20.0),
    u_b=st.floats(0.1, 20.0),
)
def test_a_difference_has_the_uncertainty_that_gtc_propagates(
    a: float, b: float, gain: float, offset: float, u_a: float, u_b: float
) -> None:
    shared_gain, shared_offset = GTC.ureal(1.0, gain), GTC.ureal(0.0, offset)
    reading_a = GTC.ureal(a, u_a) * shared_gain + shared_offset
    reading_b = GTC.ureal(b, u_b) * shared_gain + shared_offset
    ours = u_of_combination((1.0, -1.0), (a, b), (u_a, u_b), SharedError(offset_kpa=offset, gain=gain))
    assert ours == pytest.approx(GTC.uncertainty(reading_a - reading_b), rel=1e-6)


def test_two_alike_readings_are_told_apart_by_the_random_part_alone() -> None:
    gap = difference(reading("PTO", 135.0), reading("MAG", 135.0))
    assert gap.kpa == 0.0
    assert gap.u_kpa == pytest.approx(2.0 * 2**0.5 * 0.004 * 135.0 * 6.894757, rel=1e-6)


def test_a_poor_gauge_still_compares_well() -> None:
    good = difference(reading("PTO", 140.0), reading("MAG", 130.0), Scatter(0.01))
    poor = difference(
        reading("PTO", 140.0, common_fraction=0.05), reading("MAG", 130.0, common_fraction=0.05), Scatter(0.01)
    )
    assert poor.u_kpa < 1.1 * good.u_kpa
    assert poor.is_real


def test_scatter_that_was_seen_counts_more_than_scatter_that_is_assumed() -> None:
    calm = pulled("PTO", [event(900.0), event(901.0)])
    wild = pulled("PTO", [event(870.0), event(930.0)])
    assert u_of_one_kpa(wild, 0.01) > 3.0 * u_of_one_kpa(calm, 0.01)


def test_an_event_is_corrected_by_the_points_and_an_overdue_one_is_flagged() -> None:
    record = CalibrationRecord(
        gauge="bench-1",
        span=2000.0,
        done_on=date(2026, 1, 10),
        due_on=date(2027, 1, 10),
        point=(
            CalibrationPoint(reference=0.0, indicated=5.0, u=2.0),
            CalibrationPoint(reference=1000.0, indicated=1025.0, u=2.0),
        ),
    )
    in_time = corrected_event(event(900.0), record, date(2026, 6, 1))
    # The zero is off the peak already: of the error at 900 kPa only what is beyond the error at the zero remains.
    assert in_time.peak_kpa == pytest.approx(900.0 - (record.error_kpa(900.0) - 5.0))
    assert [line.source for line in in_time.budget] == ["sampling and noise", "calibration"]
    assert in_time.peak_u_kpa == pytest.approx(2.0 * (3.0**2 + record.u_kpa(900.0) ** 2) ** 0.5)
    assert Flag.CALIBRATION_OVERDUE not in in_time.flags
    assert Flag.CALIBRATION_OVERDUE in corrected_event(event(900.0), record, date(2027, 2, 1)).flags


def test_two_gauges_share_nothing_so_nothing_cancels() -> None:
    a, b = reading("PTO", 140.0), reading("MAG", 130.0)
    one = difference(replace(a, gauge="left"), replace(b, gauge="left"))
    two = difference(replace(a, gauge="left"), replace(b, gauge="right"))
    assert one == difference(a, b)
    # Each has 0.4 % random and 1 % common: all of it counts.
    assert two.u_kpa == pytest.approx(2.0 * 0.0107703 * (a.peak_kpa**2 + b.peak_kpa**2) ** 0.5, rel=1e-4)


@pytest.mark.parametrize(("one", "other"), [("", ""), ("left", ""), ("", "left"), ("left", "left")])
def test_a_gauge_that_is_not_named_is_the_one_that_was_there(one: str, other: str) -> None:
    a, b = replace(reading("PTO", 140.0), gauge=one), replace(reading("MAG", 130.0), gauge=other)
    assert a.same_gauge(b)
    assert difference(a, b) == difference(reading("PTO", 140.0), reading("MAG", 130.0))


@pytest.mark.parametrize("share", [1.0, 0.9, 0.75])
def test_a_limit_is_doubted_by_the_worst_that_the_gauge_s_common_error_may_be_made_of(share: float) -> None:
    """GTC, for a cylinder at the share of the highest that is its limit: a gain, an offset, or some of both."""
    high, low = reading("PTO", 160.0, common_fraction=0.03), reading("MAG", share * 159.0, common_fraction=0.03)

    def propagated(of_offset: float) -> float:
        gain = GTC.ureal(1.0, 0.03 * (1.0 - of_offset) ** 0.5)
        offset = GTC.ureal(0.0, 0.03 * high.peak_kpa * of_offset**0.5)
        a, b = (GTC.ureal(one.peak_kpa, one.u_random_kpa) * gain + offset for one in (high, low))
        return float(GTC.uncertainty(share * a - b))

    ours = u_of_pair_kpa((share, high), (-1.0, low), [one.u_random_kpa for one in (high, low)])
    assert ours == pytest.approx(max(propagated(of_offset) for of_offset in np.linspace(0.0, 1.0, 11)), rel=1e-6)


@pytest.mark.parametrize("kind", list(GaugeKind))
def test_what_a_pull_alone_is_uncertain_by_does_not_hang_on_the_gauge_s_accuracy(kind: GaugeKind) -> None:
    """The gauge's accuracy is another line of the budget: the rest of it is the same pull's."""
    t = clock(12.0, 100.0)
    pressure = shown(pulses(t, 5.0, 8) if kind is GaugeKind.LIVE else stairs(t, 3.0, 9), noise_kpa=4.0)
    differences = []
    for accuracy_u_kpa in (5.0, 10.0, 40.0):
        traits = GaugeTraits(kind=kind, accuracy_u_kpa=accuracy_u_kpa)
        (samples,) = closed(feed(t, pressure, traits=traits))
        pull = judge(samples, traits, EngineHints(cycle=2))
        listed = hypot(*(line.u_kpa for line in pull.budget if not line.common))
        assert own_u_kpa(pull) == pytest.approx(listed, rel=0.05)
        alike = pulled("PTO", [pull])
        differences.append(difference(alike, alike).u_kpa)
    assert differences[0] == pytest.approx(2.0 * 2**0.5 * listed, rel=0.05)
    assert differences == pytest.approx([differences[0]] * 3, rel=0.05)


@pytest.mark.parametrize("factor", [1.96, 2.0, 2.6, 4.3])
def test_what_few_degrees_of_freedom_add_is_the_pull_s_own(factor: float) -> None:
    """Student's t (JCGM 100:2008, G.3.2): 4.3 for two degrees, 1.96 for many."""
    pull = replace(event(930.0, 5.0, 0.0), peak_u_kpa=5.0 * factor)
    assert own_u_kpa(pull) == pytest.approx(max(5.0, 5.0 * factor / 2.0))
    assert own_u_kpa(replace(pull, budget=())) == pytest.approx(5.0 * factor / 2.0)


def test_a_calibration_leaves_a_pull_its_own_uncertainty() -> None:
    record = CalibrationRecord(
        gauge="red",
        span=1600.0,
        done_on=date(2026, 1, 1),
        point=(CalibrationPoint(reference=0, indicated=0, u=2), CalibrationPoint(reference=1500, indicated=1500, u=4)),
    )
    pull = event(930.0, 1.7, 20.0)
    stated = replace(pull, peak_u_kpa=1.96 * hypot(1.7, 20.0))
    new = corrected_event(stated, record, date(2026, 2, 1))
    assert own_u_kpa(new) == pytest.approx(1.7)
    assert new.peak_u_kpa == pytest.approx(2.0 * hypot(1.7, record.u_kpa(930.0)))


@pytest.mark.parametrize(("count", "q"), [(3, 3.31), (4, 3.63), (6, 4.03), (8, 4.29), (12, 4.62)])
def test_a_difference_picked_out_of_many_needs_the_studentized_range(count: int, q: float) -> None:
    """Upper 5 % points of the studentized range, infinite degrees of freedom: Pearson and Hartley, Biometrika Tables
    for Statisticians, volume 1, table 29."""
    assert factor_among(count) == pytest.approx(q / 2**0.5, abs=0.005)
    a, b = reading("PTO", 140.0), reading("MAG", 130.0)
    picked, alone = difference(a, b, Scatter(0.01), count), difference(a, b, Scatter(0.01))
    assert picked.u_kpa / alone.u_kpa == pytest.approx(q / 2**0.5 / 2.0, abs=0.005)
    poor = difference(
        reading("PTO", 140.0, common_fraction=0.05), reading("MAG", 140.0, common_fraction=0.05), Scatter(0.01), count
    )
    alike = difference(reading("PTO", 140.0), reading("MAG", 140.0), Scatter(0.01), count)
    assert poor.u_kpa == pytest.approx(alike.u_kpa)


def test_two_readings_are_picked_from_nothing() -> None:
    assert [factor_among(count) for count in (0, 1, 2)] == [2.0, 2.0, 2.0]


def test_the_factor_for_a_scatter_that_few_pulls_show_is_student_s() -> None:
    """Student's t for 95 %: JCGM 100:2008, table G.2. 5 % point of the studentized range for 3 and 10: Pearson and
    Hartley, Biometrika Tables for Statisticians, volume 1, table 29."""
    assert [factor_among(2, freedom) for freedom in (2, 5)] == pytest.approx([4.30, 2.57], abs=0.005)
    assert factor_among(3, 10) == pytest.approx(3.88 / 2**0.5, abs=0.005)


def test_pulls_of_all_cylinders_tell_the_scatter_of_cranking_together() -> None:
    seen = pooled_scatter([(970.0, 1030.0), (485.0, 515.0), (900.0,)])
    assert (seen.share, seen.freedom) == (pytest.approx(0.03 * 2**0.5), 2)
    assert pooled_scatter([(1000.0, 1001.0), (500.0, 500.0)]) == Scatter(CRANKING_SCATTER)
    assert pooled_scatter([]) == Scatter(CRANKING_SCATTER)


@pytest.mark.parametrize(("cylinders", "pulls", "scatter"), [(2, 2, 0.02), (2, 2, 0.03), (4, 2, 0.03), (3, 3, 0.02)])
def test_the_interval_of_a_difference_holds_in_the_share_of_tests_that_it_states(
    cylinders: int, pulls: int, scatter: float
) -> None:
    rng, held, tests = np.random.default_rng(40_001), 0, 4000
    names = ["PTO", "CTR", "MAG", "FAR"][:cylinders]
    for _ in range(tests):
        peaks = 900.0 * (1.0 + scatter * rng.standard_normal((cylinders, pulls)))
        made = [
            pulled(name, [event(float(peak), 2.0) for peak in of_one])
            for name, of_one in zip(names, peaks, strict=True)
        ]
        gap = difference(made[0], made[1], pooled_scatter([one.repeats for one in made]))
        held += abs(gap.kpa) <= gap.u_kpa
    assert 0.925 <= held / tests <= 0.98


def test_a_test_whose_pulls_scatter_says_less_of_two_cylinders_whose_own_agree_by_chance() -> None:
    pulls = {"PTO": (900.0, 900.0), "middle": (870.0, 930.0), "MAG": (900.0, 900.0)}
    made = [pulled(name, [event(peak) for peak in peaks]) for name, peaks in pulls.items()]
    seen = pooled_scatter([one.repeats for one in made])
    stated = judge_test(TRIPLE, made, Conditions()).spread_u_kpa
    assert stated is not None
    assert stated == pytest.approx(difference(made[0], made[2], seen, 3).u_kpa)
    assert stated > 3.0 * difference(made[0], made[2], Scatter(CRANKING_SCATTER), 3).u_kpa
