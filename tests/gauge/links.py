"""Simulated frames of a steady gauge and their arrival over a radio that delays, bursts and loses."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Radio:
    """A radio's habits."""

    jitter_s: float = 0.03
    kind: str = "even"
    """``even``: each frame waits up to the jitter; ``exponential``: a third of it on average; ``slots``: frames leave
    at the next connection event, one a jitter apart; ``slots, retried``: and a fifth of them at a later one."""
    loss: float = 0.02


@dataclass(frozen=True)
class Link:
    """Frames that arrived."""

    true_s: np.ndarray
    """Shape (frames, samples): when the samples were taken."""
    arrival_s: np.ndarray
    """Shape (frames,)."""
    number: np.ndarray
    """Shape (frames,): frame numbers, with gaps where frames were lost."""


def simulate(seed, *, rate_hz=100.0, samples=10, off=0.005, drift_per_s=0.0, seconds=60.0, radio=Radio()):
    """Simulate a gauge that runs `off` faster than `rate_hz`, its rate drifting by `drift_per_s`."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * rate_hz / samples)
    numbers = np.arange(frames * samples).reshape(frames, samples)
    true = numbers / (rate_hz * (1 + off))
    true = true + 0.5 * drift_per_s * true**2
    ready = true[:, -1]
    if radio.kind == "even":
        arrival = ready + rng.uniform(0, radio.jitter_s, frames)
    elif radio.kind == "exponential":
        arrival = ready + rng.exponential(radio.jitter_s / 3, frames)
    else:
        phase = rng.uniform(0, radio.jitter_s)
        arrival = phase + np.ceil((ready - phase) / radio.jitter_s) * radio.jitter_s
        if radio.kind == "slots, retried":
            arrival = arrival + radio.jitter_s * (rng.geometric(0.8, frames) - 1)
    arrival = np.maximum.accumulate(arrival)
    kept = rng.random(frames) >= radio.loss
    return Link(true[kept], arrival[kept], np.arange(frames)[kept])


def timing_error_s(rebuilt_s, true_s, *, seen_s=5.0, within_s=None):
    """Errors of rebuilt times after `seen_s`, in seconds, the radio's constant delay taken off.

    The delay is one constant for the whole record, or, with `within_s`, one for each stretch of that length: the
    error of the spacing inside an event.
    """
    error = (rebuilt_s - true_s)[true_s >= seen_s]
    if within_s is None:
        return error - np.median(error)
    when = true_s[true_s >= seen_s]
    stretch = ((when - seen_s) / within_s).astype(int)
    return np.concatenate([error[stretch == k] - np.median(error[stretch == k]) for k in np.unique(stretch)])
