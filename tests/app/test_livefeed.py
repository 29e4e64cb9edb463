"""Live pressure is thinned, its peaks kept, its zero taken off, and it is quiet while the gauge rests."""

from datetime import UTC, datetime, timedelta

import numpy as np

from gaugelink.app.livefeed import LiveFeed, thinned
from gaugelink.gauge.samples import SampleBatch

AT = datetime(2026, 3, 1, tzinfo=UTC)


def batches(pressure_kpa: np.ndarray, rate_hz: float) -> list[SampleBatch]:
    time_s = np.arange(len(pressure_kpa)) / rate_hz
    none = np.zeros(10, dtype=np.bool_)
    return [
        SampleBatch("amber", time_s[i : i + 10], pressure_kpa[i : i + 10], none)
        for i in range(0, len(pressure_kpa) - 9, 10)
    ]


def packs(pressure_kpa: np.ndarray, rate_hz: float, zero_kpa: float = 0.0) -> list:
    feed = LiveFeed()
    feed.zero_kpa = zero_kpa
    got = (feed.add(batch, AT + timedelta(seconds=float(batch.time_s[-1]))) for batch in batches(pressure_kpa, rate_hz))
    return [pack for pack in got if pack is not None]


def test_a_resting_gauge_sends_a_few_samples_a_second() -> None:
    got = packs(np.full(1000, 2.0), 100.0, zero_kpa=2.0)
    assert 8 <= len(got) <= 11
    assert sum(len(pack.time_s) for pack in got) <= 60
    assert all(abs(p) < 1e-9 for pack in got for p in pack.pressure_kpa)


def test_every_sample_of_a_slow_moving_gauge_is_kept() -> None:
    wave = 400.0 + 400.0 * np.sin(np.arange(1000) / 5.0)
    got = packs(wave, 100.0)
    assert sum(len(pack.time_s) for pack in got) >= 980
    assert {pack.base_at for pack in got} == {AT}


def test_thinning_keeps_the_highest_sample_of_each_slot() -> None:
    time_s = np.arange(1000) / 1000.0
    pressure_kpa = np.zeros(1000)
    pressure_kpa[[123, 777]] = 900.0
    kept_s, kept_kpa = thinned(time_s, pressure_kpa, 200.0)
    assert len(kept_s) == 200
    assert sorted(kept_s[kept_kpa == 900.0].tolist()) == [0.123, 0.777]
