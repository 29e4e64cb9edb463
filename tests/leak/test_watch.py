"""A decay is recognised from its pressure alone, over hours in bounded memory."""

import numpy as np
import pytest

from gaugelink.leak.decay import DecayFlag, DecayVerdict, analyse
from gaugelink.leak.hold_samples import RAW_MOST
from gaugelink.leak.limits import DecayLimit, Practice, practice_limit
from gaugelink.leak.thinned import MOST, Thinned
from gaugelink.leak.watch import DecayWatch, Notice, NoticeKind, WatchPhase
from simulators.vessel import Vessel, VesselRecord, watch

LIMIT = practice_limit(Practice.USUAL).model_copy(update={"test_kpa": 40.0, "volume_cm3": 1000.0})


def heard(watching: DecayWatch, time_s: np.ndarray, pressure_kpa: np.ndarray, each: int = 7) -> list[Notice]:
    notices: list[Notice] = []
    for first in range(0, len(time_s), each):
        notices += watching.push(time_s[first : first + each], pressure_kpa[first : first + each])
    return notices


def phases(notices: list[Notice]) -> list[WatchPhase]:
    return [notice.phase for notice in notices if notice.kind is NoticeKind.PHASE]


def record_of(**how: float) -> VesselRecord:
    return watch(Vessel(hole_mm=0.05, heated=0.01), 40.0, 120.0, quiet_s=5.0, **how)


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 20.0])
@pytest.mark.parametrize(("resolution_kpa", "noise_kpa"), [(0.01, 0.005), (0.1, 0.05), (0.7, 0.3)])
def test_pumping_and_closing_are_recognised(rate_hz: float, resolution_kpa: float, noise_kpa: float) -> None:
    record = record_of(rate_hz=rate_hz, resolution_kpa=resolution_kpa, noise_kpa=noise_kpa)
    watching = DecayWatch(LIMIT)
    notices = heard(watching, record.time_s, record.pressure_kpa + 0.8)
    assert phases(notices) == [WatchPhase.PUMPING, WatchPhase.HOLDING]
    evidence = watching.evidence()
    assert evidence is not None
    assert evidence.closed_s == pytest.approx(record.closed_s, abs=4.1 if rate_hz == 1.0 else 1.1)
    # The zero is what was seen at rest, not what the gauge claims.
    assert watching.zero_kpa == pytest.approx(0.8, abs=0.3)


def test_too_much_pressure_is_told_with_its_first_sample() -> None:
    record = record_of(rate_hz=5.0)
    watching = DecayWatch(LIMIT.model_copy(update={"highest_kpa": 40.0, "test_kpa": 38.0}))
    too_much = record.pressure_kpa * 1.1
    first = float(record.time_s[np.flatnonzero(too_much > 40.0)[0]])
    told = [n for n in heard(watching, record.time_s, too_much, 1) if n.kind is NoticeKind.OVER_PRESSURE]
    assert len(told) == 1
    assert told[0].time_s == pytest.approx(first, abs=0.21)
    assert told[0].pressure_kpa > 40.0


def test_pumping_again_starts_anew_and_letting_off_ends() -> None:
    record = record_of(rate_hz=5.0)
    once = record.pressure_kpa
    again = np.concatenate([once, once[record.time_s > record.closed_s - 3.0], np.zeros(20)])
    time_s = np.arange(len(again)) / 5.0
    watching = DecayWatch(LIMIT)
    found = phases(heard(watching, time_s, again))
    assert found == [
        WatchPhase.PUMPING,
        WatchPhase.HOLDING,
        WatchPhase.PUMPING,
        WatchPhase.HOLDING,
        WatchPhase.RELEASED,
    ] or found == [WatchPhase.PUMPING, WatchPhase.HOLDING, WatchPhase.PUMPING, WatchPhase.HOLDING]
    evidence = watching.evidence()
    assert evidence is not None
    assert evidence.closed_s > record.time_s[-1]
    assert evidence.pressure_kpa.min() > 20.0


@pytest.mark.parametrize("rate_hz", [2.0, 5.0, 20.0])
@pytest.mark.parametrize(("kpa", "lasts_s"), [(2.0, 3.0), (3.0, 10.0), (4.0, 20.0)])
def test_a_slow_top_up_is_pumping_again(rate_hz: float, kpa: float, lasts_s: float) -> None:
    record = record_of(rate_hz=rate_hz, resolution_kpa=0.02, noise_kpa=0.02)
    after_s = record.time_s - record.closed_s
    topped = record.pressure_kpa + kpa * np.clip((after_s - 30.0) / lasts_s, 0.0, 1.0)
    watching = DecayWatch(LIMIT)
    found = phases(heard(watching, record.time_s, topped))
    assert found[:4] == [WatchPhase.PUMPING, WatchPhase.HOLDING, WatchPhase.PUMPING, WatchPhase.HOLDING]
    evidence = watching.evidence()
    assert evidence is not None
    assert evidence.closed_s > record.closed_s + 30.0


@pytest.mark.parametrize("kpa", [-3.0, 3.0])
def test_a_single_sample_that_is_none_does_not_begin_anew(kpa: float) -> None:
    record = record_of(rate_hz=5.0, resolution_kpa=0.02, noise_kpa=0.02)
    shown = record.pressure_kpa.copy()
    shown[np.searchsorted(record.time_s, record.closed_s + 40.0)] += kpa
    assert phases(heard(DecayWatch(LIMIT), record.time_s, shown)) == [WatchPhase.PUMPING, WatchPhase.HOLDING]


def test_the_samples_of_a_valve_that_was_opened_are_not_evidence() -> None:
    record = record_of(rate_hz=5.0)
    falling = np.concatenate([record.pressure_kpa, [20.0, 5.0], np.zeros(20)])
    watching = DecayWatch(LIMIT)
    assert phases(heard(watching, np.arange(len(falling)) / 5.0, falling))[-1] is WatchPhase.RELEASED
    evidence = watching.evidence()
    assert evidence is not None
    assert evidence.pressure_kpa.min() > 30.0


def test_a_volume_that_empties_by_itself_was_a_hold() -> None:
    record = watch(Vessel(volume_cm3=400.0, hole_mm=0.9, heated=0.0), 40.0, 30.0, rate_hz=10.0, quiet_s=5.0)
    watching = DecayWatch(LIMIT)
    assert phases(heard(watching, record.time_s, record.pressure_kpa))[-2:] == [WatchPhase.HOLDING, WatchPhase.RELEASED]
    evidence = watching.evidence()
    assert evidence is not None
    result = analyse(evidence.time_s, evidence.pressure_kpa, LIMIT, closed_s=evidence.closed_s)
    assert result.verdict is DecayVerdict.FAIL


def test_more_than_cooling_takes_is_a_leak_though_its_first_sample_may_not_fit() -> None:
    # 7 kPa a second: the sample before the valve closed is by far off the curve of those after it.
    vessel = Vessel(volume_cm3=955.0, hole_mm=0.581, settling_s=13.0, heated=-0.002)
    record = watch(vessel, 39.29, 10.0, rate_hz=10.0, resolution_kpa=0.025, noise_kpa=0.012, quiet_s=5.0)
    watching = DecayWatch(LIMIT)
    heard(watching, record.time_s, record.pressure_kpa)
    evidence = watching.evidence()
    assert evidence is not None
    result = analyse(evidence.time_s, evidence.pressure_kpa, LIMIT, closed_s=evidence.closed_s)
    assert (result.verdict, result.flags) == (DecayVerdict.FAIL, {DecayFlag.POOR_FIT})


@pytest.mark.parametrize("ambient_kpa", [57.75, 98.7, 102.5])  # ISO 2533: 4,500 m, 220 m, 100 m below the sea
def test_an_absolute_gauge_is_noticed_and_measured_from_its_rest(ambient_kpa: float) -> None:
    record = record_of(rate_hz=5.0)
    watching = DecayWatch(LIMIT)
    notices = heard(watching, record.time_s, record.pressure_kpa + ambient_kpa)
    assert [n.kind for n in notices].count(NoticeKind.ABSOLUTE) == 1
    assert phases(notices) == [WatchPhase.PUMPING, WatchPhase.HOLDING]
    assert watching.rest_kpa == pytest.approx(ambient_kpa, abs=0.1)
    assert watching.pressure_kpa < 45.0


def test_a_gap_in_the_hold_is_noticed() -> None:
    record = record_of(rate_hz=5.0)
    there = (record.time_s < record.closed_s + 30.0) | (record.time_s > record.closed_s + 60.0)
    kinds = [n.kind for n in heard(DecayWatch(LIMIT), record.time_s[there], record.pressure_kpa[there])]
    assert kinds.count(NoticeKind.GAP) == 1


def test_the_rate_of_the_last_seconds_rises_and_falls_with_the_leak() -> None:
    before = watch(Vessel(hole_mm=0.1, heated=0.0), 40.0, 60.0, rate_hz=10.0, quiet_s=5.0)
    rates = []
    pressure = before.pressure_kpa.copy()
    # A finger on the leak for half a minute: the pressure stands still.
    finger = np.full(300, pressure[-1]) + np.random.default_rng(1).normal(0.0, 0.05, 300)
    open_again = pressure[-1] - np.arange(300) / 10.0 * 10.0 / 60.0
    watching = DecayWatch(LIMIT)
    clock = 0.0
    for part in (pressure, finger, open_again):
        heard(watching, clock + np.arange(len(part)) / 10.0, part)
        clock += len(part) / 10.0
        rate = watching.rate()
        assert rate is not None
        rates.append(rate)
    # The simulated hole loses about 8.4 kPa a minute at 40 kPa; Q = V dP/dt (ASTM E2930).
    assert rates[0].kpa_per_min == pytest.approx(before.leak_kpa_per_min, rel=0.25)
    assert abs(rates[1].kpa_per_min) < rates[1].u_kpa_per_min + 0.3
    assert rates[2].kpa_per_min == pytest.approx(10.0, abs=rates[2].u_kpa_per_min + 0.3)


def test_a_night_is_kept_in_bounded_memory_and_still_judged() -> None:
    limit = DecayLimit(loss_kpa=20.0, minutes=600.0, test_kpa=90.0, highest_kpa=110.0, volume_cm3=7000.0)
    hours = 4.0
    record = watch(
        Vessel(volume_cm3=7000.0, hole_mm=0.02, heated=0.02, settling_s=110.0),
        90.0,
        hours * 3600.0,
        rate_hz=4.0,
        resolution_kpa=0.2,
        noise_kpa=0.1,
        quiet_s=5.0,
    )
    watching = DecayWatch(limit)
    assert phases(heard(watching, record.time_s, record.pressure_kpa, 400)) == [WatchPhase.PUMPING, WatchPhase.HOLDING]
    evidence = watching.evidence()
    assert evidence is not None
    assert len(evidence.time_s) <= RAW_MOST
    assert evidence.thinned is not None
    assert len(evidence.thinned[0]) <= MOST
    result = analyse(
        evidence.time_s, evidence.pressure_kpa, limit, thinned=evidence.thinned, closed_s=evidence.closed_s
    )
    assert result.start_kpa == pytest.approx(90.0, abs=0.5)
    assert result.leak_kpa_per_min.low <= record.leak_kpa_per_min <= result.leak_kpa_per_min.high


def test_blocks_of_one_plateau_do_not_become_surer_by_merging() -> None:
    thinned = Thinned()
    n = 4 * MOST
    thinned.add(np.arange(float(n)), np.full(n, 12.0), np.full(n, 0.2), 0.7)
    time_s, mean_kpa, u_kpa = thinned.arrays()
    assert len(time_s) <= MOST
    assert np.allclose(u_kpa, 0.2)
    assert np.allclose(mean_kpa, 12.0)
    assert np.all(np.diff(time_s) > 0)
