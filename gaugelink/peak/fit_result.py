"""What a fitted event says of its strokes: peaks with their uncertainties, speed, and reasons for doubt."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from gaugelink.peak.events import BoolArray, Flag, FloatArray
from gaugelink.peak.fit_beyond import alike, beyond
from gaugelink.peak.fit_model import Strokes
from gaugelink.peak.fit_solve import Doubt, Fit, Problem
from gaugelink.peak.fit_speed import pulse_rate
from gaugelink.peak.fit_top import Top, lone_top
from gaugelink.peak.pulse import half_angle
from gaugelink.peak.response import BlurredPulse, Response

LEAST_HEIGHT = 0.08
"""Least height of a stroke, as a share of the highest: exhaust and pumping reach half of it."""
_FEWEST_PER_WIDTH = 0.75
"""Samples per width at half height below which an event is under-sampled: then most strokes have no sample near
their peaks, and a height hangs on the law of the times."""
_ALIKE, _FEW_PLACES = 0.95, 3.0
"""How much alike samples lie on all strokes when an event of fewer than so many samples per width is under-sampled:
every stroke shows the same two or three places of its pulse, and how high it is between them hangs on the shape."""
_MODEL_SHARE = 0.0006
"""Standard uncertainty of a fitted peak, as a share of it, that the fit's own residuals do not show: the shape's
corrections are smooth, the real top need not be quite so."""
_TOP_SHARE = 0.0006
"""The same of a polynomial through the top."""
_BLUR_SHARE = 0.22
"""Standard uncertainty of what an average takes off a top, as a share of that: it goes by how sharp the top is, which
is seen through the average alone. 6,000 strokes of simulated engines, a tenth to half a pulse averaged."""
_USUAL_STRAY, _FEW = 0.003, 2
"""How far the shared shape's top usually is off a stroke's own, as a share; the strokes that this counts for."""
_DIFFERENT = 3.0
"""Difference, in standard uncertainties, at which a stroke's own top is believed and the shared shape is not."""
_ALL_OF_IT = 0.5
"""Largest standard uncertainty from what the model leaves out, as a share of the peak: its expanded one then reaches
from nothing to twice the peak, and what is above that would show."""
_DOUBTFUL = 2.2, 3.0
"""Multiples of the fit's own uncertainty, of a stroke between others and of one at an end, that must stay below the
peak: otherwise the samples say nothing of the stroke."""
_WIDE, _WIDEST = 0.035, 0.08
"""Relative expanded uncertainties that mark an event as under-sampled: when a quarter of its strokes exceed the one,
or a single stroke the other."""
_TRACE = 0.03
"""Share of its height that a stroke at the end of a train must reach in a sample to be told."""
_POOR = 0.1
"""Root mean square of the residuals on the pulses, as a share of the peaks, from which a fit is poor."""


@dataclass(frozen=True, slots=True)
class Scale:
    """From the units of the fit to pressures."""

    scale_kpa: float
    zero_kpa: float
    zero_u_kpa: float
    """Standard uncertainty of a zero that was not measured; 0 where it was."""
    noise: float
    """Standard deviation of a sample in units of the scale."""


@dataclass(frozen=True, slots=True)
class FittedEvent:
    """Strokes in units of the scale and what is known of them."""

    strokes: Strokes
    scale: Scale
    peak_u: FloatArray
    """Shape (K,): standard uncertainty from noise, sampling and shape."""
    model_u: FloatArray
    """Shape (K,): standard uncertainty from what the model leaves out."""
    support: FloatArray
    """Shape (K,): samples on the upper part of the pulse."""
    known: BoolArray
    """Shape (K,): False where the samples say next to nothing about the stroke."""
    pulse_rate_hz: float | None
    """Pulses per second between the first and the last stroke that went over the top."""
    rod_ratio: float
    flags: frozenset[Flag]


def gathered(problem: Problem, fits: list[Fit], doubt: Doubt, scale: Scale) -> FittedEvent:
    """The result of `fits`, the most probable first, of which `doubt` belongs to the first."""
    fit = fits[0]
    mean, peak_u = _mixed(fits)
    strokes = replace(fit.strokes, peak=mean.copy(), time_s=fit.strokes.time_s.copy())
    model_u = np.hypot(_MODEL_SHARE, _BLUR_SHARE * _taken_off(strokes, problem)) * np.abs(mean)
    # the best fit may have other strokes than the one whose residuals were looked at
    strange = np.array(doubt.strange) if len(doubt.strange) == len(mean) else np.ones(len(mean))
    tops = [
        None
        if problem.censored[a:b].any()
        else lone_top(problem.time_s[a:b], problem.pressure[a:b], scale.noise, problem.response)
        for a, b in pairwise(fit.seen.starts)
    ]
    stray = _stray(tops, mean)
    for k, top in enumerate(tops):
        if top is not None:
            _with_own_top(top, k, strokes, peak_u, model_u, stray)
    support = np.array([float((fit.seen.height[a:b] > 0.3).sum()) for a, b in pairwise(fit.seen.starts)])
    width = 2.0 * half_angle(strokes.shape, problem.rod_ratio) / np.exp(strokes.log_speed)
    spacing = float(np.median(np.diff(problem.time_s)))
    doubtful = np.full(len(mean), _DOUBTFUL[0])
    doubtful[[0, -1]] = _DOUBTFUL[1]
    end_s = float(problem.time_s[-1])
    inside = (strokes.time_s > -0.25 * width) & (strokes.time_s < end_s + 0.25 * width)
    told = doubtful * peak_u < strokes.peak
    known = told & (strokes.peak > LEAST_HEIGHT * np.max(strokes.peak)) & inside & _between_seen(problem, fit)
    locked = alike(problem.time_s, strokes.time_s[known])
    more = np.sqrt(beyond(width / spacing, strokes, peak_u, locked) ** 2 - 1.0) * peak_u
    model_u = np.minimum(np.hypot(model_u, more), _ALL_OF_IT * np.abs(strokes.peak))
    flags = set()
    relative = 2.0 * np.hypot(peak_u, model_u)[known] / strokes.peak[known]
    per_width = float(np.median(width)) / spacing
    slow = per_width < _FEWEST_PER_WIDTH or (locked > _ALIKE and per_width < _FEW_PLACES)
    hardly = bool((support[known] < 5.0).any())
    if slow or (hardly and (np.percentile(relative, 75) > _WIDE or relative.max() > _WIDEST)):
        flags.add(Flag.UNDER_SAMPLED)
    if strokes.time_s[0] < width[0] or end_s - strokes.time_s[-1] < width[-1]:
        flags.add(Flag.SHORT_RECORD)
    if _misfit(fit, known & (strange <= 1.0)) > _POOR:
        flags.add(Flag.POOR_FIT)
    rate = pulse_rate(strokes, known)
    return FittedEvent(strokes, scale, peak_u, model_u, support, known, rate, problem.rod_ratio, frozenset(flags))


def _taken_off(strokes: Strokes, problem: Problem) -> FloatArray:
    """Share of each stroke's height that the gauge's averaging takes off, shape (K,)."""
    average = Response(averaging_s=problem.response.averaging_s)
    if not average.blurs:
        return np.zeros(len(strokes.peak))
    return 1.0 - BlurredPulse(strokes.shape, problem.rod_ratio, np.exp(strokes.log_speed), average).tops


def _between_seen(problem: Problem, fit: Fit) -> BoolArray:
    """Shape (K,): False for strokes before the first and after the last one that left a trace in the samples.

    A train whose period is a whole number of samples can go on between them for ever, and what pressure is left when
    the crank stops leaks away slowly: a trace is a sample on the pulse, and one beside it that is less than half.
    """
    traces = []
    times = fit.strokes.time_s
    longest = float(np.diff(times).max()) if len(times) > 1 else np.inf
    for time_s, (a, b) in zip(times, pairwise(fit.seen.starts), strict=True):
        on_pulse = problem.pressure[a:b][fit.seen.height[a:b] > _TRACE]
        # the last one has all that comes after it, and in that time any pressure falls to half
        beside = np.abs(problem.time_s[max(a - 1, 0) : b + 1] - time_s) <= longest
        around = problem.pressure[max(a - 1, 0) : b + 1][beside]
        traces.append(len(on_pulse) > 0 and bool(around.min() < 0.5 * on_pulse.max()))
    seen = np.flatnonzero(traces)
    index = np.arange(len(traces))
    return (index >= seen[0]) & (index <= seen[-1]) if len(seen) else np.zeros(len(traces), dtype=np.bool_)


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
    squares = np.array([fit.equations.covariance().own[:, 0, 0] for fit in alike])
    mean = share @ peaks
    return mean, np.sqrt(share @ (squares + (peaks - mean) ** 2))


def _top_model_u(top: Top) -> float:
    """Standard uncertainty of a polynomial's top from what no polynomial follows, and from what this one does not."""
    return float(np.hypot(_TOP_SHARE, top.cut)) * abs(top.peak)


def _stray(tops: list[Top | None], peaks: FloatArray) -> float:
    """By how much strokes' own tops lie off the shared shape's, as a share, beyond their own uncertainties.

    The variance between strokes by the method of moments (DerSimonian and Laird, Controlled Clinical Trials 7, 1986),
    pulled towards a usual one where strokes are few; the ends, which have laws of their own, are left out.
    """
    excess = _FEW * _USUAL_STRAY**2
    count = _FEW
    for top, peak in zip(tops[1:-1], peaks[1:-1], strict=True):
        if top is not None:
            own = float(np.hypot(top.standard_u, _top_model_u(top))) / abs(peak)
            excess += min((top.peak / peak - 1.0) ** 2, (4.0 * max(own, 0.003)) ** 2) - own**2
            count += 1
    return float(np.sqrt(max(excess / count, 1e-8)))


def _with_own_top(top: Top, k: int, strokes: Strokes, peak_u: FloatArray, model_u: FloatArray, stray: float) -> None:
    """Blend stroke k's own top into its peak, or take it alone where the two contradict each other."""
    own_model = _top_model_u(top)
    own = float(np.hypot(top.standard_u, own_model))
    at_an_end = k in (0, len(strokes.peak) - 1)
    shared = float(np.hypot(np.hypot(peak_u[k], model_u[k]), (2.0 if at_an_end else 1.0) * stray * strokes.peak[k]))
    if abs(top.peak - strokes.peak[k]) > _DIFFERENT * np.hypot(own, shared):
        strokes.peak[k], strokes.time_s[k], peak_u[k], model_u[k] = top.peak, top.time_s, top.standard_u, own_model
        return
    weight = shared**2 / (own**2 + shared**2)
    strokes.peak[k] += weight * (top.peak - strokes.peak[k])
    # both come from the same samples: their errors are taken as one
    peak_u[k] += weight * (top.standard_u - peak_u[k])


def _misfit(fit: Fit, judged: BoolArray) -> float:
    """Root mean square of the residuals on the pulses of the strokes in `judged`, as a share of their peaks.

    A stroke that is not told, because there is next to nothing of it, has no peak to be compared to. The ends are left
    out where enough strokes remain: a crank that is thrown back lingers at the top as no other stroke does.
    """
    inner = judged.copy()
    inner[[0, -1]] = False
    if np.count_nonzero(inner) >= _FEW:
        judged = inner
    owner = np.repeat(np.arange(len(fit.strokes.peak)), np.diff(fit.seen.starts))
    on = (fit.seen.height > 0.1) & judged[owner]
    if not on.any():
        return 0.0
    return float(np.sqrt(np.mean((fit.residual[on] / fit.strokes.peak[owner[on]]) ** 2)))
