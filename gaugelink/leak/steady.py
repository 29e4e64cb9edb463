"""Follows a differential leak-down as it happens: comes to rest, or the piston moves all at once."""

from collections import deque
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


_LOOKED_AT = 5
"""Samples that tell whether there is air at all."""


class SteadyPhase(StrEnum):
    """Where a differential leak-down stands."""

    IDLE = "idle"
    """No air yet."""
    FILLING = "filling"
    STEADY = "steady"
    MOVED = "moved"
    """The pressure changed all at once: the piston has moved off top dead centre."""


class SteadyWatch:
    """Takes the cylinder's pressure, and the supply's where a second gauge reads it. Bounded in memory."""

    def __init__(self, limit: DifferentialLimit) -> None:
        self.limit = limit
        self.phase = SteadyPhase.IDLE
        self.over = False
        """More pressure than is allowed."""
        self._cylinder: deque[tuple[float, float]] = deque(maxlen=4000)
        self._supply: deque[tuple[float, float]] = deque(maxlen=4000)

    def supply(self, time_s: FloatArray, pressure_kpa: FloatArray) -> None:
        """Take samples of the second gauge, shapes (n,), zero taken off."""
        self._supply.extend(zip(time_s.tolist(), pressure_kpa.tolist(), strict=True))
        self._drop(self._supply)

    def push(self, time_s: FloatArray, pressure_kpa: FloatArray) -> list[SteadyPhase]:
        """Take samples of the cylinder's gauge (shapes (n,), zero taken off); return the phases entered."""
        entered = []
        for t, p in zip(time_s.tolist(), pressure_kpa.tolist(), strict=True):
            self._cylinder.append((t, p))
            self._drop(self._cylinder)
            self.over = p > self.limit.highest_kpa
            phase = self._next()
            if phase is SteadyPhase.IDLE:
                # The rest before the air comes must not be taken for a cylinder that rests under air.
                while len(self._cylinder) > _LOOKED_AT:
                    self._cylinder.popleft()
            if phase is not self.phase:
                self.phase = phase
                entered.append(phase)
        return entered

    def means(self) -> tuple[float | None, float, float]:
        """Supply (None without its gauge), cylinder, and the standard uncertainty of the cylinder's mean.

        Raises:
            ValueError: there is no sample yet.
        """
        if not self._cylinder:
            raise ValueError("no sample yet")
        shown = np.array([p for _, p in self._cylinder])
        supply = float(np.mean([p for _, p in self._supply])) if self._supply else None
        return supply, float(shown.mean()), float(shown.std() / sqrt(len(shown)))

    def _next(self) -> SteadyPhase:
        supply = self.limit.supply_kpa
        t = np.array([one for one, _ in self._cylinder])
        shown = np.array([one for _, one in self._cylinder])
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

    @staticmethod
    def _drop(samples: deque[tuple[float, float]]) -> None:
        while samples[-1][0] - samples[0][0] > WINDOW_S:
            samples.popleft()
