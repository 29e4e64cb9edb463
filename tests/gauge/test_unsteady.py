"""A gauge that sends when it likes: its samples lie at or before their arrival, in order, and their pace is its own."""

import numpy as np
import pytest

from gaugelink.gauge.unsteady import Unsteady


def test_samples_of_a_first_frame_were_taken_before_it_came() -> None:
    time_s = Unsteady().place(5, 10.0, None)
    assert time_s[-1] == 10.0
    assert (np.diff(time_s) > 0.0).all()


@pytest.mark.parametrize("size", [1, 4])
def test_samples_of_a_frame_are_spread_over_the_time_since_the_one_before(size: int) -> None:
    assert Unsteady().place(size, 10.4, 10.0) == pytest.approx(10.0 + 0.4 * np.arange(1, size + 1) / size)


@pytest.mark.parametrize("size", [1, 4, 9])
def test_frames_that_a_radio_lets_go_at_once_stay_in_order(size: int) -> None:
    placed = Unsteady()
    before = placed.place(size, 10.0, None)[-1]
    for arrival_s in (10.0, 10.0, 9.9):
        time_s = placed.place(size, arrival_s, float(before))
        # A microsecond is far below what a stroke of 20 ms needs and far above what a double holds of a day in seconds.
        assert np.diff([before, *time_s]) == pytest.approx(1e-6, rel=0.01)
        before = time_s[-1]


def test_the_usual_time_between_samples_is_theirs_and_follows_a_change() -> None:
    placed, now_s = Unsteady(), 10.0
    assert placed.interval_s is None
    for frames, frame_s in ((5, 0.4), (80, 0.8)):
        for _ in range(frames):
            placed.place(4, now_s + frame_s, now_s)
            now_s += frame_s
        assert placed.interval_s == pytest.approx(frame_s / 4, rel=1e-3)
    # One pause says little of the pace: a tenth of itself.
    placed.place(4, now_s + 4.8, now_s)
    assert placed.interval_s == pytest.approx(0.2 + 0.1 * (1.2 - 0.2), rel=1e-3)
