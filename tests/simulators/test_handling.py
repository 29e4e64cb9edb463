"""Hours of shop handling: labelled, reproducible, small in memory, and never mistaken for a cranked engine."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from simulators.cranking import CheckValve, Cranking, CylinderTrace
from simulators.engine import EngineSpec
from simulators.handling import CHUNK_S, HandlingChunk, Happening, shop_hours
from simulators.integrator import Turn, crank_many
from simulators.sensor import HeldGauge, LiveGauge

RATE_HZ = 50.0


def any_electrical(chunk: HandlingChunk) -> bool:
    return any(label.what in (Happening.SPIKE, Happening.STUCK, Happening.RECONNECT) for label in chunk.labels)


MISHAPS = set(Happening) - {Happening.CRANKED}


@pytest.fixture(scope="module")
def traces() -> tuple[CylinderTrace, CylinderTrace]:
    press = Cranking(duration_s=0.8, free_rpm=420.0, stall_nm=70.0)
    live, held = crank_many([Turn(EngineSpec(), press), Turn(EngineSpec(), press, CheckValve())])
    return live, held


def hours(held: bool, count: float = 3.0, seed: int = 1, **more: object) -> list[HandlingChunk]:
    return list(shop_hours(np.random.default_rng(seed), hours=count, rate_hz=RATE_HZ, held=held, **more))  # type: ignore[arg-type]


@pytest.mark.parametrize("held", [False, True])
def test_everything_that_happens_in_a_shop_happens_and_is_labelled(held: bool) -> None:
    chunks = hours(held)
    seen = Counter(label.what for chunk in chunks for label in chunk.labels)
    assert set(seen) == MISHAPS
    assert all(label.end_s > label.start_s for chunk in chunks for label in chunk.labels)
    assert not any(chunk.events for chunk in chunks)


@pytest.mark.parametrize("held", [False, True])
def test_time_goes_on_from_chunk_to_chunk_and_gaps_are_counted(held: bool) -> None:
    gauge = (HeldGauge if held else LiveGauge)(loss=0.02, clock_error_s=1e-3)
    chunks = hours(held, 1.0, gauge=gauge)
    time_s = np.concatenate([c.time_s for c in chunks])
    lost = np.concatenate([c.lost_before for c in chunks])
    assert np.all(np.diff(time_s) > 0.0)
    assert np.array_equal(np.round(np.diff(time_s) * RATE_HZ).astype(int) - 1, lost[1:])
    assert lost.sum() + len(time_s) == pytest.approx(len(chunks) * CHUNK_S * RATE_HZ, abs=CHUNK_S * RATE_HZ)


def test_handling_alone_stays_under_the_weakest_stroke_but_for_spikes() -> None:
    for chunk in hours(False, gauge=LiveGauge(noise_kpa=0.0, resolution_kpa=0.0)):
        clear = np.ones(len(chunk.time_s), dtype=bool)
        for label in chunk.labels:
            if label.what in (Happening.SPIKE, Happening.RECONNECT):
                clear &= (chunk.time_s < label.start_s - 0.1) | (chunk.time_s > label.end_s + 0.1)
        assert np.abs(chunk.pressure_kpa[clear] - np.median(chunk.pressure_kpa)).max() < 60.0


def test_a_held_pressure_leaks_and_is_vented_but_never_jumps_up_by_itself() -> None:
    press = Cranking(duration_s=0.8, free_rpm=420.0, stall_nm=70.0)
    (trace,) = crank_many([Turn(EngineSpec(), press, CheckValve(leak_per_s=0.01))])
    chunks = hours(True, 2.0, gauge=HeldGauge(noise_kpa=0.0, resolution_kpa=0.0), traces=[trace], events_per_hour=40.0)
    assert sum(len(c.events) for c in chunks) > 40
    for before, after in pairwise(chunks):
        if len(before.time_s) and len(after.time_s) and after.time_s[0] - before.time_s[-1] < 0.1:
            assert after.pressure_kpa[0] - before.pressure_kpa[-1] < 1.0
    assert min(float(c.pressure_kpa.min(initial=0.0)) for c in chunks if not any_electrical(c)) > -60.0


def test_strewn_events_keep_their_truth(traces: tuple[CylinderTrace, CylinderTrace]) -> None:
    for held, trace in zip((False, True), traces, strict=True):
        chunks = hours(held, 1.0, traces=[trace], events_per_hour=30.0)
        events = [(chunk, event) for chunk in chunks for event in chunk.events]
        assert 15 <= len(events) <= 45
        for chunk, event in events:
            near = (chunk.time_s > event.start_s) & (chunk.time_s < event.end_s + 0.5)
            before = (chunk.time_s > event.start_s - 3.0) & (chunk.time_s < event.start_s - 0.2)
            zero = float(np.median(chunk.pressure_kpa[before]))
            rise = float(chunk.pressure_kpa[near].max()) - zero
            if held:
                assert event.peak_kpa == trace.final_held_kpa
                assert rise == pytest.approx(event.peak_kpa, rel=0.02)
            else:
                assert event.peak_kpa == trace.cylinder_peak_kpa
                assert 0.5 * event.peak_kpa < rise < 1.02 * event.peak_kpa
            quiet = chunk.pressure_kpa[before]
            assert np.ptp(quiet) < 30.0


def test_the_same_seed_gives_the_same_hours() -> None:
    first, again, other = hours(True, 0.1, 4), hours(True, 0.1, 4), hours(True, 0.1, 5)
    assert all(np.array_equal(a.pressure_kpa, b.pressure_kpa) for a, b in zip(first, again, strict=True))
    assert not np.array_equal(first[0].pressure_kpa, other[0].pressure_kpa)


def test_a_gauge_of_the_other_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="LiveGauge"):
        next(shop_hours(np.random.default_rng(1), hours=0.1, rate_hz=10.0, held=True, gauge=LiveGauge()))
