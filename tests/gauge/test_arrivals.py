"""A steady clock is found behind times of arrival, and not behind others."""

import numpy as np
import pytest

from gaugelink.gauge.arrivals import FEWEST, steadied
from gaugelink.gauge.rounded import straightened


def arrivals(taken_s: np.ndarray, turn_s: float, late_s: float, seed: int = 1) -> np.ndarray:
    """When samples come through a radio that takes turns, to a logger that is late besides; in their order."""
    rng = np.random.default_rng(seed)
    came = np.ceil((taken_s + rng.uniform(0.0, turn_s)) / turn_s) * turn_s if turn_s else taken_s
    return np.maximum.accumulate(came + rng.exponential(late_s, len(came)) if late_s else came)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 300.0])
@pytest.mark.parametrize(("turn_s", "late_s"), [(0.03, 0.0), (0.045, 0.003), (0.0, 0.01), (0.0075, 0.001)])
def test_samples_are_put_back_where_they_were_taken(rate_hz: float, turn_s: float, late_s: float) -> None:
    taken = 5.0 + np.arange(900) / rate_hz
    found = steadied(arrivals(taken, turn_s, late_s))
    assert found is not None
    assert found.bounded
    assert found.spacing_s == pytest.approx(1.0 / rate_hz, rel=1e-3)
    # Where the line as a whole lies does not matter; how far any sample lies off it does, beside 20 ms of a stroke.
    assert np.ptp(found.time_s - taken) < 2e-3
    assert (np.diff(found.time_s) > 0.0).all()


def test_over_a_pause_the_clock_is_the_same_and_nothing_else_is() -> None:
    taken = np.concatenate([np.arange(300) / 100.0, 17.123 + np.arange(300) / 100.0])
    found = steadied(arrivals(taken, 0.03, 0.002))
    assert found is not None
    assert found.bounded
    off = found.time_s - taken
    assert max(np.ptp(off[:300]), np.ptp(off[300:])) < 2e-3
    assert found.late_s < 0.06


@pytest.mark.parametrize("turns_s", [(0.03, 0.09), (0.09, 0.03)])
def test_how_late_the_latest_came_is_told_whichever_side_of_a_pause_it_is_on(turns_s: tuple[float, float]) -> None:
    came = [20.0 * k + arrivals(np.arange(300) / 100.0, turn_s, 0.0) for k, turn_s in enumerate(turns_s)]
    found = steadied(np.concatenate(came))
    assert found is not None
    assert not found.whole
    # In their order samples wait for about a turn.
    assert 0.06 < found.late_s < 0.1


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 300.0])
@pytest.mark.parametrize("turn_s", [0.03, 0.045, 0.06])
def test_what_comes_at_a_radio_s_turns_leaves_no_hole_between_two_of_them(rate_hz: float, turn_s: float) -> None:
    taken = np.arange(6.0 * rate_hz) / rate_hz
    found = steadied(arrivals(taken, turn_s, 0.001), holes=True)
    assert found is not None
    assert found.bounded
    assert np.ptp(found.time_s - taken) < 2e-3


@pytest.mark.parametrize("gone_s", [0.1, 0.15, 0.25])
@pytest.mark.parametrize("at_s", [2.5, 0.3, 5.4])
@pytest.mark.parametrize(
    ("rate_hz", "turn_s"), [(100.0, 0.0), (100.0, 0.03), (400.0, 0.0), (400.0, 0.03), (1000.0, 0.03)]
)
def test_a_hole_is_no_time_that_did_not_pass(gone_s: float, at_s: float, rate_hz: float, turn_s: float) -> None:
    """Without it a pull at 420 rpm was told as one at 386."""
    taken = np.arange(6.0 * rate_hz) / rate_hz
    taken = taken[(taken < at_s) | (taken >= at_s + gone_s)]
    found = steadied(arrivals(taken, turn_s, 0.001), holes=True)
    assert found is not None
    assert found.bounded
    # To one sample, or what the radio delays.
    assert np.ptp(found.time_s - taken) < max(0.015, 0.7 * turn_s)


def test_a_hole_is_looked_for_where_that_is_asked_for_alone() -> None:
    taken = np.arange(600) / 100.0
    taken = taken[(taken < 2.5) | (taken >= 2.75)]
    asked, plain = steadied(taken, holes=True), steadied(taken)
    assert asked is not None
    assert plain is not None
    assert asked.spacing_s == pytest.approx(0.01, rel=1e-4)
    assert np.diff(plain.time_s) == pytest.approx(plain.spacing_s)


@pytest.mark.parametrize("few", [1, 30, 60])
def test_a_stretch_too_short_to_tell_a_hole_in_it_has_none(few: int) -> None:
    taken = np.concatenate([np.arange(300) / 100.0, 17.123 + np.arange(few) / 100.0])
    found = steadied(arrivals(taken, 0.03, 0.002), holes=True)
    assert found is not None
    assert np.ptp((found.time_s - taken)[:300]) < 2e-3


def test_behind_the_last_long_move_too_little_comes_to_tell_a_hole() -> None:
    taken = np.arange(300) / 100.0
    found = steadied(np.append(taken, 3.25), holes=True)
    assert found is not None
    assert np.ptp(found.time_s[:300] - taken) < 6e-3


def test_the_moves_of_a_slow_gauge_are_no_pauses() -> None:
    taken = np.arange(200) / 5.0
    found = steadied(arrivals(taken, 0.18, 0.0))
    assert found is not None
    assert found.whole
    assert found.spacing_s == pytest.approx(0.2, rel=1e-3)
    assert np.ptp(found.time_s - taken) < 0.02


@pytest.mark.parametrize("held_s", [0.1, 0.25])
@pytest.mark.parametrize("rate_hz", [100.0, 400.0])
def test_what_was_held_back_leaves_no_hole(held_s: float, rate_hz: float) -> None:
    taken = np.arange(6.0 * rate_hz) / rate_hz
    came = arrivals(taken, 0.03, 0.001)
    came[(came > 2.5) & (came < 2.5 + held_s)] = 2.5 + held_s
    found = steadied(came, holes=True)
    assert found is not None
    assert np.ptp(found.time_s - taken) < 0.006


def test_a_logger_that_waits_unevenly_is_not_taken_for_a_steady_gauge() -> None:
    waited = np.random.default_rng(2).uniform(0.005, 0.015, 900)
    found = steadied(np.cumsum(waited))
    assert found is not None
    assert not found.bounded


def test_a_few_samples_that_are_missing_do_not_make_times_uneven() -> None:
    found = steadied(np.delete(np.arange(600) / 100.0, [50, 300, 301]))
    assert found is not None
    assert not found.uneven


@pytest.mark.parametrize(
    "time_s",
    [
        np.arange(FEWEST - 1) / 100.0,
        np.concatenate([np.arange(80) / 100.0, [0.5]]),
        np.zeros(100),
        np.concatenate([np.arange(80) / 100.0, [np.nan]]),
        np.concatenate([np.arange(80) / 100.0, [np.inf]]),
        np.arange(80) * 10.0,
        np.concatenate([np.arange(2000) / 50.0, 40.4 + np.arange(300) / 1000.0]),
    ],
    ids=["few", "back", "still", "no number", "no end", "pauses", "another rate"],
)
def test_what_is_no_clock_has_none(time_s: np.ndarray) -> None:
    assert steadied(time_s) is None
    assert steadied(time_s, holes=True) is None


def test_fifty_times_are_enough_for_a_clock() -> None:
    assert steadied(np.arange(FEWEST) / 100.0) is not None


def test_a_radio_s_turns_are_not_taken_for_a_faster_gauge_that_loses_samples() -> None:
    # 100 samples/s on turns of 7.5 ms, in milliseconds: every fourth turn brings nothing.
    taken = np.arange(600) / 100.0
    found = straightened(np.round(arrivals(taken, 0.0075, 0.0), 3))
    assert found is not None
    assert found.spacing_s == pytest.approx(0.01, rel=1e-3)
    assert np.ptp(found.time_s - taken) < 1e-3


def test_samples_that_are_missing_at_random_leave_the_clock_as_fast_as_it_is() -> None:
    taken = np.arange(900) / 133.3
    kept = np.sort(np.random.default_rng(5).permutation(900)[:720])
    found = straightened(np.round(taken[kept], 3))
    assert found is not None
    assert found.spacing_s == pytest.approx(1.0 / 133.3, rel=1e-3)
