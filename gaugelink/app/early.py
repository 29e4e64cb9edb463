"""Begins to judge an event of a live gauge while its end is still being waited for.

The fit of a live event takes some tenths of a second, its end is decided more than a second after the last stroke.
What is seen soon after that stroke is all that the event will be judged from (`peak.ending`), so the fit is begun
then, and its result is used if nothing came after it.
"""

import asyncio
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Protocol

from gaugelink.peak.detector import Detector, EventOpened, Notice, StrokeSeen
from gaugelink.peak.ending import EVIDENCE_S, ended_with, evidence_of, still_stands
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeKind, GaugeTraits

EARLIEST_S = EVIDENCE_S + 0.02
"""Least time after a stroke at which the event is taken to be over: all of its evidence is there. No more than that:
what would be ready just after a frame waits for the next one."""
LATEST_S = 0.6
"""Most time after a stroke: half a second is left for the fit before the end is decided."""
PERIODS = 1.5
"""Between those two, this many periods: while the next stroke is due, it is waited for."""


class Judging(Protocol):
    """Judges samples off the event loop."""

    async def __call__(self, samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
        """Say what an event was."""


@dataclass(frozen=True, slots=True)
class Begun:
    """A judgement that was begun before the end of its event was decided."""

    evidence: EventSamples
    hints: EngineHints
    task: asyncio.Task[CrankingEvent]

    def stands(self, samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> bool:
        """Whether judging these samples, of the closed event, would come to the same."""
        return self.hints == hints and still_stands(self.evidence, evidence_of(samples, traits))


class EarlyJudge:
    """Judges the events of one gauge: each once where nothing comes after its early judgement, else anew."""

    def __init__(self, traits: GaugeTraits, judging: Judging) -> None:
        self._traits = traits
        self._judging = judging
        self._strokes: deque[float] = deque(maxlen=8)
        self._tried_s: float | None = None
        self._begun: Begun | None = None

    def heed(self, notice: Notice) -> None:
        """Follow the strokes of the event under way."""
        if isinstance(notice, EventOpened):
            self._strokes.clear()
        elif isinstance(notice, StrokeSeen):
            self._strokes.append(notice.time_s)

    def due(self, now_s: float) -> bool:
        """Whether the event under way seems to be over at `now_s`, on the gauge's clock, and is not being judged."""
        if not self._strokes or self._strokes[-1] == self._tried_s or now_s < self._strokes[-1] + self._wait_s():
            return False
        # One at a time: a fit that a further stroke made useless runs to its end on its thread.
        return self._begun is None or self._begun.task.done()

    def begin(self, detector: Detector, hints: EngineHints, tasks: asyncio.TaskGroup) -> None:
        """Begin to judge the event under way, from what the detector has of it.

        Args:
            detector: what listens to the gauge.
            hints: what is known of the engine now.
            tasks: where the judging runs.
        """
        self._tried_s = self._strokes[-1]
        samples = detector.so_far()
        if samples is None or samples.kind is GaugeKind.HELD:
            return
        evidence = evidence_of(samples, self._traits)
        task = tasks.create_task(self._judging(samples, self._traits, hints), name="judge early")
        self._begun = Begun(evidence, hints, task)

    def let_go(self) -> Begun | None:
        """Give away what was begun for the event that is closed now; the next one starts afresh."""
        begun, self._begun, self._tried_s = self._begun, None, None
        self._strokes.clear()
        return begun

    async def judge(self, samples: EventSamples, hints: EngineHints, begun: Begun | None) -> CrankingEvent:
        """Judge a closed event, from what was `begun` for it where that still stands."""
        if begun is not None and begun.stands(samples, self._traits, hints):
            return ended_with(await begun.task, samples)
        return await self._judging(samples, self._traits, hints)

    def _wait_s(self) -> float:
        """Silence after a stroke from which no other is expected."""
        if len(self._strokes) < 2:
            return LATEST_S
        usual = median(later - before for before, later in pairwise(self._strokes))
        return min(max(EARLIEST_S, PERIODS * usual), LATEST_S)
