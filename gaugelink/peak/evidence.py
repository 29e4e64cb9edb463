"""Everything that is handed on about an event: its samples, the zero before it, what was lost."""

from dataclasses import dataclass

import numpy as np

from gaugelink.peak.burst import Burst, middle, smallest_step_kpa
from gaugelink.peak.events import EventSamples, Flag, FloatArray, GaugeKind, GaugeTraits
from gaugelink.peak.notices import DetectorSettings
from gaugelink.peak.recent import Recent
from gaugelink.peak.zero import Zero, take_zero

SHORT_S = 0.6
"""A record that ends sooner than this after the last stroke may have ended inside the event."""


MOST_LOSSES = 1024
"""Gaps remembered one by one."""


class Losses:
    """Samples lost on the way, as the gauge's link counts them, in constant memory."""

    __slots__ = ("_seen",)

    def __init__(self) -> None:
        self._seen: list[tuple[float, int]] = []

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
    zero_before: Zero | None
    """The zero of the event before."""


def spacing(time_s: FloatArray) -> float:
    """Usual time between samples of shape (n,), lost ones left out; 0 when there is none."""
    return middle(time_s[1:] - time_s[:-1]) if len(time_s) > 1 else 0.0


def missing(time_s: FloatArray) -> int:
    """Samples that the sample clock, shape (n,), says are missing."""
    if len(time_s) < 4:
        return 0
    dt = time_s[1:] - time_s[:-1]
    usual = middle(dt)
    wide = dt[dt > 2.5 * usual]
    return int(np.sum(np.round(wide / usual) - 1)) if len(wide) and usual > 0 else 0


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
    dt = spacing(t[-512:])
    before = about.zero_before
    zero = None
    if about.rest_kpa < settings.zero_limit_kpa or burst.kind is not GaugeKind.HELD:
        lo = int(t.searchsorted(max(about.quiet_from_s, about.quiet_until_s - settings.quiet_s)))
        hi = int(t.searchsorted(about.quiet_until_s - max(0.03, 1.5 * dt)))
        # Quiet alone may never leave one step of the gauge; the event shows how fine its steps are.
        step = traits.resolution_kpa if traits.resolution_kpa is not None else smallest_step_kpa(p[lo:])
        zero = take_zero(t[lo:hi], p[lo:hi], step)
    else:
        # Not bled since the event before: that one's zero still holds.
        zero = before
    drift = zero.level_kpa - before.level_kpa if zero and before else 0.0
    lost = about.losses.between(first_s - 0.1, last_s + 2 * dt)
    if not lost and not about.trimmed:
        lost = missing(t[first : int(t.searchsorted(last_s)) + 1])
    lead = 0 if about.no_quiet else int(t.searchsorted(max(first_s - settings.lead_s, about.quiet_from_s)))
    over = recent.over_range[lead : recent.count].copy()
    known = (
        (Flag.ZERO_UNKNOWN, zero is None),
        (Flag.ZERO_DRIFT, zero and before and abs(drift) > zero.significant_change_kpa(before)),
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
        zero_u_kpa=zero.u_kpa if zero else 0.0,
        noise_kpa=zero.noise_kpa if zero else 0.0,
        zero_drift_kpa=drift,
        flags=frozenset([flag for flag, so in known if so]),
    )
    return samples, zero
