"""Follows a decay as it happens: pumping, closing, holding and release are told from the pressure alone."""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt
from typing import Self

import numpy as np

from gaugelink.leak.flow import FloatArray
from gaugelink.leak.hold import AIR_KPA, GONE_SHARE, Evidence, Hold, LiveRate
from gaugelink.leak.hold_samples import HoldSamples
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.noise import noise_and_resolution
from gaugelink.leak.rise import allowed_kpa_per_s

SLOT_S = 0.5
"""Samples are looked at in slots of this length, or one by one where they come more seldom."""
QUIET_S = 3.0
"""The valve is closed when the pressure did not rise for so long: strokes of a hand pump come quicker."""
_BEGINS, _HOLDS, _GONE = 0.15, 0.4, GONE_SHARE
_LET_OFF_S = 1.5
"""A volume that empties quicker than this after pumping was let off; one that takes longer has a large leak."""
_LEARN_EVERY = 16


class WatchPhase(StrEnum):
    """What is being done to the volume."""

    IDLE = "idle"
    PUMPING = "pumping"
    HOLDING = "holding"
    """Closed: the air settles and the leak shows."""
    RELEASED = "released"
    """The hold is over: the pressure was let off, or it leaked away."""


class NoticeKind(StrEnum):
    """What the watch noticed."""

    PHASE = "phase"
    OVER_PRESSURE = "over_pressure"
    """More than the limit allows: seals blow out."""
    GAP = "gap"
    """Samples are missing inside a hold."""
    ABSOLUTE = "absolute"
    """The gauge shows about one atmosphere at rest: it reads absolute pressure. The rest reading is taken as zero."""
    ZERO_UNKNOWN = "zero_unknown"
    """There was pressure from the first sample on; the gauge's own zero is believed."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing that was noticed."""

    kind: NoticeKind
    time_s: float
    pressure_kpa: float
    """Gauge pressure, zero taken off; with `ABSOLUTE` what the gauge shows at rest."""
    phase: WatchPhase


@dataclass(frozen=True, slots=True)
class _Slot:
    begin_s: float
    end_s: float
    mean_kpa: float
    count: int


class DecayWatch:
    """Takes samples as they come and says what happens. No clock: time is the gauge's."""

    def __init__(
        self, limit: DecayLimit, *, zero_kpa: float | None = None, resolution_kpa: float | None = None
    ) -> None:
        """Begin to watch.

        Args:
            limit: test pressure and the highest that is allowed.
            zero_kpa: what the gauge shows at ambient; taken from the quiet before pumping when not given.
            resolution_kpa: smallest step of the gauge; from the samples when not given.
        """
        self.limit = limit
        self.phase = WatchPhase.IDLE
        self.pressure_kpa = 0.0
        """The last slot's mean, zero taken off."""
        self.highest_kpa = 0.0
        """The highest pressure since the last time at rest."""
        self._zero_kpa = zero_kpa
        self._resolution_kpa = resolution_kpa
        self._rest_kpa: float | None = None
        self._rest: deque[float] = deque(maxlen=200)
        self._resting: list[float] = []
        self._slots: deque[_Slot] = deque(maxlen=64)
        self._filling: list[tuple[float, float]] = []
        self._samples = HoldSamples(resolution_kpa)
        self._closed_s = 0.0
        self._risen_s = 0.0
        self._risen_kpa = 0.0
        self._doubted: _Slot | None = None
        self._lowest: tuple[float, float] | None = None
        """When the hold was at its lowest, and what the gauge showed then."""
        self._last_s: float | None = None
        self._usual_s: float | None = None
        self._over = False
        self._let_down = False
        """It was too high, and has not come to rest since."""
        self._noise_kpa = 0.0
        self._learnt = 0
        self._step_kpa = resolution_kpa or 0.0

    @classmethod
    def resumed(cls, limit: DecayLimit, hold: Hold, level_kpa: float) -> Self:
        """Watch a hold that was interrupted: the samples that follow are on the clock of `hold`.

        `level_kpa` is the gauge pressure, zero taken off, that they begin with; `hold.contradiction` judges it before.
        """
        watch = cls(limit, zero_kpa=hold.zero_kpa)
        watch.phase, watch.pressure_kpa, watch.highest_kpa = WatchPhase.HOLDING, level_kpa, level_kpa
        watch._rest_kpa, watch._closed_s = hold.rest_kpa, hold.closed_s
        watch._last_s, watch._usual_s = hold.last_s, hold.spacing_s
        watch._noise_kpa, watch._step_kpa = hold.noise_kpa, hold.step_kpa
        watch._samples.blocks.add(hold.time_s, hold.mean_kpa, hold.u_kpa, hold.step_kpa)
        # The fall over the gap is no sudden one: what follows is held against the first level after it.
        watch._slots.append(_Slot(hold.last_s, hold.last_s, level_kpa + hold.zero_kpa, 1))
        return watch

    @property
    def too_high_kpa(self) -> float | None:
        """The last slot's mean where it is above the highest pressure allowed; None where it is not."""
        return self.pressure_kpa if self.pressure_kpa > self.limit.highest_kpa else None

    @property
    def zero_kpa(self) -> float:
        """What is taken off the gauge's readings."""
        return self._zero_kpa or 0.0

    @property
    def rest_kpa(self) -> float | None:
        """What the gauge showed before pumping; None when it was not seen at rest."""
        return self._rest_kpa

    @property
    def closed_s(self) -> float | None:
        """When the valve of the hold that runs or ran last closed, on the gauge's clock; None while there is none."""
        return self._closed_s if self.phase in (WatchPhase.HOLDING, WatchPhase.RELEASED) else None

    @property
    def elapsed_s(self) -> float:
        """Seconds since the valve closed; 0 before."""
        held = self.phase in (WatchPhase.HOLDING, WatchPhase.RELEASED) and self._samples
        return self._samples.last_s - self._closed_s if held else 0.0

    def push(self, time_s: FloatArray, pressure_kpa: FloatArray) -> list[Notice]:
        """Take samples (shapes (n,), as the gauge gave them) and return what they show."""
        noticed: list[Notice] = []
        for t, p in zip(time_s.tolist(), pressure_kpa.tolist(), strict=True):
            self._sample(t, p, noticed)
        return noticed

    def rate(self) -> LiveRate | None:
        """Loss over the last seconds of a hold; None while it is too short."""
        return self._samples.rate(self._noise_kpa, self._step_kpa) if self.phase is WatchPhase.HOLDING else None

    def evidence(self) -> Evidence | None:
        """What `analyse` needs of the hold that runs or ran last; None before there is one."""
        if self.phase not in (WatchPhase.HOLDING, WatchPhase.RELEASED) or len(self._samples) < 5:
            return None
        time_s, shown_kpa = self._samples.arrays()
        thinned = self._samples.blocks.arrays() if self._samples.blocks else None
        return Evidence(time_s, shown_kpa - self.zero_kpa, self._closed_s, thinned, self._rest_kpa)

    def hold(self) -> Hold | None:
        """The hold that runs, as it can be kept; None when none runs or it is too short to tell how it falls."""
        rate = self.rate()
        if rate is None or self._last_s is None:
            return None
        kept = self._samples.as_blocks(self._closed_s, self.zero_kpa, self._step_kpa)
        t = self._samples.arrays()[0]
        return Hold(
            self._closed_s,
            self._last_s,
            *kept.arrays(),
            pressure_kpa=self.pressure_kpa,
            rate=rate,
            zero_kpa=self.zero_kpa,
            rest_kpa=self._rest_kpa,
            noise_kpa=self._noise_kpa,
            step_kpa=self._step_kpa,
            spacing_s=self._usual_s or (t[-1] - t[0]) / (len(t) - 1),
        )

    def _sample(self, t: float, p: float, noticed: list[Notice]) -> None:
        if self._last_s is not None:
            if t <= self._last_s:
                return
            self._note_gap(t, p, noticed)
        self._last_s = t
        over = p - self.zero_kpa > self.limit.highest_kpa
        # Without a zero yet, an absolute gauge at rest would be taken for a blown seal.
        if over and not self._over and (self._zero_kpa is not None or self.phase is not WatchPhase.IDLE):
            noticed.append(self._notice(NoticeKind.OVER_PRESSURE, t, p - self.zero_kpa))
            self._over = True
        elif p - self.zero_kpa < 0.97 * self.limit.highest_kpa:
            self._over = False
        if self._filling and t - self._filling[0][0] >= SLOT_S - 1e-6:
            self._slot_done(noticed)
        self._filling.append((t, p))
        if self.phase is not WatchPhase.RELEASED:
            self._samples.add(t, p)
            self._samples.thin(self.closed_s, self.zero_kpa)

    def _note_gap(self, t: float, p: float, noticed: list[Notice]) -> None:
        assert self._last_s is not None
        spacing = t - self._last_s
        usual = self._usual_s
        if usual is not None and self.phase is WatchPhase.HOLDING and spacing > max(5.0, 10.0 * usual):
            noticed.append(self._notice(NoticeKind.GAP, t, p - self.zero_kpa))
        elif usual is None or spacing < 3.0 * usual:
            self._usual_s = spacing if usual is None else 0.95 * usual + 0.05 * spacing

    def _slot_done(self, noticed: list[Notice]) -> None:
        shown = [p for _, p in self._filling]
        mean = float(np.mean(shown))
        slot = _Slot(self._filling[0][0], self._filling[-1][0], mean, len(shown))
        if self.phase is WatchPhase.IDLE:
            self._at_rest(slot, shown, noticed)
        self.pressure_kpa = mean - self.zero_kpa
        self.highest_kpa = max(self.highest_kpa, self.pressure_kpa)
        match self.phase:
            case WatchPhase.IDLE | WatchPhase.RELEASED:
                self._maybe_pumped(slot, noticed)
            case WatchPhase.PUMPING:
                self._maybe_closed(slot, noticed)
            case WatchPhase.HOLDING:
                self._maybe_disturbed(slot, noticed)
        self._slots.append(slot)
        self._filling.clear()

    def _at_rest(self, slot: _Slot, shown: list[float], noticed: list[Notice]) -> None:
        """Learn zero, noise and step from the quiet before pumping."""
        if self._rest_kpa is None:
            absolute = AIR_KPA[0] < slot.mean_kpa < AIR_KPA[1] and self.limit.highest_kpa < slot.mean_kpa
            if absolute:
                noticed.append(self._notice(NoticeKind.ABSOLUTE, slot.end_s, slot.mean_kpa))
            elif self._zero_kpa is None and abs(slot.mean_kpa) > _BEGINS * self.limit.test_kpa:
                noticed.append(self._notice(NoticeKind.ZERO_UNKNOWN, slot.end_s, slot.mean_kpa))
                self._zero_kpa = 0.0
                return
            self._rest_kpa = slot.mean_kpa
            self._zero_kpa = slot.mean_kpa if absolute or self._zero_kpa is None else self._zero_kpa
        if abs(slot.mean_kpa - self._rest_kpa) < 0.05 * self.limit.test_kpa:
            # The first stroke of a pump begins in the middle of a slot: a slot counts when the next one rests as well.
            self._rest.extend(self._resting)
            self._resting = shown
            if len(self._rest) >= 4:
                rest = np.array(self._rest)
                noise, step = noise_and_resolution(rest, self._resolution_kpa)
                self._noise_kpa, self._step_kpa = _cautious(noise, step, len(rest)), step
                self._rest_kpa = self._zero_kpa = float(rest.mean())

    def _tolerance(self, slot: _Slot) -> float:
        noise = 6.0 * self._noise_kpa * sqrt(2.0 / slot.count)
        # A coarse gauge shows the same value for as long as it rests: neither its noise nor its step is known then.
        least = 0.01 if self._step_kpa > 0.0 else 0.03
        return max(noise, 1.2 * self._step_kpa, least * self.limit.test_kpa)

    def _maybe_pumped(self, slot: _Slot, noticed: list[Notice]) -> None:
        if self.pressure_kpa > max(_BEGINS * self.limit.test_kpa, self._tolerance(slot)):
            if self.phase is WatchPhase.RELEASED and self._slots and slot.mean_kpa <= self._slots[-1].mean_kpa:
                return
            self._pumps(slot, noticed)
        else:
            self.highest_kpa = max(self.pressure_kpa, 0.0)
            if self.phase is WatchPhase.IDLE:
                self._samples.cut_before(slot.begin_s)

    def _pumps(self, slot: _Slot, noticed: list[Notice]) -> None:
        self._samples.forget_blocks()
        self._risen_s, self._risen_kpa, self._doubted = slot.end_s, slot.mean_kpa, None
        self.highest_kpa = self.pressure_kpa
        self._samples.cut_before(slot.end_s)
        self._go(WatchPhase.PUMPING, slot, noticed)

    def _maybe_closed(self, slot: _Slot, noticed: list[Notice]) -> None:
        before = self._slots[-1].mean_kpa if self._slots else slot.mean_kpa
        tolerance = self._tolerance(slot)
        gone = self.pressure_kpa < _GONE * self.limit.test_kpa
        too_high = self.too_high_kpa is not None
        # What is being let off until it is as high as it may be is no leak.
        self._let_down = too_high or (self._let_down and before - slot.mean_kpa > tolerance)
        if self._let_down or slot.mean_kpa - before > tolerance or slot.mean_kpa - self._risen_kpa > tolerance:
            self._risen_s, self._risen_kpa = slot.end_s, slot.mean_kpa
            self._samples.cut_before(slot.end_s)
            if not (gone and self._let_down):
                return
        quiet_s = slot.end_s - self._risen_s
        was_up = self._risen_kpa - self.zero_kpa > _HOLDS * self.limit.test_kpa
        if was_up and quiet_s >= (_LET_OFF_S if gone else QUIET_S):
            self._closed_s, self._lowest = self._risen_s, None
            self._samples.cut_before(self._risen_s)
            self._go(WatchPhase.HOLDING, slot, noticed)
            if gone:
                self._ends(slot, noticed, suddenly=False)
        elif gone:
            self._go(WatchPhase.IDLE, slot, noticed)

    def _maybe_disturbed(self, slot: _Slot, noticed: list[Notice]) -> None:
        """Look for a rise, sudden or slow (pumped again), or a sudden fall (let off); two slots have to agree."""
        before = self._slots[-1]
        self._learn_noise()
        tolerance = max(1.5 * self._tolerance(slot), 0.05 * self.limit.test_kpa)
        doubted, self._doubted = self._doubted, None
        if self.pressure_kpa < _GONE * self.limit.test_kpa:
            at_once = before.mean_kpa - slot.mean_kpa > 0.2 * self.limit.test_kpa
            self._ends(doubted or slot, noticed, suddenly=doubted is not None or at_once)
        elif doubted is not None:
            earlier = self._slots[-2]
            if slot.mean_kpa - earlier.mean_kpa > tolerance:
                self._pumps(slot, noticed)
            elif earlier.mean_kpa - slot.mean_kpa > max(tolerance, 0.25 * (earlier.mean_kpa - self.zero_kpa)):
                self._ends(doubted, noticed)
        else:
            fall = before.mean_kpa - slot.mean_kpa
            usual = (self._slots[-2].mean_kpa - before.mean_kpa) if len(self._slots) > 1 else 0.0
            if -fall > tolerance or fall > max(tolerance, 0.2 * (before.mean_kpa - self.zero_kpa), 5.0 * usual):
                self._doubted = slot
            elif self._has_risen(before, slot):
                self._pumps(slot, noticed)

    def _has_risen(self, before: _Slot, slot: _Slot) -> bool:
        """Whether two slots in a row lie above the lowest level of the hold, however slowly they came there."""
        if self._lowest is not None:
            since_s, lowest_kpa = self._lowest
            slack = 1.5 * self._tolerance(slot) + (slot.end_s - since_s) * allowed_kpa_per_s(
                self.limit, lowest_kpa - self.zero_kpa
            )
            if min(before.mean_kpa, slot.mean_kpa) > lowest_kpa + slack:
                return True
        # One slot alone may be a sample that is none.
        level_kpa = max(before.mean_kpa, slot.mean_kpa)
        if self._lowest is None or level_kpa <= self._lowest[1]:
            self._lowest = slot.end_s, level_kpa
        return False

    def _learn_noise(self) -> None:
        """A few seconds at rest say little of a gauge's noise; the hold says more."""
        self._learnt += 1
        if (self._learnt % _LEARN_EVERY == 0 or self._step_kpa <= 0.0) and len(self._samples) >= 12:
            shown = self._samples.latest(200)
            noise, step = noise_and_resolution(shown, self._resolution_kpa)
            self._noise_kpa, self._step_kpa = _cautious(noise, step, len(shown)), step

    def _ends(self, slot: _Slot, noticed: list[Notice], *, suddenly: bool = True) -> None:
        # The fall began somewhere in the slot before the one that showed it.
        before = [one for one in self._slots if one.end_s < slot.begin_s] if suddenly else []
        self._samples.cut_from((before[-1] if before else slot).begin_s)
        self._go(WatchPhase.RELEASED, slot, noticed)

    def _go(self, phase: WatchPhase, slot: _Slot, noticed: list[Notice]) -> None:
        self.phase = phase
        noticed.append(self._notice(NoticeKind.PHASE, slot.end_s, slot.mean_kpa - self.zero_kpa))

    def _notice(self, kind: NoticeKind, time_s: float, pressure_kpa: float) -> Notice:
        return Notice(kind, time_s, pressure_kpa, self.phase)


def _cautious(noise_kpa: float, step_kpa: float, count: int) -> float:
    """Noise as it may be: of few samples, or under coarse steps, the estimate is easily much too small."""
    return max(noise_kpa * (1.0 + 4.0 / sqrt(count)), (0.6 if count < 30 else 0.3) * step_kpa, 1e-6)
