"""What a fitted event says of its strokes: peaks with their uncertainties, speed, and reasons for doubt."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from gaugelink.peak.events import BoolArray, Flag, FloatArray
from gaugelink.peak.fit_model import LOCAL, Strokes
from gaugelink.peak.fit_solve import Doubt, Fit, Problem
from gaugelink.peak.fit_speed import pulse_rate
from gaugelink.peak.fit_top import lone_top
from gaugelink.peak.pulse import half_angle
from gaugelink.peak.uncertainty import rectangular

LEAST_HEIGHT = 0.08
"""Least height of a stroke, as a share of the highest: exhaust and pumping reach half of it."""
_FEWEST_PER_WIDTH = 0.75
"""Samples per width at half height below which an event is under-sampled: then most strokes have no sample near
their peaks, and a height hangs on the law of the times."""
_MODEL_SHARE = 0.0006
"""Standard uncertainty of a fitted peak, as a share of it, that the fit's own residuals do not show: the shape's
corrections are smooth, the real top need not be quite so."""
_TOP_SHARE = 0.0006
"""The same of a polynomial through the top."""
_DIFFERENT = 3.0
"""Difference, in standard uncertainties, at which a stroke's own top is believed and the shared shape is not."""
_ANY_STROKE, _END_STROKE = 0.4, 1.2
_HARDLY_SEEN = np.array([1.6, 1.6, 1.9, 0.9, 0.4, 0.0])
"""Added for a stroke with 0, 1, ... samples on the upper part of its pulse. Two are the worst: they seem to tell
height and time, but lie on one flank as often as on either side."""
_WIDE = 0.06
"""Relative expanded uncertainty that marks an event as under-sampled when a quarter of its strokes exceed it."""
_LEAST_TOLD = 0.5
"""Standard uncertainty of the fit, as a share of the peak, from which the samples say nothing of a stroke; with what
the model leaves out it may reach all of the peak."""
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
    model_u = _MODEL_SHARE * np.abs(mean)
    # the best fit may have other strokes than the one whose residuals were looked at
    strange = np.array(doubt.strange) if len(doubt.strange) == len(mean) else np.ones(len(mean))
    for k, (a, b) in enumerate(pairwise(fit.seen.starts)):
        if not problem.censored[a:b].any():
            _with_own_top(problem.time_s[a:b], problem.pressure[a:b], k, strokes, peak_u, model_u, problem, scale.noise)
    support = np.array([float((fit.seen.height[a:b] > 0.3).sum()) for a, b in pairwise(fit.seen.starts)])
    model_u = np.hypot(model_u, _unseen(support) * peak_u)
    for k in {0, len(mean) - 1}:
        a, b = fit.seen.starts[k], fit.seen.starts[k + 1]
        if support[k] <= 1.0 and b > a:
            # all that is certain of it is its highest sample; its time may be other than the law's
            spare = max(float(strokes.peak[k]) - float(problem.pressure[a:b].max()), 0.0)
            model_u[k] = np.hypot(model_u[k], rectangular(spare))
    width = 2.0 * half_angle(strokes.shape, problem.rod_ratio) / np.exp(strokes.log_speed)
    end_s = float(problem.time_s[-1])
    inside = (strokes.time_s > -0.25 * width) & (strokes.time_s < end_s + 0.25 * width)
    told = (peak_u < _LEAST_TOLD * strokes.peak) & (np.hypot(peak_u, model_u) < strokes.peak)
    known = told & (strokes.peak > LEAST_HEIGHT * np.max(strokes.peak)) & inside
    flags = set()
    relative = 2.0 * np.hypot(peak_u, model_u)[known] / strokes.peak[known]
    slow = float(np.median(width)) < _FEWEST_PER_WIDTH * float(np.median(np.diff(problem.time_s)))
    if slow or (support[known].size and float(support[known].min()) < 5.0 and np.percentile(relative, 75) > _WIDE):
        flags.add(Flag.UNDER_SAMPLED)
    if strokes.time_s[0] < width[0] or end_s - strokes.time_s[-1] < width[-1]:
        flags.add(Flag.SHORT_RECORD)
    if _misfit(fit, strange) > _POOR:
        flags.add(Flag.POOR_FIT)
    rate = pulse_rate(strokes, known)
    return FittedEvent(strokes, scale, peak_u, model_u, support, known, rate, problem.rod_ratio, frozenset(flags))


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


def _with_own_top(
    time_s: FloatArray,
    pressure: FloatArray,
    k: int,
    strokes: Strokes,
    peak_u: FloatArray,
    model_u: FloatArray,
    problem: Problem,
    noise: float,
) -> None:
    """Blend stroke k's own top into its peak, or take it alone where the two contradict each other."""
    if len(time_s) == 0:
        return
    top = lone_top(time_s, pressure, noise, problem.lag_s)
    if top is None:
        return
    own_model = _TOP_SHARE * abs(top.peak)
    own = float(np.hypot(top.standard_u, own_model))
    shared = float(np.hypot(peak_u[k], model_u[k]))
    if abs(top.peak - strokes.peak[k]) > _DIFFERENT * np.hypot(own, shared):
        strokes.peak[k], strokes.time_s[k], peak_u[k], model_u[k] = top.peak, top.time_s, top.standard_u, own_model
        return
    weight = shared**2 / (own**2 + shared**2)
    strokes.peak[k] += weight * (top.peak - strokes.peak[k])
    # both come from the same samples: their errors are taken as one
    peak_u[k] += weight * (top.standard_u - peak_u[k])


def _unseen(support: FloatArray) -> FloatArray:
    """What a Gaussian around the best fit leaves out, as a share of the fit's own uncertainty, shape (K,).

    It leaves out strokes that break the law of the others: the first comes from standstill, the last may be thrown
    back. And the fewer samples a stroke has, the less the true distribution looks like a Gaussian. The shares make
    the stated intervals hold the truth as often as they say on simulated and measured engines.
    """
    share = np.full(len(support), _ANY_STROKE)
    share[[0, -1]] += _END_STROKE
    fewest = np.minimum(support, len(_HARDLY_SEEN) - 1).astype(np.intp)
    out: FloatArray = share + _HARDLY_SEEN[fewest]
    return out


def _misfit(fit: Fit, strange: FloatArray) -> float:
    owner = np.repeat(np.arange(len(fit.strokes.peak)), np.diff(fit.seen.starts))
    on = (fit.seen.height > 0.1) & (strange[owner] <= 1.0)
    if not on.any():
        return 0.0
    return float(np.sqrt(np.mean((fit.residual[on] / np.maximum(fit.strokes.peak[owner[on]], 1e-6)) ** 2)))
