"""What a stretch of samples is: cranking on a live gauge, cranking on a held one, or a hand on the hose."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.events import FloatArray, GaugeKind
from gaugelink.peak.notices import DetectorSettings, HandlingKind

HELD_RUN_S = 0.3
"""A pulse is above half its height for some 50 degrees of crank: 0.14 s at 60 rev/min, 15 to 40 ms when cranked.
What stays above half for longer than this is held by a check valve."""
SLIP_S = 0.5
"""A pause between strokes that is longer than this, and than twice the usual one, is an interruption."""


@dataclass(frozen=True, slots=True)
class Background:
    """What the samples do when nothing happens."""

    rest_kpa: float
    noise_kpa: float
    """Standard deviation about the resting level, resolution included."""
    resolution_kpa: float
    """Smallest step of the output, or 0 when it is finer than the noise."""


@dataclass(frozen=True, slots=True)
class Burst:
    """A stretch of movement, described."""

    kind: GaugeKind
    first: int
    """Index of the first sample that left the background."""
    last_rise_s: float | None
    """Time of the last stroke, or None when nothing rose."""
    top_kpa: float
    """Height above the resting level, single wild samples left out."""
    is_event: bool
    handling: HandlingKind | None
    interrupted: bool


def background(pressure_kpa: FloatArray, resolution_kpa: float | None) -> Background:
    """Level, noise and resolution of quiet samples; robust against single wild ones.

    Args:
        pressure_kpa: shape (n,), n at least 1.
        resolution_kpa: the gauge's resolution where it is known.
    """
    middle = float(np.median(pressure_kpa))
    off = pressure_kpa - middle
    step = resolution_kpa or 0.0
    if not step and len(off) > 1:
        moves = np.abs(np.diff(pressure_kpa))
        moves = moves[moves > 1e-9]
        step = float(moves.min()) if len(moves) else 0.0
    # 1.4826: standard deviation over median absolute deviation, normal distribution.
    spread = max(1.4826 * float(np.median(np.abs(off))), step / 2)
    kept = off[np.abs(off) <= max(4 * spread, 1.01 * step)] if spread else off[off == 0]
    if not len(kept):
        kept = off
    return Background(middle + float(kept.mean()), max(float(kept.std()), step / np.sqrt(12)), step)


def last_step(time_s: FloatArray, pressure_kpa: FloatArray, ground: Background, top_kpa: float) -> float | None:
    """Time of the last rise of a staircase: two neighbouring short means differ by more than noise explains."""
    n = len(time_s)
    if n < 3:
        return None
    dt = max((time_s[-1] - time_s[0]) / (n - 1), 1e-6)
    w = min(max(1, round(0.08 / dt)), n // 2)
    total = np.concatenate(([0.0], np.cumsum(pressure_kpa - ground.rest_kpa)))
    mean = (total[w:] - total[:-w]) / w
    rise = mean[w:] - mean[:-w]
    grain = ground.resolution_kpa * (0.6 if w >= 5 else 1.1)
    limit = max(4 * ground.noise_kpa * np.sqrt(2 / w), 0.0015 * top_kpa, grain)
    where = np.flatnonzero(rise > limit)
    return float(time_s[where[-1] + w]) if len(where) else None


def _runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Starts and ends (excluded) of the stretches where `mask` is true."""
    edges = np.diff(np.concatenate(([0], mask.view(np.int8), [0])))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def describe(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    ground: Background,
    settings: DetectorSettings,
    stated: GaugeKind | None,
) -> Burst:
    """Say what a stretch of samples is.

    Args:
        time_s: shape (n,), from a little quiet before the movement to now.
        pressure_kpa: shape (n,), as the gauge gave it.
        ground: what the samples did before.
        settings: thresholds.
        stated: the kind of gauge where it is known.
    """
    n = len(time_s)
    x = pressure_kpa - ground.rest_kpa
    dt = float(np.median(np.diff(time_s))) if n > 1 else 1.0
    wake = max(settings.wake_kpa, 6 * ground.noise_kpa, 1.6 * ground.resolution_kpa)
    # A wild sample stands alone: at fast rates a real pulse always has a neighbour of at least half its height.
    smooth = x
    if n > 2 and dt < 0.012:
        around = np.maximum(np.concatenate((x[:1], x[:-1])), np.concatenate((x[1:], x[-1:])))
        smooth = np.minimum(x, np.maximum(2 * around, wake))
    top = float(smooth.max())
    moved = np.abs(x) > wake
    first = int(moved.argmax()) if moved.any() else n - 1
    if top <= wake:
        what = None
        if moved.any() and abs(float(np.median(x[-max(1, int(0.3 / dt)) :]))) > wake:
            what = HandlingKind.ZERO_MOVED
        elif moved.any():
            what = HandlingKind.GLITCH
        return Burst(GaugeKind.LIVE, first, None, top, False, what, False)

    starts, ends = _runs(x > top / 2)
    longest = float(np.max(time_s[ends - 1] - time_s[starts]))
    held = (longest > HELD_RUN_S) if stated is None else stated is GaugeKind.HELD
    if held:
        return _staircase(time_s, x, ground, settings, first, top, dt, wake)
    return _pulses(time_s, x, ground, settings, first, top, dt, wake)


def _pulses(
    time_s: FloatArray,
    x: FloatArray,
    ground: Background,
    settings: DetectorSettings,
    first: int,
    top: float,
    dt: float,
    wake: float,
) -> Burst:
    tail = x[-max(3, int(0.35 / dt)) :]
    base = min(float(np.median(tail)), top / 2)
    high = x > base + max(wake, 0.04 * top)
    if not high.any():
        return Burst(GaugeKind.LIVE, first, None, top, False, None, False)
    last = float(time_s[np.flatnonzero(high)[-1]])
    starts, ends = _runs(x > max(wake, 0.08 * top))
    foot = int(np.count_nonzero(x[first:] > max(5 * ground.noise_kpa, 1.5 * ground.resolution_kpa, 0.015 * top, 2.0)))
    pulses = len(starts)
    widest = float(np.max(time_s[ends - 1] - time_s[starts])) + dt if pulses else 0.0
    is_event = top >= settings.event_kpa and (
        (pulses >= 2 and foot >= 4) or (pulses == 1 and foot >= 4 and top >= 3 * settings.event_kpa)
    )
    pauses = np.diff(time_s[starts])
    interrupted = bool(len(pauses) > 1 and pauses.max() > max(SLIP_S, 2 * float(np.median(pauses))))
    what = None
    if not is_event:
        what = HandlingKind.GLITCH if foot < 4 else HandlingKind.SCREWED if widest > 0.15 else HandlingKind.BUMPED
    return Burst(GaugeKind.LIVE, first, last, top, is_event, what, False)


def _staircase(
    time_s: FloatArray,
    x: FloatArray,
    ground: Background,
    settings: DetectorSettings,
    first: int,
    top: float,
    dt: float,
    wake: float,
) -> Burst:
    last = last_step(time_s, x + ground.rest_kpa, ground, top)
    half = np.flatnonzero(x > top / 2)
    entry = int(half[0])
    jump = float(time_s[entry] - time_s[entry - 1]) if entry else 0.0
    # A level that changed while nothing was heard is a reconnect, not a stroke.
    across_gap = jump > max(4 * dt, 0.3)
    is_event = top >= settings.event_kpa and not across_gap and len(half) >= 3
    what = None
    if not is_event:
        what = HandlingKind.ZERO_MOVED if abs(float(x[-1])) > wake else HandlingKind.SCREWED
    return Burst(GaugeKind.HELD, first, last, top, is_event, what, False)
