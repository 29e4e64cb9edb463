"""What a stretch of samples is: cranking on a live gauge, cranking on a held one, or a hand on the hose."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from gaugelink.peak.events import FloatArray, GaugeKind
from gaugelink.peak.notices import DetectorSettings, HandlingKind
from gaugelink.peak.order import highest, lowest, middle, middle_of

COARSEST_KPA = 10.0
"""No gauge of the trade has a coarser step (1 psi is 6.9 kPa); a larger one is the jump of a value that was stuck."""
HELD_RUN_S = 0.3
"""A pulse is above half its height for some 50 degrees of crank: 0.14 s at 60 rev/min, 15 to 40 ms when cranked.
What stays above half for longer than this is held by a check valve."""
RISE_S = 0.06
"""A stroke on a live gauge rises within this time; what is higher than its lowest of this time ago is rising."""
RISE_SHARE = 0.04
"""Least rise of a stroke, as a share of the highest of its event."""
STEP_LOOKS_S = (0.08, 0.4)
"""Lengths of the means whose differences show the last rise of a staircase."""
STEP_SHARE = 0.0015
"""A rise below this share of the height does not keep an event open."""
FALLS = 3
"""Fewer falls from one sample to the next than this do not tell how noisy a plateau is."""
STROKE_S, STAYS = 0.1, 1.5
"""Samples further apart may be every other of a filling and of what is left when it has cooled; that falls by less than
two thirds of what it rose by, as Tw over gamma T of it stays (`climb_law.WARM_MANNERS`)."""
SWELL_S = 0.15
"""Longer than a knock at the hose: a thread that squeezes the air under it."""
ONE_STEP_S = 0.12
"""One stroke has filled the hose of a held gauge after this."""
PULSE_SHARE = 0.15
PULSE_KPA = 30.0
"""Least height of a stroke that makes an event together with another: this share of the highest, or this, whichever
is less. A knock at the hose stays below it. Common practice, no source."""
SLOW_S = 0.03
"""Above this sample spacing a stroke may show as a single sample."""
SLOWEST_S = 0.045
"""Above this sample spacing pulses cannot be told from wild samples: such a gauge is held, unless stated otherwise."""
SLIP_S = 0.5
"""A pause between strokes that is longer than this, and than twice the usual one, is an interruption."""

_total = np.add.reduce


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


def samples_back(dt_s: float) -> int:
    """Samples in `RISE_S`, one at least."""
    return max(1, round(RISE_S / dt_s)) if dt_s > 0 else 1


def top_of(x: FloatArray, rising_still: int, dt_s: float) -> int:
    """Index of the top that belongs to the last rise in `x`, shape (n,): `rising` holds on for a while past it."""
    first = max(0, rising_still - samples_back(dt_s))
    return first + int(x[first : rising_still + 1].argmax())


def wake_over(noise_kpa: float, resolution_kpa: float, settings: DetectorSettings) -> float:
    """Movement that neither the noise (standard deviation) nor the steps of the output explain."""
    return max(settings.wake_kpa, 6 * noise_kpa, 1.6 * resolution_kpa)


def smallest_step_kpa(pressure_kpa: FloatArray) -> float:
    """The resolution as far as samples show it: their smallest difference, or 0 when they show none.

    Args:
        pressure_kpa: shape (n,).
    """
    if len(pressure_kpa) < 2:
        return 0.0
    moves = np.abs(pressure_kpa[1:] - pressure_kpa[:-1])
    moves[moves <= 1e-6] = np.inf
    step = lowest(moves)
    return step if step <= COARSEST_KPA else 0.0


def rising(x: FloatArray, limit_kpa: float, dt_s: float) -> np.ndarray:
    """Places where `x`, shape (n,), stands more than `limit_kpa` over its lowest of the last `RISE_S`."""
    back = min(samples_back(dt_s), len(x) - 1)
    if back < 1:
        return np.empty(0, dtype=np.intp)
    lowest = np.empty(len(x) + back)
    lowest[:back] = x[0]
    lowest[back:] = x
    span = 1
    while span <= back:
        # The lowest of `span` samples becomes that of up to twice as many.
        more = min(span, back + 1 - span)
        lowest = np.minimum(lowest[more:], lowest[:-more])
        span += more
    return (x - lowest > limit_kpa).nonzero()[0]


def background(pressure_kpa: FloatArray, resolution_kpa: float | None) -> Background:
    """Level, noise and resolution of quiet samples; robust against single wild ones.

    Args:
        pressure_kpa: shape (n,), n at least 1.
        resolution_kpa: the gauge's resolution where it is known.
    """
    centre = middle(pressure_kpa)
    off = pressure_kpa - centre
    step = resolution_kpa if resolution_kpa is not None else smallest_step_kpa(pressure_kpa)
    # 1.4826: standard deviation over median absolute deviation, normal distribution.
    away = np.abs(off)
    away.sort()
    spread = max(1.4826 * middle_of(away), step / 2)
    limit = max(4 * spread, 1.01 * step)
    kept = off if away[-1] <= limit else off[np.abs(off) <= limit]
    if not len(kept):
        kept = off
    mean = float(_total(kept)) / len(kept)
    variance = float(kept @ kept) / len(kept) - mean * mean
    return Background(centre + mean, max(sqrt(max(variance, 0.0)), step / sqrt(12)), step)


def last_step(x: FloatArray, dt_s: float, noise_kpa: float, resolution_kpa: float, least_kpa: float) -> int | None:
    """Index of the last rise of a staircase: two neighbouring means differ by more than noise explains.

    Short means find where large steps end. Behind them longer ones find a climb too slow for those: a late stroke
    adds less than the noise of a sample.

    Args:
        x: shape (n,).
        dt_s: usual time between samples.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
        least_kpa: rises up to this do not matter.
    """
    last = None
    for length_s in STEP_LOOKS_S:
        behind = x if last is None else x[last:]
        w = max(1, round(length_s / dt_s))
        if len(behind) < 2 * w + 1:
            if last is None and len(behind) >= 3:
                w = len(behind) // 2
            else:
                break
        total = np.concatenate(([0.0], np.cumsum(behind - behind[0])))
        mean = (total[w:] - total[:-w]) / w
        # The mean of many samples resolves more than one step of the output, where noise dithers it.
        grain = resolution_kpa * (0.6 if w >= 4 else 1.1)
        limit = max(4 * noise_kpa * float(np.sqrt(2 / w)), least_kpa, grain)
        where = np.flatnonzero(mean[w:] - mean[:-w] > limit)
        if len(where):
            last = (last or 0) + int(where[-1]) + w
    return last


def plateau_noise_kpa(x: FloatArray, wake_kpa: float, dt_s: float = 0.0) -> float:
    """Noise of a sample on a staircase, or 0 where too few samples fall to tell.

    A held level only rises, so what falls from one sample to the next is noise: half of its differences, whose
    variance is twice that of a sample. What a gauge shows at rest need not tell: one that gives out no pressure below
    zero hides half of its noise there, and another is noisier the higher it stands.

    Args:
        x: shape (n,), the levels of a staircase.
        wake_kpa: falls larger than this, and than others by far, are no noise: the vent, wild samples.
        dt_s: usual time between samples. Where a stroke has two of them, one falls behind each that rose: gas cools.
    """
    moves = x[1:] - x[:-1]
    fell = moves < 0
    if dt_s > STROKE_S:
        fell[1:] &= moves[:-1] <= STAYS * -moves[1:]
    falls = moves[fell]
    if len(falls) < FALLS:
        return 0.0
    falls = falls[falls >= -max(wake_kpa, 6 * middle(-falls))]
    still = int(np.count_nonzero(moves == 0))
    return sqrt(float(falls @ falls) / (2 * len(falls) + still))


def _runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Starts and ends (excluded) of the stretches where `mask` is true."""
    n = len(mask)
    edged = np.empty(n + 2, dtype=np.bool_)
    edged[0] = edged[-1] = False
    edged[1:-1] = mask
    turns = (edged[1:] != edged[:-1]).nonzero()[0]
    return turns[::2], turns[1::2]


def _tops(x: FloatArray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Samples and highest sample of each stretch of `x` above a level."""
    starts, ends = _runs(x > level)
    return ends - starts, np.maximum.reduceat(x, starts) if len(starts) else x[:0]


def describe(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    ground: Background,
    settings: DetectorSettings,
    stated: GaugeKind | None,
    dt_s: float,
) -> Burst:
    """Say what a stretch of samples is.

    Args:
        time_s: shape (n,), from a little quiet before the movement to now.
        pressure_kpa: shape (n,), as the gauge gave it.
        ground: what the samples did before.
        settings: thresholds.
        stated: the kind of gauge where it is known.
        dt_s: usual time between samples.
    """
    n = len(time_s)
    x = pressure_kpa - ground.rest_kpa
    dt = dt_s if dt_s > 0 else 0.01
    wake = wake_over(ground.noise_kpa, ground.resolution_kpa, settings)
    top = _top_kpa(x, wake) if n > 2 and dt < 0.012 else highest(x)
    moved = np.abs(x) > wake
    first = int(moved.argmax())
    if not moved[first]:
        first = n - 1
    if top <= wake:
        return _at_rest(x, first, top, wake, dt)

    held = _longest_s(time_s, x, top) > HELD_RUN_S if stated is None else stated is GaugeKind.HELD
    if dt >= 0.012 and (stated is None or held):
        tamed, without = _without_wild(x, top, wake, sure=held and stated is not None)
        if held and without <= wake:
            # There was nothing but the wild sample.
            return _at_rest(x, first, top, wake, dt)
        if without < top and (held or _longest_s(time_s, tamed, without) > HELD_RUN_S):
            return _staircase(time_s, tamed, ground, settings, first, without, dt, wake)
    if held:
        return _staircase(time_s, x, ground, settings, first, top, dt, wake)
    return _pulses(time_s, x, ground, settings, stated, first, top, dt, wake)


def _top_kpa(x: FloatArray, wake: float) -> float:
    """Highest of the samples `x` of a fast gauge, wild ones left out.

    A wild sample stands alone: a real pulse always has a neighbour of at least half its height there.
    """
    at = int(x.argmax())
    if 0 < at < len(x) - 1 and x[at] <= max(2 * x[at - 1], 2 * x[at + 1], wake):
        return float(x[at])
    around = np.maximum(x[:-2], x[2:])
    return highest(np.minimum(x[1:-1], np.maximum(2 * around, wake)))


def _at_rest(x: FloatArray, first: int, top: float, wake: float, dt: float) -> Burst:
    """No movement: a level that is another one now, a sample that was wrong, or nothing at all."""
    what = None
    if abs(float(x[first])) > wake:
        moved = abs(middle(x[-max(1, int(0.3 / dt)) :])) > wake
        what = HandlingKind.ZERO_MOVED if moved else HandlingKind.GLITCH
    return Burst(GaugeKind.LIVE, first, None, top, False, what, False)


def _longest_s(time_s: FloatArray, x: FloatArray, top: float) -> float:
    """How long `x` stays above half of `top` at a stretch."""
    starts, ends = _runs(x > top / 2)
    return highest(time_s[ends - 1] - time_s[starts]) if len(starts) else 0.0


def _without_wild(x: FloatArray, top: float, wake: float, *, sure: bool) -> tuple[FloatArray, float]:
    """The samples and their highest without a wild one; as they are when there is none.

    A wild sample stands alone, more than twice as high as all others. So does the one good sample that a slow gauge
    may get of a pulse: unless the gauge is `sure` to be a held one, those beside a wild one have to be alike too.
    """
    high = (x > top / 2).nonzero()[0]
    if len(high) != 1 or not 0 < high[0] < len(x) - 1:
        return x, top
    at = int(high[0])
    low, upper = sorted((float(x[at - 1]), float(x[at + 1])))
    if not sure and (low <= wake or upper > 2 * low):
        return x, top
    tamed = x.copy()
    tamed[at] = low
    return tamed, highest(tamed)


def _pulses(
    time_s: FloatArray,
    x: FloatArray,
    ground: Background,
    settings: DetectorSettings,
    stated: GaugeKind | None,
    first: int,
    top: float,
    dt: float,
    wake: float,
) -> Burst:
    tail = x[-max(3, int(0.35 / dt)) :]
    base = min(middle(tail), top / 2)
    limit = max(wake, RISE_SHARE * top)
    # Rising, not high: what is left in a cylinder that stopped on compression leaks away for a second or more.
    rises = rising(x, limit, dt)
    rises = rises[x[rises] > base + limit]
    if not len(rises):
        # It swelled too slowly for a stroke.
        starts, ends = _runs(x > wake)
        slow = bool(np.any(time_s[ends - 1] - time_s[starts] > SWELL_S))
        return Burst(
            GaugeKind.LIVE, first, None, top, False, HandlingKind.SCREWED if slow else HandlingKind.GLITCH, False
        )
    last = float(time_s[top_of(x, int(rises[-1]), dt)])
    high = max(wake, 0.08 * top)
    foot_kpa = max(5 * ground.noise_kpa, 1.5 * ground.resolution_kpa, 0.015 * top, 2.0)
    moved = x[first:]
    foot = int(np.count_nonzero(moved > foot_kpa))
    least = 4 if dt < SLOW_S else 3
    tops = time_s[rises]
    parted = np.empty(len(tops), dtype=np.bool_)
    parted[0] = True
    np.greater(tops[1:] - tops[:-1], 0.03 + 1.5 * dt, out=parted[1:])
    fresh = parted.nonzero()[0]
    begins = tops[fresh]
    least_kpa = min(PULSE_SHARE * top, PULSE_KPA) if dt < SLOW_S else wake
    # Strokes are told apart by the rises between them or by the valleys; a slow gauge often misses one or the other.
    # Twice the threshold: what only just crosses it, noise carries over it again and again.
    two = (
        np.count_nonzero(np.maximum.reduceat(x[rises], fresh) > least_kpa) >= 2
        or np.count_nonzero(_tops(x, high)[1] > max(least_kpa, 2 * high)) >= 2
    )
    seen = dt < SLOWEST_S or stated is GaugeKind.LIVE
    is_event = seen and top >= settings.event_kpa and foot >= least
    if is_event and not two:
        wide = int(np.count_nonzero(moved > max(foot_kpa, 0.05 * top)))
        if dt < SLOW_S:
            lengths, tops_kpa = _tops(x, foot_kpa)
            wide = int(highest(lengths[tops_kpa >= 0.9 * top]))
        is_event = top >= 3 * settings.event_kpa and wide >= least
    pauses = begins[1:] - begins[:-1]
    interrupted = bool(len(pauses) > 1 and highest(pauses) > max(SLIP_S, 2 * middle(pauses)))
    what = None
    if not is_event:
        starts, ends = _runs(x > high)
        widest = highest(time_s[ends - 1] - time_s[starts]) + dt if len(starts) else 0.0
        what = HandlingKind.GLITCH if foot < 4 else HandlingKind.SCREWED if widest > SWELL_S else HandlingKind.BUMPED
    return Burst(GaugeKind.LIVE, first, last, top, is_event, what, interrupted)


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
    half = np.flatnonzero(x > top / 2)
    entry = int(half[0])
    # A slow climb passes for noise, and then begins before it is more than that.
    first = min(first, entry)
    noise_kpa = max(ground.noise_kpa, plateau_noise_kpa(x[entry:], wake, dt))
    step = last_step(x, dt, noise_kpa, ground.resolution_kpa, STEP_SHARE * top)
    last = float(time_s[step]) if step is not None else None
    jump = float(time_s[entry] - time_s[entry - 1]) if entry else 0.0
    # A level that changed while nothing was heard is a reconnect, not a stroke.
    across_gap = jump > max(4 * dt, 0.3)
    rises = rising(x, max(wake, RISE_SHARE * top), dt)
    # One low step alone is a gauge that zeroed itself, or a hand on the fitting; slow gauges show no single steps.
    alone = dt < SLOW_S and (not len(rises) or time_s[rises[-1]] - time_s[rises[0]] < ONE_STEP_S)
    enough = settings.event_kpa * (3 if alone else 1)
    is_event = top >= enough and not across_gap and len(half) >= 3
    what = None
    if not is_event:
        what = HandlingKind.ZERO_MOVED if abs(float(x[-1])) > wake else HandlingKind.SCREWED
    return Burst(GaugeKind.HELD, first, last, top, is_event, what, False)
