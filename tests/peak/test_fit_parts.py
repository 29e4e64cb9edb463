"""The parts of the live fit: derivatives, the first guess, lone tops, and the levels without quiet."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.peak.fit_arrow import BORDER
from gaugelink.peak.fit_find import by_their_times, by_their_tops, densely_sampled
from gaugelink.peak.fit_model import LOCAL, SHARED, Strokes, see
from gaugelink.peak.fit_prior import Held, Terms, held_at, terms
from gaugelink.peak.fit_result import _misfit
from gaugelink.peak.fit_solve import Doubt, Problem, solve
from gaugelink.peak.fit_top import WINDOWS, Window, lone_top
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN, SHAPE_WHITEN, pulse
from gaugelink.peak.response import BlurredPulse, Response
from tests.peak.shapes import clock, pulses, shown

AT_ONCE = Response()
"""A gauge that shows what is there."""
BLURS = [AT_ONCE, Response(lag_s=0.0015), Response(averaging_s=0.004), Response(0.001, 0.002)]


def strokes() -> Strokes:
    return Strokes(
        peak=np.array([0.9, 1.0, 1.02, 0.6]),
        time_s=np.array([0.1, 0.21, 0.33, 0.46]),
        log_speed=np.log(np.array([130.0, 120.0, 112.0, 118.0])),
        foot=np.array([0.01, 0.02, 0.0, -0.01]),
        step=np.array([-0.01, -0.02, 0.01, -0.03]),
        lean=np.array([0.02, 0.0, -0.05, -0.2]),
        shape=SHAPE_PRIOR_MEAN * np.array([1, 1, 1, 0, 0, 0, 0]),
        dwell=0.2,
        gain=2.5,
        sag=-0.3,
    )


def rows_of(prior: Terms) -> np.ndarray:
    """The prior's rows, written out."""
    whole = prior.everywhere
    count = len(whole.row)
    rows = []
    for tie in prior.ties:
        windows, per_window, span, _ = tie.own.shape
        for m, r in np.ndindex(windows, per_window):
            row = np.zeros((count, LOCAL))
            row[m : m + span] = tie.own[m, r]
            row += 0.0 if tie.mean is None else tie.mean[m, r] * whole.mean
            rows.append(np.concatenate((row.ravel(), np.zeros(BORDER) if tie.border is None else tie.border[m, r])))
    rows.append(np.concatenate((whole.row.ravel(), np.zeros(BORDER))))
    rows += [np.concatenate((np.zeros(LOCAL * count), border)) for border in whole.border]
    return np.array(rows)


def residuals_of(prior: Terms) -> np.ndarray:
    """Their residuals."""
    ties = [tie.residual.ravel() for tie in prior.ties]
    return np.concatenate((*ties, [prior.everywhere.residual], prior.everywhere.border_residual))


@pytest.mark.parametrize("which", range(LOCAL))
@pytest.mark.parametrize("response", BLURS)
def test_derivatives_by_a_strokes_own_parameters(which: int, response: Response) -> None:
    at, base = np.linspace(0.03, 0.55, 260), strokes()
    owner = 2
    step = np.zeros(LOCAL * 4 + SHARED + 2)
    size = 1e-7 if which == 1 else 1e-6
    step[LOCAL * owner + which] = size
    up, down = (see(at, base.moved(way * step), 3.8, response).value for way in (1.0, -1.0))
    wanted = (up - down) / (2.0 * size)
    seen = see(at, base, 3.8, response)
    part = slice(seen.starts[owner] + 1, seen.starts[owner + 1] - 1)
    largest = np.abs(wanted[part]).max()
    assert seen.slopes[which, part] == pytest.approx(wanted[part], abs=(0.03 if response.blurs else 1e-3) * largest)


def test_derivative_by_how_much_faster_the_crank_is_away_from_its_tops() -> None:
    at, base = np.linspace(0.03, 0.55, 260), strokes()
    step = np.zeros(LOCAL * 4 + SHARED + 2)
    step[LOCAL * 4 + SHARED - 1] = 1e-6
    up, down = (see(at, base.moved(way * step), 3.8, AT_ONCE).value for way in (1.0, -1.0))
    by_dwell = see(at, base, 3.8, AT_ONCE).slopes[-1]
    assert by_dwell == pytest.approx((up - down) / 2e-6, abs=1e-3 * np.abs(by_dwell).max())


def test_derivative_by_the_speed_of_a_last_stroke_that_crawls_over_its_top() -> None:
    at, crawling = np.linspace(0.03, 0.7, 300), strokes()
    crawling.log_speed[-1] -= 0.5
    step = np.zeros(LOCAL * 4 + SHARED + 2)
    step[LOCAL * 3 + 2] = 1e-6
    up, down = (see(at, crawling.moved(way * step), 3.8, AT_ONCE).value for way in (1.0, -1.0))
    seen = see(at, crawling, 3.8, AT_ONCE)
    part = slice(seen.starts[3] + 1, None)
    by_speed = seen.slopes[2, part]
    assert by_speed == pytest.approx((up - down)[part] / 2e-6, abs=1e-3 * np.abs(by_speed).max())


def test_a_last_stroke_is_slow_at_its_top_alone() -> None:
    """As near a top that the crank hardly gets over: there it moves like sinh, slowest at the top."""
    at, even_last = np.linspace(0.03, 0.7, 3000), strokes()
    slow_last = replace(even_last, log_speed=even_last.log_speed - np.array([0.0, 0.0, 0.0, 0.9]))
    width = [
        [float(np.ptp(at[part][seen.height[part] > share])) for share in (0.9, 0.2)]
        for seen in (see(at, each, 3.8, AT_ONCE) for each in (even_last, slow_last))
        for part in [slice(seen.starts[3], None)]
    ]
    wider_top, wider_foot = width[1][0] / width[0][0], width[1][1] / width[0][1]
    assert wider_top > 1.15 * wider_foot


def first_of(count: int) -> tuple[Strokes, Held]:
    """An event with so many strokes, and what is held of it."""
    base = strokes().with_another(4, 0.8, 0.58).with_another(5, 0.5, 0.71)
    names = ("peak", "time_s", "log_speed", "foot", "step", "lean")
    odd = np.array([0.1, 0.0, 0.02, 0.4, 0.0, 0.3])
    return replace(base, **{name: getattr(base, name)[:count] for name in names}), Held(
        1.0, odd[:count], 0.3, np.linspace(-0.02, 0.01, count - 1), from_rest=True, dwell=0.1
    )


@pytest.mark.parametrize("count", [1, 2, 3, 4, 6])
def test_the_priors_gradient_is_that_of_its_cost(count: int) -> None:
    base, held = first_of(count)
    prior = terms(base, held, 2.5, 0.35)
    gradient = rows_of(prior).T @ residuals_of(prior)
    for index in range(len(gradient)):
        size = 1e-8 if index % LOCAL == 1 and index < count * LOCAL else 1e-6
        step = np.zeros(len(gradient))
        step[index] = size
        up = terms(base.moved(step), held, 2.5, 0.35).cost
        down = terms(base.moved(-step), held, 2.5, 0.35).cost
        assert gradient[index] == pytest.approx((up - down) / (2.0 * size), rel=2e-3, abs=2e-3)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 6])
def test_the_banded_equations_are_those_of_the_rows_written_out(count: int) -> None:
    """Against numpy's dense solution, inverse and determinant."""
    base, held = first_of(count)
    prior = terms(base, held, 2.5, 0.35)
    rows, arrow = rows_of(prior), prior.arrow()
    gradient, normal = -rows.T @ residuals_of(prior), rows.T @ rows
    shape = slice(LOCAL * count, LOCAL * count + SHARED)
    random = np.random.default_rng(count)
    squares, slopes = [], []
    for k in range(count):
        # samples of a stroke, the time's derivative as large as a real one
        samples = random.normal(size=(9, LOCAL + SHARED)) * 30.0
        samples[:, 1] *= 100.0
        residual = random.normal(size=9)
        squares.append(samples.T @ samples)
        slopes.append(samples.T @ residual)
        index = np.concatenate((np.arange(LOCAL * k, LOCAL * k + LOCAL), np.arange(shape.start, shape.stop)))
        normal[np.ix_(index, index)] += samples.T @ samples
        gradient[index] += samples.T @ residual
    arrow.add(np.array(squares), np.array(slopes))
    size = np.sqrt(np.diag(normal))
    wanted = np.linalg.solve(normal / size / size[:, None] + 1e-3 * np.eye(len(normal)), gradient / size) / size
    assert arrow.solved(1e-3) * size == pytest.approx(wanted * size, rel=1e-7, abs=1e-7)
    looser = np.arange(1.0, LOCAL * count + 1.0).reshape(count, LOCAL)
    loose = normal + np.diag(np.concatenate((looser.ravel(), np.zeros(SHARED + 2))))
    assert arrow.factored(looser).log_determinant() == pytest.approx(np.linalg.slogdet(loose)[1], rel=1e-9)
    factored = arrow.factored()
    assert factored.log_determinant() == pytest.approx(np.linalg.slogdet(normal)[1], rel=1e-9)
    inverse = np.linalg.inv(normal / size / size[:, None]) / size / size[:, None]
    covariance = factored.covariance()
    for k in range(count):
        own = slice(LOCAL * k, LOCAL * k + LOCAL)
        scale = size[own]
        assert covariance.own[k] * scale * scale[:, None] == pytest.approx(
            inverse[own, own] * scale * scale[:, None], rel=1e-6, abs=1e-9
        )
        border = size[LOCAL * count :]
        assert covariance.across[k] * scale[:, None] * border == pytest.approx(
            inverse[own, LOCAL * count :] * scale[:, None] * border, rel=1e-6, abs=1e-9
        )
    assert covariance.border == pytest.approx(inverse[LOCAL * count :, LOCAL * count :], rel=1e-6, abs=1e-12)


def even(peaks: list[float]) -> Strokes:
    """Strokes that come evenly, of these heights."""
    count = len(peaks)
    flat = np.zeros(count)
    times = 0.1 + 0.12 * np.arange(count)
    speed = np.full(count, 2.5 - np.log(0.12))
    return Strokes(np.array(peaks), times, speed, flat, flat, flat, SHAPE_PRIOR_MEAN.copy(), 0.0, 2.5, -0.3)


def cost_of(strokes: Strokes, *, from_rest: bool = False) -> float:
    return terms(strokes, held_at(strokes, from_rest), 2.5, 0.35).cost


def test_the_first_stroke_of_a_crank_that_stood_still_is_expected_lower() -> None:
    """Its charge leaks the longer for being slow; 4 % in the median of 713 simulated events."""
    lower, alike = even([0.96, 1.0, 1.0, 1.0, 1.0]), even([1.0, 1.0, 1.0, 1.0, 1.0])
    assert cost_of(lower, from_rest=True) < cost_of(alike, from_rest=True) - 0.5
    assert cost_of(lower) > cost_of(alike) + 0.5


def test_strokes_of_a_crank_that_slows_are_expected_to_fall() -> None:
    """By a tenth of the change of the period, as they do in the median of 713 simulated events."""
    alike = even([1.0] * 6)
    period = 0.12 * 1.08 ** np.arange(5.0)
    slowing = replace(alike, time_s=0.1 + np.concatenate(([0.0], np.cumsum(period))))
    change = np.concatenate(([0.0], np.cumsum([0.5, 1.0, 1.0, 1.0, 0.5]) * np.log(1.08)))
    falling = replace(slowing, peak=1.0 - 0.1 * change)
    rising = replace(slowing, peak=1.0 + 0.1 * change)
    assert cost_of(falling) + 1.0 < cost_of(slowing) < cost_of(rising) - 1.0
    assert cost_of(alike) < cost_of(replace(alike, peak=falling.peak)) - 1.0


def test_a_last_stroke_that_is_thrown_back_costs_little() -> None:
    """Half as high, late and slow: less than a third of what the same costs in the middle."""
    alike = even([1.0] * 7)

    def odd(k: int) -> float:
        peak, times, speed = alike.peak.copy(), alike.time_s.copy(), alike.log_speed.copy()
        peak[k], speed[k] = 0.5, speed[k] - 0.45
        times[k:] += 0.03
        return cost_of(replace(alike, peak=peak, time_s=times, log_speed=speed)) - cost_of(alike)

    assert 2.0 < odd(6) < odd(3) / 3.0


def test_a_last_stroke_on_time_is_taken_to_be_as_fast_as_the_others() -> None:
    alike = even([1.0] * 6)
    times = alike.time_s.copy()
    times[-1] += 0.02
    late = replace(alike, time_s=times)
    assert held_at(late, from_rest=False).last_other > 10.0 * held_at(alike, from_rest=False).last_other
    slow = np.append(np.zeros(5), -0.3)

    def slower(strokes: Strokes) -> float:
        return cost_of(replace(strokes, log_speed=strokes.log_speed + slow)) - cost_of(strokes)

    assert slower(alike) > slower(late) + 2.0


def test_equations_that_no_event_can_have_are_refused() -> None:
    base, held = first_of(3)
    arrow = terms(base, held, 2.5, 0.35).arrow()
    squares = np.zeros((3, LOCAL + SHARED, LOCAL + SHARED))
    squares[1] = -1e6 * np.eye(LOCAL + SHARED)
    arrow.add(squares, np.zeros((3, LOCAL + SHARED)))
    with pytest.raises(np.linalg.LinAlgError), np.errstate(invalid="ignore"):
        arrow.factored().log_determinant()


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


@pytest.mark.parametrize("rate", [100.0, 1000.0])
@pytest.mark.parametrize("drawn_s", [0.6, 3.1])
def test_a_quiet_that_stands_over_a_draught_is_no_row_of_strokes(rate: float, drawn_s: float) -> None:
    # A closed cylinder draws in before its first stroke or after its last; of a coarse gauge's quiet many samples are
    # equally high, so that each of them stands as far over the draught as the quiet does.
    t = clock(4.5, rate)
    draught = 60.0 * np.exp(-(((t - drawn_s) / 0.08) ** 2))
    p = shown(pulses(t, 1.0, 5, period_s=0.4, top_kpa=500.0) - draught, noise_kpa=0.4, zero_kpa=0.0)
    train = by_their_tops(t, p / p.max(), 0.001)
    assert train is not None
    assert train.time_s == pytest.approx([1.0, 1.4, 1.8, 2.2, 2.6], abs=0.015)


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
    top = lone_top(at, noisy, 2.0, AT_ONCE)
    assert top is not None
    assert top.peak == pytest.approx(800.0, abs=4.0 * top.standard_u + 8.0)
    assert top.time_s == pytest.approx(0.1, abs=0.006)


def test_a_lone_top_is_put_back_as_high_as_before_an_average() -> None:
    """A quarter of the upper half of the pulse is averaged: 1.2 percent of its height."""
    speed, averaging_s = 60.0, 0.004
    average = BlurredPulse(SHAPE_PRIOR_MEAN, 3.8, np.array([speed]), Response(averaging_s=averaging_s))
    at = np.arange(-0.05, 0.05, 0.001)
    seen = average.at(speed * at, np.zeros(len(at), dtype=np.intp))[0].value
    blind = lone_top(at, seen, 1e-6, AT_ONCE)
    told = lone_top(at, seen, 1e-6, Response(averaging_s=averaging_s))
    assert blind is not None
    assert told is not None
    assert blind.peak < 0.989
    assert told.peak == pytest.approx(1.0, abs=0.001)
    assert told.time_s == pytest.approx(0.0, abs=0.0002)
    assert lone_top(at, seen, 1e-6, Response(averaging_s=0.02)) is None


@pytest.mark.parametrize("window", WINDOWS)
def test_a_lone_top_says_what_its_polynomial_cuts_off(window: Window) -> None:
    """On the pulses that are expected, one and a half of a standard deviation of the shape to either side."""
    shapes = [
        SHAPE_PRIOR_MEAN,
        *(SHAPE_PRIOR_MEAN + sign * 1.5 * np.linalg.inv(SHAPE_WHITEN).T for sign in (-1.0, 1.0)),
    ]
    errors = []
    for shape in np.vstack(shapes):
        fine = np.linspace(-2.5, 2.5, 5001)
        high = fine[pulse(fine, shape, 3.8).value > window.share]
        for count in np.linspace(window.least - 0.6, window.least + 0.6, 7):
            at = high[0] + (high[-1] - high[0]) / count * (np.arange(-40, window.least + 40) + 0.35)
            top = lone_top(at, pulse(at, shape, 3.8).value, 1e-6, AT_ONCE)
            if top is not None and top.cut == window.cut:
                errors.append(top.peak - 1.0)
    assert len(errors) > 10
    assert 0.4 * window.cut < np.sqrt(np.mean(np.square(errors))) < 1.6 * window.cut


def test_no_lone_top_is_told_across_a_lost_frame_or_by_times_that_are_no_clocks() -> None:
    """A sixth degree through what is left goes anywhere in between."""
    at = np.arange(-0.03, 0.03, 0.001)
    height = pulse(60.0 * at, SHAPE_PRIOR_MEAN, 3.8).value
    assert lone_top(at, height, 1e-6, AT_ONCE) is not None
    kept = np.abs(at - 0.002) > 0.0065
    assert lone_top(at[kept], height[kept], 1e-6, AT_ONCE) is None
    rng = np.random.default_rng(3)
    for _ in range(200):
        top = lone_top(np.sort(at + rng.normal(0.0, 0.001, len(at))), height, 1e-6, AT_ONCE)
        assert top is None or top.peak < 1.1


def test_too_few_samples_make_no_lone_top() -> None:
    at = np.arange(0.0, 0.2, 0.02)
    assert lone_top(at, bells(at, np.array([0.1]), 0.03), 0.01, AT_ONCE) is None
    nothing = np.array([])  # a stroke whose samples the radio lost
    assert lone_top(nothing, nothing, 0.01, AT_ONCE) is None


def test_a_top_at_the_edge_of_the_record_is_not_taken_alone() -> None:
    at = np.arange(0.1, 0.2, 0.001)
    assert lone_top(at, bells(at, np.array([0.1]), 0.04), 0.001, AT_ONCE) is None


def test_a_stroke_of_which_nothing_is_left_makes_no_fit_poor() -> None:
    """Its residuals have no peak to be compared to: 0.004 beside peaks of 1 is what counts."""
    at = np.linspace(0.03, 0.55, 260)
    base = replace(strokes(), peak=np.array([1.0, 1.0, 1.0, -1e-4]))
    problem = Problem(at, see(at, base, 3.8, AT_ONCE).value, np.zeros(260, dtype=bool), 3.8, AT_ONCE, 2.5, 0.35)
    fit = solve(problem, base, Doubt(0.004, 5e-5, 0.012, 7e-4), rounds=1, steps=0)
    fit = replace(fit, strokes=base, residual=np.full(260, 0.004))
    assert _misfit(fit, np.array([True, True, True, False])) == pytest.approx(0.004)
    poor = replace(fit, residual=np.full(260, 0.2))
    assert _misfit(poor, np.array([True, True, True, False])) == pytest.approx(0.2)


def test_a_last_stroke_that_is_thrown_back_makes_no_fit_poor() -> None:
    at = np.linspace(0.03, 0.55, 260)
    base = strokes()
    problem = Problem(at, see(at, base, 3.8, AT_ONCE).value, np.zeros(260, dtype=bool), 3.8, AT_ONCE, 2.5, 0.35)
    fit = solve(problem, base, Doubt(0.004, 5e-5, 0.012, 7e-4), rounds=1, steps=0)
    lingers = replace(fit, residual=np.where(at > 0.45, 0.5, 0.004))
    assert _misfit(lingers, np.ones(4, dtype=bool)) < 0.01
    # with too few strokes it is all there is to go by
    assert _misfit(lingers, np.array([False, False, True, True])) > 0.1
