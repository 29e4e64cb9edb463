"""What a gauge gives to the rest of the house: samples on the gauge's own clock, and the state of its link."""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def over_range_beyond(range_kpa: float, step_kpa: float | None) -> float:
    """Pressure beyond which a sample may be all that its gauge can show: one more step would be over the full scale.

    A full scale of 300 psi is 2068.43 kPa, and a gauge of whole kPa shows 2068 at most. Without a step, or with one
    that is not known, it is the full scale itself, less the rounding of one that was told in another unit.
    """
    return range_kpa * (1.0 + 1e-9) - step_kpa if step_kpa else range_kpa * (1.0 - 1e-9)


@dataclass(frozen=True, slots=True)
class SampleBatch:
    """The samples of one frame, in order."""

    gauge: str
    """The gauge's name in the shop file."""
    time_s: FloatArray
    """Shape (n,). Seconds on the gauge's rebuilt sample clock: always rising, across reconnects too."""
    pressure_kpa: FloatArray
    """Shape (n,). Gauge pressure in kPa as the gauge gives it, its zero not yet taken off."""
    over_range: BoolArray
    """Shape (n,). True where the gauge said, or its range says, that the pressure was more than it can show."""
    lost_before: int = 0
    """Samples known to be missing between the batch before and this one."""
    arrival_s: float = 0.0
    """Monotonic time of arrival in seconds; for latency, never for durations of what was measured."""


def joined(batches: list[SampleBatch]) -> SampleBatch | None:
    """Batches that follow each other, as one; None of none."""
    if len(batches) < 2:
        return batches[0] if batches else None
    return SampleBatch(
        batches[0].gauge,
        np.concatenate([batch.time_s for batch in batches]),
        np.concatenate([batch.pressure_kpa for batch in batches]),
        np.concatenate([batch.over_range for batch in batches]),
        sum(batch.lost_before for batch in batches),
        batches[-1].arrival_s,
    )


class LinkPhase(StrEnum):
    """Where a gauge's link stands."""

    SEARCHING = "searching"
    CONNECTING = "connecting"
    STREAMING = "streaming"
    SILENT = "silent"
    """Connected by name, but no frame for longer than its rate allows: about to be dropped and found again."""
    LOST = "lost"
    ASLEEP = "asleep"
    """Not seen any more although it was streaming: switched off or gone to sleep."""
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class FrameCounts:
    """Frames since the service started. None of the bad ones became pressure."""

    good: int = 0
    malformed: int = 0
    short: int = 0
    long: int = 0
    duplicated: int = 0
    out_of_order: int = 0
    lost_samples: int = 0
    reconnects: int = 0


@dataclass(frozen=True, slots=True)
class LinkState:
    """The state of one gauge's link, whole, whenever something in it changed."""

    gauge: str
    phase: LinkPhase
    address: str | None = None
    advertised_name: str | None = None
    rssi_dbm: int | None = None
    battery_percent: float | None = None
    rate_hz: float | None = None
    """Samples per second as measured by the sample clock, or None before it is known."""
    last_sample_s: float | None = None
    counts: FrameCounts = field(default_factory=FrameCounts)
    faults: tuple[str, ...] = ()
    """What is wrong, each one sentence for a person."""
