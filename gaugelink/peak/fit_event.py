"""From the samples of an event to its fitted strokes: find, fit, doubt, drop what is not there, fit again."""

from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.events import BoolArray, EngineHints, Flag, FloatArray, GaugeTraits
from gaugelink.peak.fit_find import Train, by_their_times, by_their_tops, densely_sampled
from gaugelink.peak.fit_model import LOCAL, Strokes
from gaugelink.peak.fit_prior import SAG_MEAN
from gaugelink.peak.fit_solve import Doubt, Fit, Problem, solve, tuned
from gaugelink.peak.fit_top import lone_top
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN, half_angle

ROD_RATIO = 3.8
"""Connecting rod over crank radius where nothing better is known: 3 to 5 in small engines; the pulse hardly shows it."""
LEAST_HEIGHT = 0.08
"""Least height of a stroke, as a share of the highest: exhaust and pumping reach half of it."""
_OUT_OF_THE_RUNNING = 6.0
"""Difference of log evidence at which a fit is dropped."""
_UNLIKE = 1.0
"""Excess of a stroke's misfit from which its top is taken by itself."""
_START = Doubt(floor=0.006, time_s=1.0e-4, foot=0.012, top=0.0015)
_GAIN = {2: (2.0 * np.pi, 0.35), 4: (4.0 * np.pi, 0.35), None: (3.0 * np.pi, 0.55)}


@dataclass(frozen=True, slots=True)
class FittedEvent:
    """Strokes in units of `scale_kpa` and what is known of them."""

    strokes: Strokes
    scale_kpa: float
    zero_kpa: float
    zero_u_kpa: float
    peak_u: FloatArray
    """Shape (K,): standard uncertainty from noise, sampling and shape."""
    model_u: FloatArray
    """Shape (K,): standard uncertainty from what the model leaves out."""
    resolution_share: FloatArray
    """Shape (K,): share of the resolution's standard uncertainty that reaches the peak."""
    support: FloatArray
    """Shape (K,): samples on the pulse."""
    known: BoolArray
    """Shape (K,): False where the samples say next to nothing about the stroke."""
    pulse_rate_hz: float | None
    rod_ratio: float
    flags: frozenset[Flag]


def fit_event(
    time_s: FloatArray,
    pressure: FloatArray,
    over: BoolArray,
    zero_kpa: float | None,
    noise_kpa: float,
    traits: GaugeTraits,
    hints: EngineHints,
) -> FittedEvent | None:
    """Fit an event, or None where there is nothing like a stroke. `time_s` rises from 0; everything has shape (n,)."""
    if len(time_s) < 4:
        return None
    zero = _own_zero(pressure) if zero_kpa is None else zero_kpa
    above = pressure - zero
    scale = float(above.max())
    if scale <= 6.0 * noise_kpa:
        return None
    y = above / scale
    floor = noise_kpa / scale
    dense = densely_sampled(time_s, y)
    if dense:
        train = by_their_tops(time_s, y, floor)
        trains = [] if train is None else [train]
    else:
        trains = _distinct(by_their_times(time_s, y))[:6]
    if not trains:
        return None
    mean, sd = _GAIN[hints.cycle if hints.cycle in _GAIN else None]
    rod_ratio = hints.rod_ratio or ROD_RATIO
    problem = Problem(time_s, y, over, rod_ratio, traits.lag_s or 0.0, float(np.log(mean)), sd)
    start = Doubt(max(_START.floor, floor), _START.time_s, _START.foot, _START.top)
    fits = _grown(problem, [solve(problem, _begin(train, problem), start) for train in trains], start)
    if not dense:
        fits = _ranked(fits + [solve(problem, other, start) for fit in fits[:2] for other in _ends_weaker(fit)])
    doubt = start
    for _ in range(2):
        doubt = tuned(problem, fits[0], doubt, floor)
        plain = replace(doubt, strange=())
        count = len(fits[0].strokes.peak)
        fits = _ranked(
            [solve(problem, fit.strokes, doubt if len(fit.strokes.peak) == count else plain) for fit in fits]
        )
    return _result(problem, fits, doubt, scale, zero, floor)


def _ranked(fits: list[Fit]) -> list[Fit]:
    """Different fits, the most probable first, those that are out of the running left out."""
    kept: list[Fit] = []
    for fit in sorted(fits, key=lambda fit: fit.evidence):
        same = any(
            len(fit.strokes.peak) == len(other.strokes.peak)
            and np.allclose(fit.strokes.peak, other.strokes.peak, rtol=0.003, atol=0.003)
            for other in kept
        )
        if not same and (not kept or fit.evidence - kept[0].evidence < _OUT_OF_THE_RUNNING):
            kept.append(fit)
    return kept


def _grown(problem: Problem, fits: list[Fit], doubt: Doubt) -> list[Fit]:
    """The fits with strokes added at either end where samples that no stroke explains make one likely."""
    fits = _ranked(fits)
    out = []
    for fit in fits:
        best = fit
        for end in (0, -1):
            while len(best.strokes.peak) > 1 and (more := _one_more(problem, best, end)) is not None:
                longer = solve(problem, more, doubt)
                place = longer.strokes.peak[end]
                if longer.evidence > best.evidence - 2.0 or place < LEAST_HEIGHT * np.max(longer.strokes.peak):
                    break
                best = longer
        out.append(best)
    return _ranked(out)


def _ends_weaker(fit: Fit) -> list[Strokes]:
    """The strokes with the first or the last one at half its height: a slow gauge may not tell, and both count."""
    out = []
    for end in (0, -1):
        peak = fit.strokes.peak.copy()
        peak[end] *= 0.5
        out.append(replace(fit.strokes, peak=peak))
    return out


def _one_more(problem: Problem, fit: Fit, end: int) -> Strokes | None:
    """Strokes with another one at an end, or None where there is no room or nothing to explain."""
    s = fit.strokes
    period = s.time_s[1] - s.time_s[0] if end == 0 else s.time_s[-1] - s.time_s[-2]
    sign = -1.0 if end == 0 else 1.0
    near = sign * (problem.time_s - s.time_s[end])
    window = (near > 0.7 * period) & (near < 1.4 * period)
    if not window.any():
        return None
    at = np.flatnonzero(window)[int(np.argmax(fit.residual[window]))]
    if fit.residual[at] < max(0.04, 4.0 * np.sqrt(fit.variance[at])):
        return None
    place = len(s.peak) if end else 0
    values = {
        "peak": max(1.5 * float(fit.residual[at]), 0.3 * float(s.peak[end])),
        "time_s": float(np.clip(problem.time_s[at], *sorted((s.time_s[end] + sign * period * r) for r in (0.9, 1.12)))),
        "log_speed": float(s.log_speed[end]),
        "foot": float(s.foot[end]),
        "step": 0.0,
        "lean": 0.0,
    }
    return replace(s, **{name: np.insert(getattr(s, name), place, value) for name, value in values.items()})


def _own_zero(pressure: FloatArray) -> float:
    """Zero of a record without quiet: the gauge's own, unless what lies between the pulses contradicts it."""
    top = float(pressure.max())
    rest = pressure[pressure < 0.12 * top + 0.88 * float(np.percentile(pressure, 10))]
    low, high = np.percentile(rest, [5, 95])
    margin = 0.02 * top
    if low - margin <= 0.0 <= high + margin:
        return 0.0
    return float(np.median(rest))


def _distinct(trains: list[Train]) -> list[Train]:
    """Trains that differ in more than a nudge."""
    kept: list[Train] = []
    for train in trains:
        same = any(
            len(train.time_s) == len(other.time_s)
            and np.all(np.abs(train.time_s - other.time_s) < 0.3 * other.width_s)
            and 0.9 < train.width_s / other.width_s < 1.1
            and 0.85 < np.median(train.height) / np.median(other.height) < 1.18
            for other in kept
        )
        if not same:
            kept.append(train)
    return kept


def _begin(train: Train, problem: Problem) -> Strokes:
    count = len(train.time_s)
    speed = 2.0 * half_angle(SHAPE_PRIOR_MEAN, problem.rod_ratio) / train.width_s
    period = np.gradient(train.time_s) if count > 1 else np.array([2.0 * np.pi / speed])
    gain = float(np.log(speed * np.median(period)))
    log_speed = gain - np.log(period) if count > 1 else np.log([speed])
    flat = np.zeros(count)
    return Strokes(train.height, train.time_s, log_speed, flat, flat, flat, SHAPE_PRIOR_MEAN.copy(), gain, SAG_MEAN)


def _mixed(fits: list[Fit]) -> tuple[FloatArray, FloatArray]:
    """Peaks and their standard uncertainties over all fits in the running, weighed by their probabilities.

    Fits with other strokes than the first one have no say in where its peaks are.
    """
    first = fits[0]
    count = len(first.strokes.peak)
    alike = [
        fit
        for fit in fits
        if len(fit.strokes.peak) == count
        and np.all(np.abs(fit.strokes.time_s - first.strokes.time_s) * np.exp(first.strokes.log_speed) < 1.0)
    ]
    share = np.exp(-np.array([fit.evidence - first.evidence for fit in alike]))
    share /= share.sum()
    peaks = np.array([fit.strokes.peak for fit in alike])
    squares = np.array([np.diag(fit.covariance)[: LOCAL * count : LOCAL] for fit in alike])
    mean = share @ peaks
    return mean, np.sqrt(share @ (squares + (peaks - mean) ** 2))


def _result(problem: Problem, fits: list[Fit], doubt: Doubt, scale: float, zero: float, floor: float) -> FittedEvent:
    fit = fits[0]
    mean, peak_u = _mixed(fits)
    strokes = replace(fit.strokes, peak=mean)
    count = len(mean)
    for k in np.flatnonzero(np.array(doubt.strange) > _UNLIKE):
        part = slice(fit.seen.starts[k], fit.seen.starts[k + 1])
        whole = ~problem.censored[part].any()
        top = lone_top(problem.time_s[part], problem.pressure[part], floor, problem.lag_s) if whole else None
        if top is not None:
            strokes.peak[k], strokes.time_s[k], peak_u[k] = top.peak, top.time_s, top.standard_u
    starts = fit.seen.starts
    support = np.array(
        [float((fit.seen.height[a:b] > 0.3).sum()) for a, b in zip(starts[:-1], starts[1:], strict=True)]
    )
    width = 2.0 * half_angle(strokes.shape, problem.rod_ratio) / np.exp(strokes.log_speed)
    spacing = float(np.median(np.diff(problem.time_s)))
    inside = (strokes.time_s > -0.25 * width) & (strokes.time_s < problem.time_s[-1] + 0.25 * width)
    known = (peak_u < 0.5 * strokes.peak) & (strokes.peak > LEAST_HEIGHT * np.max(strokes.peak)) & inside
    flags = set()
    if np.median(width) / spacing < 0.75:
        flags.add(Flag.UNDER_SAMPLED)
    if strokes.time_s[0] < width[0] or problem.time_s[-1] - strokes.time_s[-1] < width[-1]:
        flags.add(Flag.SHORT_RECORD)
    period = np.diff(strokes.time_s)
    rate = None if count < 2 else float((count - 1) / period.sum())
    return FittedEvent(
        strokes,
        scale,
        zero,
        0.0,
        peak_u,
        0.001 * strokes.peak,
        1.0 / np.sqrt(np.maximum(support, 1.0)),
        support,
        known,
        rate,
        problem.rod_ratio,
        frozenset(flags),
    )
