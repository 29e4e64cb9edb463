"""Which level is the zero of a live gauge when the cylinder drew in, or kept some pressure, before the pull.

A closed cylinder holds p V^m (Heywood, Internal Combustion Engine Fundamentals, section 9.2): from near its top to near
its bottom, ten times the volume, ambient falls by four fifths and more. Rings leak; what is left goes within seconds.
"""

import numpy as np
import pytest

from gaugelink.peak.detector import find_events
from gaugelink.peak.events import Flag, GaugeKind, GaugeTraits
from tests.peak.shapes import Array, bled, clock, pulses, shown

LIVE = GaugeTraits(kind=GaugeKind.LIVE)
PULL_S = 6.0


def moved(t: Array, level_kpa: float, begin_s: float, tau_s: float = 1e9) -> Array:
    """What the cylinder holds after the crank was turned a little, until the pull begins to turn it on."""
    held = level_kpa * np.clip((t - begin_s) / 0.1, 0.0, 1.0) * bled(t, begin_s + 0.1, tau_s)
    return np.asarray(held * np.clip((PULL_S - 0.15 - t) / 0.05, 0.0, 1.0))


@pytest.mark.parametrize("rate", [50.0, 200.0, 1000.0])
def test_the_zero_is_from_before_a_deep_draught_that_leads_into_the_first_stroke(rate: float) -> None:
    t = clock(12.0, rate)
    (event,) = find_events(t, shown(pulses(t, PULL_S, 8) + moved(t, -80.0, 5.5)), LIVE)
    assert event.zero_kpa == pytest.approx(3.0, abs=0.5)


@pytest.mark.parametrize("rate", [50.0, 200.0, 1000.0])
@pytest.mark.parametrize(("level_kpa", "tau_s"), [(-80.0, 1e9), (-40.0, 3.0), (-15.0, 1e9), (40.0, 1e9), (40.0, 3.0)])
def test_what_a_cylinder_held_after_a_slow_turn_is_not_the_zero_of_the_pull_that_follows(
    rate: float, level_kpa: float, tau_s: float
) -> None:
    t = clock(12.0, rate)
    (event,) = find_events(t, shown(pulses(t, PULL_S, 8) + moved(t, level_kpa, 4.0, tau_s)), LIVE)
    assert event.zero_kpa == pytest.approx(3.0, abs=0.5)
    assert not event.flags


def test_a_gauge_that_was_switched_on_under_vacuum_does_not_know_its_zero() -> None:
    t = clock(12.0, 200.0)
    (event,) = find_events(t[800:], shown(pulses(t, PULL_S, 8) + moved(t, -60.0, 1.0))[800:], LIVE)
    assert event.zero_kpa is None
    assert Flag.ZERO_UNKNOWN in event.flags


@pytest.mark.parametrize("jump_kpa", [-40.0, 25.0])
def test_a_zero_that_moved_in_the_hand_is_the_new_one(jump_kpa: float) -> None:
    t = clock(12.0, 200.0)
    (event,) = find_events(t, shown(pulses(t, PULL_S, 8) + jump_kpa * (t > 4.0)), LIVE)
    assert event.zero_kpa == pytest.approx(3.0 + jump_kpa, abs=0.5)


def test_pressure_that_was_let_off_before_the_pull_leaves_the_zero_behind_it() -> None:
    t = clock(12.0, 200.0)
    let_off = 80.0 * (1.0 - np.clip((t - 4.0) / 0.1, 0.0, 1.0))
    (event,) = find_events(t, shown(pulses(t, PULL_S, 8) + let_off), LIVE)
    assert event.zero_kpa == pytest.approx(3.0, abs=0.5)


def test_a_cylinder_under_vacuum_for_most_of_its_time_keeps_the_zero_of_the_quiet_before() -> None:
    # A decompressor lets out what the intake took in: from its closing on the piston draws in until the exhaust opens.
    t = clock(12.0, 200.0)
    draught = np.where((t > PULL_S + 0.04) & (t < PULL_S + 1.6), -50.0, 0.0) * (np.mod(t - PULL_S, 0.2) < 0.17)
    x = pulses(t, PULL_S, 8, top_kpa=250.0)
    (event,) = find_events(t, shown(x + draught * (x < 1.0)), LIVE)
    assert event.zero_kpa == pytest.approx(3.0, abs=0.5)


@pytest.mark.parametrize("rate", [100.0, 1000.0])
def test_what_the_last_pull_left_in_the_cylinder_is_not_the_zero_of_the_next(rate: float) -> None:
    # Five kPa are less than what is called a movement; they are half a percent of a reading.
    t = clock(12.0, rate)
    left = 5.0 * ((t > 2.5) & (t < PULL_S - 0.1))
    first, second = find_events(t, shown(pulses(t, 2.0, 4) + left + pulses(t, PULL_S, 8)), LIVE)
    assert first.zero_kpa == pytest.approx(3.0, abs=0.5)
    assert second.zero_kpa == pytest.approx(3.0, abs=0.5)


def test_a_zero_that_moved_while_nothing_was_cranked_for_long_is_the_new_one() -> None:
    t = clock(60.0, 100.0)
    warmed = 5.0 * (t > 20.0)
    _, second = find_events(t, shown(pulses(t, 2.0, 4) + warmed + pulses(t, 50.0, 8) - 4.0 * (t > 50.2)), LIVE)
    assert second.zero_kpa == pytest.approx(8.0, abs=0.5)
