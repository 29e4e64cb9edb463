"""From the samples of an event to its fitted strokes: find, fit, doubt, drop what is not there, fit again."""

from dataclasses import replace

import numpy as np

from gaugelink.peak.events import BoolArray, EngineHints, FloatArray, GaugeTraits
from gaugelink.peak.fit_find import Train, by_their_times, by_their_tops, densely_sampled
from gaugelink.peak.fit_model import Strokes, boundaries
from gaugelink.peak.fit_prior import SAG_MEAN
from gaugelink.peak.fit_result import LEAST_HEIGHT, FittedEvent, Scale, gathered
from gaugelink.peak.fit_solve import Doubt, Fit, Problem, solve, tuned
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN, half_angle
from gaugelink.peak.response import response_of
from gaugelink.peak.zero import own_zero

ROD_RATIO = 3.8
"""Connecting rod over crank radius where nothing is known: 3 to 5 in small engines; the pulse hardly shows it."""
_SHORT = 400
"""Samples below which an event can leave room for several readings of it, and a few more fits cost little."""
_OUT_OF_THE_RUNNING = 6.0
"""Difference of log evidence at which a fit is dropped."""
_WELL_SEEN = 2
"""Samples on the upper part of an end stroke above which its height is not in question."""
_OTHER_WIDTH = 0.3
"""Change of the logarithm of the pulses' width that is tried besides the one that was found."""
_HOPELESS = 15.0
"""The same of a fit that has not been finished."""
_MOST_WILD = 2
"""Wild samples that are looked for in an event."""
_FEWEST_BESIDE, _TOO_TALL = 3, 1.35
"""Other strokes that must be known, and how many times as high as the highest of them no stroke of a crank is."""
_ENOUGH = 10.0
"""Samples in the width of a pulse with which a fit begins where there are more of them."""
_START = Doubt(floor=0.004, time_s=5.0e-5, foot=0.012, top=0.0007)
_GAIN = {2: (2.0 * np.pi, 0.35), 4: (4.0 * np.pi, 0.35), None: (3.0 * np.pi, 0.55)}


def fit_event(
    time_s: FloatArray,
    pressure: FloatArray,
    over: BoolArray,
    zero_kpa: float | None,
    noise_kpa: float,
    traits: GaugeTraits,
    hints: EngineHints,
) -> FittedEvent | None:
    """Fit an event, or None where there is nothing like a stroke. `time_s` rises from 0; everything has shape (n,).

    A sample by which a stroke would be far higher than all others, and which stands alone on it, is left out.
    """
    for _ in range(_MOST_WILD):
        fitted = _fitted(time_s, pressure, over, zero_kpa, noise_kpa, traits, hints)
        wild = None if fitted is None else _wild(fitted, time_s, pressure)
        if wild is None:
            return fitted
        others = np.arange(len(time_s)) != wild
        time_s, pressure, over = time_s[others], pressure[others], over[others]
    return _fitted(time_s, pressure, over, zero_kpa, noise_kpa, traits, hints)


def _wild(fitted: FittedEvent, time_s: FloatArray, pressure: FloatArray) -> int | None:
    """Index of a sample that alone makes a stroke taller than a crank can make one beside others, or None."""
    peaks = fitted.strokes.peak[fitted.known]
    if len(peaks) < _FEWEST_BESIDE + 1:
        return None
    tall = int(np.argmax(peaks))
    if peaks[tall] < _TOO_TALL * np.delete(peaks, tall).max():
        return None
    starts = boundaries(time_s, fitted.strokes)
    stroke = int(np.flatnonzero(fitted.known)[tall])
    own = pressure[starts[stroke] : starts[stroke + 1]] - fitted.scale.zero_kpa
    high = np.flatnonzero(own > 0.5 * own.max()) if len(own) else own
    return int(starts[stroke] + high[0]) if len(high) == 1 else None


def _fitted(
    time_s: FloatArray,
    pressure: FloatArray,
    over: BoolArray,
    zero_kpa: float | None,
    noise_kpa: float,
    traits: GaugeTraits,
    hints: EngineHints,
) -> FittedEvent | None:
    if len(time_s) < 4:
        return None
    zero, zero_u = own_zero(pressure) if zero_kpa is None else (zero_kpa, 0.0)
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
        trains = _distinct(by_their_times(time_s, y))[: 4 if len(time_s) < _SHORT else 2]
    if not trains:
        return None
    mean, sd = _GAIN[hints.cycle if hints.cycle in _GAIN else None]
    rod_ratio = hints.rod_ratio or ROD_RATIO
    problem = Problem(time_s, y, over, rod_ratio, response_of(traits), float(np.log(mean)), sd, zero_kpa is not None)
    start = Doubt(max(_START.floor, floor), _START.time_s, _START.foot, _START.top)
    early = _thinned(problem, trains[0].width_s) if dense else problem
    if dense:
        found = _there([solve(early, _begin(trains[0], early), start, rounds=2)])
    else:
        found = _looked_at(problem, [_begin(train, problem) for train in trains], start)
    fits = _grown(early, found, start)
    if not fits:
        return None
    if not dense and len(time_s) < _SHORT:
        others = [other for fit in fits[:2] for other in _ends_weaker(fit)] + _other_widths(fits[0])
        fits = _ranked(fits + _looked_at(problem, others, start, fits[0].evidence))
    doubt = start
    for part, rounds in ((early, 2), (problem, 4)):
        doubt = tuned(early, fits[0], doubt, floor)
        plain = replace(doubt, strange=())
        count = len(fits[0].strokes.peak)
        again = [solve(part, fit.strokes, doubt if len(fit.strokes.peak) == count else plain, rounds) for fit in fits]
        fits = _ranked(_there(again))
        if not fits:
            return None
    return gathered(problem, fits, doubt, Scale(scale, zero, zero_u, floor))


def _thinned(problem: Problem, width_s: float) -> Problem:
    """Fewer samples, evenly left out, where pulses of `width_s` have more than a fit needs to come near."""
    every = int(width_s / (_ENOUGH * float(np.median(np.diff(problem.time_s)))))
    if every < 2:
        return problem
    part = slice(every // 2, None, every)
    return replace(
        problem, time_s=problem.time_s[part], pressure=problem.pressure[part], censored=problem.censored[part]
    )


def _looked_at(problem: Problem, starts: list[Strokes], doubt: Doubt, best: float = np.inf) -> list[Fit]:
    """Fits from `starts` after a short look at each, without those that are hopeless beside `best` or each other."""
    looks = _there([solve(problem, strokes, doubt, rounds=1, steps=6) for strokes in starts])
    best = min([best, *(look.evidence for look in looks)])
    return _there([solve(problem, look.strokes, doubt) for look in looks if look.evidence - best < _HOPELESS])


def _there(fits: list[Fit | None]) -> list[Fit]:
    return [fit for fit in fits if fit is not None]


def _other_widths(fit: Fit) -> list[Strokes]:
    """The strokes with wider and with narrower pulses: a slow gauge sees both alike at first."""
    return [
        replace(fit.strokes, log_speed=fit.strokes.log_speed + shift, gain=fit.strokes.gain + shift)
        for shift in (-_OTHER_WIDTH, _OTHER_WIDTH)
    ]


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
                if longer is None:
                    break
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
        own = slice(fit.seen.starts[0], fit.seen.starts[1]) if end == 0 else slice(fit.seen.starts[-2], None)
        if np.count_nonzero(fit.seen.height[own] > 0.3) > _WELL_SEEN:
            continue
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
    soonest, latest = sorted(float(s.time_s[end]) + sign * float(period) * share for share in (0.9, 1.12))
    peak = max(1.5 * float(fit.residual[at]), 0.3 * float(s.peak[end]))
    return s.with_another(len(s.peak) if end else 0, peak, float(np.clip(problem.time_s[at], soonest, latest)))


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
    shape = SHAPE_PRIOR_MEAN.copy()
    return Strokes(train.height, train.time_s, log_speed, flat, flat, flat, shape, 0.0, gain, SAG_MEAN)
