"""Strokes as they pass, for live feedback: rough, at once, unfitted."""

from gaugelink.peak.events import FloatArray
from gaugelink.peak.notices import StrokeSeen

BIN_S = 0.004
"""Finer than any pulse; faster gauges are looked at in bins of this width."""


class StrokeWatch:
    """Follows rises and tops, one sample after the other."""

    __slots__ = ("_bin_end", "_bin_top", "_low", "_rest", "_rising", "_since", "_step", "_top")

    def __init__(self) -> None:
        self.reset(0.0, 10.0)

    def reset(self, rest_kpa: float, step_kpa: float) -> None:
        """Start over from a resting level; a rise is more than `step_kpa`."""
        self._rest = rest_kpa
        self._step = step_kpa
        self._low = rest_kpa
        self._top = rest_kpa
        self._since = 0.0
        self._rising = False
        self._bin_end = float("-inf")
        self._bin_top = float("-inf")

    def look(self, time_s: FloatArray, pressure_kpa: FloatArray, dt_s: float) -> list[StrokeSeen]:
        """Tops completed by these samples.

        Args:
            time_s: shape (n,).
            pressure_kpa: shape (n,), as the gauge gave it.
            dt_s: usual time between samples.
        """
        times, values = time_s.tolist(), pressure_kpa.tolist()
        if 0 < dt_s < BIN_S / 2:
            times, values = self._binned(times, values)
        seen = []
        low, top, rising = self._low, self._top, self._rising
        for t, x in zip(times, values, strict=True):
            step = max(self._step, 0.03 * (top - self._rest))
            if rising:
                if x > top + 0.2 * step:
                    top = x
                    self._since = t
                else:
                    seen.append(StrokeSeen(self._since, top - self._rest))
                    rising = False
                    low = x
            elif x > low + step:
                rising = True
                top = x
                self._since = t
            elif x < low:
                low = x
        self._low, self._top, self._rising = low, top, rising
        return seen

    def _binned(self, times: list[float], values: list[float]) -> tuple[list[float], list[float]]:
        """The highest sample of each bin that is complete; a bin goes on from one frame to the next."""
        ends, tops = [], []
        end, top = self._bin_end, self._bin_top
        for t, x in zip(times, values, strict=True):
            if t >= end:
                if top > float("-inf"):
                    ends.append(end)
                    tops.append(top)
                end, top = t + BIN_S, x
            elif x > top:
                top = x
        self._bin_end, self._bin_top = end, top
        return ends, tops
