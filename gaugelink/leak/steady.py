"""Follows a differential leak-down as it happens: comes to rest, or the piston moves all at once."""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np

from gaugelink.leak.differential import DifferentialLimit
from gaugelink.leak.flow import FloatArray

WINDOW_S = 6.0
"""The pressure has to rest for so long."""
STEADY_SHARE = 0.005
"""It rests when it moves by less than this share of the supply over the window."""
JUMP_SHARE = 0.05
"""A change of more than this share of the supply within a second is the piston, not the leak."""
_SLOT_S = 0.02
"""Samples that come quicker than this are taken together: what comes to rest within seconds needs no more of them."""
_LOOKED_AT = 5
"""Slots that tell whether there is air at all."""


class SteadyPhase(StrEnum):
    """Where a differential leak-down stands."""

    IDLE = "idle"
    """No air yet."""
    FILLING = "filling"
    STEADY = "steady"
    MOVED = "moved"
    """The pressure changed all at once: the piston has moved off top dead centre."""


@dataclass(slots=True)
class _Slot:
    """Samples that are taken together: when the first one came, their mean time and pressure, their number."""

    begin_s: float
    time_s: float
    pressure_kpa: float
    count: int = 1


class Window:
    """The last seconds of a gauge, at most so many by `_SLOT_S` slots however quickly it sends."""

    def __init__(self, length_s: float = WINDOW_S) -> None:
        self._length_s = length_s
        self._slots: deque[_Slot] = deque()

    def __len__(self) -> int:
        return len(self._slots)

    def take(self, time_s: float, pressure_kpa: float) -> bool:
        """Take one sample; tell whether it began a slot of its own."""
        last = self._slots[-1] if self._slots else None
        if last is not None and 0.0 <= time_s - last.begin_s < _SLOT_S - 1e-9:
            last.count += 1
            last.time_s += (time_s - last.time_s) / last.count
            last.pressure_kpa += (pressure_kpa - last.pressure_kpa) / last.count
            return False
        self._slots.append(_Slot(time_s, time_s, pressure_kpa))
        while time_s - self._slots[0].time_s > self._length_s:
            self._slots.popleft()
        return True

    def keep(self, count: int) -> None:
        """Drop all but the last slots."""
        while len(self._slots) > count:
            self._slots.popleft()

    def arrays(self) -> tuple[FloatArray, FloatArray]:
        """Times and pressures, shapes (m,)."""
        return np.array([slot.time_s for slot in self._slots]), np.array([slot.pressure_kpa for slot in self._slots])


class SteadyWatch:
    """Takes the cylinder's pressure, and the supply's where a second gauge reads it. Bounded in memory."""

    def __init__(self, limit: DifferentialLimit) -> None:
        self.limit = limit
        self.phase = SteadyPhase.IDLE
        self.over = False
        """More pressure than is allowed."""
        self._cylinder = Window()
        self._supply = Window()

    def supply(self, time_s: FloatArray, pressure_kpa: FloatArray) -> None:
        """Take samples of the second gauge, shapes (n,), zero taken off."""
        for t, p in zip(time_s.tolist(), pressure_kpa.tolist(), strict=True):
            self._supply.take(t, p)

    def push(self, time_s: FloatArray, pressure_kpa: FloatArray) -> list[SteadyPhase]:
        """Take samples of the cylinder's gauge (shapes (n,), zero taken off); return the phases entered."""
        entered = []
        for t, p in zip(time_s.tolist(), pressure_kpa.tolist(), strict=True):
            self.over = p > self.limit.highest_kpa
            if not self._cylinder.take(t, p):
                continue
            phase = self._next()
            if phase is SteadyPhase.IDLE:
                # The rest before the air comes must not be taken for a cylinder that rests under air.
                self._cylinder.keep(_LOOKED_AT)
            if phase is not self.phase:
                self.phase = phase
                entered.append(phase)
        return entered

    def rest_again(self) -> None:
        """Put aside what it came to rest at, because it cannot be: wait for another rest, as long as the first."""
        self.phase = SteadyPhase.FILLING
        self._cylinder.keep(1)

    def means(self) -> tuple[float | None, float, float]:
        """Supply (None without its gauge), cylinder, and the standard uncertainty of the cylinder's mean.

        Raises:
            ValueError: there is no sample yet.
        """
        if not len(self._cylinder):
            raise ValueError("no sample yet")
        shown = self._cylinder.arrays()[1]
        supply = float(self._supply.arrays()[1].mean()) if len(self._supply) else None
        return supply, float(shown.mean()), float(shown.std() / sqrt(len(shown)))

    def _next(self) -> SteadyPhase:
        supply = self.limit.supply_kpa
        t, shown = self._cylinder.arrays()
        if float(np.median(shown[-_LOOKED_AT:])) < 0.02 * supply:
            return SteadyPhase.IDLE
        if self.phase is SteadyPhase.STEADY:
            recent, before = shown[t > t[-1] - 0.5], shown[(t <= t[-1] - 0.5) & (t > t[-1] - 2.0)]
            if len(before) >= 2 and len(recent) >= 2:
                jump = abs(float(np.median(recent) - np.median(before)))
                if jump > max(JUMP_SHARE * supply, 6.0 * float(before.std()) / sqrt(len(before))):
                    return SteadyPhase.MOVED
            return SteadyPhase.STEADY
        if t[-1] - t[0] < 0.9 * WINDOW_S or len(t) < 6:
            return self.phase if self.phase is SteadyPhase.MOVED else SteadyPhase.FILLING
        x = t - t.mean()
        slope = float(x @ shown) / float(x @ x)
        noise = float(np.std(shown - shown.mean() - slope * x))
        moved = abs(slope) * WINDOW_S
        doubt = 2.0 * noise * WINDOW_S / sqrt(float(x @ x))
        if moved < max(STEADY_SHARE * supply, doubt) and np.ptp(shown) < JUMP_SHARE * supply + 8.0 * noise:
            return SteadyPhase.STEADY
        return self.phase if self.phase is SteadyPhase.MOVED else SteadyPhase.FILLING
