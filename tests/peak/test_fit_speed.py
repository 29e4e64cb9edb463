"""Which strokes tell the cranking speed, and how one that was missed, invented or thrown back leaves it alone."""

from collections.abc import Sequence

import numpy as np
import pytest

from gaugelink.peak.events import BoolArray
from gaugelink.peak.fit_model import Strokes
from gaugelink.peak.fit_speed import pulse_rate
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN

PERIOD_S = 0.15


def strokes(
    time_s: Sequence[float], peak: Sequence[float] | None = None, speed: Sequence[float] | None = None
) -> Strokes:
    """An event at 400 turns a minute; heights and speeds in units of the usual ones."""
    count = len(time_s)
    flat = np.zeros(count)
    return Strokes(
        peak=np.ones(count) if peak is None else np.array(peak),
        time_s=np.array(time_s),
        log_speed=np.log(40.0 * (np.ones(count) if speed is None else np.array(speed))),
        foot=flat,
        step=flat,
        lean=flat,
        shape=SHAPE_PRIOR_MEAN.copy(),
        dwell=0.0,
        gain=1.8,
        sag=-0.3,
    )


def told(count: int, *unknown: int) -> BoolArray:
    known = np.ones(count, dtype=np.bool_)
    known[list(unknown)] = False
    return known


def even(count: int) -> list[float]:
    return [PERIOD_S * k for k in range(count)]


def test_even_strokes_tell_their_rate() -> None:
    assert pulse_rate(strokes(even(6)), told(6)) == pytest.approx(1.0 / PERIOD_S)
    assert pulse_rate(strokes(even(2)), told(2)) == pytest.approx(1.0 / PERIOD_S)


def test_one_stroke_tells_no_rate() -> None:
    assert pulse_rate(strokes([0.1]), told(1)) is None
    assert pulse_rate(strokes(even(4)), told(4, 0, 1, 3)) is None
    assert pulse_rate(strokes(even(2)), told(2, 0, 1)) is None


@pytest.mark.parametrize("late_s", [0.02, 0.08, 0.2])
def test_a_last_stroke_that_was_thrown_back_does_not_change_the_speed(late_s: float) -> None:
    at = [*even(4), 3 * PERIOD_S + PERIOD_S + late_s]
    assert pulse_rate(strokes(at, [1.0, 1.0, 1.0, 1.0, 0.6]), told(5)) == pytest.approx(1.0 / PERIOD_S)


def test_a_crank_that_rocks_at_the_end_does_not_change_the_speed() -> None:
    at = [*even(4), 0.7, 0.8, 0.88, 0.95]
    rocked = strokes(at, [1.0, 1.0, 1.0, 1.0, 0.7, 0.55, 0.3, 0.1])
    assert pulse_rate(rocked, told(8)) == pytest.approx(1.0 / PERIOD_S)


def test_a_stroke_and_one_thrown_back_tell_no_speed() -> None:
    assert pulse_rate(strokes([0.0, 0.2], [1.0, 0.6]), told(2)) is None


@pytest.mark.parametrize("height", [0.75, 0.85, 0.95])
def test_whether_a_crawling_last_stroke_went_over_the_top_hardly_matters(height: float) -> None:
    at = [0.0, 0.152, 0.301, 0.452, 0.602, 0.602 + 1.6 * PERIOD_S]
    crawled = strokes(at, [1.0, 1.0, 1.0, 1.0, 1.0, height], [1.0, 1.0, 1.0, 1.0, 1.0, 0.4])
    assert pulse_rate(crawled, told(6)) == pytest.approx(1.0 / PERIOD_S, rel=0.01)


def test_a_missed_inner_stroke_does_not_halve_the_speed() -> None:
    for missing in (1, 2, 3):
        at = [t for k, t in enumerate(even(5)) if k != missing]
        assert pulse_rate(strokes(at), told(4)) == pytest.approx(1.0 / PERIOD_S)
    assert pulse_rate(strokes([0.0, PERIOD_S, 3 * PERIOD_S]), told(3)) == pytest.approx(1.0 / PERIOD_S)


def test_an_inner_stroke_that_the_samples_say_nothing_of_still_counts_as_a_turn() -> None:
    assert pulse_rate(strokes(even(5)), told(5, 1, 2)) == pytest.approx(1.0 / PERIOD_S)


def test_an_invented_inner_stroke_does_not_double_the_speed() -> None:
    at = [0.0, 0.5 * PERIOD_S, PERIOD_S, 2 * PERIOD_S]
    invented = strokes(at, [1.0, 0.3, 1.0, 1.0])
    assert pulse_rate(invented, told(4)) == pytest.approx(1.0 / PERIOD_S)
    assert pulse_rate(invented, told(4, 1)) == pytest.approx(1.0 / PERIOD_S)


def test_a_crank_that_crawls_over_the_top_after_twice_the_period_has_not_made_two_turns() -> None:
    at = [0.0, PERIOD_S, 3 * PERIOD_S]
    crawled = strokes(at, [1.0, 1.0, 0.9], [1.0, 1.0, 0.4])
    assert pulse_rate(crawled, told(3)) == pytest.approx(2.0 / (3 * PERIOD_S))


def test_a_pause_of_the_hand_is_no_slow_turn() -> None:
    at = [*even(4), *(t + 3 * PERIOD_S + 1.1 for t in even(4))]
    assert pulse_rate(strokes(at), told(8)) == pytest.approx(1.0 / PERIOD_S)


def test_a_first_stroke_that_is_low_for_its_rings_still_tells_the_speed() -> None:
    assert pulse_rate(strokes(even(3), [0.6, 0.9, 1.0]), told(3)) == pytest.approx(1.0 / PERIOD_S)
