"""Where a staircase was going when its strokes cannot be told apart: made-up climbs weighed by how well they fit.

A gauge that gives one sample for a stroke or two sees each sample somewhere on a step, it does not see which. So
climbs are drawn from all that a climb can be (period, share of each stroke, lag, first and last stroke), each is laid
under the samples, and those that look like them tell where the climb was going. Further rounds draw where those before
found something (population Monte Carlo: Cappé and others, Journal of Computational and Graphical Statistics 13, 2004,
from memory). The draws are the same for every event.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from gaugelink.peak.climb import Climb, reachable, weighed
from gaugelink.peak.events import FloatArray
from gaugelink.peak.held_plateau import Plateau
from gaugelink.peak.staircase import Staircase

_UNKNOWNS = 9
_DRAWS, _FEWER = 2048, 1024
_COSTLY = 300
"""Samples times strokes from which on fewer draws must do."""
_LEAST_EFFECTIVE = 30.0
"""So many draws at least are to share the weight; where fewer fit, misfits are forgiven until they do."""
_ROUNDS = 5
_SHARPER = 0.85
"""Forgiven misfits make the interval wider than it has to be. Measured on simulated engines."""
_WIDER = 1.4
"""How much wider than what fits the next draws are spread."""
_PERIODS_S = {None: (0.06, 0.8), 2: (0.06, 0.4), 4: (0.12, 0.8)}
"""From 900 to 150 rev/min, with some to spare."""
_SHARE, _SHARE_SPREAD = -1.02, 0.42
"""Logarithm of the share of the first stroke. Measured on simulated engines, as all numbers below."""
_SLOPE, _SLOPE_OF_SHARE, _SLOPE_SPREAD = 0.02, -0.05, 0.02
"""Change of the logarithm of the share from stroke to stroke, and how it depends on the share."""
_WHOLE, _FIRST_SPREAD = 0.9, 0.06
"""Chance that the first stroke was a whole one; else it began half way up a compression."""
_USUAL_LAST, _LINGERING_LAST = 0.70, 0.86
"""The last stroke is as all others; or else lingers at the top; or else does not reach it."""
_LAG, _LAG_SPREAD, _MOST_LAG_S = -4.2, 0.9, 0.1
_FILL_S = 0.03
_MODEL = 0.03
"""What a step is off by, as a share of it, that no draw covers. Both ends of a climb are known: a sample doubts only
what lies between it and the nearer of them."""
_EDGE = 0.5
"""Doubt whether a step had come when it is half there, as a share of the full doubt."""
_AFTER_S = 0.3
"""So long after the last rise strokes that did not show may have come."""
_MOST_STROKES, _MOST_SAMPLES = 24, 24
_SLOWS, _COOLING_S = np.array([0.2, 0.45, 0.7, 0.95]), np.array([0.05, 0.1, 0.2, 0.35])
"""Where gas stays warm: by how much the logarithm of the share falls (as in `climb_law`), and how long it takes to
cool. Draws take turns at them."""
_HIDDEN = 0.25
"""Chance that gas stays warm where a gauge did not show it: one that is so slow has no sample for what falls again."""
_WARM_AT_FIRST = 0.25
"""How far the first step falls again as it cools, as a share of what stays of it."""
_NOTHING_KPA = 1e-6
"""No gauge shows as little: a climb of that is what is left of other numbers."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """The samples that climbs are laid under."""

    time_s: FloatArray
    level_kpa: FloatArray
    """From before the first step."""
    height_kpa: float
    """Of the plateau."""
    u_kpa: float
    begin_s: tuple[float, float]
    """The first stroke came between these."""
    end_s: tuple[float, float]
    period_s: tuple[float, float]


def _within(bounds: tuple[float, float], z: FloatArray) -> FloatArray:
    return np.asarray(bounds[0] + (bounds[1] - bounds[0]) * ndtr(z))


def _part(z: FloatArray, below: float, above: float) -> FloatArray:
    """Standard normal again, for those z whose place lies between two shares of the distribution."""
    return np.asarray(ndtri(np.clip((ndtr(z) - below) / (above - below), 1e-4, 1 - 1e-4)))


def _climbs(z: FloatArray, seen: _Seen, *, warm: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log likelihood, what is left and share of the climbs that `z`, shape (draws, unknowns), stands for."""
    period = seen.period_s[0] * (seen.period_s[1] / seen.period_s[0]) ** ndtr(z[:, 0])
    lag_s = np.minimum(np.exp(_LAG + _LAG_SPREAD * z[:, 5]), _MOST_LAG_S)
    first_s = _within(seen.begin_s, z[:, 1]) - 0.3 * lag_s
    spare = 0.15 * ndtr(z[:, 8])
    count = 1 + np.floor((_within(seen.end_s, z[:, 2]) - first_s) / period - spare)
    n = np.arange(int(np.clip(count.max(), 1, _MOST_STROKES)))
    last = np.clip(count, 1, len(n)).astype(np.intp) - 1
    log_share = np.minimum(_SHARE + _SHARE_SPREAD * z[:, 3], -0.1)
    move = _SLOPE + _SLOPE_OF_SHARE * np.exp(log_share) + _SLOPE_SPREAD * z[:, 4]
    share = np.exp(np.minimum(log_share[:, None] + move[:, None] * n, -0.05))
    partial = 0.3 + 0.7 * np.clip((ndtr(z[:, 6]) - _WHOLE) / (1 - _WHOLE), 0.0, 1.0)
    share[:, 0] *= np.where(ndtr(z[:, 6]) < _WHOLE, np.exp(_FIRST_SPREAD * _part(z[:, 6], 0.0, _WHOLE)), partial)
    kind = ndtr(z[:, 7])
    lingering = np.exp(0.05 + 0.25 * _part(z[:, 7], _USUAL_LAST, _LINGERING_LAST))
    short = np.exp(-0.8 + _part(z[:, 7], _LINGERING_LAST, 1.0))
    rows = np.arange(len(z))
    share[rows, last] *= np.select([kind < _USUAL_LAST, kind < _LINGERING_LAST], [np.ones(len(z)), lingering], short)
    share = np.minimum(share, 0.97)
    share[n > last[:, None]] = 0.0
    slows, cooling_s = _takes_turns(len(z), warm=warm)
    hot = _slowed(share, slows)
    left = np.cumprod(1 - share, axis=1)
    step = np.concatenate([np.ones((len(z), 1)), left[:, :-1]], axis=1) * share
    goal = seen.height_kpa / (1 - left[:, -1])
    step *= goal[:, None]
    at = first_s[:, None] + period[:, None] * (n + (n > 0) * spare[:, None])
    since = seen.time_s[None, None, :] - (at - _FILL_S / 2)[:, :, None]
    there = -np.expm1(-np.maximum(since, 0.0) / (lag_s + _FILL_S / 2)[:, None, None])
    shown = np.matmul(step[:, None, :], there)[:, 0]
    warm_ones = slice(int(np.count_nonzero(slows == 0.0)), None)
    fading = there[warm_ones] * np.exp(-np.maximum(since[warm_ones], 0.0) / cooling_s[warm_ones, None, None])
    shown[warm_ones] += np.matmul((step * hot)[warm_ones, None, :], fading)[:, 0]
    edge = _EDGE * np.matmul((step**2)[:, None, :], there * (1 - there))[:, 0]
    before = np.matmul((step**2)[:, None, :], there**2)[:, 0]
    after = np.matmul((step**2)[:, None, :], (1 - there) ** 2)[:, 0]
    v = edge + _MODEL**2 * before * after / np.maximum(before + after, 1e-12) + seen.u_kpa**2
    log = -0.5 * np.sum((seen.level_kpa - shown) ** 2 / v + np.log(v), axis=1)
    return log, goal - seen.height_kpa, np.exp(log_share)


def _takes_turns(draws: int, *, warm: bool) -> tuple[FloatArray, FloatArray]:
    """How much warm gas slows the climb of each draw, and how long it takes to cool; shapes (draws,), cold ones first.

    By blocks: evenly spread draws are so in each block of a power of two, and not if every fourth of them is taken.
    """
    slows, cooling_s = np.repeat(_SLOWS, len(_COOLING_S)), np.tile(_COOLING_S, len(_SLOWS))
    if not warm:
        cold = round(len(slows) * (1 / _HIDDEN - 1))
        slows, cooling_s = np.append(np.zeros(cold), slows), np.append(np.ones(cold), cooling_s)
    each = draws // len(slows)
    return np.repeat(slows, each), np.repeat(cooling_s, each)


def _slowed(share: FloatArray, slows: FloatArray) -> FloatArray:
    """Take off shares, shape (draws, strokes), what gas that stays warm takes off them; how far it falls as it cools.

    The latter as a share of what stays of each step. A rise to the same pressure leaves less when less of its heat is
    gone by its end.
    """
    hot = np.zeros_like(share)
    room = np.ones(len(share))
    for n in range(share.shape[1]):
        slower = np.exp(-slows * (1 - room))
        share[:, n] *= slower
        hot[:, n] = (1 + _WARM_AT_FIRST) / slower - 1
        room = room * (1 - share[:, n])
    return hot


_EVENLY = ndtri(np.clip(qmc.Sobol(_UNKNOWNS, seed=11).random(_DRAWS), 1e-5, 1 - 1e-5))


def project_in_time(stairs: Staircase, plateau: Plateau, u_kpa: float, cycle: int | None) -> Climb | None:
    """Where the climb was going; None when there are too few samples, or no climb.

    Args:
        stairs: the samples of the climb.
        plateau: where they led.
        u_kpa: standard deviation of a sample, rounding counted.
        cycle: strokes of the engine's cycle, where it is known.
    """
    t = stairs.time_s
    height = plateau.level_kpa - stairs.start_kpa
    if len(t) < 3 or height <= _NOTHING_KPA:
        return None
    seen = _Seen(
        time_s=t[-_MOST_SAMPLES:],
        level_kpa=stairs.level_kpa[-_MOST_SAMPLES:] - stairs.start_kpa,
        height_kpa=height,
        u_kpa=max(u_kpa, 1e-4 * height),
        begin_s=(float(t[0]), float(t[1])),
        end_s=(float(t[-2]), float(t[-1]) + _AFTER_S),
        period_s=_PERIODS_S.get(cycle, _PERIODS_S[None]),
    )
    strokes = min((seen.end_s[1] - seen.begin_s[0]) / seen.period_s[0], _MOST_STROKES)
    evenly = _EVENLY[: _DRAWS if strokes * len(seen.time_s) < _COSTLY else _FEWER]
    z, off = evenly, np.zeros(len(evenly))
    for remaining_rounds in range(_ROUNDS - 1, -1, -1):
        log, left, share = _climbs(z, seen, warm=stairs.shown is not None and stairs.shown.warm)
        log = log + reachable(left, plateau, stairs.shown)
        weight = _forgiven(log + off)
        if remaining_rounds:
            centre = weight @ z
            spread = _WIDER * np.linalg.cholesky(
                (z - centre).T @ ((z - centre) * weight[:, None]) + 1e-4 * np.eye(_UNKNOWNS)
            )
            z = centre + evenly @ spread.T
            # Density of a draw beforehand over the density of drawing it.
            off = 0.5 * np.sum(evenly**2, axis=1) - 0.5 * np.sum(z**2, axis=1)
    order = np.argsort(left)
    climb = weighed(plateau.level_kpa, left[order], weight[order], float(weight @ share))
    return replace(climb, expanded_u_kpa=_SHARPER * climb.expanded_u_kpa)


def _forgiven(log: FloatArray) -> FloatArray:
    """Weights that add up to 1, flattened until enough draws share them."""
    log = log - log.max()
    for power in np.geomspace(1.0, 0.02, 12):
        weight = np.exp(power * log)
        if weight.sum() ** 2 > _LEAST_EFFECTIVE * float(weight @ weight):
            break
    return np.asarray(weight / weight.sum())
