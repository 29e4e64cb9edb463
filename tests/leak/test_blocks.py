"""What is made of a gauge's samples before anything is fitted: noise and step, blocks, merged blocks, a live rate."""

import numpy as np
import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.leak.blocks import MOST_BLOCKS, blocks
from gaugelink.leak.hold_samples import LIVE_S, HoldSamples
from gaugelink.leak.limits import Practice, practice_limit
from gaugelink.leak.noise import noise_and_resolution
from gaugelink.leak.thinned import MOST, Thinned

PSI = PressureUnit.PSI.kpa


def fall(count: int, noise_kpa: float, step_kpa: float, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times at 5 Hz, the true pressure of a leaking volume, and what a gauge shows of it."""
    time_s = np.arange(count) / 5.0
    true = 10.0 + 30.0 * np.exp(-time_s / 400.0)
    shown = true + np.random.default_rng(seed).normal(0.0, noise_kpa, count)
    return time_s, true, np.round(shown / step_kpa) * step_kpa if step_kpa else shown


@pytest.mark.parametrize("noise_kpa", [0.02, 0.3])
def test_noise_is_told_from_a_fall_from_a_bump_and_from_rounding(noise_kpa: float) -> None:
    for step_kpa in (0.0, 0.01, 0.1):
        _, _, shown = fall(2000, noise_kpa, step_kpa)
        bumped = shown.copy()
        bumped[900:] += 5.0
        for samples in (shown, bumped):
            noise, _ = noise_and_resolution(samples, step_kpa)
            assert noise == pytest.approx(noise_kpa, rel=0.15 if step_kpa <= noise_kpa else 1.0)


def test_the_step_of_a_gauge_is_the_smallest_that_was_seen_or_the_one_that_is_known() -> None:
    _, _, shown = fall(500, 0.05, 0.1)
    assert noise_and_resolution(shown, None)[1] == pytest.approx(0.1)
    assert noise_and_resolution(shown, 0.02)[1] == 0.02
    assert noise_and_resolution(np.full(9, 40.0), None) == (0.0, 0.0)
    assert noise_and_resolution(np.array([40.0, 39.9]), 0.1) == (0.0, 0.1)


@pytest.mark.parametrize("count", [3, 50, MOST_BLOCKS, 161, 700, 12_000])
def test_every_sample_is_in_one_block_and_the_first_blocks_are_the_shortest(count: int) -> None:
    time_s, _, shown = fall(count, 0.05, 0.0)
    mean_s, mean_kpa, u_kpa = blocks(time_s, shown, 0.05, 0.0)
    assert len(mean_s) == len(mean_kpa) == len(u_kpa) <= MOST_BLOCKS
    # By the noise alone u is noise over the root of the count.
    sizes = (0.05 / u_kpa) ** 2
    assert np.sum(sizes) == pytest.approx(count)
    assert np.sum(sizes * mean_kpa) == pytest.approx(np.sum(shown))
    assert np.sum(sizes * mean_s) == pytest.approx(np.sum(time_s))
    if count > 5 * MOST_BLOCKS:
        assert sizes[: len(sizes) // 4].mean() < 0.6 * sizes[-len(sizes) // 4 :].mean()
    assert [len(part) for part in blocks(np.empty(0), np.empty(0), 0.05, 0.0)] == [0, 0, 0]


@pytest.mark.parametrize(("noise_kpa", "step_kpa"), [(0.05, 0.0), (0.05, 0.1), (0.02, 0.1), (0.005, 0.1), (0.1, 0.5)])
def test_a_block_s_uncertainty_is_what_its_mean_is_off(noise_kpa: float, step_kpa: float) -> None:
    """Standard scores of some thousand blocks, fine gauges and coarse ones: JCGM 100:2008, 4.2.3 and 4.3.7."""
    scores = []
    for seed in range(12):
        time_s, true, shown = fall(3000, noise_kpa, step_kpa, seed)
        mean_s, mean_kpa, u_kpa = blocks(time_s, shown, noise_kpa, step_kpa)
        scores.append((mean_kpa - np.interp(mean_s, time_s, true)) / u_kpa)
    spread = float(np.sqrt(np.mean(np.concatenate(scores) ** 2)))
    # Cautious where blocks end with a change of value, never too sure.
    assert 0.2 < spread < 1.15


def test_a_coarse_gauge_that_does_not_move_is_as_uncertain_as_its_rounding() -> None:
    """On one plateau the rounding error is one and the same: half of a kPa, rectangular (JCGM 100:2008, 4.3.7)."""
    _, _, u_kpa = blocks(np.arange(400) / 5.0, np.full(400, 40.0), 0.0, 0.5)
    assert u_kpa == pytest.approx(np.full(len(u_kpa), 0.5 / 12.0**0.5))
    assert len(u_kpa) >= 3


def test_merged_blocks_keep_their_mean_and_the_first_quarter() -> None:
    thinned = Thinned()
    time_s, kpa = np.arange(MOST + 40.0), 40.0 - 0.05 * np.arange(MOST + 40.0)
    thinned.add(time_s, kpa, np.full(MOST + 40, 0.1), 0.01)
    merged_s, merged_kpa, u_kpa = thinned.arrays()
    assert len(thinned) == len(merged_s) <= MOST
    quarter = MOST // 4
    assert merged_s[:quarter] == pytest.approx(time_s[:quarter])
    assert np.all(u_kpa[:quarter] == 0.1)
    # Two of a falling gauge's are independent, and lie on the line where they did.
    assert u_kpa[quarter : quarter + 70] == pytest.approx(np.full(70, 0.1 / 2.0**0.5))
    assert merged_kpa == pytest.approx(40.0 - 0.05 * merged_s)
    weights = (0.1 / u_kpa) ** 2
    assert np.sum(weights) == pytest.approx(MOST + 40.0)
    assert np.sum(weights * merged_s) == pytest.approx(np.sum(time_s))


def test_merged_blocks_of_one_plateau_are_no_more_certain_for_it() -> None:
    thinned = Thinned()
    thinned.add(np.arange(MOST + 2.0), np.full(MOST + 2, 40.0), np.full(MOST + 2, 0.1), 0.5)
    assert np.all(thinned.arrays()[2] == pytest.approx(0.1))


def live(seed: int, slope_kpa_per_s: float, noise_kpa: float = 0.05, step_kpa: float = 0.0) -> HoldSamples:
    time_s = np.arange(0.0, 60.0, 0.2)
    shown = 40.0 + slope_kpa_per_s * time_s + np.random.default_rng(seed).normal(0.0, noise_kpa, len(time_s))
    samples = HoldSamples(None)
    for t, p in zip(time_s, np.round(shown / step_kpa) * step_kpa if step_kpa else shown, strict=True):
        samples.add(float(t), float(p))
    return samples


def test_a_live_rate_is_the_loss_a_minute_as_uncertain_as_a_straight_line() -> None:
    """JCGM 100:2008, H.3: u of the slope is u of a reading over the root of the sum of (t - mean)^2, here twice it."""
    inside = 0
    for seed in range(100):
        rate = live(seed, -0.02).rate(0.05, 0.0)
        assert rate is not None
        inside += abs(rate.kpa_per_min - 1.2) <= rate.u_kpa_per_min
        times = np.arange(-LIVE_S / 2.0, LIVE_S / 2.0 + 0.1, 0.2)
        assert rate.u_kpa_per_min == pytest.approx(60.0 * 2.0 * 0.05 / float(np.sqrt(times @ times)), rel=0.2)
    assert 88 <= inside <= 100


def test_a_coarse_gauge_s_live_rate_is_doubted_by_its_step() -> None:
    """Both ends of the line may be off by the rounding, half a kPa over 20 s."""
    rate = live(1, 0.0, noise_kpa=0.0, step_kpa=0.5).rate(0.0, 0.5)
    assert rate is not None
    assert rate.kpa_per_min == pytest.approx(0.0)
    assert rate.u_kpa_per_min == pytest.approx(120.0 * 0.5 / 12.0**0.5 / LIVE_S, rel=0.02)


def test_a_live_rate_goes_by_the_last_seconds_alone() -> None:
    samples = live(2, -0.02)
    for k in range(1, 150):
        samples.add(59.8 + 0.2 * k, 38.8 - 0.1 * 0.2 * k)
    rate = samples.rate(0.05, 0.0)
    assert rate is not None
    assert rate.kpa_per_min == pytest.approx(6.0, abs=0.1)
    short = HoldSamples(None)
    for t in (0.0, 0.5, 1.0, 1.5):
        short.add(t, 40.0)
    assert short.rate(0.05, 0.0) is None


@pytest.mark.parametrize(
    ("practice", "psi_a_minute"), [(Practice.LOOSE, 1.0), (Practice.USUAL, 0.1), (Practice.STRICT, 0.05)]
)
def test_a_practice_is_what_its_name_says(practice: Practice, psi_a_minute: float) -> None:
    """Common practice, no source: 1 psi a minute, 1 psi in ten minutes, half a psi in ten."""
    for fixed_time in (False, True):
        limit = practice_limit(practice, fixed_time=fixed_time)
        assert limit.rate_kpa_per_min == pytest.approx(psi_a_minute * PSI)
        assert limit.fixed_time is fixed_time
        assert limit.book_s == 60.0 * limit.minutes
        assert limit.test_kpa == pytest.approx(6.0 * PSI)
        assert limit.test_kpa < limit.highest_kpa <= 7.0 * PSI
