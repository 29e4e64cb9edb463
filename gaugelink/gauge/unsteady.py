"""Times of a gauge that sends when it likes: nothing but the arrivals of its frames tells them."""

import numpy as np

from gaugelink.gauge.samples import FloatArray

_FIRST_S, _LEAST_S = 1e-3, 1e-6
"""Between the samples of a first frame, before which nothing came, and between any two."""
_SHARE = 0.1
"""Of the newest interval in the running mean."""


class Unsteady:
    """Spreads the samples of each frame over the time since the one before."""

    __slots__ = ("interval_s",)

    def __init__(self) -> None:
        self.interval_s: float | None = None
        """Usual time between samples; None before two frames."""

    def place(self, size: int, arrival_s: float, before_s: float | None) -> FloatArray:
        """Times of the `size` samples of a frame, shape (size,), all after `before_s`, that of the last before it."""
        if before_s is None:
            return np.linspace(arrival_s - _FIRST_S * (size - 1), arrival_s, size)
        end = max(arrival_s, before_s + _LEAST_S * size)
        interval, old = (end - before_s) / size, self.interval_s
        self.interval_s = interval if old is None else old + _SHARE * (interval - old)
        return np.linspace(before_s, end, size + 1)[1:]
