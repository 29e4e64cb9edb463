"""A hold with a gap is judged only where the part after the gap is long enough and agrees."""

import numpy as np
import pytest

from gaugelink.leak.decay import LEAST_S, DecayFlag, DecayResult, DecayVerdict
from gaugelink.leak.gap import Gap, analyse_over
from gaugelink.leak.hold import contradiction
from gaugelink.leak.limits import Practice, practice_limit
from gaugelink.leak.watch import DecayWatch
from simulators.vessel import Vessel, watch

LIMIT = practice_limit(Practice.USUAL).model_copy(update={"test_kpa": 40.0})


def judged(hole_mm: float, before_s: float, gap_s: float, after_s: float, *, let_off_kpa: float = 0.0) -> DecayResult:
    """A hold of which `gap_s` are missing, and in the gap of which some pressure was let off."""
    vessel = Vessel(hole_mm=hole_mm, heated=0.008, settling_s=30.0)
    record = watch(vessel, 40.0, before_s + gap_s + after_s, rate_hz=5.0, quiet_s=5.0, seed=4)
    watching = DecayWatch(LIMIT)
    before = record.time_s < record.closed_s + before_s
    watching.push(record.time_s[before], record.pressure_kpa[before])
    hold = watching.hold()
    assert hold is not None
    after = record.time_s >= record.closed_s + before_s + gap_s
    time_s, pressure_kpa = record.time_s[after], record.pressure_kpa[after] - let_off_kpa
    level_kpa = float(np.median(pressure_kpa[:5])) - hold.zero_kpa
    assert contradiction(hold, LIMIT, float(np.median(time_s[:5])) - hold.last_s, level_kpa) is None
    going = DecayWatch.resumed(LIMIT, hold, level_kpa)
    going.push(time_s, pressure_kpa)
    evidence = going.evidence()
    assert evidence is not None
    return analyse_over(Gap(float(time_s[0]) - hold.last_s, float(time_s[0])), evidence, LIMIT)


@pytest.mark.parametrize(("hole_mm", "verdict"), [(0.0, DecayVerdict.PASS), (0.05, DecayVerdict.FAIL)])
def test_both_sides_of_an_untouched_gap_agree(hole_mm: float, verdict: DecayVerdict) -> None:
    result = judged(hole_mm, 40.0, 60.0, 120.0)
    assert result.verdict is verdict
    assert result.flags >= {DecayFlag.GAPS}
    assert DecayFlag.POOR_FIT not in result.flags


@pytest.mark.parametrize(
    ("hole_mm", "before_s", "after_s", "let_off_kpa"),
    [(0.035, 60.0, 100.0, 0.8), (0.035, 40.0, 100.0, 0.8), (0.03, 60.0, 62.0, 0.8), (0.0, 60.0, 100.0, -0.6)],
)
def test_a_little_let_off_or_pumped_in_during_the_gap_makes_no_verdict(
    hole_mm: float, before_s: float, after_s: float, let_off_kpa: float
) -> None:
    # What is lost in the gap is taken for cooling, and a leak of twice the limit would pass; or the gain for no leak.
    result = judged(hole_mm, before_s, 60.0, after_s, let_off_kpa=let_off_kpa)
    assert result.verdict is DecayVerdict.OPEN
    assert result.more_s is not None
    assert result.more_s > 0.0


def test_two_sides_of_a_gap_that_miss_each_other_by_far_are_told() -> None:
    assert DecayFlag.POOR_FIT in judged(0.05, 40.0, 60.0, 62.0, let_off_kpa=1.5).flags


@pytest.mark.parametrize("gap_s", [5.0, 60.0])
def test_nothing_is_certain_before_the_volume_was_looked_at_again_for_as_long_as_the_gap(gap_s: float) -> None:
    needed_s = max(gap_s, LEAST_S)
    early, late = (judged(0.05, 60.0, gap_s, after_s) for after_s in (needed_s - 3.0, needed_s + 3.0))
    assert early.verdict is DecayVerdict.OPEN
    assert early.more_s is not None
    assert early.more_s >= 2.5
    assert late.verdict is DecayVerdict.FAIL
