"""A hold that was interrupted: what contradicts going on with it, and what it says when it goes on."""

import numpy as np
import pytest

from gaugelink.leak.decay import DecayFlag, DecayResult, DecayVerdict, analyse
from gaugelink.leak.hold import LONGEST_GAP_S, Contradiction, Hold, contradiction
from gaugelink.leak.limits import DecayLimit, Practice, practice_limit
from gaugelink.leak.thinned import MOST
from gaugelink.leak.watch import DecayWatch, NoticeKind, WatchPhase
from simulators.vessel import Vessel, VesselRecord, watch

LIMIT = practice_limit(Practice.USUAL).model_copy(update={"test_kpa": 40.0, "volume_cm3": 1000.0})


def record_of(hole_mm: float = 0.05, duration_s: float = 300.0, seed: int = 1, **how: float) -> VesselRecord:
    vessel = Vessel(hole_mm=hole_mm, heated=0.01, settling_s=25.0, **how)
    return watch(vessel, 40.0, duration_s, quiet_s=5.0, seed=seed)


def held_until(record: VesselRecord, seconds: float, limit: DecayLimit = LIMIT) -> Hold:
    watching = DecayWatch(limit)
    before = record.time_s < record.closed_s + seconds
    watching.push(record.time_s[before], record.pressure_kpa[before])
    hold = watching.hold()
    assert hold is not None
    return hold


def gone_on(record: VesselRecord, before_s: float, gap_s: float, until_s: float) -> tuple[DecayWatch, DecayResult]:
    """The judgement of a record of which `gap_s` are missing, carried over the gap as a hold."""
    hold = held_until(record, before_s)
    after = (record.time_s >= record.closed_s + before_s + gap_s) & (record.time_s < record.closed_s + until_s)
    time_s, pressure_kpa = record.time_s[after], record.pressure_kpa[after]
    level_kpa = float(np.median(pressure_kpa[:5])) - hold.zero_kpa
    assert contradiction(hold, LIMIT, float(np.median(time_s[:5])) - hold.last_s, level_kpa) is None
    watching = DecayWatch.resumed(LIMIT, hold, level_kpa)
    watching.push(time_s, pressure_kpa)
    evidence = watching.evidence()
    assert evidence is not None
    judged = analyse(
        evidence.time_s, evidence.pressure_kpa, LIMIT, thinned=evidence.thinned, closed_s=evidence.closed_s
    )
    return watching, judged


@pytest.mark.parametrize("hole_mm", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("gap_s", [10.0, 60.0])
def test_a_hold_that_goes_on_after_a_gap_finds_the_leak_that_it_would_have_found(hole_mm: float, gap_s: float) -> None:
    record = record_of(hole_mm)
    watching, judged = gone_on(record, 40.0, gap_s, 240.0)
    assert watching.phase is WatchPhase.HOLDING
    rate = judged.leak_kpa_per_min
    assert rate.low <= record.leak_kpa_per_min <= rate.high
    assert judged.duration_s == pytest.approx(240.0, abs=1.5)
    assert judged.start_kpa == pytest.approx(40.0, abs=0.5)
    assert DecayFlag.POOR_FIT not in judged.flags
    passes = record.leak_kpa_per_min < LIMIT.rate_kpa_per_min
    assert judged.verdict is (DecayVerdict.PASS if passes else DecayVerdict.FAIL)


def test_the_time_before_the_gap_counts() -> None:
    record = record_of(0.0)
    _, whole = gone_on(record, 60.0, 20.0, 140.0)
    after = (record.time_s >= record.closed_s + 80.0) & (record.time_s < record.closed_s + 140.0)
    alone = analyse(record.time_s[after], record.pressure_kpa[after], LIMIT)
    assert whole.leak_kpa_per_min.u < 0.7 * alone.leak_kpa_per_min.u


def test_the_gap_is_noticed_and_what_follows_it_is_no_sudden_fall() -> None:
    record = record_of(0.1)
    hold = held_until(record, 20.0)
    after = (record.time_s >= record.closed_s + 40.0) & (record.time_s < record.closed_s + 70.0)
    time_s, pressure_kpa = record.time_s[after], record.pressure_kpa[after]
    assert hold.pressure_kpa - pressure_kpa[0] > 2.0
    watching = DecayWatch.resumed(LIMIT, hold, float(pressure_kpa[0]))
    assert [notice.kind for notice in watching.push(time_s, pressure_kpa)] == [NoticeKind.GAP]


@pytest.mark.parametrize(("end_kpa", "phase"), [(0.0, WatchPhase.RELEASED), (48.0, WatchPhase.HOLDING)])
def test_letting_off_and_pumping_again_are_seen_after_a_gap_as_before_it(end_kpa: float, phase: WatchPhase) -> None:
    record = record_of(0.0)
    hold = held_until(record, 30.0)
    watching = DecayWatch.resumed(LIMIT, hold, hold.pressure_kpa)
    time_s = hold.last_s + 10.0 + np.arange(100) / 5.0
    shown = np.where(np.arange(100) < 40, hold.pressure_kpa, end_kpa) + hold.zero_kpa
    told = [notice.phase for notice in watching.push(time_s, shown) if notice.kind is NoticeKind.PHASE]
    assert told[-1] is phase
    assert (WatchPhase.PUMPING in told) == (phase is WatchPhase.HOLDING)


def test_a_long_hold_is_kept_in_few_blocks() -> None:
    hold = held_until(record_of(0.0, 3000.0), 2999.0)
    assert len(hold.time_s) <= MOST
    assert np.all(np.diff(hold.time_s) > 0.0)
    assert hold.time_s[-1] == pytest.approx(2999.0, abs=60.0)


def test_nothing_is_kept_before_the_valve_is_closed() -> None:
    record = record_of()
    watching = DecayWatch(LIMIT)
    before = record.time_s < record.closed_s
    watching.push(record.time_s[before], record.pressure_kpa[before])
    assert watching.phase is WatchPhase.PUMPING
    assert watching.hold() is None


@pytest.mark.parametrize(
    ("gap_s", "change_kpa", "told"),
    [
        (30.0, 0.0, None),
        (30.0, 1.5, Contradiction.ROSE),
        (30.0, -3.0, Contradiction.FELL),
        (30.0, -40.0, Contradiction.FELL),
        (LONGEST_GAP_S + 1.0, 0.0, Contradiction.TOO_LONG),
    ],
)
def test_a_pressure_that_the_hold_cannot_have_left_is_told(
    gap_s: float, change_kpa: float, told: Contradiction | None
) -> None:
    hold = held_until(record_of(0.0), 60.0)
    assert contradiction(hold, LIMIT, gap_s, hold.pressure_kpa + change_kpa) is told


def test_a_gap_in_which_a_quick_leak_may_have_lost_a_quarter_is_too_long() -> None:
    quick, tight = held_until(record_of(0.2), 8.0), held_until(record_of(0.0), 60.0)
    assert contradiction(quick, LIMIT, 20.0, 0.8 * quick.pressure_kpa) is Contradiction.TOO_LONG
    assert contradiction(tight, LIMIT, 120.0, tight.pressure_kpa) is None


def test_a_wall_that_may_warm_allows_for_more_pressure() -> None:
    hold = held_until(record_of(0.0), 60.0)
    sunny = LIMIT.model_copy(update={"drift_k_per_h": 20.0})
    level = hold.pressure_kpa + 1.2
    assert contradiction(hold, LIMIT, 120.0, level) is Contradiction.ROSE
    assert contradiction(hold, sunny, 120.0, level) is None


def test_a_fixed_time_that_ends_before_a_look_as_long_as_the_gap_does_not_go_on() -> None:
    book = LIMIT.model_copy(update={"fixed_time": True, "minutes": 2.0})
    hold = held_until(record_of(0.0), 60.0, book)
    assert contradiction(hold, book, 29.0, hold.pressure_kpa) is None
    assert contradiction(hold, book, 32.0, hold.pressure_kpa) is Contradiction.TOO_LONG
    assert contradiction(hold, LIMIT, 32.0, hold.pressure_kpa) is None


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("hole_mm", [0.0, 0.05, 0.1, 0.2])
def test_an_untouched_hold_is_not_contradicted(hole_mm: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    record = record_of(hole_mm, seed=seed, drift_k_per_h=float(rng.uniform(-3.0, 3.0)))
    for before_s, gap_s in ((10.0, 8.0), (20.0, 20.0), (60.0, 60.0)):
        hold = held_until(record, before_s)
        after = record.time_s >= record.closed_s + before_s + gap_s
        level_kpa = float(np.median(record.pressure_kpa[after][:5])) - hold.zero_kpa
        middle_s = float(np.median(record.time_s[after][:5]))
        assert contradiction(hold, LIMIT, middle_s - hold.last_s, level_kpa) in (None, Contradiction.TOO_LONG)
