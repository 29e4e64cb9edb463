"""What an interval adds to the fit's own uncertainty: few samples, an uneven crank, odd ends."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.peak.detector import find_events
from gaugelink.peak.events import Flag, FloatArray, GaugeKind, GaugeTraits
from gaugelink.peak.fit_beyond import alike, beyond
from gaugelink.peak.fit_model import Strokes
from gaugelink.peak.judge import judge
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN
from tests.peak.shapes import clock, pulses, shown


def train(period_s: list[float], peak: list[float]) -> Strokes:
    zero = np.zeros(len(peak))
    times = np.concatenate(([0.1], 0.1 + np.cumsum(period_s)))
    return Strokes(np.array(peak), times, zero + 5.0, zero, zero, zero, SHAPE_PRIOR_MEAN, 0.0, 2.0, -0.3)


EVEN = train([0.1] * 6, [1.0] * 7)


def said(strokes: Strokes, per_width: float, share: float = 0.02, locked: float = 0.15) -> FloatArray:
    count = len(strokes.peak)
    return beyond(np.full(count, per_width), strokes, share * strokes.peak, locked)


@pytest.mark.parametrize("few", [0.4, 0.8, 1.6, 3.2])
def test_the_fewer_the_samples_the_more_is_added(few: float) -> None:
    assert np.all(said(EVEN, few) >= said(EVEN, 2.0 * few))
    assert np.all(said(EVEN, few) > 1.0)


def test_an_uneven_crank_leaves_more_open_than_an_even_one() -> None:
    lurching = train([0.1, 0.13, 0.09, 0.12, 0.1, 0.11], [1.0] * 7)
    unlike = replace(EVEN, peak=np.array([1.0, 1.0, 0.8, 1.1, 0.9, 1.0, 1.0]))
    for uneven in (lurching, unlike):
        assert np.all(said(uneven, 1.0)[1:-1] > 1.3 * said(EVEN, 1.0)[1:-1])


def test_with_many_samples_nothing_else_counts() -> None:
    lurching = train([0.1, 0.15, 0.08, 0.12, 0.1, 0.11], [1.0, 0.6, 1.1, 0.9, 1.0, 1.0, 0.5])
    assert np.array_equal(said(lurching, 12.0), said(EVEN, 12.0))
    assert said(EVEN, 1000.0) == pytest.approx(np.array([1.0] * 6 + [1.14]), abs=0.001)


def test_two_strokes_and_one_are_taken_for_those_of_an_uneven_crank() -> None:
    for count in (1, 2, 3):
        few = train([0.1] * (count - 1), [1.0] * count)
        assert np.all(np.isfinite(said(few, 1.0)))
    assert said(few, 1.0)[1] > 1.3 * said(EVEN, 1.0)[1]


def test_a_wide_stroke_between_others_is_widened_again_where_the_crank_is_uneven() -> None:
    lurching = train([0.1, 0.13, 0.09, 0.12, 0.1, 0.11], [1.0, 1.0, 0.8, 1.1, 0.9, 1.0, 1.0])
    even, uneven = (
        said(strokes, 1.0, share=0.08)[1:-1] / said(strokes, 1.0, share=0.02)[1:-1] for strokes in (EVEN, lurching)
    )
    assert even == pytest.approx(np.ones(5), abs=0.01)
    assert np.all(uneven > 1.4)


def test_a_wide_last_stroke_is_not_widened_as_often_again() -> None:
    assert said(EVEN, 0.6, share=0.2)[-1] < 0.5 * said(EVEN, 0.6, share=0.01)[-1]


def test_samples_that_lie_alike_on_all_strokes_leave_more_open() -> None:
    assert np.all(said(EVEN, 2.0, locked=1.0) > 1.5 * said(EVEN, 2.0))
    assert np.array_equal(said(EVEN, 2.0, locked=0.0), said(EVEN, 2.0))
    for per_width in (0.7, 12.0):  # the law of the times tells the heights; every stroke shows its top
        assert np.array_equal(said(EVEN, per_width, locked=1.0), said(EVEN, per_width))


@pytest.mark.parametrize("lost", [0, 7])
def test_a_period_of_whole_samples_shows_every_stroke_at_the_same_places(lost: int) -> None:
    time_s = np.delete(np.arange(0.0, 2.0, 0.01), np.arange(lost) * 23)
    even = 0.1034 + 0.08 * np.arange(12)
    assert alike(time_s, even) == pytest.approx(1.0, abs=1e-9)
    assert alike(time_s, even + 0.0003 * np.sin(np.arange(12.0))) == pytest.approx(1.0, abs=0.05)
    assert alike(time_s, 0.1034 + 0.0837 * np.arange(12)) < 0.2


def test_what_chance_makes_of_the_places_is_taken_off() -> None:
    """Of K places that lie anywhere the square of the resultant length is 1/K on average."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 4.0, 0.01)
    for count in (3, 6, 12):
        assert (
            np.mean([alike(time_s, np.sort(rng.uniform(0.5, 3.5, count))) ** 2 for _ in range(400)]) < 0.35 / count**0.5
        )


def test_two_strokes_do_not_tell_how_alike_the_samples_lie() -> None:
    time_s = np.arange(0.0, 1.0, 0.01)
    assert alike(time_s, np.array([0.2, 0.3])) == alike(time_s, np.array([0.2, 0.3017])) == 0.15


@pytest.mark.parametrize(("period_s", "flagged"), [(0.08, True), (0.0837, False)])
def test_strokes_that_all_show_the_same_few_places_are_under_sampled(period_s: float, flagged: bool) -> None:
    t = clock(5.0, 75.0)
    live = GaugeTraits(kind=GaugeKind.LIVE)
    (found,) = find_events(t, shown(pulses(t, 2.507, 8, period_s)), live)
    assert (Flag.UNDER_SAMPLED in judge(found, live).flags) is flagged
