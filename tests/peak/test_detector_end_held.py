"""When the end of an event on a held gauge is decided, on simulated engines and gauges, frame by frame."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.peak.burst import STEP_SHARE, plateau_noise_kpa
from gaugelink.peak.detector import EventClosed
from gaugelink.peak.events import GaugeKind, GaugeTraits
from simulators.cranking import CylinderTrace
from simulators.integrator import crank_many
from simulators.scenarios import random_check_valve, random_turn
from simulators.sensor import HeldGauge, sample
from tests.peak.shapes import Array, feed, shown, stairs

QUIET_S = 2.5
STEP_KPA = 0.1 * 6.894757
"""0.1 psi: a usual step of the output."""
DECIDED_S = 2.0
FRAME_S = 0.1


@pytest.fixture(scope="module")
def climbs() -> list[CylinderTrace]:
    """Cylinders cranked against a check valve that hold more than the least that one step alone must have."""
    rng = np.random.default_rng(21)
    turns = []
    for _ in range(10):
        turn = random_turn(rng)
        turns.append(replace(turn, valve=random_check_valve(rng, turn.spec)))
    return [trace for trace in crank_many(turns) if trace.final_held_kpa > 200.0]


def last_step_s(trace: CylinderTrace) -> float:
    """The last stroke that raised what is held by more than a rise that still counts as one."""
    assert trace.held_kpa is not None
    tops_s = np.array([stroke.time_s for stroke in trace.strokes])
    before = np.interp(tops_s - 0.1, trace.time_s, trace.held_kpa)
    after = np.interp(tops_s + 0.1, trace.time_s, trace.held_kpa)
    return float(tops_s[np.flatnonzero(after - before > STEP_SHARE * trace.final_held_kpa)[-1]])


def decided_after_s(trace: CylinderTrace, rate_hz: float, noise_kpa: float, clipped: bool, seed: int) -> list[float]:
    """How long after the last step each end was decided: by the newest sample of the frame that showed it."""
    gauge = HeldGauge(noise_kpa=noise_kpa, resolution_kpa=STEP_KPA)
    seen = sample(trace, gauge, rate_hz, seed, before_s=QUIET_S, after_s=4.0)
    # A gauge whose numbers have no sign shows nothing below zero.
    shown_kpa = np.maximum(seen.pressure_kpa, 0.0) if clipped else seen.pressure_kpa
    traits = GaugeTraits(kind=GaugeKind.HELD, resolution_kpa=STEP_KPA)
    said = feed(seen.time_s, shown_kpa, max(1, round(FRAME_S * rate_hz)), traits=traits)
    return [at_s - QUIET_S - last_step_s(trace) for at_s, what in said if isinstance(what, EventClosed)]


@pytest.mark.parametrize(
    ("rate_hz", "noise_kpa", "clipped"),
    [
        (10.0, 1.0, False),
        (20.0, 1.0, False),
        (50.0, 1.0, False),
        (100.0, 1.0, False),
        (20.0, 1.0, True),
        (50.0, 1.0, True),
        (100.0, 1.0, True),
        (100.0, 2.0, True),
        (200.0, 1.0, True),
    ],
)
def test_a_held_event_is_decided_within_2_s_of_its_last_step(
    climbs: list[CylinderTrace], rate_hz: float, noise_kpa: float, clipped: bool
) -> None:
    assert len(climbs) >= 7
    for trace in climbs:
        for seed in range(4):
            (after_s,) = decided_after_s(trace, rate_hz, noise_kpa, clipped, seed)
            assert 0.0 < after_s <= DECIDED_S


@pytest.mark.parametrize("noise_kpa", [0.5, 1.0, 4.0])
@pytest.mark.parametrize("rate_hz", [20.0, 100.0, 1000.0])
def test_a_staircase_tells_its_noise_whatever_its_steps(rate_hz: float, noise_kpa: float) -> None:
    t = np.arange(round(3.0 * rate_hz)) / rate_hz
    told = [
        plateau_noise_kpa(shown(stairs(t, 0.0, 9), seed, noise_kpa, step_kpa=0.1), wake_kpa=6.0 * noise_kpa)
        for seed in range(20)
    ]
    assert np.mean(told) == pytest.approx(noise_kpa, rel=0.1)


def test_a_coarse_output_counts_the_samples_that_did_not_move() -> None:
    t = np.arange(2000) / 100.0
    rounded = shown(stairs(t, 0.0, 5), noise_kpa=0.8, step_kpa=1.0)
    # Sheppard's correction: rounding adds a twelfth of a step squared to the variance.
    assert plateau_noise_kpa(rounded, 6.0) == pytest.approx(np.sqrt(0.8**2 + 1.0 / 12.0), rel=0.1)


def test_the_vent_and_wild_samples_are_no_noise() -> None:
    t = np.arange(400) / 100.0
    x = shown(stairs(t, 0.0, 5), step_kpa=0.1)
    emptied: Array = x * np.exp(-np.maximum(t - 3.6, 0.0) / 0.1)
    emptied[250] += 300.0
    assert 0.8 < plateau_noise_kpa(emptied, 6.0) < 1.5


def test_too_few_falls_tell_nothing() -> None:
    assert plateau_noise_kpa(np.array([1.0, 2.0, 1.0, 3.0]), 6.0) == 0.0
