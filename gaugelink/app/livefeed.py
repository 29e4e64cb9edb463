"""Thins one gauge's samples to what a screen and a subscriber can use: often while it moves, seldom while it rests."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from gaugelink.gauge.samples import FloatArray, SampleBatch

MOVING_EVERY_S = 0.2
"""Time between packs while the pressure moves."""
RESTING_EVERY_S = 1.0
"""Time between packs while it rests."""
MOVING_HZ = 200.0
"""Samples a second that are kept while it moves: enough to draw every stroke."""
RESTING_HZ = 5.0
_MOVES_KPA = 8.0


@dataclass(frozen=True, slots=True)
class LivePack:
    """Some samples of one gauge, thinned."""

    base_at: datetime
    """Wall time of the gauge's clock at 0 s."""
    time_s: Sequence[float]
    pressure_kpa: Sequence[float]
    """Gauge pressure, the zero taken off."""
    over_range: bool


class LiveFeed:
    """Takes every batch of one gauge and now and then gives a pack. The highest sample of a slot is the one kept."""

    def __init__(self) -> None:
        self.zero_kpa = 0.0
        """Taken off every sample."""
        self._batches: list[SampleBatch] = []
        self._since_s: float | None = None
        self._last_moved_s = float("-inf")
        self._base_at: datetime | None = None

    def add(self, batch: SampleBatch, at: datetime) -> LivePack | None:
        """Take a batch that arrived at wall time `at`; give a pack when one is due."""
        if not len(batch.time_s):
            return None
        first_s, last_s = float(batch.time_s[0]), float(batch.time_s[-1])
        if self._since_s is None:
            self._since_s = first_s
        self._batches.append(batch)
        low, high = float(batch.pressure_kpa.min()), float(batch.pressure_kpa.max())
        if high - self.zero_kpa > _MOVES_KPA or high - low > _MOVES_KPA:
            self._last_moved_s = last_s
        moving = last_s - self._last_moved_s < 1.0
        if last_s - self._since_s < (MOVING_EVERY_S if moving else RESTING_EVERY_S):
            return None
        return self._pack(at, last_s, MOVING_HZ if moving else RESTING_HZ)

    def _pack(self, at: datetime, last_s: float, keep_hz: float) -> LivePack:
        time_s = np.concatenate([batch.time_s for batch in self._batches])
        pressure_kpa = np.concatenate([batch.pressure_kpa for batch in self._batches]) - self.zero_kpa
        over = any(bool(batch.over_range.any()) for batch in self._batches)
        self._batches.clear()
        self._since_s = last_s
        base_at = at - timedelta(seconds=last_s)
        if self._base_at is None or abs((base_at - self._base_at).total_seconds()) > 0.5:
            # The gauge's clock starts anew when the service does; its wall time is fixed once, so that a late frame
            # does not shift the trace.
            self._base_at = base_at
        time_s, pressure_kpa = thinned(time_s, pressure_kpa, keep_hz)
        return LivePack(
            self._base_at, [round(t, 4) for t in time_s.tolist()], [round(p, 2) for p in pressure_kpa.tolist()], over
        )


def thinned(time_s: FloatArray, pressure_kpa: FloatArray, keep_hz: float) -> tuple[FloatArray, FloatArray]:
    """Keep the highest sample of every slot of ``1 / keep_hz``; shapes (n,) to (m,), m at most n."""
    if len(time_s) < 2:
        return time_s, pressure_kpa
    slot = np.floor((time_s - time_s[0]) * keep_hz + 1e-6).astype(np.int64)
    if slot[-1] + 1 >= len(time_s):
        return time_s, pressure_kpa
    starts = np.flatnonzero(np.diff(slot, prepend=-1))
    ends = np.append(starts[1:], len(slot))
    best = [start + int(pressure_kpa[start:end].argmax()) for start, end in zip(starts, ends, strict=True)]
    return time_s[best], pressure_kpa[best]
