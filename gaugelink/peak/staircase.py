"""Steps and plateau of a held gauge's samples."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.burst import last_step
from gaugelink.peak.events import FloatArray

RISE_S = 0.02
"""Rises are looked for as differences over this time: about what a stroke takes to fill the hose."""
END_S = 0.08
"""The end of the climb is looked for with means of this length when single steps cannot be told."""
SETTLE_S = 0.25
"""A plateau is read this long after the last step, when valve and gauge have come to rest."""
SAMPLES_PER_STROKE = 3.5
"""Fewer samples than this from stroke to stroke cannot tell one step from two."""
HASTE = 0.55
"""No stroke comes sooner than this share of the usual time between strokes."""
BUSY_SHARE = 0.55
"""A rise that takes more than this share of the time between steps is several strokes blurred together."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stroke's step."""

    time_s: float
    """The middle of its rise."""
    level_kpa: float
    """Level after it, the zero taken off."""
    u_kpa: float
    """Standard uncertainty of the level from noise and rounding."""


@dataclass(frozen=True, slots=True)
class Staircase:
    """The climb as it was seen."""

    steps: tuple[Step, ...]
    resolved: bool
    """False when the gauge is too slow to tell one stroke from the next."""
    begin_s: float
    start_kpa: float
    """Level before the first step: not always nothing, for a gauge that was not bled."""
    last_rise_s: float
    time_s: FloatArray
    """Shape (n,), the samples of the climb, from the last before it to the first after it."""
    level_kpa: FloatArray
    """Shape (n,)."""


@dataclass(frozen=True, slots=True)
class Plateau:
    """Where the climb came to rest."""

    begin_s: float
    level_kpa: float
    """Level when the plateau began, the leak since then given back."""
    leak_kpa_per_s: float
    """Loss through the gauge's own valve; 0 when none can be told."""
    u_level_kpa: float
    u_leak_kpa: float
    samples: int


def rounding_u_kpa(noise_kpa: float, resolution_kpa: float) -> float:
    """Standard uncertainty that rounding leaves in a mean: none when the noise dithers it away."""
    return resolution_kpa / float(np.sqrt(12)) if noise_kpa < 0.6 * resolution_kpa else 0.0


def find_steps(time_s: FloatArray, x: FloatArray, noise_kpa: float, resolution_kpa: float) -> Staircase:
    """Find the steps of a climb.

    The first look compares short means and finds the large steps; their period sets the width of the second
    look, whose longer means find the small late ones in the noise.

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
        return Staircase((), False, at, 0.0, at, time_s[first:], x[first:])
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
    places = _comb(look, last) if resolved and len(look.peaks) > 2 else look.peaks
    steps = []
    rounding = rounding_u_kpa(noise_kpa, resolution_kpa)
    for number, place in enumerate(places):
        if number + 1 < len(places):
            following = places[number + 1]
            gap = following - place
            hi = (fine.onset(following) if following in fine.peaks else following - max(1, gap // 6)) + 1
            lo = max(place + gap // 2, hi - max(1, gap // 4))
        else:
            gap = max(2, round(look.period)) if len(look.peaks) > 1 else max(2, round(END_S / dt))
            lo, hi = place + gap // 2, place + gap
        lo = max(min(lo, hi - 1, n - 1), 0)
        hi = min(max(hi, lo + 1), n)
        u = float(np.hypot(noise_kpa / np.sqrt(hi - lo), rounding))
        begin = fine.onset(place) if place in fine.peaks else place - look.width
        middle_s = _centre(time_s, x, max(begin, 0), min(max(lo, place + 1), n - 1), 4 * noise_kpa)
        step_s = middle_s if middle_s is not None else float(time_s[min(place, n - 1)])
        steps.append(Step(step_s, float(np.mean(x[lo:hi])), u))
    before = x[max(0, first - max(1, round(0.1 / dt))) : first + 1]
    return Staircase(
        steps=tuple(steps),
        resolved=resolved,
        begin_s=float(time_s[first]),
        start_kpa=float(np.median(before)),
        last_rise_s=float(time_s[last]),
        time_s=time_s[first : last + 1],
        level_kpa=x[first : last + 1],
    )


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


def _centre(time_s: FloatArray, x: FloatArray, begin: int, end: int, least_kpa: float) -> float | None:
    """Centre of gravity of the rise from sample `begin` to `end`: finer than the samples; None for a small one."""
    moves = np.diff(x[begin : end + 1])
    total = float(moves.sum())
    if total < least_kpa or total <= 0:
        return None
    at = float(moves @ (time_s[begin:end] + time_s[begin + 1 : end + 1])) / (2 * total)
    return at if time_s[begin] <= at <= time_s[end] else None


def _comb(look: "_Look", last: int) -> list[int]:
    """Steps too small for their own peak, put where the period says: between small steps, and up to the last rise."""
    period = look.period
    places: list[int] = []
    for place, following in zip(look.peaks, [*look.peaks[1:], None], strict=True):
        places.append(place)
        if following is None:
            more = int((last - place) / period + 0.3)
            gap = period
        else:
            small = look.rise[min(following - look.width, len(look.rise) - 1)] < 2.5 * look.limit
            # Before a step of full height it was a hand that slipped.
            more = round((following - place) / period) - 1 if small else 0
            gap = (following - place) / (more + 1)
        places += [place + round(k * gap) for k in range(1, more + 1)]
    return places


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


def find_plateau(
    time_s: FloatArray, x: FloatArray, climb: Staircase, noise_kpa: float, resolution_kpa: float
) -> Plateau:
    """Read the plateau after the last step and give back what leaked since.

    Args:
        time_s: shape (n,).
        x: shape (n,), zero taken off.
        climb: the steps.
        noise_kpa: standard deviation of a sample.
        resolution_kpa: smallest step of the output.
    """
    n = len(x)
    dt = float(np.median(np.diff(time_s)))
    first = min(int(np.searchsorted(time_s, climb.last_rise_s)), n - 1)
    level = float(np.median(x[first : first + max(3, round(0.5 / dt))]))
    # Bled: from here on it is the hand on the vent, not the plateau.
    reached = np.maximum.accumulate(np.minimum(x[first:], level))
    low = np.flatnonzero(x[first:] < 0.97 * reached - 5 * noise_kpa - resolution_kpa)
    last = first + int(low[0]) - 1 if len(low) else n
    settled = int(np.searchsorted(time_s, climb.last_rise_s + SETTLE_S))
    first = max(first, min(settled, last - 3))
    last = max(last, first + 1)
    t = time_s[first:last] - climb.last_rise_s
    y = x[first:last]
    m = len(y)
    leak = u_leak = 0.0
    value = float(np.mean(y))
    u = float(max(noise_kpa, np.std(y)) / np.sqrt(m))
    if m >= 5:
        middle = t - t.mean()
        spread = float(middle @ middle)
        slope = float(middle @ y) / spread
        scatter = max(float(np.std(y - value - slope * middle)), noise_kpa)
        # Rounding without noise to dither it can feign or hide a slope of a step over the plateau.
        rounding = rounding_u_kpa(noise_kpa, resolution_kpa) * float(np.sqrt(3)) / max(float(t[-1] - t[0]), dt)
        u_slope = float(np.hypot(scatter / np.sqrt(spread), rounding))
        u_leak = u_slope * float(t.mean())
        if slope < -3 * u_slope:
            leak = -slope
            # What leaked since the last rise is given back, but no more than the highest that was ever seen.
            w = min(max(2, round(0.1 / dt)), n)
            seen = np.convolve(x, np.full(w, 1 / w), mode="valid").max() + leak * w * dt / 2
            value = min(value + leak * float(t.mean()), float(seen))
    return Plateau(climb.last_rise_s, value, leak, u, u_leak, m)
