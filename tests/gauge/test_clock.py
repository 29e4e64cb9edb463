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
