"""The resting level of a gauge: followed while nothing happens, at the cost of a few comparisons per frame."""

import numpy as np

from gaugelink.peak.burst import Background, background, smallest_step_kpa, wake_over
from gaugelink.peak.events import FloatArray, GaugeTraits
from gaugelink.peak.notices import DetectorSettings
from gaugelink.peak.order import highest, lowest, middle

NOISIEST_KPA = 25.0
"""Half a percent of the widest range in the trade, rounded up. Common practice, no source."""
FEW = 16
"""Fewer samples than this tell the level but not the noise."""

_total = np.add.reduce


class Quiet:
    """What the gauge shows when it rests, and how far it may move before that means something."""

    __slots__ = ("_ground", "_resolution_kpa", "_settings", "dt_s", "rest_kpa", "wake_kpa")

    def __init__(self, traits: GaugeTraits, settings: DetectorSettings) -> None:
        self._settings = settings
        self._resolution_kpa = traits.resolution_kpa
        self._ground: Background | None = None
        self.rest_kpa = 0.0
        """Resting level."""
        self.wake_kpa = settings.wake_kpa
        """Movement away from it that is more than noise."""
        self.dt_s = 0.0
        """Usual time between samples; 0 before it is known."""

    @property
    def known(self) -> bool:
        """Whether a resting level has been found yet."""
        return self._ground is not None

    @property
    def ground(self) -> Background:
        """The resting level with noise and resolution."""
        known = self._ground or Background(0.0, 0.0, 0.0)
        return Background(self.rest_kpa, known.noise_kpa, known.resolution_kpa)

    def stays(self, p: FloatArray, n: int, span_s: float) -> bool:
        """Whether `n` samples over `span_s` seconds stay near the resting level; if so, the level follows them."""
        if n <= 32:
            values = p.tolist()
            high, low, mean = max(values), min(values), sum(values) / n
        else:
            high, low, mean = highest(p), lowest(p), None
        rest = self.rest_kpa
        wake = self.wake_kpa
        # Written so that what is not a number is not quiet either.
        if not (high <= rest + wake and low >= rest - wake):
            return False
        if mean is None:
            mean = float(_total(p)) / n
        # The level follows within about half a second: faster than any warm-up, slower than any stroke.
        share = 2 * (span_s + self.dt_s)
        self.rest_kpa = rest + (mean - rest) * (share if share < 1 else 1)
        return True

    def settle(self, quiet_kpa: FloatArray, *, keep_rest: bool = False, flat: bool = True) -> None:
        """Take samples, shape (n,), as the background.

        Args:
            quiet_kpa: samples in which nothing happens.
            keep_rest: leave the resting level as it is and learn noise and resolution alone.
            flat: False when the level is still moving, so that its slope would pass for noise.
        """
        ground = background(quiet_kpa, self._resolution_kpa)
        before = self._ground
        if before is not None and (len(quiet_kpa) < FEW or not flat):
            ground = Background(ground.rest_kpa, before.noise_kpa, before.resolution_kpa)
        self._take(ground, keep_rest)

    def settles(self, p: FloatArray) -> bool:
        """Begin with the first samples of a record, shape (n,); False when they are not quiet."""
        # Neighbouring samples tell the noise even on a slope; no gauge is noisier than the bound.
        noise = min(middle(np.abs(p[1:] - p[:-1])), NOISIEST_KPA)
        step = self._resolution_kpa if self._resolution_kpa is not None else smallest_step_kpa(p)
        if highest(p) - lowest(p) > max(self._settings.wake_kpa, 8 * noise, 2.2 * step):
            return False
        self.settle(p)
        return True

    def guess(self, p: FloatArray) -> None:
        """Begin in the middle of something: the low samples stand in for a resting level that was never seen."""
        step = self._resolution_kpa or 0.0
        self._take(Background(float(np.percentile(p, 10)), max(0.5, step / float(np.sqrt(12))), step), keep_rest=False)

    def _take(self, ground: Background, keep_rest: bool) -> None:
        self._ground = ground
        if not keep_rest:
            self.rest_kpa = ground.rest_kpa
        self.wake_kpa = wake_over(min(ground.noise_kpa, NOISIEST_KPA), ground.resolution_kpa, self._settings)
