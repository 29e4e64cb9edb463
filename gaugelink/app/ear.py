"""Listens to one gauge for the service: its detector, its live feed, and the order in which its events are judged."""

import asyncio
from datetime import UTC, datetime
from typing import Protocol

from gaugelink.app.early import Begun, EarlyJudge
from gaugelink.app.livefeed import LiveFeed, LivePack
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.samples import SampleBatch
from gaugelink.peak.detector import Detector, EventClosed, EventOpened, Handling, StrokeSeen
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeTraits


class House(Protocol):
    """What an ear tells the service."""

    def now_s(self) -> float:
        """Monotonic seconds on the service's clock."""

    def listens_for_leak(self, gauge: str) -> bool:
        """Whether this gauge is in a leak-down now."""

    def sampled(self, gauge: str, pack: LivePack) -> None:
        """A pack of live samples is there."""

    async def leaked(self, batch: SampleBatch, tasks: asyncio.TaskGroup) -> None:
        """Samples of a leak-down came."""

    async def noticed(self, gauge: str, notice: EventOpened | StrokeSeen | Handling) -> None:
        """The detector saw something besides a whole event."""

    def hints(self) -> EngineHints:
        """What is known of the engine now."""

    async def judge(self, samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
        """Judge samples off the event loop."""

    async def judged(
        self, settings: GaugeSettings, event: CrankingEvent, samples: EventSamples, decided_s: float
    ) -> None:
        """Take a judged event."""


class Ear:
    """The detector and the live feed of one gauge."""

    def __init__(self, house: House, settings: GaugeSettings, traits: GaugeTraits) -> None:
        self._house = house
        self._settings = settings
        self._traits = traits
        self._detector = Detector(traits)
        self._early = EarlyJudge(traits, house.judge)
        self._feed = LiveFeed()
        self.judging: asyncio.Task[None] | None = None
        """Judges the last event that ended, after those before it."""

    async def hear(self, batch: SampleBatch, tasks: asyncio.TaskGroup) -> None:
        """Take a batch: find events in it, and show it."""
        if self._house.listens_for_leak(self._settings.name):
            # Pumping is not cranking: the detector sleeps, and wakes with nothing in its memory.
            await self._house.leaked(batch, tasks)
            self._detector = Detector(self._traits)
            self._early.let_go()
            pack = self._feed.add(batch, datetime.now(UTC))
            if pack is not None:
                self._house.sampled(self._settings.name, pack)
            return
        notices = self._detector.push(batch.time_s, batch.pressure_kpa, batch.over_range, batch.lost_before)
        pack = self._feed.add(batch, datetime.now(UTC))
        if pack is not None:
            self._house.sampled(self._settings.name, pack)
        for notice in notices:
            if isinstance(notice, EventClosed):
                task = self._judge(notice.samples, self._house.now_s(), self._early.let_go(), self.judging)
                self.judging = tasks.create_task(task, name="judge")
            else:
                self._early.heed(notice)
                await self._house.noticed(self._settings.name, notice)
        if len(batch.time_s) and self._early.due(float(batch.time_s[-1])):
            self._early.begin(self._detector, self._house.hints(), tasks)

    async def _judge(
        self, samples: EventSamples, decided_s: float, begun: Begun | None, before: asyncio.Task[None] | None
    ) -> None:
        # Events of one gauge stay in order, however long the judging of one takes.
        if before is not None and not before.done():
            await asyncio.wait([before])
        event = await self._early.judge(samples, self._house.hints(), begun)
        self._feed.zero_kpa = event.zero_kpa
        await self._house.judged(self._settings, event, samples, decided_s)
