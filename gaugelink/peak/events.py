"""The words of this room: samples of one burst, a stroke, a cranking event, and the reasons to doubt it."""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class GaugeKind(StrEnum):
    """How the gauge follows the cylinder."""

    LIVE = "live"
    """No check valve: every stroke is a pulse that falls back to nothing."""
    HELD = "held"
    """A check valve: the pressure climbs as a staircase and stays until it is bled."""


class Method(StrEnum):
    """Where the peak of an event comes from."""

    FITTED = "fitted"
    """Live gauge: the pulse model fitted to all samples of the event."""
    HIGHEST_SAMPLE = "highest_sample"
    """Live gauge: the highest sample, because nothing better could be had; low by an unknown amount."""
    SETTLED = "settled"
    """Held gauge: the plateau after the last step, its valve's leak taken out."""
    CLIMBING = "climbing"
    """Held gauge: the highest point reached by an event that was cut short."""


class Flag(StrEnum):
    """Why a number may be doubted."""

    STILL_RISING = "still_rising"
    """Cranking stopped before the pressure stopped climbing."""
    LOST_SAMPLES = "lost_samples"
    """The radio lost samples inside the event."""
    OVER_RANGE = "over_range"
    """The gauge could not show all of the pressure."""
    FEW_STROKES = "few_strokes"
    """Fewer strokes than a compression reading needs."""
    UNDER_SAMPLED = "under_sampled"
    """The gauge is too slow for these pulses; the estimate is wide."""
    ZERO_UNKNOWN = "zero_unknown"
    """No quiet time before the event to take the zero from."""
    ZERO_DRIFT = "zero_drift"
    """The zero moved since the last event by more than the gauge's resolution and noise explain."""
    POOR_FIT = "poor_fit"
    """The samples do not look like a cranked cylinder seen by this gauge."""
    VALVE_LEAK = "valve_leak"
    """Held gauge: the gauge's own valve loses pressure on the plateau."""
    INTERRUPTED = "interrupted"
    """Cranking paused inside the event."""
    SHORT_RECORD = "short_record"
    """The record began or ended inside the event."""
    TRIMMED = "trimmed"
    """The event was too long to keep whole: samples from its middle were let go."""
    CALIBRATION_OVERDUE = "calibration_overdue"
    """The gauge's calibration is past its date."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One compression pulse of the cylinder under the gauge."""

    time_s: float
    """Time of the peak on the gauge's sample clock."""
    peak_kpa: float
    """Gauge pressure at the peak (live), or the level after the step (held); the zero taken off."""
    peak_u_kpa: float
    """Expanded uncertainty of the peak, coverage about 95 %."""


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of an uncertainty budget (JCGM 100:2008, clause 5)."""

    source: str
    """What it comes from: ``sampling and noise``, ``resolution``, ``zero``, ``model``, ``calibration``."""
    u_kpa: float
    """Standard uncertainty in kPa, already multiplied by its sensitivity."""
    common: bool = False
    """True when every reading of the same gauge shares this error, so that it cancels between cylinders."""


@dataclass(frozen=True, slots=True)
class CrankingEvent:
    """A burst of strokes and the cylinder's pressure at its end."""

    kind: GaugeKind
    start_s: float
    end_s: float
    peak_kpa: float
    """Gauge pressure at the end of the rise, zero taken off. What was reached, never what was projected."""
    peak_u_kpa: float
    """Expanded uncertainty of `peak_kpa`, coverage about 95 %."""
    method: Method
    cranking_rpm: float | None
    """Crank revolutions per minute at the usual speed of the event, or None when there are too few strokes to tell.

    The usual speed is that of the middle one of its periods from stroke to stroke (their median). A pause of the
    hand and a last turn that runs down count as one period each, however long.
    """
    strokes: tuple[Stroke, ...]
    flags: frozenset[Flag]
    budget: tuple[BudgetLine, ...] = ()
    zero_kpa: float = 0.0
    """The gauge's reading at ambient, already taken off the pressures here."""
    zero_drift_kpa: float = 0.0
    """Change of the zero since the event before."""
    first_stroke_kpa: float | None = None
    """Pressure after the first stroke: low with a quick climb points elsewhere than low without one."""
    climb_per_stroke: float | None = None
    """Share of the remaining rise that each further stroke takes, 0 to 1; None when it cannot be told."""
    projected_kpa: float | None = None
    """Where an event that was cut short was going; an estimate, never a reading."""
    projected_u_kpa: float | None = None
    """Expanded uncertainty of `projected_kpa`, coverage about 95 %."""
    fitted: "FittedCurve | None" = None
    """The model over the event for a plot, where one was fitted."""


@dataclass(frozen=True, slots=True)
class FittedCurve:
    """The fitted model, dense enough to draw."""

    time_s: FloatArray
    """Shape (m,)."""
    pressure_kpa: FloatArray
    """Shape (m,), gauge pressure, zero taken off."""


@dataclass(frozen=True, slots=True)
class GaugeTraits:
    """What is known of the gauge beforehand. Everything is optional; what is unknown is estimated."""

    kind: GaugeKind | None = None
    resolution_kpa: float | None = None
    """Smallest step of the gauge's output."""
    range_kpa: float | None = None
    """Full scale."""
    lag_s: float | None = None
    """Time constant of the gauge's own first-order lag."""
    averaging_s: float | None = None
    """Time over which each sample is the mean, up to the sample's own time; None or 0 for a pressure at one instant."""
    accuracy_u_kpa: float | None = None
    """Standard uncertainty from the accuracy class or calibration; common to all readings of the gauge."""
    rate_hz: float | None = None


@dataclass(frozen=True, slots=True)
class EngineHints:
    """What the shop file knows of the engine that helps the fit. None of it is needed."""

    cycle: int | None = None
    """Strokes of the engine's cycle: 2 or 4. Cranking speed needs it: one pulse is one or two turns."""
    rod_ratio: float | None = None
    """Connecting-rod length over crank radius."""
    compression_ratio: float | None = None
    """Effective (trapped) compression ratio: from port closing or valve closing."""


MOST_KPA = 1e7
"""A pull of 4000 kPa in pascals that pass for kPa is still a number to work with; what is beyond that is no pressure
in any unit."""
MOVED_LEAST, MOVED_SHARE = 4, 0.1
"""Samples below which no gap is looked for, and the share of the highest above which the gauge has moved."""
GAP_SPACINGS, GAP_S = 4.0, 0.08
"""Without samples for so many usual spacings, and for so long, some are missing: times that are taken from when frames
arrive are never as far off as that."""


@dataclass(frozen=True, slots=True)
class EventSamples:
    """Everything that was seen of one burst, from the quiet before it to the quiet after it."""

    time_s: FloatArray
    """Shape (n,), gauge's sample clock."""
    pressure_kpa: FloatArray
    """Shape (n,), as the gauge gave it: the zero is not taken off."""
    over_range: BoolArray
    """Shape (n,)."""
    lost_samples: int
    """Samples known to be lost inside the burst."""
    kind: GaugeKind
    zero_kpa: float | None
    """The reading in the quiet time before, or None when there was none."""
    zero_u_kpa: float
    """Standard uncertainty of the zero."""
    noise_kpa: float
    """Standard deviation of the quiet samples, resolution included; 0 when unknown."""
    zero_drift_kpa: float = 0.0
    flags: frozenset[Flag] = field(default_factory=frozenset)
    """What the detector already knows is wrong."""

    @property
    def has_gap(self) -> bool:
        """Whether samples are missing while the gauge moved: known to be lost, or a time without any.

        A gauge that does not count its frames cannot say what was lost.
        """
        if self.lost_samples or Flag.TRIMMED in self.flags or len(self.time_s) < MOVED_LEAST:
            return self.lost_samples > 0
        x = self.pressure_kpa - (self.zero_kpa or 0.0)
        moved = np.flatnonzero(x > MOVED_SHARE * x.max())
        if not len(moved):
            return False
        apart = np.diff(self.time_s)
        during = apart[max(0, moved[0] - 1) : moved[-1] + 1]
        return bool(len(during) and during.max() > max(GAP_SPACINGS * float(np.median(apart)), GAP_S))
