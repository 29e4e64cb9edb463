"""The service: wires the rooms and keeps them running until it is told to stop.

Order matters in one place: what happened is committed to the journal, together with the messages that tell of it,
before anything hears of it.
"""

import asyncio
import logging
import os
import time
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from pathlib import Path

from gaugelink.app.ear import Ear
from gaugelink.app.judges import Judges, workers_for
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.link_news import LinkNews
from gaugelink.app.livefeed import LivePack
from gaugelink.app.neighbours import neighbours
from gaugelink.app.orders import Orders
from gaugelink.app.session import Session
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.app.traits import traits_of
from gaugelink.app.watcher import Watcher as Watcher
from gaugelink.bench import tones
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.voice import Voice
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.embedded import EmbeddedBroker
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import new_id
from gaugelink.broker.senml import live_pressure
from gaugelink.counting import counted
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.errors import JournalError, SettingsError
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.link import GaugeLink
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.samples import LinkState, SampleBatch
from gaugelink.gauge.supervisor import SupervisedLink
from gaugelink.journal import Journal
from gaugelink.journal.faults import JournalWriteError
from gaugelink.journal.rows import StoredTest
from gaugelink.leak.decay import DecayResult
from gaugelink.localtime import day_of
from gaugelink.peak.detector import EventOpened, Handling, StrokeSeen
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeTraits
from gaugelink.reasons import reason

_LOG = logging.getLogger(__name__)

TICK_S = 0.25
RETRY_S = 5.0
HAND_OVER_S = 0.6
JUDGING_S = 3.0
"""How long the end waits for events that are being judged, and then for the outbox."""
_LOOK_S = 0.02


def make_folder(folder: Path) -> None:
    """Make the folder of a journal where it is not there yet.

    Raises:
        JournalError: it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise JournalError(
            f"The folder {folder} for the journal cannot be made ({reason(error)}): set journal in [bench]."
        ) from error


class Daemon:
    """One bench's service. `run` ends when `stop` was called; nothing that was measured is lost by that."""

    def __init__(
        self,
        shop: Shop,
        radio: Radio | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        watchers: Sequence[Watcher] = (),
        silent: bool = False,
        link: Callable[[GaugeSettings], GaugeLink] | None = None,
    ) -> None:
        """Prepare the service.

        Args:
            shop: the shop file.
            radio: the radio to use; None for this machine's own.
            clock: monotonic seconds. A simulation may let it run faster, together with its gauges.
            watchers: who hears of everything.
            silent: no voice and no tones, whatever the shop file says.
            link: makes the link of a gauge; None for the supervised link on `radio`.
        """
        self.shop = shop
        self.session = Session(shop)
        self.leak = LeakSession(shop)
        self._looking: asyncio.Task[None] | None = None
        self._radio = radio or Radio()
        self._clock = clock
        self._watchers = tuple(watchers)
        self._silent = silent
        self._link = link or self._supervised
        traits = [traits_of(gauge, shop.layouts[gauge.name]) for gauge in shop.settings.gauges]
        self._judges = Judges(workers_for(traits, os.cpu_count() or 1))
        self._order = asyncio.Lock()
        self.stopped = asyncio.Event()
        """Set when the service was asked to end."""
        self.ready = asyncio.Event()
        """Set when commands are taken."""
        self._journal: Journal | None = None
        self._orders: Orders | None = None
        self._broker: BrokerLink | None = None
        self._voice: Voice | None = None
        self._links = LinkNews(
            shop,
            publish=self._publish_state,
            watchers=lambda: self._watchers,
            changed=lambda gauge, up: self._take(self.session.link, gauge, up),
            say=self._say,
        )
        self._ears: list[Ear] = []

    def stop(self) -> None:
        """Ask the service to end."""
        self.stopped.set()

    async def broker_trouble(self) -> str:
        """That the broker is away, and how many messages are kept for it; empty while it is there."""
        if self._broker is None or self._journal is None or self.stopped.is_set() or not self._broker.away:
            return ""
        try:
            kept = (await self._journal.outbox_depth()).count
        except JournalError:
            # What is wrong with the disk is told by itself; how much waits cannot be told then.
            return "broker away"
        rival = f"; is another service called {self.shop.name}?" if self._broker.has_rival else ""
        return f"broker away, {counted(kept, 'message')} kept{rival}"

    def now_s(self) -> float:
        """Monotonic seconds on the service's clock."""
        return self._clock()

    async def run(self) -> None:
        """Run until `stop`.

        Raises:
            GaugelinkError: the journal or the broker's port cannot be used.
        """
        shop = self.shop
        async with AsyncExitStack() as stack:
            make_folder(shop.journal.parent)
            self._journal = await stack.enter_async_context(Journal.open(shop.journal, alone=True))
            self._orders = Orders(shop, self._journal, self.session, self.leak, self._take)
            settings, port = shop.settings.broker, None
            if settings.embedded:
                port = (await stack.enter_async_context(EmbeddedBroker(settings.port))).port
            self._broker = BrokerLink(settings, shop.name, self._journal, port=port)
            self._watchers += await stack.enter_async_context(neighbours(shop, self._journal, self._broker))
            scheme = "mqtts" if settings.tls else "mqtt"
            for watcher in self._watchers:
                watcher.listening(f"{scheme}://{settings.host}:{port or settings.port}")
            if not self._silent:
                self._voice = await stack.enter_async_context(Voice(shop.settings.voice))
            await stack.enter_async_context(self._judges)
            tasks = await stack.enter_async_context(asyncio.TaskGroup())
            running = [tasks.create_task(self._broker.run(), name="broker")]
            await self._open()
            running += [
                *(tasks.create_task(self._listen(gauge), name=f"gauge {gauge.name}") for gauge in shop.settings.gauges),
                tasks.create_task(self._obey(), name="commands"),
                tasks.create_task(self._tick(), name="tick"),
                tasks.create_task(self._retry(), name="retry"),
            ]
            self.ready.set()
            await self.stopped.wait()
            await self._hand_over()
            for task in running:
                task.cancel()

    async def _hand_over(self) -> None:
        """Let events that have ended be judged, then give the outbox a moment to empty.

        What does not go out now goes out when the service is back.
        """
        assert self._broker is not None
        assert self._journal is not None
        judging = [ear.judging for ear in self._ears if ear.judging is not None]
        if judging:
            await asyncio.wait(judging, timeout=JUDGING_S)
        for _ in range(int(HAND_OVER_S / _LOOK_S)):
            if self._broker.away or self._links.fault or not (await self._journal.outbox_depth()).count:
                return
            await asyncio.sleep(_LOOK_S)

    async def _open(self) -> None:
        """Take up calibrations, the open test or the one that the shop file asks for, and a leak-down broken off."""
        assert self._journal is not None
        for stored in await self._journal.calibrations():
            record = CalibrationRecord.model_validate_json(stored.record_json)
            self.session.calibrate(stored.gauge, record)
        open_test = await self._journal.current_test(self.shop.name)
        if open_test is not None:
            await self._resume(open_test)
        elif (machine := self.shop.settings.test.machine) is not None:
            await self.obey(Command(id=new_id(), action=CommandAction.BEGIN, machine=machine, by="shop file"))
        assert self._orders is not None
        async with self._order:
            await self._commit(await self._orders.judge_beside())
        await self._orders.take_up()
        leak_down = await self._journal.current_leak_down(self.shop.name)
        if leak_down is not None:
            await self._take(self.leak.resume, leak_down)

    async def _resume(self, stored: StoredTest) -> None:
        """Go on with the test that the bench was in the middle of, where the fleet file still has what it is about."""
        assert self._journal is not None
        assert self._orders is not None
        await self._orders.look_back(stored.machine, stored.began_at)
        events = await self._journal.events(stored.test_id, with_samples=False)
        try:
            await self._take(self.session.resume, stored, events)
        except SettingsError as error:
            sentence = (
                f"The test of {stored.machine} that is open cannot go on: {error} Its readings are kept. Put the "
                "machine, its cylinders and its gauge back as they were and start again, or begin another test."
            )
            _LOG.error("%s", sentence)
            for watcher in self._watchers:
                watcher.troubled(sentence)

    async def obey(self, command: Command) -> Step:
        """Carry out a command as if it had come over the broker, with an id that was not used before."""
        assert self._orders is not None
        return await self._orders.obey(command)

    async def _obey(self) -> None:
        assert self._broker is not None
        assert self._orders is not None
        while True:
            await self._orders.once(await self._broker.commands.get())

    async def _take(self, what: Callable[..., Step], *details: object) -> Step:
        """Let one thing happen: the session's answer goes to disk, then to everyone."""
        async with self._order:
            step = what(*details, self._clock(), datetime.now(UTC))
            self.session.leak_down(self.leak.active)
            await self._commit(step)
            if (step.decay or step.found) is not None and self._orders is not None:
                await self._commit(await self._orders.judge_beside())
        return step

    async def _commit(self, step: Step) -> None:
        assert self._journal is not None
        if not step.empty:
            try:
                await self._journal.record(step.entries, step.outgoing())
            except JournalWriteError as error:
                self._disk_failed(error)
        for watcher in self._watchers:
            watcher.stepped(step)
        if self._voice is not None and step.prompts:
            self._voice.say(step.prompts)

    def _disk_failed(self, error: JournalWriteError) -> None:
        """Say at once that results are not safe; they wait in memory, and measuring goes on."""
        _LOG.error("%s", error)
        first, self._links.fault = not self._links.fault, str(error)
        if first or not error.this_kept:
            self._say_aside(PromptKey.DISK_TROUBLE)
            for watcher in self._watchers:
                watcher.troubled(str(error))
            self._links.tell_all()

    def _say_aside(self, key: PromptKey) -> None:
        """Say something that cannot wait for the journal."""
        assert self._broker is not None
        step = self.session.say(key, datetime.now(UTC))
        for message in step.messages:
            if message.topic_suffix == "prompt":
                self._broker.publish_unrecorded(message.outgoing())
        step.entries.clear()
        step.messages.clear()
        for watcher in self._watchers:
            watcher.stepped(step)
        if self._voice is not None:
            self._voice.say(step.prompts)

    async def _retry(self) -> None:
        assert self._journal is not None
        while True:
            await asyncio.sleep(RETRY_S)
            if self._journal.fault is None and not self._links.fault:
                continue
            try:
                await self._journal.retry()
            except JournalWriteError as error:
                self._links.fault = str(error)
                continue
            self._links.fault = ""
            for watcher in self._watchers:
                watcher.troubled("")
            self._links.tell_all()
            await self._say(PromptKey.DISK_BACK)

    async def _say(self, key: PromptKey) -> None:
        async with self._order:
            await self._commit(self.session.say(key, datetime.now(UTC)))

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            await self._take(self.session.tick)

    def _supervised(self, settings: GaugeSettings) -> GaugeLink:
        # An absolute gauge zeroes itself on the quiet air unless the shop file states a barometer.
        stated_abs_kpa = self.shop.settings.bench.barometer_abs_kpa
        layout = self.shop.layouts[settings.name]
        return SupervisedLink(settings, layout, self._radio, self._clock, ambient_abs_kpa=stated_abs_kpa)

    async def _listen(self, settings: GaugeSettings) -> None:
        """Listen to one gauge for as long as the service runs."""
        link = self._link(settings)
        traits = traits_of(settings, self.shop.layouts[settings.name])
        ear = Ear(self, settings, traits)
        self._ears.append(ear)
        async with link, asyncio.TaskGroup() as judging:
            async for item in link.items():
                if isinstance(item, LinkState):
                    await self._links.hear(settings, item)
                else:
                    await ear.hear(item, judging)

    def _publish_state(self, suffix: str, payload: str) -> None:
        assert self._broker is not None
        self._broker.publish_state(suffix, payload)

    def listens_for_leak(self, gauge: str) -> bool:
        """Whether this gauge is in a leak-down now."""
        return self.leak.listens(gauge)

    def sampled(self, gauge: str, pack: LivePack) -> None:
        """Show and publish a pack of live samples."""
        assert self._broker is not None
        for watcher in self._watchers:
            watcher.sampled(gauge, pack)
        if self._broker.connected:
            payload = live_pressure(
                self.shop.name, gauge, pack.base_at, pack.time_s, pack.pressure_kpa, over_range=pack.over_range
            )
            self._broker.publish_live(f"gauge/{gauge}/pressure", payload)

    async def leaked(self, batch: SampleBatch, tasks: asyncio.TaskGroup) -> None:
        """Give samples to the leak-down that is under way, and look at it off the event loop when that is due."""
        assert self._broker is not None
        step = await self._take(self.leak.hear, batch)
        if step.progress is not None:
            self._broker.publish_live(step.progress.topic_suffix, step.progress.model_dump_json())
            for watcher in self._watchers:
                watcher.leaking(step.progress)
            rate = self.leak.live_rate()
            if self.leak.following and rate is not None and self._voice is not None:
                await self._voice.play(tones.leak_pcm(rate.kpa_per_min / self.leak.limit_kpa_per_min))
        if self._looking is None or self._looking.done():
            look = self.leak.due()
            if look is not None:
                self._looking = tasks.create_task(self._look(self.leak.decay_id, look), name="leak")

    async def _look(self, decay_id: str, look: Callable[[], DecayResult]) -> None:
        await self._take(self.leak.judged, decay_id, await asyncio.to_thread(look))

    async def noticed(self, gauge: str, notice: EventOpened | StrokeSeen | Handling) -> None:
        """Pass on what the detector saw besides whole events."""
        match notice:
            case EventOpened():
                await self._take(self.session.opened, gauge)
            case StrokeSeen(level_kpa=level_kpa):
                await self._take(self.session.stroke, gauge, level_kpa)
            case Handling(what=what):
                await self._take(self.session.handling, gauge, what)

    def hints(self) -> EngineHints:
        """What the record of the engine under test knows that helps the fit."""
        return self.session.hints

    async def judge(self, samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
        """Judge samples off the event loop."""
        return await self._judges.judge(samples, traits, hints)

    async def judged(
        self, settings: GaugeSettings, event: CrankingEvent, samples: EventSamples, decided_s: float
    ) -> None:
        """Take the gauge's known error off an event and give it to the test."""
        event = self.session.corrected(settings.name, event, day_of(datetime.now(UTC)))
        await self._take(self.session.judged, new_id(), settings.name, event, samples, decided_s)
