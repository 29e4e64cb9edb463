"""The steps of a held gauge's samples."""

from dataclasses import dataclass, replace

import numpy as np

from gaugelink.peak.burst import last_step
from gaugelink.peak.climb_rises import find_rises
from gaugelink.peak.climb_steps import Fitted, fit_steps
from gaugelink.peak.climb_warmth import Shown, shown_by
from gaugelink.peak.events import FloatArray
from gaugelink.peak.held_plateau import find_plateau, rounding_u_kpa

RISE_S = 0.02
"""Rises are looked for as differences over this time: about what a stroke takes to fill the hose."""
END_S = 0.08
"""The end of the climb is looked for with means of this length when single steps cannot be told."""
SAMPLES_PER_STROKE = 3.5
"""Fewer samples than this from stroke to stroke cannot tell one step from two."""
HASTE = 0.55
"""No stroke comes sooner than this share of the usual time between strokes."""
BUSY_SHARE = 0.55
"""A rise that takes more than this share of the time between steps is several strokes blurred together."""
LEAST_PER_STROKE = 2.2
"""Steps that are blurred together can be told apart down to this many samples for each."""
FEW_PER_STROKE = 3.0
"""Below this many it takes four steps at least to know that none is two strokes."""
UNEVEN = 0.1
"""Spread of the gaps between such steps, as a share of them, beyond which they are not strokes."""
MISFIT = 4.0
"""Residuals of more than this many times the noise: a step may have been overlooked."""
MOST_MORE = 8
"""Steps looked for behind the last that showed at first."""
MOST_STEPS = 32
"""Steps fitted at most: by then a climb has settled."""
STEADY, KEPT = 0.4, 3
"""A gauge with less noise than this share of its resolution rises when so many samples are higher than all before."""
LEAST_NOISE = 1e-5
"""A gauge without noise is not believed beyond this share of the climb."""
LEAST_SHARE = 0.0008
"""A step below this share of the climb does not count."""


COOLING_S = (0.06, 0.12, 0.25)
"""Time constants with which gas may cool in a gauge, where it is seen to (`held_plateau.COOLING_S`)."""
STRANGE = 1.5
"""Residuals over the noise from which on falls between the strokes are looked for that a lag hides."""
HIDES_S = 0.04
"""A lag from which on a gauge hides falls between the strokes: most of a fall is over before it has come to the top."""
CLEARER = 16.0
"""By how many squares of what is left of the residuals falls must lessen their sum."""
LEAST_FALL = 0.15
"""Steps that fall again by less of what stays of them do not: that is how the gauge or the valve rounds a rise."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stroke's step."""

    time_s: float
    """The middle of its rise, the gauge's lag taken off."""
    level_kpa: float
    """Level after it, the zero taken off."""
    u_kpa: float
    """Standard uncertainty of the level from noise and rounding."""
    height_kpa: float
    u_time_s: float
    """Standard uncertainty of the time."""


@dataclass(frozen=True, slots=True)
class Staircase:
    """The climb as it was seen."""

    steps: tuple[Step, ...]
    resolved: bool
    """False when the gauge is too slow to tell one stroke from the next."""
    begin_s: float
    start_kpa: float
    """Level before the first step: not always nothing, for a gauge that was not bled."""
    u_start_kpa: float
    rounding_kpa: float
    """Standard uncertainty that rounding leaves in every level."""
    last_rise_s: float
    time_s: FloatArray
    """Shape (n,), the samples of the climb, from the last before it to the first after it."""
    level_kpa: FloatArray
    """Shape (n,)."""
    shown: Shown | None = None
    """What the gauge showed besides the levels that stayed; None where only those are known."""


def find_steps(time_s: FloatArray, x: FloatArray, noise_kpa: float, resolution_kpa: float) -> Staircase:
    """Find the steps of a climb.

    The first look compares short means and finds the large steps; their period sets the width of the second
    look, whose longer means find the small late ones in the noise. What the gauge's lag has blurred together is
    taken apart by `climb_rises`. Then times and heights are fitted to all samples.

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
    """
    n = len(x)
    dt = max(float(np.median(np.diff(time_s))), 1e-6)
    look = _Look.of(x, RISE_S / dt, noise_kpa, resolution_kpa)
    if not look.peaks:
        first = int(np.argmax(x > float(np.max(x)) / 2))
        at = float(time_s[first])
        return Staircase((), False, at, 0.0, noise_kpa, 0.0, at, time_s[first:], x[first:])
    fine = look
    resolved = look.resolved(dt)
    for _ in range(2 if resolved and len(look.peaks) > 1 else 0):
        wider = _Look.of(x, 0.4 * look.period, noise_kpa, resolution_kpa)
        if len(wider.peaks) < len(look.peaks) or not wider.resolved(dt):
            break
        look = wider
    first = fine.onset(fine.peaks[0])
    least = 0.0005 * float(np.max(x))
    last = min(max(last_step(x, dt, noise_kpa, resolution_kpa, least) or 0, look.last_over, first + 1), n - 1)
    rounding = rounding_u_kpa(noise_kpa, resolution_kpa)
    before = x[max(0, first - max(1, round(0.1 / dt))) : first + 1]
    begin_s, last_s = float(time_s[first]), float(time_s[last])
    plateau = find_plateau(time_s, x, last_s, noise_kpa, resolution_kpa)
    given_back = x + plateau.leak_kpa_per_s * np.maximum(time_s - last_s, 0.0)
    kept = slice(0, int(np.searchsorted(time_s, plateau.end_s, side="right")))
    sigma_kpa = max(float(np.hypot(noise_kpa, rounding)), LEAST_NOISE * float(np.max(np.abs(x))), 1e-6)
    shown = shown_by(time_s, x, begin_s, plateau, noise_kpa, resolution_kpa)
    fitter = _Fitter(time_s[kept], given_back[kept], sigma_kpa, last_s, shown)
    fitted = _fitted(fitter, time_s[np.minimum(look.peaks, n - 1)] - 0.5 * dt, resolved, begin_s, dt)
    if fitted is None:
        last = _last_code(x, last, noise_kpa, resolution_kpa)
    steps = _steps_of(fitted, rounding) if fitted is not None else _coarse(look, time_s, x, noise_kpa, rounding)
    return Staircase(
        steps=steps,
        resolved=fitted is not None,
        begin_s=begin_s,
        start_kpa=fitted.base_kpa if fitted is not None else float(np.median(before)),
        u_start_kpa=float(np.hypot(fitted.u_base_kpa if fitted is not None else noise_kpa, rounding)),
        rounding_kpa=rounding,
        last_rise_s=float(time_s[last]),
        time_s=time_s[first : last + 1],
        level_kpa=x[first : last + 1],
        shown=shown if fitted is None else _with(shown, fitted),
    )


def _with(shown: Shown, fitted: Fitted) -> Shown:
    """What a gauge showed, and what the steps fitted to it tell of it."""
    return replace(shown, warm=shown.warm or fitted.cooling_s is not None, hidden=fitted.lag_s > HIDES_S)


def _last_code(x: FloatArray, last: int, noise_kpa: float, resolution_kpa: float) -> int:
    """Last rise by a single step of the output, behind one that cannot be mistaken.

    A gauge that is steadier than its output is fine shows what it holds by the same number again and again.
    """
    if noise_kpa > STEADY * resolution_kpa:
        return last
    highest = np.maximum.accumulate(x)
    kept = np.lib.stride_tricks.sliding_window_view(x, KEPT).min(axis=1)
    rises = np.flatnonzero(kept[1:] - highest[: len(kept) - 1] > 0.9 * resolution_kpa) + 1
    return max(last, int(rises[-1])) if len(rises) else last


def _fitted(fitter: "_Fitter", peaks_s: FloatArray, resolved: bool, begin_s: float, dt: float) -> Fitted | None:
    """The steps that explain the samples best; None when strokes cannot be told apart."""
    fitted = fitter.fit(peaks_s) if resolved or _told_apart(peaks_s, dt) else None
    if fitted is not None and not resolved and not _told_apart(fitted.time_s, dt):
        fitted = None
    if fitted is None or fitted.misfit > MISFIT or not resolved:
        rises = find_rises(fitter.time_s, fitter.x, fitter.sigma_kpa, begin_s, fitter.last_rise_s)
        apart = fitter.fit(rises) if _told_apart(rises, dt) else None
        if apart is not None and _told_apart(apart.time_s, dt) and (fitted is None or apart.cost < fitted.cost - 4.0):
            fitted = apart
    return fitted


def _told_apart(times_s: FloatArray, dt: float) -> bool:
    """Whether rises are far enough from each other, and come evenly enough, to be strokes of their own."""
    if len(times_s) < 3:
        return False
    gaps = np.diff(times_s)
    usual = float(np.median(gaps))
    # Three that come every two or three samples may as well be four or five.
    if len(times_s) < 4 and usual < FEW_PER_STROKE * dt:
        return False
    steady = gaps[gaps < 1.4 * usual]
    return usual > LEAST_PER_STROKE * dt and float(np.std(steady)) < UNEVEN * usual


@dataclass(frozen=True, slots=True)
class _Fitter:
    """Samples to fit steps to, up to the end of the plateau."""

    time_s: FloatArray
    x: FloatArray
    sigma_kpa: float
    last_rise_s: float
    shown: Shown

    def fit(self, times_s: FloatArray) -> Fitted | None:
        """Fit a step near each time, and those that should follow, and leave out what is none; None for nothing."""
        stays = best = self._fit(times_s)
        if stays is None or best is None or not (self.shown.warm or (self.shown.fell and stays.misfit > STRANGE)):
            return stays
        for cooling_s in COOLING_S:
            falls = self._fit(times_s, cooling_s)
            if falls is None or stays.cost - falls.cost < CLEARER * max(1.0, falls.misfit) ** 2:
                continue
            if falls.cost < best.cost and (self.shown.warm or abs(falls.fall) > LEAST_FALL):
                best = falls
        # A lag and slow cooling can stand for each other; but nothing rises again.
        return best if best.fall > LEAST_FALL else replace(stays, cooling_s=best.cooling_s)

    def _fit(self, times_s: FloatArray, cooling_s: float | None = None) -> Fitted | None:
        times_s = times_s[:MOST_STEPS]
        gaps = np.diff(times_s)
        period = float(np.median(gaps)) if len(gaps) else END_S
        if len(gaps) > 1:
            more = max(0, min(int((self.last_rise_s - times_s[-1]) / period + 0.3), MOST_MORE))
            times_s = np.append(times_s, times_s[-1] + period * np.arange(1, more + 1))
        for _ in range(4):
            late_s = self.last_rise_s > times_s[-1] + 1.5 * period
            inside = slice(
                int(np.searchsorted(self.time_s, times_s[0] - max(0.25, period))),
                int(np.searchsorted(self.time_s, times_s[-1] + (0.9 * period if late_s else max(0.5, 1.2 * period)))),
            )
            fitted = fit_steps(self.time_s[inside], self.x[inside], self.sigma_kpa, times_s, period, cooling_s)
            least = np.maximum(3 * fitted.u_height_kpa, LEAST_SHARE * fitted.level_kpa[-1])
            real = np.flatnonzero(fitted.height_kpa > least)
            if not len(real):
                return None
            # What is too small for a step at the end still keeps later rises out of the last that is one.
            seen = int(real[-1]) + 1
            if len(real) == seen:
                return fitted.first(seen)
            times_s = np.append(fitted.time_s[real], fitted.time_s[seen:])
        return fitted.first(seen)


def _steps_of(fitted: Fitted, rounding_kpa: float) -> tuple[Step, ...]:
    columns = (fitted.time_s, fitted.level_kpa, fitted.u_level_kpa, fitted.height_kpa, fitted.u_time_s)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return tuple(Step(at, level, float(np.hypot(u, rounding_kpa)), height, u_s) for at, level, u, height, u_s in rows)


def _coarse(
    look: "_Look", time_s: FloatArray, x: FloatArray, noise_kpa: float, rounding_kpa: float
) -> tuple[Step, ...]:
    """Rises that may hold a stroke or several, and the levels between them."""
    n = len(x)
    steps = []
    below = 0.0
    for place, following in zip(look.peaks, [*look.peaks[1:], None], strict=True):
        hi = min((look.onset(following) if following is not None else place + 2) + 1, n)
        lo = max(min((place + hi) // 2, hi - 1), 0)
        level = float(np.mean(x[lo:hi]))
        u = float(np.hypot(noise_kpa / np.sqrt(hi - lo), rounding_kpa))
        spacing = float(time_s[min(place, n - 1)] - time_s[max(place - 1, 0)])
        steps.append(Step(float(time_s[min(place, n - 1)]) - spacing / 2, level, u, level - below, spacing / 2))
        below = level
    return tuple(steps)


@dataclass(frozen=True, slots=True)
class _Look:
    """Rises as the difference of two neighbouring means of `width` samples."""

    rise: FloatArray
    """Shape (n - 2 width + 1,); rise[i] lies between samples i + width - 1 and i + width."""
    width: int
    limit: float
    peaks: list[int]
    """Index of the first sample after the steepest part of each rise."""

    @staticmethod
    def of(x: FloatArray, width: float, noise_kpa: float, resolution_kpa: float) -> "_Look":
        w = min(max(1, round(width)), max(1, len(x) // 4))
        total = np.concatenate(([0.0], np.cumsum(x)))
        mean = (total[w:] - total[:-w]) / w
        rise = mean[w:] - mean[:-w]
        grain = resolution_kpa * (0.6 if w >= 5 else 1.1)
        limit = max(5 * noise_kpa * float(np.sqrt(2 / w)), 0.0005 * float(np.max(x)), grain)
        return _Look(rise, w, limit, [p + w for p in _regular(rise, _peaks(rise, limit))])

    @property
    def period(self) -> float:
        """Samples from step to step."""
        return float(np.median(np.diff(self.peaks)))

    @property
    def last_over(self) -> int:
        """Last sample that is still part of a rise."""
        return int(np.flatnonzero(self.rise > self.limit)[-1]) + self.width

    def onset(self, peak: int) -> int:
        """Last sample before the rise that has its steepest part at `peak`."""
        i = min(peak - self.width, len(self.rise) - 1)
        floor = max(self.limit, 0.1 * float(self.rise[i]))
        earliest = max((p - self.width for p in self.peaks if p < peak), default=0)
        low = np.flatnonzero(self.rise[earliest:i] <= floor)
        if len(low):
            i = earliest + int(low[-1])
        elif i > earliest:
            i = earliest + int(np.argmin(self.rise[earliest:i]))
        return i + self.width - 1

    def resolved(self, dt: float) -> bool:
        """Whether every stroke made a step of its own."""
        if len(self.peaks) < 2:
            return dt < RISE_S
        if self.period < SAMPLES_PER_STROKE:
            return False
        if self.period > 3 * SAMPLES_PER_STROKE:
            return True
        busy = []
        for peak, following in zip(self.peaks[:-1], self.peaks[1:], strict=True):
            part = self.rise[peak - self.width : following - self.width]
            busy.append(np.count_nonzero(part > max(0.15 * part[0], self.limit)))
        return float(np.median(busy)) - self.width + 1 <= BUSY_SHARE * self.period


def _peaks(rise: FloatArray, limit: float) -> list[int]:
    """Places of the steepest rises; two belong to one stroke unless the slope drops between them."""
    inner = (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:]) & (rise[1:-1] > limit)
    places = (np.flatnonzero(inner) + 1).tolist()
    if len(rise) and rise[0] > limit and (len(rise) == 1 or rise[0] > rise[1]):
        places.insert(0, 0)
    if len(rise) > 1 and rise[-1] > limit and rise[-1] > rise[-2]:
        places.append(len(rise) - 1)
    kept: list[int] = []
    for place in places:
        while kept:
            valley = float(np.min(rise[kept[-1] : place + 1]))
            lower = min(float(rise[kept[-1]]), float(rise[place]))
            if valley < 0.5 * lower or (valley < 0.8 * lower and lower - valley > limit):
                break
            if rise[kept[-1]] >= rise[place]:
                place = kept[-1]
            kept.pop()
        kept.append(place)
    return kept


def _regular(rise: FloatArray, places: list[int]) -> list[int]:
    """Leave out what comes much too soon after its neighbour: the tail of a step in the noise, not a stroke."""
    places = list(places)
    while len(places) > 2:
        gaps = np.diff(places)
        shortest = int(np.argmin(gaps))
        if gaps[shortest] >= HASTE * float(np.median(gaps)):
            break
        pair = places[shortest], places[shortest + 1]
        places.remove(min(pair, key=lambda place: float(rise[place])))
    return places
