"""A cranking event on a gauge without a check valve: every stroke's peak from all samples, with its uncertainty."""

import math
from dataclasses import replace

import numpy as np

from gaugelink.peak.events import (
    CrankingEvent,
    EngineHints,
    EventSamples,
    FittedCurve,
    Flag,
    FloatArray,
    GaugeKind,
    GaugeTraits,
    Method,
    Stroke,
)
from gaugelink.peak.fit_event import fit_event
from gaugelink.peak.fit_model import see
from gaugelink.peak.fit_result import FittedEvent
from gaugelink.peak.linear import one_thread
from gaugelink.peak.response import response_of
from gaugelink.peak.uncertainty import Component, budget_lines, combine, rectangular
from gaugelink.peak.zero import own_zero

_FIT_DEGREES = 8.0
"""Degrees of freedom given to the fit's own estimate of its errors where samples are few."""


_LUCK = 1.2
"""Widening of the reading's own errors for being picked among several strokes: the highest of 5 to 10 equal ones is
high by 1.2 to 1.5 standard deviations on average (order statistics of the normal distribution), but strokes share part
of their errors."""


def fit_live(samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
    """Fit the pulse model to one event of a live gauge.

    The samples need not begin or end in quiet. Raises ValueError for an event without samples.
    """
    if len(samples.time_s) == 0:
        raise ValueError("an event needs at least one sample, found none")
    order = np.argsort(samples.time_s, kind="stable")
    good = order[np.isfinite(samples.pressure_kpa[order]) & np.isfinite(samples.time_s[order])]
    time_s, pressure, over = samples.time_s[good], samples.pressure_kpa[good], samples.over_range[good]
    origin = float(time_s[0])
    resolution = _resolution(pressure, traits)
    noise = max(samples.noise_kpa, resolution / math.sqrt(12.0))
    with one_thread():
        fitted = fit_event(time_s - origin, pressure, over, samples.zero_kpa, noise, traits, hints)
    flags = set(samples.flags)
    if samples.zero_kpa is None:
        flags.add(Flag.ZERO_UNKNOWN)
    if samples.has_gap:
        flags.add(Flag.LOST_SAMPLES)
    if over.any():
        flags.add(Flag.OVER_RANGE)
    if fitted is None or not fitted.known.any():
        return _highest(samples, time_s, pressure, flags, resolution, traits, fitted)
    return _event(samples, fitted, origin, time_s, flags, resolution, traits, hints)


def _resolution(pressure: FloatArray, traits: GaugeTraits) -> float:
    """Stated resolution, or the smallest step seen between different samples."""
    if traits.resolution_kpa is not None:
        return traits.resolution_kpa
    steps = np.diff(np.unique(pressure))
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0


def _highest(
    samples: EventSamples,
    time_s: FloatArray,
    pressure: FloatArray,
    flags: set[Flag],
    resolution: float,
    traits: GaugeTraits,
    fitted: FittedEvent | None,
) -> CrankingEvent:
    """The highest sample, with an uncertainty as wide as what the samples may have missed.

    Strokes that the fit does not know are at least where the truth may be.
    """
    zero, zero_u = own_zero(pressure) if samples.zero_kpa is None else (samples.zero_kpa, samples.zero_u_kpa)
    at = int(np.argmax(pressure))
    peak = float(pressure[at]) - zero
    around = pressure[max(0, at - 1) : at + 2]
    missed = max(float(np.ptp(around)), 0.1 * abs(peak), resolution)
    if fitted is not None:
        flags = flags | {Flag.UNDER_SAMPLED}
        missed = max(missed, rectangular(float(fitted.strokes.peak.max()) * fitted.scale.scale_kpa - peak))
    parts = [
        Component("sampling and noise", missed, degrees=2.0),
        Component("resolution", resolution / math.sqrt(12.0)),
        Component("zero", zero_u),
    ]
    if traits.accuracy_u_kpa is not None:
        parts.append(Component("calibration", traits.accuracy_u_kpa, common=True))
    return CrankingEvent(
        kind=GaugeKind.LIVE,
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        peak_kpa=peak,
        peak_u_kpa=combine(parts).expanded_u,
        method=Method.HIGHEST_SAMPLE,
        cranking_rpm=None,
        strokes=(),
        flags=frozenset(flags | {Flag.POOR_FIT, Flag.FEW_STROKES}),
        budget=budget_lines(parts),
        zero_kpa=zero,
        zero_drift_kpa=samples.zero_drift_kpa,
    )


def _event(
    samples: EventSamples,
    fitted: FittedEvent,
    origin: float,
    time_s: FloatArray,
    flags: set[Flag],
    resolution: float,
    traits: GaugeTraits,
    hints: EngineHints,
) -> CrankingEvent:
    scale = fitted.scale.scale_kpa
    zero_u = max(samples.zero_u_kpa, fitted.scale.zero_u_kpa)
    strokes = []
    budgets = []
    for k in range(len(fitted.strokes.peak)):
        if not fitted.known[k]:
            continue
        peak = float(fitted.strokes.peak[k]) * scale
        parts = [
            Component(
                "sampling and noise", float(fitted.peak_u[k]) * scale, degrees=_FIT_DEGREES + float(fitted.support[k])
            ),
            Component("resolution", resolution / math.sqrt(12.0 * max(float(fitted.support[k]), 1.0))),
            Component("zero", zero_u),
            Component("model", float(fitted.model_u[k]) * scale, degrees=_FIT_DEGREES),
        ]
        if traits.accuracy_u_kpa is not None:
            parts.append(Component("calibration", traits.accuracy_u_kpa, common=True))
        strokes.append(Stroke(origin + float(fitted.strokes.time_s[k]), peak, combine(parts).expanded_u))
        budgets.append(parts)
    chosen = reading(strokes)
    # The highest estimate may be the truth and not luck: the reading's own uncertainty reaches towards it.
    above = max(stroke.peak_kpa for stroke in strokes) - strokes[chosen].peak_kpa
    parts = budgets[chosen]
    parts[0] = replace(parts[0], standard_u=math.hypot(parts[0].standard_u, rectangular(above)))
    if len(strokes) > 1:
        luck = {"sampling and noise", "model"}
        parts = [replace(part, standard_u=_LUCK * part.standard_u) if part.source in luck else part for part in parts]
    if len(strokes) < 3:
        flags.add(Flag.FEW_STROKES)
    flags |= fitted.flags
    rate = fitted.pulse_rate_hz
    turns = 2.0 if hints.cycle == 4 else 1.0
    grid = _grid(float(time_s[-1]) - origin, fitted)
    curve = see(grid, fitted.strokes, fitted.rod_ratio, response_of(traits)).value * scale
    return CrankingEvent(
        kind=GaugeKind.LIVE,
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        peak_kpa=strokes[chosen].peak_kpa,
        peak_u_kpa=combine(parts).expanded_u,
        method=Method.FITTED,
        cranking_rpm=None if rate is None else 60.0 * rate * turns,
        strokes=tuple(strokes),
        flags=frozenset(flags),
        budget=budget_lines(parts),
        zero_kpa=fitted.scale.zero_kpa,
        zero_drift_kpa=samples.zero_drift_kpa,
        first_stroke_kpa=strokes[0].peak_kpa,
        fitted=FittedCurve(origin + grid, curve),
    )


def _grid(end_s: float, fitted: FittedEvent) -> FloatArray:
    """Times for a plot, close together on the pulses and wide apart between them."""
    width = 1.5 / np.exp(fitted.strokes.log_speed)
    around = fitted.strokes.time_s[:, None] + width[:, None] * np.linspace(-1.6, 1.6, 97)[None, :]
    times = np.concatenate((around.ravel(), np.linspace(0.0, end_s, 201)))
    return np.unique(times[(times >= 0.0) & (times <= end_s)])


def reading(strokes: list[Stroke]) -> int:
    """Index of the stroke that is the event's reading.

    The highest stroke is the cylinder's compression, but the highest of many uncertain strokes is also the luckiest.
    So the reading is the stroke with the highest lower bound: high, and known to be.
    """
    lows = [stroke.peak_kpa - stroke.peak_u_kpa for stroke in strokes]
    return int(np.argmax(lows))
