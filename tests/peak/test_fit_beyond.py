"""What an interval adds to the fit's own uncertainty: few samples, an uneven crank, odd ends."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.peak.events import FloatArray
from gaugelink.peak.fit_beyond import beyond
from gaugelink.peak.fit_model import Strokes
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN


def train(period_s: list[float], peak: list[float]) -> Strokes:
    zero = np.zeros(len(peak))
    times = np.concatenate(([0.1], 0.1 + np.cumsum(period_s)))
    return Strokes(np.array(peak), times, zero + 5.0, zero, zero, zero, SHAPE_PRIOR_MEAN, 2.0, -0.3)


EVEN = train([0.1] * 6, [1.0] * 7)


def said(strokes: Strokes, per_width: float, share: float = 0.02) -> FloatArray:
    count = len(strokes.peak)
    return beyond(np.full(count, per_width), strokes, share * strokes.peak)


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
