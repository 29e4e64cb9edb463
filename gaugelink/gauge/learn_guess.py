"""Every reading of the bytes that agrees with the typed readings: where, what kind, which round scale, which zero."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.ambient import HIGHEST_KPA, LOWEST_KPA
from gaugelink.gauge.layout import Reference
from gaugelink.gauge.learn_frame import Frames
from gaugelink.gauge.learn_kinds import KINDS, FloatArray, Kind, values_of
from gaugelink.gauge.learn_scales import DECIMAL_SCALES, PLAIN_SCALES, ROUND_OFFSETS, SCALES, Scale
from gaugelink.gauge.learn_types import LabelledSegment

LEAP_KPA = 15.0
"""How far any frame of a segment may lie from another, besides three steps: a held pressure does not leap."""
LEAST_FULL_SCALE_KPA = 1000.0
"""A gauge that ends below ten bar is no compression gauge. Common practice, no source."""
WANDER_KPA = 5.0
"""How far a held pressure may wander within a segment, besides the steps of the display and of the number: the range
of the middle four fifths of its frames."""


@dataclass(frozen=True, slots=True)
class Guess:
    """One reading of the bytes: ``pressure_kpa = raw * scale.kpa + add_kpa``, gauge pressure."""

    kind: Kind
    at: int
    scale: Scale
    add_kpa: float
    reference: Reference
    offset_counts: float
    """Raw number at no pressure, for a gauge pressure whose zero is lifted; else 0."""
    misfit: float
    """Greatest distance from a typed reading over what it may be, 0 to 1."""
    count: int = 1
    scale_u: float = 0.0
    """How far the readings let the scale be off, relative."""
    step: int = 0
    """Bytes from one sample to the next, when there are several."""

    @property
    def places(self) -> frozenset[int]:
        """All bytes that it reads."""
        return frozenset(self.at + k * self.step + j for k in range(self.count) for j in range(self.kind.width))

    @property
    def count_kpa(self) -> float:
        """What one step of the raw number is; 0 for a float."""
        return 0.0 if self.kind.floating else self.scale.kpa

    @property
    def highest_kpa(self) -> float:
        """Greatest pressure that it can show."""
        return self.kind.highest * self.scale.kpa + self.add_kpa

    def cost(self, typed_unit: PressureUnit) -> float:
        """How far from what makers usually do."""
        unit = 0.0 if self.scale.unit is typed_unit else 1.0
        zero = 1.5 if self.reference is Reference.ABSOLUTE else (2.0 if self.offset_counts else 0.0)
        return self.kind.cost + self.scale.cost + unit + zero + self.misfit


@dataclass(frozen=True, slots=True)
class Readings:
    """The typed readings and how far from them a number may lie."""

    kpa: FloatArray
    """Shape (segments,)."""
    half_step_kpa: FloatArray
    """Shape (segments,). A display rounds, and flickers between two steps: three quarters of a step."""
    absolute: bool
    """Whether the display itself reads from vacuum."""

    @classmethod
    def of(cls, segments: Sequence[LabelledSegment]) -> "Readings":
        """Collect the typed readings."""
        open_kpa = [segment.shown_kpa for segment in segments if segment.open_to_air]
        return cls(
            np.array([segment.shown_kpa for segment in segments]),
            np.array([0.75 * segment.step_kpa for segment in segments]),
            bool(open_kpa) and all(LOWEST_KPA <= kpa <= HIGHEST_KPA for kpa in open_kpa),
        )

    @property
    def span_kpa(self) -> float:
        """From the least to the greatest."""
        return float(self.kpa.max() - self.kpa.min())


def scales_for(kind: Kind) -> tuple[Scale, ...]:
    """The round scales of a kind."""
    return PLAIN_SCALES if kind.floating else DECIMAL_SCALES if kind.decimal else SCALES


def fit_scales(
    middle: FloatArray,
    spread: FloatArray,
    readings: Readings,
    scales: Sequence[Scale],
    limit_kpa: float,
    *,
    floating: bool,
    coarse: float = 0.0,
) -> list[tuple[Scale, float, Reference, float, float]]:
    """The round scales and zeros that agree: scale, add in kPa, reference, counts at no pressure, misfit.

    `middle` and `spread`, shape (segments,), are the raw number's median and range in each segment; `coarse` is the
    relative step of a float with a short mantissa.
    """
    found = []
    low, high = int(readings.kpa.argmin()), int(readings.kpa.argmax())
    rise = middle[high] - middle[low]
    if not rise > 0:
        return []
    for scale in scales:
        count = 0.0 if floating else scale.kpa
        wander = spread * scale.kpa
        if (wander > limit_kpa + 1.5 * count).any():
            continue
        dithered = np.where(wander >= count, 0.25, 0.55) * count
        slack = readings.half_step_kpa + dithered + 0.25 * np.maximum(wander - count, 0.0)
        slack = slack + coarse * np.abs(middle) * scale.kpa
        if abs(rise * scale.kpa - readings.span_kpa) > slack[low] + slack[high]:
            continue
        rest = readings.kpa - middle * scale.kpa
        least, most = float((rest - slack).max()), float((rest + slack).min())
        if least > most:
            continue
        misfit = float((np.abs(rest - 0.5 * (least + most)) / slack).max())
        if least <= 0.0 <= most:
            reference = Reference.ABSOLUTE if readings.absolute else Reference.GAUGE
            found.append((scale, 0.0, reference, 0.0, misfit))
            continue
        if readings.absolute:
            continue
        if -most >= LOWEST_KPA and -least <= HIGHEST_KPA:
            found.append((scale, 0.5 * (least + most), Reference.ABSOLUTE, 0.0, misfit))
            continue
        if not floating:
            # A lift that the display cannot show is no different from none.
            told = 2.0 * float(slack.max())
            offsets = [n for n in ROUND_OFFSETS if least <= -n * scale.kpa <= most and n * scale.kpa >= told]
            found += [(scale, -n * scale.kpa, Reference.GAUGE, float(n), misfit) for n in offsets]
    return found


def linear(middle: FloatArray, readings: Readings, slack_kpa: FloatArray) -> tuple[NDArray[np.bool_], FloatArray]:
    """Which columns of `middle`, shape (segments, columns), rise in line with the readings; and their kPa per count."""
    low, high = int(readings.kpa.argmin()), int(readings.kpa.argmax())
    rise = middle[high] - middle[low]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        slope = np.where(rise > 0, np.minimum(readings.span_kpa / rise, 1e6), np.nan)
        line = readings.kpa[low] + (middle - middle[low]) * slope
        off = np.abs(line - readings.kpa[:, None])
    allowed = slack_kpa[:, None] + np.maximum(slack_kpa[low], slack_kpa[high]) + 1.1 * slope
    return (off <= allowed).all(axis=0) & np.isfinite(slope), slope


def find_guesses(frames: Frames, segments: Sequence[LabelledSegment], claimed: frozenset[int]) -> list[Guess]:
    """Every guess that agrees with all typed readings and uses none of the `claimed` bytes."""
    readings = Readings.of(segments)
    limit_kpa = max(WANDER_KPA, 0.01 * readings.span_kpa, 3 * max(segment.step_kpa for segment in segments))
    head = frames.head
    many = len(segments)
    moving = (head != head[:1]).any(axis=0)
    guesses = []
    for kind in KINDS:
        places = head.shape[1] - kind.width + 1
        if places < 1:
            continue
        # The byte that moves most must have moved, and none may be known to be something else.
        usable = np.array(
            [
                (moving[k : k + kind.width].any() if kind.floating else moving[k + kind.last_byte])
                and claimed.isdisjoint(range(k, k + kind.width))
                for k in range(places)
            ]
        )
        chosen = np.flatnonzero(usable)
        if not len(chosen):
            continue
        numbers = values_of(kind, sliding_window_view(head, kind.width, axis=1)[:, chosen])
        good = np.isfinite(numbers).all(axis=0)
        if not good.any():
            continue
        chosen, numbers = chosen[good], numbers[:, good]
        parts = [numbers[frames.segment == j] for j in range(many)]
        # The mean, for noise of a count or more tells more than a whole count; leaps are refused below.
        middle = np.array([part.mean(axis=0) for part in parts])
        spread = np.array([np.ptp(np.quantile(part, (0.1, 0.9), axis=0), axis=0) for part in parts])
        leap = np.array([np.ptp(part, axis=0) for part in parts])
        straight, slope = linear(middle, readings, readings.half_step_kpa + limit_kpa)
        slope = np.where(straight, slope, np.nan)
        calm = (spread * slope <= limit_kpa + 1.6 * slope) & (leap * slope <= LEAP_KPA + limit_kpa + 3.0 * slope)
        for c in np.flatnonzero(straight & calm.all(axis=0)):
            for scale, add, reference, offset, misfit in fit_scales(
                middle[:, c],
                spread[:, c],
                readings,
                scales_for(kind),
                limit_kpa,
                floating=kind.floating,
                coarse=kind.coarse,
            ):
                within = 2.0 * float(readings.half_step_kpa.max()) + 0.5 * (0.0 if kind.floating else scale.kpa)
                guess = Guess(
                    kind, int(chosen[c]), scale, add, reference, offset, misfit, scale_u=within / readings.span_kpa
                )
                if guess.highest_kpa >= LEAST_FULL_SCALE_KPA:
                    guesses.append(guess)
    return guesses
