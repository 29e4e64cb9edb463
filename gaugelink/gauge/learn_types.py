"""What the learner is given and what it gives back."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Self

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.recording import Recording

MOST_SHOWN = 1e9
"""More than any display shows, in pascals too."""


@dataclass(frozen=True, slots=True)
class LabelledSegment:
    """Frames that came while one pressure was held, and what the gauge's own display showed."""

    shown: float
    """The typed reading, in `unit`."""
    unit: PressureUnit
    step: float
    """Smallest step of the display, in `unit`: 0.1 for a reading typed as 20.5."""
    frames: tuple[tuple[float, bytes], ...]
    """Monotonic time of arrival in seconds and bytes."""
    battery_percent: float | None = None
    """The battery as the gauge shows it, if it was typed."""
    open_to_air: bool = False
    """Whether the gauge was open to the air: a display that then shows about one bar is absolute."""

    @classmethod
    def typed(
        cls,
        reading: str,
        unit: PressureUnit,
        frames: Sequence[tuple[float, bytes]],
        *,
        step: float | None = None,
        battery_percent: float | None = None,
        open_to_air: bool = False,
    ) -> Self:
        """Make a segment from a reading as it was typed; the last digit typed is the display's step unless stated.

        Raises decimal.InvalidOperation when the reading is no number that a display shows.
        """
        number = Decimal(reading.strip().replace(",", "."))
        if not number.is_finite() or abs(number) > MOST_SHOWN:
            raise InvalidOperation(f"no display shows {reading!r}")
        exponent = number.as_tuple().exponent
        digit = 10.0 ** (exponent if isinstance(exponent, int) else 0)
        return cls(float(number), unit, step or digit, tuple(frames), battery_percent, open_to_air)

    @property
    def shown_kpa(self) -> float:
        """The reading in kPa."""
        return self.unit.to_kpa(self.shown)

    @property
    def step_kpa(self) -> float:
        """The display's step in kPa."""
        return self.unit.to_kpa(self.step)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read the frames that agrees with every typed reading."""

    layout: GaugeLayout
    cost: float
    """How far from what makers usually do; the list is in this order. It ranks, it does not decide."""
    evidence: tuple[str, ...]
    """For a person, each one sentence."""


@dataclass(frozen=True, slots=True)
class LearnResult:
    """What the recordings say."""

    layout: GaugeLayout | None
    """The layout, where the evidence leaves no other; else None."""
    candidates: tuple[Candidate, ...]
    """All that agree with the readings, the plainest first."""
    missing: tuple[str, ...] = ()
    """What more is needed before a layout can be accepted, each one sentence."""
    next_pressure_kpa: float | None = None
    """The next most telling pressure to apply."""
    notes: tuple[str, ...] = ()
    """What was found besides, and what could not be told."""


def segments_of(recording: Recording, battery_percent: float | None = None) -> list[LabelledSegment]:
    """Cut a recording into segments: each typed reading with the frames of the time it was held."""
    segments = []
    frames = recording.frames
    for entry in recording.entries:
        if entry.display is None or entry.unit is None:
            continue
        begin = entry.t_s - (entry.hold_s or 1.0)
        held = tuple((t, payload) for t, payload in frames if begin <= t <= entry.t_s)
        step = entry.step or 10.0 ** -max(0, -int(Decimal(repr(entry.display)).as_tuple().exponent))
        segments.append(LabelledSegment(entry.display, entry.unit, step, held, battery_percent))
    return segments
