"""What is remembered of a quiet record is the same whether its samples were stored as they came or skimmed."""

import numpy as np
import pytest

from gaugelink.peak.events import GaugeTraits
from gaugelink.peak.evidence import Losses
from gaugelink.peak.notices import DetectorSettings
from gaugelink.peak.quiet import Quiet
from gaugelink.peak.recent import Recent
from gaugelink.peak.resting import Resting
from tests.peak.shapes import Array, clock, shown

SETTINGS = DetectorSettings()


class Gauge:
    """A gauge at rest whose first samples are known."""

    def __init__(self, t: Array, p: Array, known: int) -> None:
        self.recent, self.quiet, self.losses = Recent(SETTINGS.capacity), Quiet(GaugeTraits(), SETTINGS), Losses()
        self.resting = Resting(self.recent, self.quiet, self.losses, SETTINGS.quiet_s)
        self.quiet.dt_s = float(np.median(np.diff(t[:known])))
        self.quiet.settle(p[:known])
        self.resting.store(t[:known], p[:known], False, known, 0.0)
        self.losses.add(float(t[known]), 3)

    def state(self) -> tuple[object, ...]:
        n = self.recent.count
        held = (self.recent.time_s[:n], self.recent.pressure_kpa[:n], self.recent.over_range[:n])
        lost = self.losses.between(0.0, np.inf)
        return *(a.tolist() for a in held), lost, self.quiet.rest_kpa, self.quiet.wake_kpa, self.quiet.dt_s

    def stored(self, t: Array, p: Array, over: np.ndarray, i: int) -> int:
        """Store glance by glance what is quiet; the place where that ends."""
        while i + (n := self.resting.glance()) <= len(t):
            part = slice(i, i + n)
            if not self.quiet.stays(p[part], n, float(t[part][-1] - t[i])):
                break
            self.resting.store(t[part], p[part], over[part], n, 0.0)
            i += n
        return i


@pytest.mark.parametrize("rate", [10.0, 50.0, 100.0, 1000.0, 5000.0])
@pytest.mark.parametrize("glances", [0, 1, 2, 3, 30])
def test_skimming_leaves_behind_what_storing_does(rate: float, glances: int) -> None:
    known = 400
    t = clock(1500.0 if rate < 1000 else 60.0, rate) + np.random.default_rng(1).uniform(0.0, 1e-4 / rate)
    p = shown(0.02 * np.sin(t / 7.0)) + 0.01 * t
    over = np.arange(len(t)) % 7 == 0
    skimmed, stored = Gauge(t, p, known), Gauge(t, p, known)
    # The movement behind ends it, in the middle of a glance.
    moves = known + glances * skimmed.resting.glance() + 40
    p[moves:] += 200.0
    there = skimmed.resting.skim(t, p, over, known, 0.0)
    assert there == stored.stored(t, p, over, known)
    assert moves - skimmed.resting.glance() <= there <= moves or there > len(t) - skimmed.resting.glance()
    assert skimmed.state() == stored.state()


def test_a_long_night_is_skimmed_in_constant_memory() -> None:
    t = clock(4 * 3600.0, 100.0)
    p = shown(np.zeros_like(t))
    gauge = Gauge(t, p, 400)
    there = gauge.resting.skim(t, p, False, 400, 0.0)
    assert there > len(t) - gauge.resting.glance()
    assert gauge.recent.count < 2000
    assert gauge.recent.time_s[gauge.recent.count - 1] == t[there - 1]
