"""Finds cranking events in the samples of one gauge as they arrive.

Quiet costs a few comparisons per frame. Only when the level leaves its resting place are samples looked at
more closely, and only once nothing has risen for a while is the whole stretch described (`burst.describe`).
"""

import numpy as np
from numpy.typing import ArrayLike

from gaugelink.peak.burst import RISE_S, Burst, describe
from gaugelink.peak.events import MOST_KPA, BoolArray, EventSamples, FloatArray, GaugeKind, GaugeTraits
from gaugelink.peak.evidence import Circumstances, Losses, gather, quiet_before, spacing
from gaugelink.peak.notices import (
    DetectorSettings,
    EventClosed,
    EventOpened,
    Handling,
    HandlingKind,
    Notice,
    StrokeSeen,
)
from gaugelink.peak.order import highest, lowest, middle
from gaugelink.peak.quiet import FEW, Quiet
from gaugelink.peak.recent import Recent, part_of
from gaugelink.peak.resting import CHUNK, Resting
from gaugelink.peak.stretch import find_fall, is_flat, last_pulse_in_a_row, last_rise, was_vented
from gaugelink.peak.strokes import StrokeWatch
from gaugelink.peak.zero import Zero
from gaugelink.peak.zeros import Zeros

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

SETTLE_S = 0.3
"""Flat time after a fall or at the start of a record that makes a new resting level."""
JUNK_S = 8.0
"""Movement that is no event for this long becomes the new background."""
CUT_OFF_S = 10.0
"""No pull goes on over such a silence; a fit searches all of an event's time for strokes that few samples show."""

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
        self._quiet = Quiet(traits, settings)
        self._last_s = -np.inf
        self._losses = Losses()
        self._resting = Resting(self._recent, self._quiet, self._losses, settings.quiet_s)
        self._quiet_from_s = self._quiet_until_s = self._first_quiet_s = -np.inf
        self._zeros = Zeros(settings.zero_limit_kpa)
        self._active = False
        self._start = 0
        self._active_since_s = 0.0
        self._check_s = 0.0
        self._no_quiet = False
        self._held_kpa: float | None = None
        self._fell_kpa = 0.0
        self._trimmed = False
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
            time_s: shape (n,) or one number; the gauge's sample clock, always rising.
            pressure_kpa: same shape; as the gauge gave it.
            over_range: same shape, or None when no sample was over range.
            lost_before: samples known to be missing before the first of these.

        Raises:
            ValueError: shapes differ, time does not rise or a pressure is none (`MOST_KPA`).
        """
        t: FloatArray = np.asarray(time_s, dtype=np.float64)
        p: FloatArray = np.asarray(pressure_kpa, dtype=np.float64)
        if t.ndim != 1:
            t, p = np.atleast_1d(t), np.atleast_1d(p)
        n = len(t)
        if p.shape != t.shape:
            raise ValueError(f"{n} times came with {p.size} pressures; give one pressure for each time")
        first_s, last_s = (float(t[0]), float(t[-1])) if n else (self._last_s, self._last_s)
        if n and (first_s <= self._last_s or last_s < first_s):
            raise ValueError(f"time does not rise: {first_s} s to {last_s} s after {self._last_s} s")
        if lost_before:
            self._losses.add(first_s, lost_before)
        if not n:
            return []
        o: BoolArray | bool = False
        if over_range is not None:
            o = np.atleast_1d(np.asarray(over_range, dtype=np.bool_))
            if o.shape != t.shape:
                raise ValueError(f"{n} samples came with {o.size} over-range marks; give one for each")
        if n <= CHUNK and not self._active and self._quiet.known and self._quiet.stays(p, n, last_s - first_s):
            self._resting.store(t, p, o, n, self._quiet_from_s)
            self._last_s = last_s
            return []
        notices: list[Notice] = []
        self._take(t, p, o, notices)
        self._last_s = last_s
        return notices

    def finish(self) -> list[Notice]:
        """End of the record: close what is open."""
        notices: list[Notice] = []
        if not self._quiet.known and self._recent.count > 2:
            self._begin(notices, ended=True)
        if self._active:
            self._review(self._last_s, notices, ended=True)
        return notices

    def so_far(self) -> EventSamples | None:
        """The event under way as it would be handed on if it were over now, or None while there is none.

        Nothing changes by asking.
        """
        burst = self._describe() if self._active else None
        return self._gather(burst, ended=False)[0] if burst is not None and burst.is_event else None

    def _take(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, notices: list[Notice]) -> None:
        """Samples that need more than a glance, or more of them than one frame has."""
        n = len(t)
        if not (highest(p) <= MOST_KPA and lowest(p) >= -MOST_KPA):  # what is not a number is not below it either
            raise ValueError("a pressure is not a number or beyond any; leave such samples out and count them as lost")
        if n > 1 and (t[1:] <= t[:-1]).any():
            raise ValueError("time does not rise inside the samples; sort them, drop repeats or split the record")
        i = 0
        while i < n:
            if not self._quiet.known:
                recent = self._recent
                if recent.count and t[i] - recent.last_s >= CUT_OFF_S:
                    # The little that was seen before says nothing of now.
                    recent.keep_last(0)
                begun_s = recent.time_s[0] if recent.count else t[i]
                enough = t[i : i + self._resting.room] - begun_s >= SETTLE_S
                m = max(int(enough.argmax()) + 1, 4 - recent.count) if enough.any() else len(enough)
                j = min(n, i + m)
                away = t[i + 1 : j] - t[i : j - 1] >= CUT_OFF_S
                j = i + 1 + int(away.argmax()) if away.any() else j
                self._resting.store(*part_of(t, p, o, i, j), j - i, self._quiet_from_s)
                if recent.time_s[recent.count - 1] - recent.time_s[0] >= SETTLE_S and recent.count >= 4:
                    self._begin(notices, ended=False)
            elif self._active and self._cut_off(float(t[i])):
                self._review(self._recent.last_s, notices, ended=True)
                # It was in the middle of a stroke: no resting level, and nothing for the next pull to begin with.
                self._recent.keep_last(0)
                continue
            elif self._active:
                j = i + max(1, int(t[i : i + CHUNK].searchsorted(self._check_s, "right")))
                part = part_of(t, p, o, i, j)
                self._keep_all(*part, j - i)
                if self._feedback:
                    self._observe(part[0], part[1], notices)
                if t[j - 1] >= self._check_s:
                    self._review(float(t[j - 1]), notices, ended=False)
            else:
                i = self._resting.skim(t, p, o, i, self._quiet_from_s)
                if i == n:
                    break
                glance = self._resting.glance()
                j = min(n, i + glance)
                part = part_of(t, p, o, i, j)
                # A whole glance was looked at before; what is left of a record was not.
                if j - i == glance or not self._quiet.stays(part[1], j - i, float(t[j - 1] - t[i])):
                    off = np.abs(part[1] - self._quiet.rest_kpa) > self._quiet.wake_kpa
                    j = i + int(off.argmax()) + 1
                    part = part_of(t, p, o, i, j)
                    if j - i > 1:
                        self._quiet.stays(part[1][:-1], j - i - 1, float(t[j - 2] - t[i]))
                    if self._quiet.dt_s * FEW > SETTLE_S:
                        self._resting.learn_noise(float(t[j - 1]), self._quiet_from_s)
                    self._wake(float(t[j - 1]))
                    if not self._feedback:
                        self._look_ahead(t[j - 1 : j + CHUNK], p[j - 1 : j + CHUNK])
                if self._active:
                    self._keep_all(*part, j - i)
                    if self._feedback:
                        self._observe(part[0][-1:], part[1][-1:], notices)
                else:
                    self._resting.store(*part, j - i, self._quiet_from_s)
            i = j

    def _cut_off(self, now_s: float) -> bool:
        """Whether a live gauge was away in a pull, or as it began, for longer than any pull lasts."""
        return now_s - self._recent.last_s >= CUT_OFF_S and self._describe().kind is GaugeKind.LIVE

    def _wake(self, now_s: float) -> None:
        """Something moves: from now on every sample is kept."""
        self._active = True
        self._active_since_s = now_s
        self._check_s = now_s + SETTLE_S
        recent = self._recent
        from_s = max(self._quiet_from_s, now_s - self._settings.lead_s)
        # One sample of before at least: whether time was lost in between decides what a jump means.
        self._start = max(0, min(int(recent.time_s[: recent.count].searchsorted(from_s)), recent.count - 1))
        self._quiet_until_s = now_s
        self._trimmed = False
        self._fell_kpa = 0.0
        self._first_quiet_s = self._quiet_from_s
        self._watch.reset(self._quiet.rest_kpa, self._quiet.wake_kpa)

    def _begin(self, notices: list[Notice], ended: bool) -> None:
        """The first look at a record: quiet, or in the middle of something."""
        recent = self._recent
        p = recent.pressure_kpa[: recent.count]
        t = recent.time_s[: recent.count]
        self._quiet.dt_s = spacing(t) or 0.01
        self._quiet_from_s = float(t[0])
        if not ended and self._quiet.settles(p):
            rest_kpa = self._quiet.rest_kpa
            self._held_kpa = rest_kpa if rest_kpa > self._settings.zero_limit_kpa else None
            return
        self._quiet.guess(p)
        self._no_quiet = True
        self._wake(float(t[0]))
        if self._feedback:
            self._observe(t, p, notices)

    def _keep_all(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, n: int) -> None:
        recent = self._recent
        if recent.count + n > recent.capacity:
            self._start, trimmed = recent.make_room(n, self._start)
            self._trimmed |= trimmed
        recent.append(t, p, o)

    def _observe(self, t: FloatArray, p: FloatArray, notices: list[Notice]) -> None:
        """Strokes as they pass, for live feedback."""
        for seen in self._watch.look(t, p, self._quiet.dt_s):
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
        return describe(
            recent.time_s[self._start : recent.count],
            recent.pressure_kpa[self._start : recent.count],
            self._quiet.ground,
            self._settings,
            self._traits.kind,
            self._quiet.dt_s,
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
        tail = recent.latest(now_s - SETTLE_S)
        if not ended:
            gap = settings.held_gap_s if burst.kind is GaugeKind.HELD else settings.live_gap_s
            too_long = not burst.is_event and now_s - self._active_since_s > JUNK_S
            if burst.last_rise_s is not None and now_s < burst.last_rise_s + gap and not too_long:
                self._check_s = burst.last_rise_s + gap
                return
            if burst.last_rise_s is None and not is_flat(tail, self._quiet.wake_kpa) and not too_long:
                self._check_s = now_s + max(0.1, self._quiet.dt_s)
                return
        if burst.is_event:
            samples, zero = self._gather(burst, ended)
            self._zeros.used(zero)
            if not self._opened:
                notices.append(EventOpened(float(recent.time_s[self._start + burst.first])))
                notices.extend(self._pending)
            notices.append(EventClosed(samples))
            self._held_kpa = self._quiet.rest_kpa + burst.top_kpa if burst.kind is GaugeKind.HELD else None
        else:
            self._zeros.rested(quiet_before(recent, self._first_quiet_s, self._quiet_until_s, self._traits, settings))
        zero_kpa = self._zeros.expected_kpa
        if self._held_kpa is not None and was_vented(self._held_kpa, middle(tail), zero_kpa, settings.event_kpa / 2):
            notices.append(Handling(now_s, HandlingKind.VENTED))
            self._held_kpa = None
        elif burst.handling is not None and not ended:
            notices.append(Handling(now_s, burst.handling))
        self._pending.clear()
        self._losses.clear()
        self._active = False
        self._opened = False
        self._no_quiet = False
        self._quiet_from_s = now_s - SETTLE_S
        self._quiet.settle(tail, flat=highest(tail) - lowest(tail) <= 2 * self._quiet.wake_kpa)
        self._resting.tidy(self._quiet_from_s)

    def _rose_lately(self, now_s: float) -> float | None:
        recent = self._recent
        last = recent.count
        first = max(self._start, int(recent.time_s[:last].searchsorted(now_s - self._settings.live_gap_s - RISE_S)))
        top = highest(recent.pressure_kpa[self._start : last]) - self._quiet.rest_kpa
        place = last_rise(recent.pressure_kpa[first:last], top, self._quiet.wake_kpa, self._quiet.dt_s)
        return float(recent.time_s[first + place]) if place is not None else None

    def _look_ahead(self, t: FloatArray, p: FloatArray) -> None:
        """Leave out reviews that only put off the next one: the rest of a record shows that strokes follow in time."""
        quiet, gap_s = self._quiet, self._settings.live_gap_s
        if quiet.dt_s < RISE_S and t[-1] - t[0] > gap_s:
            x = p - quiet.rest_kpa
            last = last_pulse_in_a_row(t, x, quiet.wake_kpa, quiet.dt_s, begun_s=self._check_s, gap_s=gap_s)
            if last is not None:
                self._check_s = max(self._check_s, float(t[last]) + gap_s)

    def _follow_fall(self) -> None:
        """After a fall what follows starts from the bottom."""
        recent = self._recent
        fall = find_fall(recent.pressure_kpa[self._start : recent.count], self._quiet.rest_kpa, self._quiet.wake_kpa)
        if fall is None:
            return
        self._fell_kpa += self._quiet.rest_kpa - fall.rest_kpa
        self._quiet.rest_kpa = fall.rest_kpa
        self._start += fall.begin
        self._first_quiet_s = min(self._first_quiet_s, self._quiet_from_s)
        self._quiet_from_s = float(recent.time_s[self._start])

    def _gather(self, burst: Burst, ended: bool) -> tuple[EventSamples, Zero | None]:
        first_s = float(self._recent.time_s[self._start + burst.first])
        # On a live gauge a fall before the first stroke is the cylinder drawing in, and the quiet is before it.
        drawn_in = burst.kind is GaugeKind.LIVE and self._zeros.drew_in(self._quiet.rest_kpa, self._fell_kpa)
        about = Circumstances(
            rest_kpa=self._quiet.rest_kpa,
            quiet_from_s=self._first_quiet_s if drawn_in else self._quiet_from_s,
            quiet_until_s=self._quiet_until_s if drawn_in else first_s,
            no_quiet=self._no_quiet,
            ended=ended,
            trimmed=self._trimmed,
            losses=self._losses,
            zeros=self._zeros,
        )
        return gather(self._recent, self._start + burst.first, burst, about, self._traits, self._settings)


def find_events(
    time_s: ArrayLike,
    pressure_kpa: ArrayLike,
    traits: GaugeTraits = _ANY_GAUGE,
    settings: DetectorSettings = _USUAL,
    over_range: ArrayLike | None = None,
) -> list[EventSamples]:
    """Find the events of a whole record: the same detector as the live one, without its live feedback.

    Args:
        time_s: shape (n,), rising.
        pressure_kpa: shape (n,), as the gauge gave it.
        traits: what is known of the gauge.
        settings: thresholds.
        over_range: shape (n,), or None.

    Raises:
        ValueError: shapes differ, time does not rise or a pressure is none (`MOST_KPA`).
    """
    t = np.asarray(time_s, dtype=np.float64)
    p = np.asarray(pressure_kpa, dtype=np.float64)
    detector = Detector(traits, settings)
    detector._feedback = False
    notices = detector.push(t, p, over_range) + detector.finish()
    return [notice.samples for notice in notices if isinstance(notice, EventClosed)]
