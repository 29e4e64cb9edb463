"""The parts of the live fit: derivatives, the first guess, lone tops, and the levels without quiet."""

import numpy as np
import pytest

from gaugelink.peak.fit_arrow import BORDER
from gaugelink.peak.fit_find import by_their_times, by_their_tops, densely_sampled
from gaugelink.peak.fit_model import LOCAL, SHARED, Strokes, see
from gaugelink.peak.fit_prior import Terms, terms
from gaugelink.peak.fit_top import lone_top
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN


def strokes() -> Strokes:
    return Strokes(
        peak=np.array([0.9, 1.0, 1.02, 0.6]),
        time_s=np.array([0.1, 0.21, 0.33, 0.46]),
        log_speed=np.log(np.array([130.0, 120.0, 112.0, 118.0])),
        foot=np.array([0.01, 0.02, 0.0, -0.01]),
        step=np.array([-0.01, -0.02, 0.01, -0.03]),
        lean=np.array([0.02, 0.0, -0.05, -0.2]),
        shape=SHAPE_PRIOR_MEAN * np.array([1, 1, 1, 0, 0, 0, 0]),
        gain=2.5,
        sag=-0.3,
    )


def rows_of(prior: Terms) -> np.ndarray:
    """The prior's rows, written out."""
    whole = prior.everywhere
    count = len(whole.row)
    rows = []
    for tie in prior.ties:
        for r, own in enumerate(tie.own):
            row = np.zeros((count, LOCAL))
            row[tie.first + r : tie.first + r + len(own)] = own
            row += 0.0 if tie.mean is None else tie.mean[r] * whole.mean
            rows.append(np.concatenate((row.ravel(), np.zeros(BORDER) if tie.border is None else tie.border[r])))
    rows.append(np.concatenate((whole.row.ravel(), np.zeros(BORDER))))
    rows += [np.concatenate((np.zeros(LOCAL * count), border)) for border in whole.border]
    return np.array(rows)


def residuals_of(prior: Terms) -> np.ndarray:
    """Their residuals."""
    ties = [tie.residual for tie in prior.ties]
    return np.concatenate((*ties, [prior.everywhere.residual], prior.everywhere.border_residual))


# With a lag the speed also sets the lag's share of a turn; that second effect is left out of the derivative by speed.
@pytest.mark.parametrize(
    ("which", "lag_s"), [(k, 0.0) for k in range(LOCAL)] + [(k, 0.0015) for k in range(LOCAL) if k != 2]
)
def test_derivatives_by_a_strokes_own_parameters(which: int, lag_s: float) -> None:
    at, base = np.linspace(0.03, 0.55, 260), strokes()
    owner = 2
    step = np.zeros(LOCAL * 4 + SHARED + 2)
    size = 1e-7 if which == 1 else 1e-6
    step[LOCAL * owner + which] = size
    wanted = (see(at, base.moved(step), 3.8, lag_s).value - see(at, base.moved(-step), 3.8, lag_s).value) / (2.0 * size)
    seen = see(at, base, 3.8, lag_s)
    part = slice(seen.starts[owner] + 1, seen.starts[owner + 1] - 1)
    largest = np.abs(wanted[part]).max()
    assert seen.local[part, which] == pytest.approx(wanted[part], abs=(0.03 if lag_s else 1e-3) * largest)


def test_the_priors_gradient_is_that_of_its_cost() -> None:
    base = strokes()
    odd = np.array([0.1, 0.0, 0.02, 0.4])
    prior = terms(base, 1.0, odd, 2.5, 0.35)
    gradient = -rows_of(prior).T @ residuals_of(prior)
    # what the equations are solved for, and with, is what these rows say
    normal = rows_of(prior).T @ rows_of(prior) + 1e-3 * np.diag(np.diag(rows_of(prior).T @ rows_of(prior)))
    assert normal @ prior.arrow().solved(1e-3) == pytest.approx(gradient, rel=1e-6, abs=1e-6)
    gradient = -gradient
    for index in range(len(gradient)):
        size = 1e-8 if index % LOCAL == 1 and index < 4 * LOCAL else 1e-6
        step = np.zeros(len(gradient))
        step[index] = size
        up = terms(base.moved(step), 1.0, odd, 2.5, 0.35).cost
        down = terms(base.moved(-step), 1.0, odd, 2.5, 0.35).cost
        assert gradient[index] == pytest.approx((up - down) / (2.0 * size), rel=2e-3, abs=2e-3)


def test_another_stroke_goes_where_it_belongs() -> None:
    base = strokes()
    assert base.with_another(4, 0.3, 0.6).time_s.tolist() == [0.1, 0.21, 0.33, 0.46, 0.6]
    assert base.with_another(0, 0.3, 0.0).peak.tolist() == [0.3, 0.9, 1.0, 1.02, 0.6]


def bells(at: np.ndarray, tops_s: np.ndarray, width_s: float) -> np.ndarray:
    return sum(np.exp(-4.0 * np.log(2.0) * ((at - top) / width_s) ** 2) for top in tops_s)


def test_tops_are_picked_where_the_gauge_is_fast() -> None:
    at = np.arange(0.0, 1.0, 0.001)
    tops_s = np.array([0.2, 0.31, 0.43, 0.56])
    y = bells(at, tops_s, 0.015)
    assert densely_sampled(at, y)
    train = by_their_tops(at, y, 0.001)
    assert train is not None
    assert train.time_s == pytest.approx(tops_s, abs=0.001)
    assert train.width_s == pytest.approx(0.015, rel=0.1)


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.5, 0.75])
@pytest.mark.parametrize("period_s", [0.09, 0.14, 0.31])
def test_a_train_is_found_where_most_pulses_show_a_sample_or_two(period_s: float, phase: float) -> None:
    at = np.arange(phase * 0.02, 0.4 + 6 * period_s, 0.02)
    tops_s = 0.2 + period_s * np.arange(6)
    y = bells(at, tops_s, 0.13 * period_s) + np.random.default_rng(4).normal(0.0, 0.005, len(at))
    best = by_their_times(at, y)[0]
    assert all(np.abs(best.time_s - top).min() < 0.25 * period_s for top in tops_s)
    assert len(best.time_s) == len(tops_s)


def test_noise_does_not_make_a_fast_gauge_a_slow_one() -> None:
    at = np.arange(0.0, 3.0, 0.001)
    noisy = bells(at, 0.4 * np.arange(1.0, 7.0), 0.12) + np.random.default_rng(2).normal(0.0, 0.03, len(at))
    assert densely_sampled(at, noisy)


def test_a_lone_top_needs_no_model() -> None:
    # thrown back: quick up, slow down, the corner rounded
    at = np.arange(0.0, 0.2, 0.002)
    truth = 800.0 * np.exp(-(((at - 0.1) / np.where(at < 0.1, 0.02, 0.05)) ** 2))
    noisy = truth + np.random.default_rng(1).normal(0.0, 2.0, len(at))
    top = lone_top(at, noisy, 2.0, 0.0)
    assert top is not None
    assert top.peak == pytest.approx(800.0, abs=4.0 * top.standard_u + 8.0)
    assert top.time_s == pytest.approx(0.1, abs=0.006)


def test_too_few_samples_make_no_lone_top() -> None:
    at = np.arange(0.0, 0.2, 0.02)
    assert lone_top(at, bells(at, np.array([0.1]), 0.03), 0.01, 0.0) is None
    nothing = np.array([])  # a stroke whose samples the radio lost
    assert lone_top(nothing, nothing, 0.01, 0.0) is None


def test_a_top_at_the_edge_of_the_record_is_not_taken_alone() -> None:
    at = np.arange(0.1, 0.2, 0.001)
    assert lone_top(at, bells(at, np.array([0.1]), 0.04), 0.001, 0.0) is None
