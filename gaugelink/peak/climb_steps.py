"""The steps of a staircase as the gauge's lag lets them through: when each came and how high it was.

A stroke fills the hose within a few hundredths of a second, and the gauge follows it with a first-order lag that is
known neither beforehand nor from the gauge. Times, lag and the width of a filling are found by Gauss-Newton steps;
the heights are linear and are eliminated (variable projection: Golub and Pereyra, Inverse Problems 19, 2003, from
memory).
"""

from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.events import FloatArray

USUAL_LAG_S, USUAL_FILL_S = 0.015, 0.02
_LAG_SPREAD, _FILL_SPREAD = 0.9, 0.5
"""Spread of their logarithms."""
_PLACE = 0.35
"""How far a step may be from where it was first seen, as a share of the period."""
_REGULAR, _IRREGULAR = 0.04, 0.12
"""Change of the period from stroke to stroke, as a share of it; more beside the first stroke, which starts from a
standstill, and the last, which may crawl over the top."""
_LEAST_LAG_S, _MOST_LAG_S = 5e-4, 0.3
_WARM, _WARM_SPREAD = 0.8, 0.8
"""How far a step falls again as its gas cools, as a share of what stays of it: from nothing for what cools while it
comes, to gamma T / Tw - 1, some 1.6, for what does not."""
_ROUNDS = 8
_FINEST_S = 0.004
"""Samples closer than this are averaged: nothing in a staircase is quicker."""
_MOST_SAMPLES = 1000


@dataclass(frozen=True, slots=True)
class Fitted:
    """Steps fitted to the samples; arrays of one value for each step."""

    time_s: FloatArray
    """Middle of the filling, the lag taken off."""
    u_time_s: FloatArray
    """Standard uncertainty of the times."""
    height_kpa: FloatArray
    u_height_kpa: FloatArray
    base_kpa: float
    """Level before the first step."""
    u_base_kpa: float
    u_level_kpa: FloatArray
    """Standard uncertainty of the level after each step."""
    lag_s: float
    misfit: float
    """Root mean square of the residuals over the noise."""
    cost: float
    """Squared residuals over the noise, with what the prior adds."""
    cooling_s: float | None
    """Time constant with which the steps were fitted to fall again in part; None where they stay."""
    fall: float
    """How far they fall again, all together, as a share of what stays of them."""

    def first(self, count: int) -> "Fitted":
        """The first `count` steps alone, as they were fitted together with the others."""
        return replace(
            self,
            time_s=self.time_s[:count],
            u_time_s=self.u_time_s[:count],
            height_kpa=self.height_kpa[:count],
            u_height_kpa=self.u_height_kpa[:count],
            u_level_kpa=self.u_level_kpa[:count],
        )

    @property
    def level_kpa(self) -> FloatArray:
        """Level after each step."""
        return np.asarray(self.base_kpa + np.cumsum(self.height_kpa), dtype=np.float64)


def through_lag(since_s: FloatArray, lag_s: float, fill_s: float) -> tuple[FloatArray, FloatArray]:
    """A rise by 1 over `fill_s`, its middle at 0, seen through a first-order lag; and its slope in time.

    Args:
        since_s: times, any shape.
        lag_s: time constant.
        fill_s: how long the rise takes.
    """
    on = np.maximum(since_s + 0.5 * fill_s, 0.0)
    off = np.maximum(since_s - 0.5 * fill_s, 0.0)
    fast, slow = np.exp(-on / lag_s), np.exp(-off / lag_s)
    return (on - off + lag_s * (fast - slow)) / fill_s, (slow - fast) / fill_s


def averaged(time_s: FloatArray, x: FloatArray, finest_s: float) -> tuple[FloatArray, FloatArray, int]:
    """Means of as many neighbours as come within `finest_s`, and how many those are."""
    dt = float(np.median(np.diff(time_s))) if len(time_s) > 1 else finest_s
    block = max(1, int(finest_s / max(dt, 1e-6)))
    n = len(time_s) // block * block
    if block == 1 or n < 3 * block:
        return time_s, x, 1
    return time_s[:n].reshape(-1, block).mean(axis=1), x[:n].reshape(-1, block).mean(axis=1), block


def _prior(times_s: FloatArray, period_s: float) -> tuple[FloatArray, FloatArray]:
    """Rows of a linear prior on (log lag, log fill, times) and what they should come to."""
    n = len(times_s)
    rows = np.zeros((2 + n, 2 + n))
    rows[0, 0], rows[1, 1] = 1 / _LAG_SPREAD, 1 / _FILL_SPREAD
    place = np.arange(2, 2 + n)
    rows[place, place] = 1 / (_PLACE * period_s)
    aims = np.concatenate(([np.log(USUAL_LAG_S) / _LAG_SPREAD, np.log(USUAL_FILL_S) / _FILL_SPREAD], times_s))
    aims[2:] /= _PLACE * period_s
    bends = []
    gaps = np.diff(times_s)
    for k in range(n - 2):
        # A hand that slipped says nothing about the period.
        if max(gaps[k], gaps[k + 1]) > 1.4 * min(gaps[k], gaps[k + 1]):
            continue
        row = np.zeros(2 + n)
        row[2 + k : 5 + k] = np.array([1.0, -2.0, 1.0])
        bends.append(row / (period_s * (_IRREGULAR if k in (0, n - 3) else _REGULAR)))
    rows = np.vstack([rows, *bends])
    return rows, np.concatenate([aims, np.zeros(len(bends))])


class _Samples:
    """Least squares for the heights, given everything else.

    With a `cooling_s`, every step has a second height beside the one that stays: that of what falls again as its gas
    cools. Where samples do not tell them apart, they are what they usually are to each other.
    """

    __slots__ = ("_cooling_s", "_noise_kpa", "_rise_kpa", "_time_s", "_x")

    def __init__(
        self, time_s: FloatArray, x: FloatArray, noise_kpa: float, cooling_s: float | None, rise_kpa: FloatArray
    ) -> None:
        self._time_s, self._x, self._noise_kpa = time_s, x, noise_kpa
        self._cooling_s, self._rise_kpa = cooling_s, rise_kpa

    def solve(self, at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Design, orthonormal basis, base and heights, residuals over the noise."""
        lag_s, fill_s = np.exp(at[:2])
        rise = self._rises(self._time_s[:, None] - at[2:], lag_s, fill_s)
        design = np.column_stack([np.ones(len(self._time_s)), rise]) / self._noise_kpa
        aim = self._x / self._noise_kpa
        if self._cooling_s is not None:
            usual = np.diag(1 / (_WARM_SPREAD * self._rise_kpa))
            design = np.vstack([design, np.column_stack([np.zeros(len(usual)), -_WARM * usual, usual])])
            aim = np.append(aim, np.zeros(len(usual)))
        basis, upper = np.linalg.qr(design)
        heights = np.linalg.lstsq(upper, basis.T @ aim, rcond=None)[0]
        return design, basis, heights, aim - design @ heights

    def _rises(self, since: FloatArray, lag_s: float, fill_s: float) -> FloatArray:
        """Columns of the heights; those of what stays, then those of what falls again."""
        rise, _ = through_lag(since, lag_s, fill_s)
        if self._cooling_s is None:
            return rise
        return np.hstack([rise, _cooling(since, lag_s, fill_s, self._cooling_s)])

    def slopes(self, at: FloatArray, heights: FloatArray) -> FloatArray:
        """Change of the fit, over the noise, with (log lag, log fill, times)."""
        lag_s, fill_s = np.exp(at[:2])
        since = self._time_s[:, None] - at[2:]
        h = 1e-3
        rise = self._rises(since, lag_s, fill_s)
        by_lag = (self._rises(since, lag_s * np.exp(h), fill_s) - rise) @ heights / h
        by_fill = (self._rises(since, lag_s, fill_s * np.exp(h)) - rise) @ heights / h
        n = since.shape[1]
        by_time = -through_lag(since, lag_s, fill_s)[1] * heights[:n]
        if self._cooling_s is not None:
            later = (self._rises(since - h * fill_s, lag_s, fill_s) - rise)[:, n:]
            by_time = by_time + later * heights[n:] / (h * fill_s)
        slopes = np.column_stack([by_lag, by_fill, by_time]) / self._noise_kpa
        return np.pad(slopes, ((0, 0 if self._cooling_s is None else n), (0, 0)))


def _cooling(since_s: FloatArray, lag_s: float, fill_s: float, cooling_s: float) -> FloatArray:
    """A rise by 1 over `fill_s`, its middle at 0, that falls again with `cooling_s`, seen through a lag."""
    if abs(cooling_s - lag_s) < 0.01 * lag_s:
        lag_s *= 0.99
    slow, fast = (_through_fall(since_s, tau_s, fill_s) for tau_s in (cooling_s, lag_s))
    return np.asarray(cooling_s / (cooling_s - lag_s) * (slow - fast))


def _through_fall(since_s: FloatArray, tau_s: float, fill_s: float) -> FloatArray:
    """Mean over a filling of what begins with 1 and falls exponentially, times its constant: tau/fill (on - off)."""
    on = np.maximum(since_s + 0.5 * fill_s, 0.0)
    off = np.maximum(since_s - 0.5 * fill_s, 0.0)
    return np.asarray(tau_s / fill_s * (np.exp(-off / tau_s) - np.exp(-on / tau_s)))


def fit_steps(
    time_s: FloatArray,
    x: FloatArray,
    noise_kpa: float,
    times_s: FloatArray,
    period_s: float,
    cooling_s: float | None = None,
) -> Fitted:
    """Fit a step near each of `times_s`.

    Args:
        time_s: shape (n,), from before the first step to the plateau.
        x: shape (n,), zero taken off.
        noise_kpa: standard deviation of a sample, rounding counted.
        times_s: shape (k,), first guess.
        period_s: usual time between steps.
        cooling_s: time constant with which what a step rose falls again in part; None where it does not.
    """
    span_s = float(time_s[-1] - time_s[0])
    time_s, x, block = averaged(time_s, x, max(_FINEST_S, span_s / _MOST_SAMPLES))
    samples = _Samples(time_s, x, noise_kpa / float(np.sqrt(block)), cooling_s, _risen(time_s, x, times_s))
    rows, aims = _prior(times_s, period_s)
    at = np.concatenate(([np.log(USUAL_LAG_S), np.log(USUAL_FILL_S)], times_s))

    def total(at: FloatArray, residuals: FloatArray) -> float:
        return float(residuals @ residuals + np.sum((aims - rows @ at) ** 2))

    design, basis, heights, residuals = samples.solve(at)
    cost = total(at, residuals)
    damping = 1e-3
    reach = np.concatenate(([0.7, 0.7], np.full(len(times_s), 0.3 * period_s)))
    for _ in range(_ROUNDS):
        slopes = samples.slopes(at, heights[1:])
        free = slopes - basis @ (basis.T @ slopes)
        normal = free.T @ free + rows.T @ rows
        pull = free.T @ residuals + rows.T @ (aims - rows @ at)
        before = cost
        while damping < 1e6:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
            trial = at + np.clip(step, -reach, reach)
            trial[:2] = np.clip(trial[:2], np.log(_LEAST_LAG_S), np.log(_MOST_LAG_S))
            solved = samples.solve(trial)
            worth = total(trial, solved[3])
            if worth < cost:
                at, cost = trial, worth
                design, basis, heights, residuals = solved
                damping = max(damping / 10, 1e-6)
                break
            damping *= 8
        if before - cost < 0.02:
            break
    return _result(at, heights, design, samples.slopes(at, heights[1:]), rows, residuals, cost, cooling_s)


def _risen(time_s: FloatArray, x: FloatArray, times_s: FloatArray) -> FloatArray:
    """About how high each step is, shape (k,), and never nothing."""
    between = np.append(0.5 * (times_s[:-1] + times_s[1:]), time_s[-1])
    levels = np.interp(between, time_s, np.maximum.accumulate(x))
    return np.asarray(np.maximum(np.diff(levels, prepend=x[0]), 0.003 * max(float(x.max()), 1.0)))


def _result(
    at: FloatArray,
    heights: FloatArray,
    design: FloatArray,
    slopes: FloatArray,
    rows: FloatArray,
    residuals: FloatArray,
    cost: float,
    cooling_s: float | None,
) -> Fitted:
    # Of the columns of heights, the first are the base and what stays of each step.
    k, n = len(heights), len(at) - 1
    whole = np.column_stack([design, slopes])
    normal = whole.T @ whole
    normal[k:, k:] += rows.T @ rows
    rms = float(np.sqrt(residuals @ residuals / max(len(residuals) - k, 1)))
    cov = np.linalg.pinv(normal, hermitian=True) * max(1.0, rms) ** 2
    sums = np.tril(np.ones((n, n)))
    u_level = np.sqrt(np.maximum(np.diag(sums @ cov[:n, :n] @ sums.T), 0.0))
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    return Fitted(
        time_s=at[2:],
        u_time_s=u[k + 2 :],
        height_kpa=heights[1:n],
        u_height_kpa=u[1:n],
        base_kpa=float(heights[0]),
        u_base_kpa=float(u[0]),
        u_level_kpa=u_level[1:],
        lag_s=float(np.exp(at[0])),
        misfit=rms,
        cost=cost,
        cooling_s=cooling_s,
        fall=float(heights[n:].sum() / max(heights[1:n].sum(), 1e-9)),
    )
