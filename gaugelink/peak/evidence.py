"""Everything that is handed on about an event: its samples, the zero before it, what was lost."""

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from gaugelink.peak.burst import Burst, smallest_step_kpa
from gaugelink.peak.events import EventSamples, Flag, FloatArray, GaugeKind, GaugeTraits
from gaugelink.peak.notices import DetectorSettings
from gaugelink.peak.order import middle, middle_of
from gaugelink.peak.recent import Recent
from gaugelink.peak.zero import Zero, take_zero
from gaugelink.peak.zeros import Zeros

SETTLED_S = 0.3
"""After the last rise of a live gauge the last stroke has fallen, at the slowest cranking too."""
FOOT_S = 0.25
"""Behind a gap there is a foot between two strokes in this time, but at the slowest cranking."""
SHORT_S = 0.6
"""A record that ends sooner than this after the last stroke may have ended inside the event."""


MOST_LOSSES = 1024
"""Gaps remembered one by one."""


class Losses:
    """Samples lost on the way, as the gauge's link counts them, in constant memory."""

    __slots__ = ("_seen",)

    def __init__(self) -> None:
        self._seen: list[tuple[float, int]] = []

    def __bool__(self) -> bool:
        return bool(self._seen)

    def add(self, at_s: float, count: int) -> None:
        """Note that `count` samples are missing before `at_s`."""
        if len(self._seen) >= MOST_LOSSES:
            # Where they were is of no use any more; how many they were still is.
            self._seen = [(at_s, sum(n for _, n in self._seen))]
        self._seen.append((at_s, count))

    def between(self, first_s: float, last_s: float) -> int:
        """How many were lost from `first_s` to `last_s`."""
        return sum(n for at, n in self._seen if first_s <= at <= last_s)

    def clear(self) -> None:
        """Forget them all."""
        self._seen.clear()


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the detector knows about an event besides its samples."""

    rest_kpa: float
    quiet_from_s: float
    """Since when the level was quiet before the event."""
    quiet_until_s: float
    """When it first moved."""
    no_quiet: bool
    """The record began inside the event."""
    ended: bool
    """The record ended before the event was over."""
    trimmed: bool
    losses: "Losses"
    zeros: Zeros


def spacing(time_s: FloatArray) -> float:
    """Usual time between samples of shape (n,), lost ones left out; 0 when there is none."""
    return middle(time_s[1:] - time_s[:-1]) if len(time_s) > 1 else 0.0


def missing(time_s: FloatArray) -> int:
    """Samples that the sample clock, shape (n,), says are missing."""
    if len(time_s) < 4:
        return 0
    apart = time_s[1:] - time_s[:-1]
    apart.sort()
    usual = middle_of(apart)
    wide = apart[apart.searchsorted(2.5 * usual, "right") :]
    return int(np.sum(np.round(wide / usual) - 1)) if len(wide) and usual > 0 else 0


def moved_while_away(zero: Zero, time_s: FloatArray, pressure_kpa: FloatArray, last_s: float) -> float:
    """How far the zero moved in the longest gap of a live gauge's event, in kPa; 0 for what else explains it.

    A gauge that was away in the middle of a pull may have started anew, with another zero. The feet between the strokes
    behind the gap lie there too then; pressure that the last stroke left in the cylinder does not reach below them.

    Args:
        zero: of the quiet before.
        time_s: shape (n,), from the event's first sample to the end of its evidence.
        pressure_kpa: shape (n,).
        last_s: time of the last rise.
    """
    last, quiet = (int(time_s.searchsorted(s)) for s in (last_s, last_s + SETTLED_S))
    after = take_zero(time_s[quiet:], pressure_kpa[quiet:], zero.resolution_kpa)
    if after is None or last < 2:
        return 0.0
    back = int((time_s[1:last] - time_s[: last - 1]).argmax()) + 1
    moved_kpa = after.level_kpa - zero.level_kpa
    if last_s - time_s[back] < FOOT_S or abs(moved_kpa) <= max(after.significant_change_kpa(zero), 3 * after.noise_kpa):
        return 0.0
    feet_kpa = float(pressure_kpa[back:last].min()) - zero.level_kpa
    return abs(moved_kpa) if feet_kpa > moved_kpa / 2 or moved_kpa < 0.0 else 0.0


def quiet_before(
    recent: Recent, from_s: float, until_s: float, traits: GaugeTraits, settings: DetectorSettings
) -> Zero | None:
    """Zero from the quiet before the gauge moved at `until_s`, or None when there is too little since `from_s`."""
    t, p = recent.time_s[: recent.count], recent.pressure_kpa[: recent.count]
    lo = int(t.searchsorted(max(from_s, until_s - settings.quiet_s)))
    hi = int(t.searchsorted(until_s - max(0.03, 1.5 * spacing(t[-512:]))))
    # Quiet alone may never leave one step of the gauge; the event shows how fine its steps are.
    step = traits.resolution_kpa if traits.resolution_kpa is not None else smallest_step_kpa(p[lo:])
    return take_zero(t[lo:hi], p[lo:hi], step)


def gather(
    recent: Recent,
    first: int,
    burst: Burst,
    about: Circumstances,
    traits: GaugeTraits,
    settings: DetectorSettings,
) -> tuple[EventSamples, Zero | None]:
    """Put together an event and the zero that was found for it.

    Args:
        recent: the samples, up to the end of the event's evidence.
        first: index of the first sample that moved.
        burst: what the stretch is.
        about: what else is known.
        traits: what is known of the gauge.
        settings: thresholds.
    """
    t = recent.time_s[: recent.count]
    p = recent.pressure_kpa[: recent.count]
    now_s = float(t[-1])
    first_s = float(t[first])
    last_s = burst.last_rise_s if burst.last_rise_s is not None else now_s
    before = about.zeros.before
    zero = None
    if about.rest_kpa < settings.zero_limit_kpa or burst.kind is not GaugeKind.HELD:
        zero = quiet_before(recent, about.quiet_from_s, about.quiet_until_s, traits, settings)
        if burst.kind is GaugeKind.LIVE:
            quiet_s = about.quiet_until_s - about.quiet_from_s
            zero = about.zeros.believed(zero, quiet_s, p[first : int(t.searchsorted(last_s)) + 1])
    else:
        # Not bled since the event before: that one's zero still holds.
        zero = before
    drift = zero.level_kpa - before.level_kpa if zero and before else 0.0
    lost = about.losses.between(first_s - 0.1, last_s + 2 * spacing(t[-512:])) if about.losses else 0
    if not lost and not about.trimmed:
        lost = missing(t[first : int(t.searchsorted(last_s)) + 1])
    moved_kpa = 0.0
    if zero and lost and burst.kind is GaugeKind.LIVE and not about.ended:
        moved_kpa = moved_while_away(zero, t[first:], p[first:], last_s)
    lead = 0 if about.no_quiet else int(t.searchsorted(max(first_s - settings.lead_s, about.quiet_from_s)))
    over = recent.over_range[lead : recent.count].copy()
    known = (
        (Flag.ZERO_UNKNOWN, zero is None),
        (Flag.ZERO_DRIFT, moved_kpa or (zero and before and abs(drift) > zero.significant_change_kpa(before))),
        (Flag.SHORT_RECORD, about.no_quiet or (about.ended and now_s - last_s < SHORT_S)),
        (Flag.INTERRUPTED, burst.interrupted),
        (Flag.TRIMMED, about.trimmed),
        (Flag.LOST_SAMPLES, lost > 0),
        (Flag.OVER_RANGE, over.any()),
    )
    samples = EventSamples(
        time_s=t[lead:].copy(),
        pressure_kpa=p[lead:].copy(),
        over_range=over,
        lost_samples=lost,
        kind=burst.kind,
        zero_kpa=zero.level_kpa if zero else None,
        # The last strokes may be from before the zero moved or from after it: even odds for either.
        zero_u_kpa=hypot(zero.u_kpa, moved_kpa / sqrt(2.0)) if zero else 0.0,
        noise_kpa=zero.noise_kpa if zero else 0.0,
        zero_drift_kpa=drift,
        flags=frozenset([flag for flag, so in known if so]),
    )
    return samples, zero
