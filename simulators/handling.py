"""Hours at a bench between cranking events: everything a gauge shows that is not an engine being cranked.

    for chunk in shop_hours(rng, hours=10.0, rate_hz=100.0, held=False):
        ...                                  # chunk.time_s, chunk.pressure_kpa; chunk.labels, chunk.events

Chunks are a minute long and follow each other on one clock, so a detector can be fed for hours with little memory.
Real cranking events are strewn in on request, with their truth, so that recall and false events are measured on
the same record.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from simulators.cranking import CylinderTrace
from simulators.gas import FloatArray
from simulators.sensor import BoolArray, Gauge, HeldGauge, IntArray, LiveGauge, clock_error, seen_pressure_kpa

CHUNK_S = 60.0


class Happening(StrEnum):
    """What was done to the gauge, or happened to it."""

    SCREWED_IN = "screwed_in"
    SCREWED_OUT = "screwed_out"
    BLED = "bled"
    HOSE_BUMP = "hose_bump"
    WARM_UP = "warm_up"
    IN_THE_SUN = "in_the_sun"
    DROPOUT = "dropout"
    RECONNECT = "reconnect"
    SPIKE = "spike"
    STUCK = "stuck"
    CRANKED = "cranked"


@dataclass(frozen=True, slots=True)
class Label:
    """One happening and when it was, on the stated clock."""

    what: Happening
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class CrankedTruth:
    """A real cranking event that was strewn in."""

    start_s: float
    """When the crank began to move."""
    end_s: float
    """When the last stroke was over the top."""
    peak_kpa: float
    """Live: the cylinder's highest stroke. Held: the true final pressure in the gauge."""
    trace: CylinderTrace


@dataclass(frozen=True, slots=True)
class HandlingChunk:
    """A minute at the bench. Arrays of shape (n,), what arrived."""

    time_s: FloatArray
    pressure_kpa: FloatArray
    over_range: BoolArray
    lost_before: IntArray
    labels: tuple[Label, ...]
    """What began in this minute."""
    events: tuple[CrankedTruth, ...] = ()
    """Cranking that began in this minute."""


@dataclass(slots=True)
class _Minute:
    """The minute being made: true gauge pressure on an even grid, and what the electronics do to it."""

    time_s: FloatArray
    level_kpa: FloatArray
    """What the check valve of a held gauge keeps; 0 for a live one."""
    pushed_kpa: FloatArray
    """True pressure at the sensor on top of that: cranking on a live gauge, bumps."""
    shown_kpa: FloatArray
    """Added by the electronics: zero, drift, spikes."""
    arrived: BoolArray
    stuck: list[tuple[int, int]] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    events: list[CrankedTruth] = field(default_factory=list)

    def level_at(self, at_s: float) -> float:
        return float(np.interp(at_s, self.time_s, self.level_kpa))

    def span(self, start_s: float, end_s: float) -> slice:
        return slice(*np.searchsorted(self.time_s, [start_s, end_s]).tolist())

    def note(self, what: Happening, start_s: float, end_s: float) -> None:
        self.labels.append(Label(what, start_s, end_s))


def _bump(since_s: FloatArray, width_s: float, height_kpa: float) -> FloatArray:
    """A smooth push and release, centred."""
    return height_kpa * np.exp(-0.5 * (since_s / (0.42 * width_s)) ** 2)


class _Bench:
    """What lasts from one minute to the next: the zero, the temperature, the pressure that is held."""

    def __init__(self, rng: np.random.Generator, gauge: Gauge, rate_hz: float, traces: Sequence[CylinderTrace]) -> None:
        self.rng = rng
        self.gauge = gauge
        self.rate_hz = rate_hz
        self.traces = traces
        self.held = isinstance(gauge, HeldGauge)
        self.level_kpa = 0.0
        self.leak_per_s = 0.0
        self.zero_kpa = gauge.zero_kpa
        self.drift_kpa = 0.0
        self.heating: list[tuple[float, float, float]] = [(0.0, float(rng.normal(0.0, 4.0)), 400.0)]
        """Begin, final change of the zero in kPa, time constant in s."""

    def zero(self, at_s: FloatArray) -> FloatArray:
        total = np.full_like(at_s, self.zero_kpa)
        for begin_s, change, tau in self.heating:
            total += change * (1.0 - np.exp(-np.maximum(at_s - begin_s, 0.0) / tau))
        return total

    def settle(self, at_s: float) -> None:
        """Fold what has long been heated into the zero, so that the list stays short over the hours."""
        old = [h for h in self.heating if at_s - h[0] > 8.0 * h[2]]
        self.zero_kpa += sum(h[1] for h in old)
        self.heating = [h for h in self.heating if h not in old]

    def press(self, m: _Minute, centre_s: float, width_s: float, height_kpa: float) -> None:
        """Push air at the gauge: a live one shows it, a check valve keeps what is above what it holds."""
        m.pushed_kpa += _bump(m.time_s - centre_s, width_s, height_kpa)

    def hold(self, m: _Minute, at_s: float, level_kpa: float) -> None:
        more = level_kpa - m.level_at(at_s)
        if self.held and more > 0.0:
            rest = m.span(at_s, m.time_s[-1] + 1.0)
            m.level_kpa[rest] += more * (1.0 - np.exp(-(m.time_s[rest] - at_s) / 0.03))

    def vent(self, m: _Minute, at_s: float, share: float, tau_s: float) -> None:
        rest = m.span(at_s, m.time_s[-1] + 1.0)
        m.level_kpa[rest] *= 1.0 - share * (1.0 - np.exp(-(m.time_s[rest] - at_s) / tau_s))

    def screwed(self, m: _Minute, at_s: float, *, inward: bool) -> None:
        """Turn by turn the thread seals and squeezes the little air under it; each grip also knocks the hose."""
        rng = self.rng
        now = at_s
        for turn in range(int(rng.integers(3, 9))):
            height = float(rng.uniform(0.3, 3.0)) * (1.0 + turn if inward else 1.0)
            self.press(m, now, float(rng.uniform(0.15, 0.6)), min(height, 25.0))
            if rng.random() < 0.3:
                self.hold(m, now, float(rng.uniform(0.2, 6.0)))
            now += float(rng.uniform(0.35, 1.2))
        if not inward and self.held:
            self.vent(m, now, 1.0, 0.15)
        m.note(Happening.SCREWED_IN if inward else Happening.SCREWED_OUT, at_s - 0.5, now + 0.5)

    def bled(self, m: _Minute, at_s: float) -> None:
        """Press the vent, now and then half way and again; a live gauge gets only the click."""
        rng = self.rng
        now = at_s
        if self.held:
            while now < at_s + 3.0 and m.level_at(now) > 1.0:
                self.vent(
                    m, now, 1.0 if rng.random() < 0.7 else float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.03, 0.3))
                )
                now += float(rng.uniform(0.4, 1.2))
            self.vent(m, now, 1.0, 0.1)
        self.press(m, now + 0.2, 0.05, float(rng.normal(0.0, 3.0)))
        m.note(Happening.BLED, at_s, now + 0.7)

    def bumped(self, m: _Minute, at_s: float) -> None:
        """A knock at the hose: a short pulse that rings out."""
        rng = self.rng
        since = np.maximum(m.time_s - at_s, 0.0)
        ring = np.exp(-since / rng.uniform(0.02, 0.08)) * np.sin(2.0 * np.pi * rng.uniform(6.0, 25.0) * since)
        m.pushed_kpa += float(rng.uniform(2.0, 20.0)) * ring
        m.note(Happening.HOSE_BUMP, at_s, at_s + 0.4)

    def in_the_sun(self, m: _Minute, at_s: float) -> None:
        """The zero creeps; air that is held warms up too, by 0.3 % a kelvin."""
        tau = float(self.rng.uniform(60.0, 400.0))
        self.heating.append((at_s, float(self.rng.uniform(2.0, 15.0)) + 0.05 * m.level_at(at_s), tau))
        m.note(Happening.IN_THE_SUN, at_s, at_s + 3.0 * tau)

    def warms_up(self, m: _Minute, at_s: float) -> None:
        tau = float(self.rng.uniform(30.0, 300.0))
        self.heating.append((at_s, float(self.rng.normal(0.0, 4.0)), tau))
        m.note(Happening.WARM_UP, at_s, at_s + 3.0 * tau)

    def drops_out(self, m: _Minute, at_s: float) -> None:
        end = at_s + float(np.exp(self.rng.uniform(np.log(0.03), np.log(20.0))))
        m.arrived[m.span(at_s, end)] = False
        m.note(Happening.DROPOUT, at_s, end)

    def reconnects(self, m: _Minute, at_s: float) -> None:
        """Comes back zeroed anew, or zeroed wrongly because something was pressing on it."""
        end = at_s + float(self.rng.uniform(2.0, 20.0))
        m.arrived[m.span(at_s, end)] = False
        step = float(self.rng.normal(0.0, 8.0))
        m.shown_kpa[m.span(end, m.time_s[-1] + 1.0)] += step
        self.zero_kpa += step
        m.note(Happening.RECONNECT, at_s, end)

    def spikes(self, m: _Minute, at_s: float) -> None:
        """One or two samples of nonsense."""
        first = int(np.searchsorted(m.time_s, at_s))
        wide = int(self.rng.integers(1, 3))
        height = float(self.rng.choice([-1.0, 1.0])) * float(np.exp(self.rng.uniform(np.log(20.0), np.log(2000.0))))
        m.shown_kpa[first : first + wide] += height
        m.note(Happening.SPIKE, at_s, at_s + (wide + 1) / self.rate_hz)

    def sticks(self, m: _Minute, at_s: float) -> None:
        """The same value for some seconds, then the truth again."""
        end = at_s + float(self.rng.uniform(0.5, 10.0))
        part = m.span(at_s, end)
        m.stuck.append((part.start, part.stop))
        m.note(Happening.STUCK, at_s, end)

    def cranked(self, m: _Minute, at_s: float) -> float:
        """Strew in a real event; returns when it is over."""
        trace = self.traces[int(self.rng.integers(len(self.traces)))]
        last = float(trace.time_s[-1])
        part = m.span(at_s, m.time_s[-1] + 1.0)
        seen = seen_pressure_kpa(trace, self.gauge, m.time_s[part] - at_s)
        if self.held:
            m.level_kpa[part] = np.maximum(m.level_kpa[part], seen)
            self.leak_per_s = trace.valve.leak_per_s if trace.valve is not None else 0.0
        else:
            m.pushed_kpa[part] += seen
        end = trace.strokes[-1].time_s if trace.strokes else last
        peak = trace.final_held_kpa if self.held else trace.cylinder_peak_kpa
        m.events.append(CrankedTruth(at_s + trace.cranking.begin_s, at_s + end, peak, trace))
        m.note(Happening.CRANKED, at_s, at_s + last)
        return at_s + last


def _plan(bench: _Bench, m: _Minute, begin_s: float, busy: float, events_per_hour: float) -> None:
    """Fill a minute: at most one cranking event with the handling that belongs to it, and mishaps around it."""
    rng = bench.rng
    mishaps: list[Callable[[_Minute, float], None]] = [
        bench.bumped, bench.in_the_sun, bench.warms_up, bench.drops_out, bench.reconnects, bench.spikes, bench.sticks,
    ]  # fmt: skip
    weights = np.array([6.0, 0.5, 0.5, 2.0, 0.5, 3.0, 0.7])
    now = begin_s + float(rng.uniform(1.0, 4.0))
    if rng.random() < busy:
        bench.screwed(m, now, inward=True)
    now += 12.0
    if bench.traces and rng.random() < events_per_hour * CHUNK_S / 3600.0:
        if bench.held and m.level_at(now) > 0.0:
            bench.bled(m, now)
            now += 5.0
        # 4 s of quiet before and after, so that every strewn event is one that must be found
        now = bench.cranked(m, now + 4.0) + 4.0
    for what in rng.choice(len(mishaps), size=int(rng.poisson(2.0 * busy)), p=weights / weights.sum()):
        if now < begin_s + CHUNK_S - 14.0:
            mishaps[int(what)](m, now)
            now += float(rng.uniform(1.0, 8.0))
    if rng.random() < busy and now < begin_s + CHUNK_S - 13.0:
        bench.bled(m, now)
        bench.screwed(m, now + 5.0, inward=False)


def shop_hours(
    rng: np.random.Generator,
    *,
    hours: float,
    rate_hz: float,
    held: bool,
    gauge: Gauge | None = None,
    traces: Sequence[CylinderTrace] = (),
    events_per_hour: float = 0.0,
    busy: float = 0.7,
) -> Iterator[HandlingChunk]:
    """Give `hours` at the bench minute by minute.

    `traces` (cranked with a check valve for a held gauge) are strewn in `events_per_hour` times an hour, each with
    4 s of quiet around it. `busy` is the chance of handling in a minute.
    """
    if gauge is None:
        gauge = HeldGauge() if held else LiveGauge()
    if held != isinstance(gauge, HeldGauge):
        raise ValueError(f"held is {held}, but the gauge is a {type(gauge).__name__}")
    bench = _Bench(rng, gauge, rate_hz, traces)
    per_chunk = round(CHUNK_S * rate_hz)
    waiting = 0
    last_shown = 0.0
    last_stated = -1.0
    for number in range(round(hours * 3600.0 / CHUNK_S)):
        begin_s = number * CHUNK_S
        at = begin_s + np.arange(per_chunk) / rate_hz
        m = _Minute(
            time_s=at,
            level_kpa=bench.level_kpa * np.exp(-bench.leak_per_s * (at - begin_s)),
            pushed_kpa=np.zeros(per_chunk),
            shown_kpa=np.zeros(per_chunk),
            arrived=rng.random(per_chunk) >= gauge.loss,
        )
        zero_before = bench.zero_kpa
        _plan(bench, m, begin_s, busy, events_per_hour)
        zero_after, bench.zero_kpa = bench.zero_kpa, zero_before
        true_kpa = m.level_kpa + m.pushed_kpa + m.shown_kpa + bench.zero(at) - gauge.zero_kpa
        bench.zero_kpa = zero_after
        bench.settle(float(at[-1]))
        bench.level_kpa = float(m.level_kpa[-1])
        shown, over = gauge.noisy(true_kpa, np.zeros(per_chunk), rng)
        for first, stop in m.stuck:
            shown[first:stop] = shown[first - 1] if first else last_shown
        last_shown = float(shown[-1])
        stated = at + clock_error(per_chunk, rate_hz, gauge.clock_error_s, rng)
        kept = np.flatnonzero(m.arrived)
        gaps = (np.diff(kept, prepend=-1) - 1).astype(np.int64)
        if len(kept):
            gaps[0] += waiting
            stated[kept] = np.maximum(stated[kept], last_stated + 1e-6)
            last_stated = float(stated[kept[-1]])
            waiting = per_chunk - 1 - int(kept[-1])
        else:
            waiting += per_chunk
        yield HandlingChunk(stated[kept], shown[kept], over[kept], gaps, tuple(m.labels), tuple(m.events))
