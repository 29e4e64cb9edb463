"""Which readings agree, and the mean of those that do."""

from math import sqrt
from statistics import mean, stdev

import pytest
from GTC import type_a, ureal

from gaugelink.bench.agree import SHORT_OF_THE_TOP, agree, combine, scatter_of
from gaugelink.bench.reading import Reading, Status
from gaugelink.bench.repeats import CRANKING_SCATTER, POOR_SHARE, Repeat, Scatter, tolerance_kpa
from gaugelink.peak.events import Flag, GaugeKind


def reading(
    peak_kpa: float, u_kpa: float = 8.0, common_u_kpa: float = 3.0, flags: frozenset[Flag] = frozenset()
) -> Reading:
    return Reading(
        event_id=f"{peak_kpa}",
        test_id="t",
        gauge="red",
        kind=GaugeKind.LIVE,
        pull=1,
        peak_kpa=peak_kpa,
        peak_u_kpa=u_kpa,
        common_u_kpa=common_u_kpa,
        flags=flags,
        status=Status.GIVEN,
        cylinder="1",
        confidence=1.0,
        candidates=(),
    )


def test_mean_and_uncertainty_of_repeats_agree_with_a_gum_library() -> None:
    # Reference: GTC (Measurement Standards Laboratory of New Zealand), which implements JCGM 100:2008.
    peaks, u_kpa, common = (930.0, 924.0, 927.0), 8.0, 3.0
    own = sqrt((u_kpa / 2) ** 2 - common**2)
    shared = ureal(0.0, common)
    mean = sum((ureal(peak, own) + shared for peak in peaks), ureal(0.0, 0.0)) / 3
    scatter = type_a.standard_uncertainty(peaks)
    value_kpa, expanded_kpa = combine([reading(peak) for peak in peaks], Scatter(0.0))
    assert value_kpa == pytest.approx(mean.x, rel=1e-12)
    assert expanded_kpa == pytest.approx(2 * sqrt(mean.u**2 + scatter**2), rel=1e-9)


def test_pulls_that_agree_by_chance_do_not_make_cranking_certain() -> None:
    # Two values tell a standard deviation to no better than 76 % of itself (JCGM 100:2008, E.4.3, table E.1).
    _, alike_kpa = combine([reading(930.0, u_kpa=0.0, common_u_kpa=0.0)] * 2)
    assert alike_kpa == pytest.approx(2 * CRANKING_SCATTER * 930.0 / sqrt(2))
    _, apart_kpa = combine([reading(940.0, u_kpa=0.0, common_u_kpa=0.0), reading(912.0, u_kpa=0.0, common_u_kpa=0.0)])
    assert apart_kpa == pytest.approx(2 * 28.0 / 2)
    _, once_kpa = combine([reading(930.0, u_kpa=8.0, common_u_kpa=3.0)])
    assert once_kpa == pytest.approx(2 * sqrt(4.0**2 + 9.3**2))


def test_a_common_error_does_not_excuse_a_difference() -> None:
    # JCGM 100:2008, 5.2.2: fully correlated errors cancel in a difference.
    sharp = reading(900.0, u_kpa=100.0, common_u_kpa=50.0)
    assert tolerance_kpa(sharp.repeat, sharp.repeat, 0.03) == pytest.approx(27.0)
    vague = reading(900.0, u_kpa=100.0, common_u_kpa=0.0)
    assert tolerance_kpa(vague.repeat, vague.repeat, 0.03) == pytest.approx(2 * sqrt(2) * 50.0)


def test_a_pull_is_poor_by_what_is_its_own_and_not_by_the_gauge_s_calibration() -> None:
    # JCGM 100:2008, 5.2.2: what two pulls by one gauge share says nothing of whether they agree.
    badly_calibrated = reading(900.0, u_kpa=200.0, common_u_kpa=99.0)
    assert badly_calibrated.peak_u_kpa > 2 * POOR_SHARE * badly_calibrated.peak_kpa
    assert not badly_calibrated.repeat.is_poor
    assert not Repeat(900.0, 0.99 * POOR_SHARE * 900.0 / 2).is_poor
    assert Repeat(900.0, 1.01 * POOR_SHARE * 900.0 / 2).is_poor


def test_a_pull_too_uncertain_to_differ_from_another_does_not_confirm_it() -> None:
    # 146 ± 11.8 and 137 ± 3.3 psi differ by less than their uncertainty, and by 6 %.
    poor, good = reading(1006.6, u_kpa=81.4, common_u_kpa=0.0), reading(944.6, u_kpa=22.8, common_u_kpa=0.0)
    assert poor.peak_kpa - good.peak_kpa < tolerance_kpa(poor.repeat, good.repeat, 0.03)
    found = agree([poor, good], 2, 0.03)
    assert not found.agreed
    assert found.behind == (good,)
    again = agree([poor, good, reading(940.0, u_kpa=20.0, common_u_kpa=0.0)], 2, 0.03)
    assert again.agreed
    assert [one.peak_kpa for one in again.behind] == [944.6, 940.0]


def test_poor_pulls_alone_never_agree_and_their_mean_is_what_there_is() -> None:
    poor = [reading(peak, u_kpa=0.08 * peak, common_u_kpa=0.0) for peak in (905.0, 900.0, 895.0)]
    found = agree(poor, 2, 0.03)
    assert not found.agreed
    assert found.value_kpa == pytest.approx(900.0)
    assert found.u_kpa is not None
    assert found.u_kpa < poor[0].peak_u_kpa


def test_where_one_pull_is_asked_for_it_needs_no_other_to_confirm_it() -> None:
    assert agree([reading(900.0, u_kpa=90.0)], 1, 0.03).agreed


def test_good_pulls_that_scatter_by_more_than_the_share_agree_within_their_uncertainty() -> None:
    pulls = [reading(900.0, u_kpa=30.0, common_u_kpa=0.0), reading(862.0, u_kpa=30.0, common_u_kpa=0.0)]
    assert 900.0 - 862.0 > 0.03 * 900.0
    assert agree(pulls, 2, 0.03).agreed


def test_weak_pulls_drop_out_and_the_highest_group_counts() -> None:
    found = agree([reading(800.0), reading(930.0), reading(805.0), reading(925.0)], 2, 0.03)
    assert found.agreed
    assert [one.peak_kpa for one in found.behind] == [930.0, 925.0]


def test_one_high_reading_alone_agrees_with_nothing() -> None:
    found = agree([reading(1100.0), reading(930.0)], 2, 0.03)
    assert not found.agreed
    assert found.value_kpa == 1100.0


@pytest.mark.parametrize("flag", [Flag.STILL_RISING, Flag.OVER_RANGE])
def test_readings_below_the_top_by_an_unknown_amount_never_agree_however_alike(flag: Flag) -> None:
    short = [reading(930.0, flags=frozenset({flag})) for _ in range(9)]
    found = agree(short, 2, 0.03)
    assert (found.agreed, found.value_kpa) == (False, 930.0)


def test_without_readings_there_is_no_value() -> None:
    found = agree([], 2, 0.03)
    assert (found.agreed, found.value_kpa, found.u_kpa) == (False, None, None)


@pytest.mark.parametrize("flag", [flag for flag in Flag if flag not in SHORT_OF_THE_TOP])
def test_readings_whose_top_was_seen_agree_whatever_else_is_doubted_of_them(flag: Flag) -> None:
    found = agree([reading(peak, flags=frozenset({flag})) for peak in (930.0, 926.0)], 2, 0.03)
    assert (found.agreed, found.value_kpa) == (True, 928.0)
    # Nor is it the top alone that counts where they are too uncertain to confirm each other.
    poor = [reading(peak, u_kpa=0.08 * peak, common_u_kpa=0.0, flags=frozenset({flag})) for peak in (905.0, 895.0)]
    assert agree(poor, 2, 0.03).value_kpa == pytest.approx(900.0)


@pytest.mark.parametrize("flag", sorted(SHORT_OF_THE_TOP))
def test_a_pull_whose_top_was_not_seen_says_nothing_of_how_cranking_scatters(flag: Flag) -> None:
    whole = [reading(peak) for peak in (930.0, 926.0)]
    short = reading(890.0, flags=frozenset({flag}))
    assert scatter_of([[*whole, short]], 2, 0.03) == scatter_of([whole], 2, 0.03)
    assert agree([*whole, short], 2, 0.03) == agree(whole, 2, 0.03)


def test_a_whole_pull_that_does_not_agree_with_the_others_says_how_cranking_scatters_whatever_it_is_flagged() -> None:
    # The pooled experimental standard deviation (JCGM 100:2008, 4.2.4) of three pulls, by statistics.stdev.
    peaks = (930.0, 926.0, 880.0)
    pulls = [reading(peak, flags=frozenset({Flag.UNDER_SAMPLED})) for peak in peaks]
    found = scatter_of([pulls], 2, 0.03)
    assert (found.share, found.freedom) == (pytest.approx(stdev(peaks) / mean(peaks)), 2)
