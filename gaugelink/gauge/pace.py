"""Whether a gauge of which no rate is stated samples steadily, from when its samples arrive.

Such a gauge may send when it likes, and then nothing tells more of a sample's time than its arrival. Most stream all
the same, and a radio that lets three samples go at once puts them in one place, where a stroke is 20 ms wide.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from gaugelink.gauge.arrivals import FEWEST, steadied
from gaugelink.gauge.layout import GaugeLayout, How
from gaugelink.gauge.samples import SampleBatch

_OF, _ENOUGH = 8, 5
"""Windows in a row, and how many of them must be those of a steady gauge: some may have lost samples in them."""
_ALIKE = 1.05
"""Between the slowest and the fastest of those; what is lost in a window makes it slower."""
WINDOW: Final = 2 * FEWEST
"""Fewest frames that are looked at together."""
WINDOW_S: Final = 1.0
"""Least time of a window: a gauge that sends only changes stands still now and then. No source."""


class Pace:
    """Watches one gauge until its pace is told."""

    __slots__ = ("_arrivals", "_size", "_spacings")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew: the link was lost."""
        self._arrivals: list[float] = []
        self._spacings: list[float | None] = []
        """Of each window; None for one that is not a steady gauge's."""
        self._size = 0

    def see(self, size: int, arrival_s: float) -> float | None:
        """Take the arrival of a frame of `size` samples; the time between samples, once it is told.

        It is not where arrivals are even: their own times are as good.
        """
        if size != self._size:
            self.forget()
            self._size = size
        self._arrivals.append(arrival_s)
        if len(self._arrivals) < WINDOW or arrival_s - self._arrivals[0] < WINDOW_S:
            return None
        found = steadied(np.array(self._arrivals))
        self._arrivals.clear()
        steady = found is not None and found.bounded and found.uneven and found.whole
        self._spacings.append(found.spacing_s if found is not None and steady else None)
        del self._spacings[:-_OF]
        told = [spacing for spacing in self._spacings if spacing is not None]
        if len(told) < _ENOUGH or max(told) > _ALIKE * min(told):
            return None
        return float(np.median(told)) / size


def pace_of(layout: GaugeLayout) -> Pace | None:
    """A watch for a gauge whose layout leaves its timing open; None where it is stated or told by the layout, and where
    samples are fetched or broadcast: those are of the time at which they come."""
    opened = layout.timing is None and not layout.steady and layout.listen.how in (How.NOTIFY, How.INDICATE)
    return Pace() if opened else None


def with_pace(layout: GaugeLayout, batches: Sequence[SampleBatch]) -> GaugeLayout:
    """A layout with the rate that a whole recording shows, where it leaves its timing open and one is shown."""
    sizes = {len(batch.time_s) for batch in batches}
    if pace_of(layout) is None or len(sizes) != 1:
        return layout
    found = steadied(np.array([batch.arrival_s for batch in batches]))
    if found is None or not (found.bounded and found.uneven):
        return layout
    return layout.model_copy(update={"rate_hz": sizes.pop() / found.spacing_s})
