"""The sample clock finds true spacing under jitter, loss and drift, and never runs backwards."""

import numpy as np
import pytest

from gaugelink.gauge.clock import SampleClock
from tests.gauge.links import Radio, simulate, timing_error_s


def rebuild(link, spacing_s):
    clock = SampleClock(spacing_s)
    samples = link.true_s.shape[1]
    times, true = [], []
    for number, stamps, arrival in zip(link.number.tolist(), link.true_s, link.arrival_s.tolist(), strict=True):
        first = number * samples
        clock.observe(first + samples - 1, arrival)
        if clock.ready:
            times.append(clock.place(first, 1.0, samples, arrival))
            true.append(stamps)
    return np.concatenate(times), np.concatenate(true), clock


@pytest.mark.parametrize("spacing_s", [0.01, None], ids=["rate stated", "rate unknown"])
@pytest.mark.parametrize("kind", ["even", "exponential", "slots"])
def test_95_percent_of_sample_times_are_within_1_ms_of_true_spacing_after_5_s(kind, spacing_s):
    errors = []
    for seed in range(6):
        link = simulate(seed, off=0.005, radio=Radio(jitter_s=0.03, kind=kind, loss=0.02))
        times, true, _ = rebuild(link, spacing_s)
        assert (np.diff(times) > 0).all()
        errors.append(timing_error_s(times, true, seen_s=5.0))
    assert np.mean(np.abs(np.concatenate(errors)) <= 1e-3) >= 0.95


def test_the_rate_is_found_whatever_was_stated():
    link = simulate(3, off=-0.02)
    _, _, clock = rebuild(link, 0.01)
    assert 1 / clock.measured_spacing_s == pytest.approx(98.0, rel=1e-4)


def test_a_slow_drift_is_followed():
    link = simulate(4, drift_per_s=2e-6, seconds=200, radio=Radio(loss=0.0))
    times, true, clock = rebuild(link, 0.01)
    assert np.percentile(np.abs(timing_error_s(times, true, seen_s=20, within_s=2)), 95) < 1e-3
    # The spacing grows by 2e-6 of itself a second; the line over the last 30 to 60 s lags by half of that.
    assert clock.spacing_s * 100.5 == pytest.approx(1 + 2e-6 * (200 - 25), abs=5e-5)


def test_times_go_on_growing_over_a_reconnect_and_keep_the_rate():
    link = simulate(5)
    times, _, clock = rebuild(link, 0.01)
    before = clock.spacing_s
    clock.new_epoch()
    assert clock.spacing_s == before
    # The new first frame seems to be older than what was given out already.
    clock.observe(9.0, times[-1] - 0.02)
    again = clock.place(0.0, 1.0, 10, times[-1] - 0.02)
    assert again[0] > times[-1]
    assert (np.diff(again) > 0).all()
    # A minute later there is a gap, and no sample is put into it.
    clock.new_epoch()
    clock.observe(9.0, times[-1] + 60)
    late = clock.place(0.0, 1.0, 10, times[-1] + 60)
    assert late[0] > times[-1] + 59.8


def test_memory_does_not_grow():
    clock = SampleClock(0.01)
    rng = np.random.default_rng(0)
    for frame in range(5000):
        # Arrivals on a convex curve put every frame on the hull: the worst case.
        clock.observe(frame, 0.01 * frame + 1e-6 * frame**2 + rng.uniform(0, 1e-9))
    assert len(clock._old.floor) <= 65
    assert len(clock._old.roof) <= 65


def test_an_absurd_run_of_arrivals_does_not_hurt():
    clock = SampleClock(None)
    for number, arrival in enumerate((0.0, 0.0, 0.0, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9)):
        clock.observe(number, arrival)
    assert clock.ready
    assert np.isfinite(clock.place(9, 1.0, 3, 1e9)).all()


def test_frames_whose_numbers_overlap_do_not_fold_time_back():
    clock = SampleClock(0.001)
    last = -np.inf
    for k in range(20):
        first = 20.0 * k
        clock.observe(first + 90, 0.02 * k)
        times = clock.place(first, 10.0, 10, 0.02 * k)
        assert times[0] > last
        assert (np.diff(times) > 0).all()
        last = times[-1]


def followed(clock, start_s, frames, every_s=0.1, late_s=0.0, first=0, seed=7):
    """Let it see frames of ten samples, each up to 30 ms late; the number and the time that would come next."""
    jitter = np.random.default_rng(seed).uniform(0.0, 0.03, frames)
    for frame in range(frames):
        clock.observe(10.0 * (first + frame) + 9, start_s + every_s * frame + late_s + jitter[frame])
    return 10.0 * (first + frames) + 9, start_s + every_s * frames


def test_a_delay_is_told_from_the_line_under_all_arrivals():
    clock = SampleClock(0.01)
    assert clock.delay_s(9.0, 0.0) is None
    number, at_s = followed(clock, 5.0, 400)
    for off_s in (-0.3, 0.0, 0.25):
        assert clock.delay_s(number, at_s + off_s) == pytest.approx(off_s, abs=1e-3)
    # Spread evenly over 30 ms: the mean is half of it, the mean deviation a quarter.
    assert clock.usual_delay_s == pytest.approx(0.015, abs=0.002)
    assert clock.long_delay_s == pytest.approx(0.015 + 5 * 0.0075, abs=0.006)
    assert 0.0 <= clock.least_recent_delay_s < 0.01
    assert clock.mature


def test_what_is_late_for_a_second_without_exception_is_so_by_the_least_of_it_and_is_told_once():
    clock = SampleClock(0.01)
    followed(clock, 5.0, 200)
    followed(clock, 25.0, 7, late_s=0.2, first=200)
    assert clock.least_recent_delay_s < 0.03
    followed(clock, 25.7, 6, late_s=0.2, first=207)
    assert clock.least_recent_delay_s == pytest.approx(0.2, abs=0.015)
    clock.shifted()
    assert clock.least_recent_delay_s == 0.0
    followed(clock, 26.3, 5, late_s=0.3, first=213)
    assert clock.least_recent_delay_s == 0.0
    followed(clock, 26.8, 10, late_s=0.3, first=218)
    assert clock.least_recent_delay_s == pytest.approx(0.3, abs=0.015)
    # One frame that came in time shows that nothing was missing.
    followed(clock, 27.8, 1, first=228)
    assert clock.least_recent_delay_s < 0.03


def test_behind_a_silence_a_late_frame_says_nothing_until_a_second_has_passed():
    clock = SampleClock(0.01)
    followed(clock, 5.0, 200)
    followed(clock, 29.0, 3, late_s=0.3, first=240)
    assert clock.least_recent_delay_s == 0.0
    followed(clock, 29.3, 10, late_s=0.3, first=243)
    assert clock.least_recent_delay_s == pytest.approx(0.3, abs=0.015)


@pytest.mark.parametrize("seed", range(5))
def test_a_rate_that_was_learnt_holds_in_the_first_second_behind_a_reconnect(seed):
    clock = SampleClock(0.01)
    followed(clock, 5.0, 600, every_s=0.1005)
    learnt = clock.spacing_s
    assert learnt == pytest.approx(0.01005, rel=1e-4)
    clock.new_epoch()
    followed(clock, 80.0, 10, every_s=0.1005, seed=seed)
    assert clock.spacing_s == pytest.approx(learnt, rel=5e-4)


def test_of_another_rate_nothing_is_measured_before_two_seconds_of_it():
    clock = SampleClock(0.01)
    followed(clock, 5.0, 200)
    assert clock.measured_spacing_s == pytest.approx(0.01, rel=1e-3)
    clock.other_rate()
    for frame in range(60):
        followed(clock, 30.0 + 0.2 * frame, 1, first=frame, seed=frame)
        if frame < 9:
            assert clock.measured_spacing_s is None
    assert clock.measured_spacing_s == pytest.approx(0.02, rel=2e-3)
    assert clock.delay_s(609.0, 30.0 + 0.2 * 60) == pytest.approx(0.0, abs=2e-3)


def test_no_time_is_given_that_is_not_after_those_that_others_gave():
    clock = SampleClock(0.01)
    last = 1007.05
    clock.begin_after(last)
    for frame in range(100):
        at_s = 1007.0 + 0.1 * frame
        clock.observe(10.0 * frame + 9, at_s)
        times = clock.place(10.0 * frame, 1.0, 10, at_s)
        assert times[0] > last
        # While it makes up for what it is ahead by, samples stay as far apart within a frame as between two.
        assert np.diff([last, *times]) == pytest.approx((times[-1] - last) / 10, rel=1e-6)
        last = times[-1]
        if frame >= 30:
            # A young line is steered to within a second or two, not by 2 % as an old one.
            assert last == pytest.approx(at_s, abs=0.005)


def test_behind_a_pause_the_numbers_go_on_and_the_line_begins_anew():
    clock = SampleClock(0.01)
    followed(clock, 5.0, 200)
    clock.new_epoch()
    assert clock.delay_s(2009.0, 28.0) is None
    for frame in range(20):
        number, at_s = followed(clock, 28.0 + 0.1 * frame, 1, first=200 + frame, seed=frame)
        assert clock.delay_s(number, at_s) == pytest.approx(0.0, abs=0.03)
        times = clock.place(number - 19, 1.0, 10, at_s)
        assert times[-1] == pytest.approx(at_s - 0.1, abs=0.03)
    assert not clock.mature


@pytest.mark.parametrize(("every_s", "ready_at"), [(0.1, 7), (0.05, 8), (0.01, 40)])
def test_an_unknown_rate_is_known_after_eight_frames_and_four_tenths_of_a_second(every_s, ready_at):
    clock = SampleClock(None)
    for frame in range(ready_at + 1):
        assert not clock.ready
        assert clock.delay_s(10.0 * frame, every_s * frame) is None
        clock.observe(10.0 * frame, every_s * frame)
    assert clock.spacing_s == pytest.approx(0.1 * every_s, rel=0.05)


def test_numbers_that_do_not_grow_teach_no_rate():
    clock = SampleClock(None)
    for frame in range(20):
        clock.observe(5.0, 0.1 * frame)
    assert not clock.ready


def test_before_a_second_was_seen_no_delay_of_a_connection_event_or_two_is_long():
    clock = SampleClock(0.01)
    for frame in range(30):
        clock.observe(10.0 * frame, 0.1 * frame)
        if frame < 10:
            assert clock.long_delay_s >= 0.06
    assert clock.long_delay_s < 0.03


@pytest.mark.parametrize("seed", range(3))
def test_the_rate_stays_known_while_what_is_old_is_forgotten(seed):
    jitter = np.random.default_rng(seed).uniform(0.0, 0.03, 1500)
    clock = SampleClock(0.01)
    for frame in range(1500):
        clock.observe(10.0 * frame, 0.1005 * frame + jitter[frame])
        if frame > 310:
            assert clock.spacing_s == pytest.approx(0.01005, rel=2e-4)
