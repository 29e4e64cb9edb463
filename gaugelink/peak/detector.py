"""Finds cranking events in the samples of one gauge as they arrive.

Quiet costs a few comparisons per frame. Only when the level leaves its resting place are samples looked at
more closely, and only once nothing has risen for a while is the whole stretch described (`burst.describe`).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from gaugelink.peak.burst import (
    RISE_S,
    RISE_SHARE,
    Background,
    Burst,
    background,
    describe,
    middle,
    rising,
    smallest_step_kpa,
)
from gaugelink.peak.events import BoolArray, EventSamples, Flag, FloatArray, GaugeKind, GaugeTraits
from gaugelink.peak.notices import (
    DetectorSettings,
    EventClosed,
    EventOpened,
    Handling,
    HandlingKind,
    Notice,
    StrokeSeen,
)
from gaugelink.peak.recent import Recent
from gaugelink.peak.strokes import StrokeWatch
from gaugelink.peak.zero import Zero, take_zero

__all__ = [
    "Detector",
    "DetectorSettings",
    "EventClosed",
    "EventOpened",
    "Handling",
    "HandlingKind",
    "Notice",
    "StrokeSeen",
    "find_events",
]

CHUNK = 512
"""Samples looked at together in quiet; small enough that a chunk of a slow drift stays within the wake threshold."""
SETTLE_S = 0.3
"""Flat time after a fall or at the start of a record that makes a new resting level."""
NOISIEST_KPA = 25.0
"""Half a percent of the widest range in the trade, rounded up. Common practice, no source."""
MOST_LOSSES = 1024
"""Gaps remembered one by one."""
JUNK_S = 8.0
"""Movement that is no event for this long becomes the new background."""

_highest, _lowest, _total = np.maximum.reduce, np.minimum.reduce, np.add.reduce
_ANY_GAUGE = GaugeTraits()
_USUAL = DetectorSettings()


class Detector:
    """Listens to one gauge. Feed it every frame in order; it answers with what happened.

    Memory is constant (`Recent`), whatever the length of the day.
    """

    def __init__(self, traits: GaugeTraits = _ANY_GAUGE, settings: DetectorSettings = _USUAL) -> None:
        self._traits = traits
        self._settings = settings
        self._recent = Recent(settings.capacity)
        self._watch = StrokeWatch()
        self._feedback = True
        self._ground: Background | None = None
        self._rest_kpa = 0.0
        self._wake_kpa = settings.wake_kpa
        self._dt_s = 0.0
        self._last_s = -np.inf
        self._tidy_at = CHUNK
        self._since_estimate = 0
        self._quiet_from_s = -np.inf
        self._zero: Zero | None = None
        self._active = False
        self._start = 0
        self._active_since_s = 0.0
        self._check_s = 0.0
        self._no_quiet = False
        self._may_hold = True
        self._fell_kpa = 0.0
        self._trimmed = False
        self._losses: list[tuple[float, int]] = []
        self._pending: list[StrokeSeen] = []
        self._opened = False

    @property
    def nbytes(self) -> int:
        """Bytes of samples held; the rest of the state is a few numbers."""
        return self._recent.nbytes

    def push(
        self,
        time_s: ArrayLike,
        pressure_kpa: ArrayLike,
        over_range: ArrayLike | None = None,
        lost_before: int = 0,
    ) -> list[Notice]:
        """Take the next samples and return what they completed, in order of time.

        Args:
            time_s: shape (n,) or one number; the gauge's sample clock, never going backwards.
            pressure_kpa: same shape; as the gauge gave it.
            over_range: same shape, or None when no sample was over range.
            lost_before: samples known to be missing before the first of these.

        Raises:
            ValueError: shapes differ, time goes backwards or a pressure is not a number.
        """
        t: FloatArray = np.asarray(time_s, dtype=np.float64)
        p: FloatArray = np.asarray(pressure_kpa, dtype=np.float64)
        if t.ndim != 1:
            t, p = np.atleast_1d(t), np.atleast_1d(p)
        n = len(t)
        if p.shape != t.shape:
            raise ValueError(f"{n} times came with {p.size} pressures; give one pressure for each time")
        if not n:
            if lost_before:
                self._lose(self._last_s, lost_before)
            return []
        first_s = float(t[0])
        last_s = float(t[-1])
        if first_s < self._last_s or last_s < first_s:
            raise ValueError(f"time goes backwards: {first_s} s to {last_s} s after {self._last_s} s")
        if lost_before:
            self._lose(first_s, lost_before)
        o: BoolArray | bool = False
        if over_range is not None:
            o = np.atleast_1d(np.asarray(over_range, dtype=np.bool_))
            if o.shape != t.shape:
                raise ValueError(f"{n} samples came with {o.size} over-range marks; give one for each")
        if n <= CHUNK and not self._active and self._ground is not None and self._stays_quiet(p, n, last_s - first_s):
            self._store_quiet(t, p, o, n)
            self._last_s = last_s
            return []
        notices: list[Notice] = []
        self._take(t, p, o, notices)
        self._last_s = last_s
        return notices

    def finish(self) -> list[Notice]:
        """End of the record: close what is open."""
        notices: list[Notice] = []
        if self._ground is None and self._recent.count > 2:
            self._begin(notices, ended=True)
        if self._active:
            self._review(self._last_s, notices, ended=True)
        return notices

    def _lose(self, at_s: float, count: int) -> None:
        if len(self._losses) >= MOST_LOSSES:
            # Where they were is of no use any more; how many they were still is.
            self._losses = [(at_s, sum(n for _, n in self._losses))]
        self._losses.append((at_s, count))

    def _stays_quiet(self, p: FloatArray, n: int, span_s: float) -> bool:
        """Whether samples stay near the resting level; if so, the level follows them."""
        if n <= 32:
            values = p.tolist()
            high, low, mean = max(values), min(values), sum(values) / n
        else:
            high, low, mean = float(_highest(p)), float(_lowest(p)), float(_total(p)) / n
        rest = self._rest_kpa
        wake = self._wake_kpa
        # Written so that what is not a number is not quiet either.
        if not (high <= rest + wake and low >= rest - wake):
            return False
        # The resting level follows with about half a second: faster than any warm-up, slower than any stroke.
        share = 2 * (span_s + self._dt_s)
        self._rest_kpa = rest + (mean - rest) * (share if share < 1 else 1)
        return True

    def _store_quiet(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, n: int) -> None:
        recent = self._recent
        if recent.count + n > self._tidy_at:
            self._tidy(n)
        recent.append(t, p, o)

    def _tidy(self, n: int) -> None:
        """Make room for `n` quiet samples and, now and then, look at rate, noise and resolution again."""
        recent = self._recent
        count = recent.count
        dt = self._dt_s = _spacing(recent.time_s[max(0, count - CHUNK) : count]) or self._dt_s or 0.01
        keep = min(int(self._settings.quiet_s / dt) + 8, recent.capacity // 4)
        recent.keep_last(keep)
        self._tidy_at = min(keep + max(keep, 2 * CHUNK), recent.capacity)
        self._since_estimate += count - recent.count
        self._losses.clear()
        if self._since_estimate >= 8 * CHUNK:
            first = max(int(recent.time_s[: recent.count].searchsorted(self._quiet_from_s)), recent.count - CHUNK)
            if recent.count - first >= 64:
                self._since_estimate = 0
                self._settle(recent.pressure_kpa[first : recent.count], keep_rest=True)

    def _settle(self, quiet_kpa: FloatArray, keep_rest: bool = False, flat: bool = True) -> None:
        """Take quiet samples as the background."""
        settings = self._settings
        ground = background(quiet_kpa, self._traits.resolution_kpa)
        before = self._ground
        if before is not None and (len(quiet_kpa) < 16 or not flat):
            # A few samples, or a slope, tell the level, not the noise.
            ground = Background(ground.rest_kpa, before.noise_kpa, before.resolution_kpa)
        self._ground = ground
        if not keep_rest:
            self._rest_kpa = ground.rest_kpa
        noise = min(ground.noise_kpa, NOISIEST_KPA)
        self._wake_kpa = max(settings.wake_kpa, 6 * noise, 1.6 * ground.resolution_kpa)

    def _take(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, notices: list[Notice]) -> None:
        """Samples that need more than a glance, or more of them than one frame has."""
        n = len(t)
        if not np.isfinite(_total(p)):
            raise ValueError("a pressure is not a number; leave such samples out and count them as lost")
        i = 0
        while i < n:
            if self._ground is None:
                self._store_quiet(*_part(t, p, o, i, i + 1), 1)
                j = i + 1
                span = self._recent.time_s[self._recent.count - 1] - self._recent.time_s[0]
                if span >= SETTLE_S and self._recent.count >= 4:
                    self._begin(notices, ended=False)
            elif self._active:
                j = i + max(1, int(t[i : i + CHUNK].searchsorted(self._check_s, side="right")))
                self._make_room(j - i)
                part = _part(t, p, o, i, j)
                self._recent.append(*part)
                if self._feedback:
                    self._observe(part[0], part[1], notices)
                if t[j - 1] >= self._check_s:
                    self._review(float(t[j - 1]), notices, ended=False)
            else:
                j = min(n, i + CHUNK)
                part = _part(t, p, o, i, j)
                if not self._stays_quiet(part[1], j - i, float(t[j - 1] - t[i])):
                    off = np.abs(part[1] - self._rest_kpa) > self._wake_kpa
                    j = i + int(off.argmax()) + 1
                    part = _part(t, p, o, i, j)
                    if j - i > 1:
                        self._stays_quiet(part[1][:-1], j - i - 1, float(t[j - 2] - t[i]))
                    self._wake(float(t[j - 1]))
                self._store_quiet(*part, j - i) if not self._active else self._recent_append(part, notices)
            i = j

    def _recent_append(self, part: tuple[FloatArray, FloatArray, BoolArray | bool], notices: list[Notice]) -> None:
        self._make_room(len(part[0]))
        self._recent.append(*part)
        if self._feedback:
            self._observe(part[0][-1:], part[1][-1:], notices)

    def _wake(self, now_s: float) -> None:
        """Something moves: from now on every sample is kept."""
        self._active = True
        self._active_since_s = now_s
        self._check_s = now_s + SETTLE_S
        recent = self._recent
        from_s = max(self._quiet_from_s, now_s - self._settings.lead_s)
        self._start = int(recent.time_s[: recent.count].searchsorted(from_s))
        self._opened = False
        self._trimmed = False
        self._fell_kpa = 0.0
        self._pending.clear()
        self._watch.reset(self._rest_kpa, self._wake_kpa)

    def _begin(self, notices: list[Notice], ended: bool) -> None:
        """The first look at a record: quiet, or in the middle of something."""
        recent = self._recent
        p = recent.pressure_kpa[: recent.count]
        t = recent.time_s[: recent.count]
        self._dt_s = _spacing(t) or 0.01
        self._quiet_from_s = float(t[0])
        # Neighbouring samples tell the noise even on a slope; no gauge is noisier than the bound.
        noise = min(float(np.median(np.abs(np.diff(p)))), NOISIEST_KPA)
        if float(np.ptp(p)) <= max(self._settings.wake_kpa, 8 * noise) and not ended:
            self._settle(p)
            return
        low = float(np.percentile(p, 10))
        step = self._traits.resolution_kpa or 0.0
        self._ground = Background(low, max(0.5, step / np.sqrt(12)), step)
        self._rest_kpa = low
        self._wake_kpa = max(self._settings.wake_kpa, 1.6 * step)
        self._no_quiet = True
        self._wake(float(t[0]))
        if self._feedback:
            self._observe(t, p, notices)

    def _make_room(self, n: int) -> None:
        """Let go of old quiet first, then of the middle of an event that does not end."""
        recent = self._recent
        if recent.count + n <= recent.capacity:
            return
        if self._start > recent.capacity // 4:
            recent.keep_last(recent.count - self._start)
            self._start = 0
            return
        # The start stays for its first stroke and its zero, the latest part for its end.
        count = recent.count
        recent.drop_middle(count // 2, 3 * count // 4)
        self._trimmed = True

    def _observe(self, t: FloatArray, p: FloatArray, notices: list[Notice]) -> None:
        """Strokes as they pass, for live feedback."""
        for seen in self._watch.look(t, p, self._dt_s):
            if self._opened:
                notices.append(seen)
                continue
            self._pending.append(seen)
            if self._describe().is_event:
                self._opened = True
                notices.append(EventOpened(self._pending[0].time_s))
                notices.extend(self._pending)
                self._pending.clear()
            elif len(self._pending) > 16:
                self._pending.pop(0)

    def _describe(self) -> Burst:
        recent = self._recent
        ground = self._ground
        assert ground is not None
        now = Background(self._rest_kpa, ground.noise_kpa, ground.resolution_kpa)
        return describe(
            recent.time_s[self._start : recent.count],
            recent.pressure_kpa[self._start : recent.count],
            now,
            self._settings,
            self._traits.kind,
            self._dt_s,
        )

    def _review(self, now_s: float, notices: list[Notice], ended: bool) -> None:
        """Is it over? If so, say what it was and go back to listening."""
        recent = self._recent
        settings = self._settings
        if not ended:
            rose_s = self._rose_lately(now_s)
            if rose_s is not None and now_s < rose_s + settings.live_gap_s:
                self._check_s = rose_s + settings.live_gap_s
                return
        if not self._opened:
            self._follow_fall()
        burst = self._describe()
        if not ended:
            gap = settings.held_gap_s if burst.kind is GaugeKind.HELD else settings.live_gap_s
            too_long = not burst.is_event and now_s - self._active_since_s > JUNK_S
            if burst.last_rise_s is not None and now_s < burst.last_rise_s + gap and not too_long:
                self._check_s = burst.last_rise_s + gap
                return
            if burst.last_rise_s is None and not self._is_flat(now_s) and not too_long:
                self._check_s = now_s + max(0.1, self._dt_s)
                return
        level_before = self._rest_kpa + self._fell_kpa
        tail_from = int(recent.time_s[: recent.count].searchsorted(now_s - SETTLE_S))
        tail = recent.pressure_kpa[min(tail_from, recent.count - 1) : recent.count]
        if burst.is_event:
            self._may_hold = burst.kind is GaugeKind.HELD
            samples = self._gather(burst, now_s, ended)
            if not self._opened:
                notices.append(EventOpened(float(recent.time_s[self._start + burst.first])))
                notices.extend(self._pending)
            notices.append(EventClosed(samples))
            level_before = self._rest_kpa + (burst.top_kpa if burst.kind is GaugeKind.HELD else 0.0)
        after = middle(tail)
        fell = level_before - after
        usual = self._zero.level_kpa if self._zero is not None else 0.0
        to_nothing = after < settings.zero_limit_kpa or fell > 0.8 * (level_before - usual)
        if fell > max(0.6 * settings.event_kpa, 2 * self._wake_kpa) and to_nothing:
            notices.append(Handling(now_s, HandlingKind.VENTED))
        elif burst.handling is not None and not ended:
            notices.append(Handling(now_s, burst.handling))
        self._pending.clear()
        self._losses.clear()
        self._active = False
        self._opened = False
        self._no_quiet = False
        self._quiet_from_s = now_s - SETTLE_S
        self._settle(tail, flat=float(_highest(tail) - _lowest(tail)) <= 2 * self._wake_kpa)
        self._tidy(0)

    def _rose_lately(self, now_s: float) -> float | None:
        """Time of the last large rise, at a fraction of the cost of a description."""
        recent = self._recent
        last = recent.count
        first = max(self._start, int(recent.time_s[:last].searchsorted(now_s - self._settings.live_gap_s - RISE_S)))
        p = recent.pressure_kpa[first:last]
        top = float(_highest(recent.pressure_kpa[self._start : last])) - self._rest_kpa
        # Half as much again as usual: the lowest of many samples lies well below their mean.
        places = rising(p, max(1.5 * self._wake_kpa, RISE_SHARE * top), self._dt_s)
        return float(recent.time_s[first + places[-1]]) if len(places) else None

    def _follow_fall(self) -> None:
        """After a fall (a held gauge being bled) what follows starts from the bottom."""
        recent = self._recent
        p = recent.pressure_kpa[self._start : recent.count]
        low = p < self._rest_kpa - self._wake_kpa
        # Three in a row: a wild sample or two are no fall.
        low[2:] &= low[1:-1] & low[:-2]
        low[:2] = False
        if not low.any():
            return
        high = p > self._rest_kpa + self._wake_kpa
        if high.any() and high.argmax() < low.argmax():
            return
        end = int(high.argmax()) if high.any() else len(p)
        settled = np.sort(p[:end][low[:end]])
        before = self._rest_kpa
        self._rest_kpa = float(settled[len(settled) // 10])
        self._fell_kpa += before - self._rest_kpa
        fell = int(low.argmax()) - 2
        self._start += fell + int((p[fell:end] <= self._rest_kpa + self._wake_kpa).argmax())
        self._quiet_from_s = float(recent.time_s[self._start])

    def _is_flat(self, now_s: float) -> bool:
        recent = self._recent
        first = int(recent.time_s[: recent.count].searchsorted(now_s - SETTLE_S))
        tail = recent.pressure_kpa[first : recent.count]
        return len(tail) > 1 and float(np.ptp(tail)) <= self._wake_kpa

    def _resolution_kpa(self, pressure_kpa: FloatArray) -> float:
        """As stated, or as the samples show it: quiet alone may never leave one step."""
        stated = self._traits.resolution_kpa
        return stated if stated is not None else smallest_step_kpa(pressure_kpa)

    def _gather(self, burst: Burst, now_s: float, ended: bool) -> EventSamples:
        """All that was seen of an event, with the zero from the quiet before it."""
        recent = self._recent
        settings = self._settings
        first = self._start + burst.first
        t = recent.time_s[: recent.count]
        p = recent.pressure_kpa[: recent.count]
        first_s = float(t[first])
        last_s = burst.last_rise_s if burst.last_rise_s is not None else now_s
        before = self._zero
        zero = None
        flags: set[Flag] = set()
        if self._rest_kpa < settings.zero_limit_kpa or not self._may_hold:
            since = max(self._quiet_from_s, first_s - settings.quiet_s)
            lo = int(t.searchsorted(since))
            hi = int(t.searchsorted(first_s - max(0.03, 1.5 * self._dt_s)))
            zero = take_zero(t[lo:hi], p[lo:hi], self._resolution_kpa(p[lo:]))
        elif before is not None:
            zero = before
        if zero is None:
            flags.add(Flag.ZERO_UNKNOWN)
        drift = zero.level_kpa - before.level_kpa if zero and before else 0.0
        if zero and before and abs(drift) > zero.significant_change_kpa(before):
            flags.add(Flag.ZERO_DRIFT)
        if zero is not None:
            self._zero = zero
        if self._no_quiet or (ended and now_s - last_s < settings.live_gap_s / 2):
            flags.add(Flag.SHORT_RECORD)
        if burst.interrupted:
            flags.add(Flag.INTERRUPTED)
        if self._trimmed:
            flags.add(Flag.TRIMMED)
        lead = 0 if self._no_quiet else int(t.searchsorted(first_s - settings.lead_s))
        lost = sum(n for at, n in self._losses if first_s - 0.1 <= at <= last_s + 2 * self._dt_s)
        if not lost and not self._trimmed:
            lost = _gaps(t[first : int(t.searchsorted(last_s)) + 1])
        if lost:
            flags.add(Flag.LOST_SAMPLES)
        over = recent.over_range[lead : recent.count].copy()
        if over.any():
            flags.add(Flag.OVER_RANGE)
        return EventSamples(
            time_s=t[lead:].copy(),
            pressure_kpa=p[lead:].copy(),
            over_range=over,
            lost_samples=lost,
            kind=burst.kind,
            zero_kpa=zero.level_kpa if zero else None,
            zero_u_kpa=zero.u_kpa if zero else 0.0,
            noise_kpa=zero.noise_kpa if zero else 0.0,
            zero_drift_kpa=drift,
            flags=frozenset(flags),
        )


def _part(
    t: FloatArray, p: FloatArray, o: BoolArray | bool, i: int, j: int
) -> tuple[FloatArray, FloatArray, BoolArray | bool]:
    return t[i:j], p[i:j], o if isinstance(o, bool) else o[i:j]


def _spacing(time_s: FloatArray) -> float:
    """Usual time between samples, lost ones left out; 0 when there is none."""
    return middle(time_s[1:] - time_s[:-1]) if len(time_s) > 1 else 0.0


def _gaps(time_s: FloatArray) -> int:
    """Samples that the sample clock says are missing."""
    if len(time_s) < 4:
        return 0
    dt = time_s[1:] - time_s[:-1]
    usual = middle(dt)
    if usual <= 0:
        return 0
    wide = dt[dt > 2.5 * usual]
    return int(np.sum(np.round(wide / usual) - 1))


def find_events(
    time_s: ArrayLike,
    pressure_kpa: ArrayLike,
    traits: GaugeTraits = _ANY_GAUGE,
    settings: DetectorSettings = _USUAL,
    over_range: Sequence[bool] | BoolArray | None = None,
) -> list[EventSamples]:
    """Find the events of a whole record: the same detector as the live one, without its live feedback.

    Args:
        time_s: shape (n,), not going backwards.
        pressure_kpa: shape (n,), as the gauge gave it.
        traits: what is known of the gauge.
        settings: thresholds.
        over_range: shape (n,), or None.

    Raises:
        ValueError: shapes differ, time goes backwards or a value is not a number.
    """
    t = np.asarray(time_s, dtype=np.float64)
    p = np.asarray(pressure_kpa, dtype=np.float64)
    detector = Detector(traits, settings)
    detector._feedback = False
    notices = detector.push(t, p, over_range) + detector.finish()
    return [notice.samples for notice in notices if isinstance(notice, EventClosed)]
