"""Air that comes only after a while is waited for: the rest before it is no cylinder that has lost everything."""

import numpy as np

from gaugelink.leak.differential import DifferentialLimit
from gaugelink.leak.steady import SteadyPhase, SteadyWatch
from simulators.vessel import between_orifices_kpa

SUPPLY_KPA = 551.6


def test_a_slow_start_is_no_loss_of_everything() -> None:
    steady_kpa = between_orifices_kpa(SUPPLY_KPA, 1.016, 0.5)
    watch = SteadyWatch(DifferentialLimit(supply_kpa=SUPPLY_KPA, highest_kpa=700.0))
    time_s = np.arange(0.0, 40.0, 0.01)
    shown = steady_kpa * np.clip((time_s - 12.0) / 4.0, 0.0, 1.0) + np.random.default_rng(1).normal(
        0.0, 1.0, len(time_s)
    )
    for first in range(0, len(time_s), 10):
        entered = watch.push(time_s[first : first + 10], shown[first : first + 10])
        if SteadyPhase.STEADY in entered:
            break
    assert watch.phase is SteadyPhase.STEADY
    assert time_s[first] > 16.0
    assert abs(watch.means()[1] - steady_kpa) < 5.0
