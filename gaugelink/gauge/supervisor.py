"""The link supervisor: keeps one gauge found, connected and heard, and says how its link stands."""

import asyncio
import logging
import random
import time
from collections.abc import AsyncIterator, Callable
from types import TracebackType
from typing import Any, Self

from gaugelink.errors import GaugeError
from gaugelink.gauge.adapter import explain_radio_error
from gaugelink.gauge.backoff import Backoff
from gaugelink.gauge.config import GaugeSettings, Sends
from gaugelink.gauge.finder import AmbiguousGaugeError, Identity, find
from gaugelink.gauge.fitting import Fitting
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import GaugeLayout, How, Listen
from gaugelink.gauge.link import GaugeLink
from gaugelink.gauge.outflow import Outflow
from gaugelink.gauge.radio import RADIO_ERRORS, Radio
from gaugelink.gauge.samples import LinkPhase, LinkState, SampleBatch
from gaugelink.gauge.scanning import Sighting
from gaugelink.gauge.session import Ending, GattSession, Timing
from gaugelink.gauge.standing import About, Standing
from gaugelink.timelimit import time_limit_at

logger = logging.getLogger(__name__)

__all__ = ["Radio", "SupervisedLink", "Timing"]

_abandoned: set[asyncio.Task[None]] = set()
"""Tasks that did not end in time when their link was closed; kept so that they are not lost while they end."""


def layout_of_gauge(settings: GaugeSettings, layout: GaugeLayout) -> GaugeLayout:
    """The layout with what the shop file knows better of this one gauge: rate, range, resolution."""
    better: dict[str, Any] = {}
    if settings.rate_hz is not None:
        better["rate_hz"] = settings.rate_hz
    if settings.range_kpa is not None:
        better["range"] = settings.range_kpa / layout.unit.to_kpa(1.0)
    if settings.resolution_kpa is not None:
        better["resolution"] = settings.resolution_kpa / layout.unit.to_kpa(1.0)
    return layout.model_copy(update=better) if better else layout


def _advertised_frame(listen: Listen, heard: Sighting) -> bytes | None:
    if listen.company_id is not None:
        return heard.advertisement.manufacturer_data.get(listen.company_id)
    return heard.advertisement.service_data.get(listen.service or "")


def _ended_late(task: asyncio.Task[None]) -> None:
    _abandoned.discard(task)
    if not task.cancelled() and (error := task.exception()) is not None:
        logger.warning("%s ended late: %r", task.get_name(), error)


class SupervisedLink(GaugeLink):
    """One gauge on a radio, found and found again until the link is closed."""

    def __init__(
        self,
        settings: GaugeSettings,
        layout: GaugeLayout | None,
        radio: Radio,
        clock: Callable[[], float] = time.monotonic,
        rng: random.Random | None = None,
        *,
        timing: Timing | None = None,
        ambient_abs_kpa: float | None = None,
    ) -> None:
        """Raise SettingsError when nothing tells the gauge from other devices.

        Args:
            settings: the gauge in the shop file.
            layout: what its frames mean; None for a gauge that describes itself.
            radio: shared by all links of a shop.
            clock: monotonic seconds that samples are timed with.
            rng: source of the backoff's jitter.
            timing: waits and limits.
            ambient_abs_kpa: absolute ambient pressure for an absolute gauge, where it is known.
        """
        self.name = settings.name
        self._settings = settings
        self._layout = layout
        self._radio = radio
        self._clock = clock
        self._timing = timing or Timing()
        self._identity = Identity(settings, layout)
        self._ambient_abs_kpa = ambient_abs_kpa
        self._backoff = Backoff(self._timing.first_wait_s, self._timing.longest_wait_s, random_source=rng)
        self._outflow = Outflow()
        self._standing = Standing(settings.name, self._outflow, settings.low_battery_percent)
        if layout is not None:
            self.described(layout)
        self._task: asyncio.Task[None] | None = None
        self._closing = False
        self._fitting = Fitting()
        self._took_left = False
        """The last device was connected already when it was found, and nothing was heard from it yet."""
        self._ever_streamed = False
        self._last_seen_s = 0.0
        """Loop time when the gauge was last seen on the air."""
        self._last_frame_s: float | None = None
        self._interval_s: float | None = None
        """Mean time between frames, as loop time goes."""

    async def __aenter__(self) -> Self:
        """Start looking for the gauge."""
        self._last_seen_s = asyncio.get_running_loop().time()
        self._task = asyncio.create_task(self._run(), name=f"gauge {self.name}")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the gauge within two seconds, whatever the radio is doing."""
        self._closing = True
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            _, late = await asyncio.wait([task], timeout=self._timing.close_s)
            for each in late:
                logger.warning("gauge %s: the radio does not let go in time; its task is left behind", self.name)
                _abandoned.add(each)
                each.add_done_callback(_ended_late)
        self._standing.clear()
        self._standing.enter(LinkPhase.STOPPED)
        self._outflow.close()
        if task is not None and task.done() and not task.cancelled() and kind is None:
            task.result()

    async def items(self) -> AsyncIterator[SampleBatch | LinkState]:
        """What the gauge sends and how its link stands, until the link is closed.

        Raises what ended the supervision, if anything but the closing did.
        """
        while True:
            item = await self._outflow.get()
            if item is None:
                break
            yield item
        if self._task is not None and self._task.done() and not self._task.cancelled():
            self._task.result()

    @property
    def state(self) -> LinkState:
        """How the link stands now."""
        return self._standing.state

    async def _run(self) -> None:
        try:
            await self._supervise()
        finally:
            # While the link is open this task ends only by a fault of the program, which `items` raises.
            if asyncio.current_task() is self._task:
                self._outflow.close()

    async def _supervise(self) -> None:
        # A cancellation that the radio swallowed must still end the supervision.
        while not self._closing:
            try:
                if self._layout is not None and self._layout.listen.how is How.ADVERTISEMENT:
                    ending = await self._hear_advertisements(self._layout.listen)
                else:
                    sighting = await self._search()
                    ending = await self._converse(sighting)
                self._standing.clear(About.RADIO)
            except AmbiguousGaugeError as error:
                self._standing.fault(About.FINDING, str(error))
                ending = None
            except GaugeError as error:
                self._standing.fault(About.GAUGE, str(error))
                ending = None
            except RADIO_ERRORS as error:
                logger.info("gauge %s: %s: %s", self.name, type(error).__name__, error)
                self._standing.fault(About.RADIO, explain_radio_error(error))
                ending = None
            except asyncio.CancelledError:
                # A wait inside a library can be cancelled from there, as when its connection ends. Nobody cancelled
                # this link then, and a link that ended for it would never find its gauge again.
                task = asyncio.current_task()
                if self._closing or task is None or task.cancelling():
                    raise
                self._standing.fault(About.RADIO, "The connection was broken off.")
                ending = None
            if self._closing:
                return
            if self._fitting.heard:
                self._backoff.reset()
            self._lose(ending)
            await asyncio.sleep(self._backoff.next_s())

    async def _search(self) -> Sighting:
        """Scan until the gauge is seen."""
        loop = asyncio.get_running_loop()
        timing = self._timing
        if self._standing.phase is not LinkPhase.ASLEEP:
            self._standing.enter(LinkPhase.SEARCHING)
        while True:
            window_s = timing.window_s
            if self._ever_streamed and self._standing.phase is not LinkPhase.ASLEEP:
                window_s = min(window_s, max(0.5, self._last_seen_s + timing.asleep_s - loop.time()))
            sighting = await find(
                self._identity,
                self._radio,
                known_address=self._standing.state.address,
                window_s=window_s,
                settle_s=timing.settle_s,
                left=not self._took_left,
            )
            self._standing.clear(About.RADIO)
            if sighting is not None:
                self._seen(sighting)
                return sighting
            if loop.time() - self._last_seen_s >= timing.asleep_s:
                self._not_seen()

    def _seen(self, sighting: Sighting) -> None:
        self._last_seen_s = asyncio.get_running_loop().time()
        self._standing.clear(About.FINDING, About.GAUGE, About.ADDRESS)
        if self._identity.address is not None and not self._identity.by_address(sighting):
            self._standing.fault(
                About.ADDRESS,
                f"Gauge {self.name!r} was taken by its name at {sighting.address}; its address in the shop file, "
                f"{self._identity.address.upper()}, was not seen. Correct or remove that address.",
            )
        self._standing.seen(sighting)

    def _not_seen(self) -> None:
        if self._ever_streamed:
            words = f"Gauge {self.name!r} is asleep or switched off. Wake it or switch it on."
            self._standing.fault(About.FINDING, words)
            self._standing.enter(LinkPhase.ASLEEP)
        else:
            self._standing.fault(
                About.FINDING,
                f"Gauge {self.name!r} ({self._identity.words()}) is not seen. Switch it on and bring it near; "
                "`gaugelink scan` shows what is near.",
            )
            self._standing.tell()

    async def _converse(self, sighting: Sighting) -> Ending:
        """Connect to the gauge and take its frames until the connection ends."""
        self._fitting.connect()
        self._last_frame_s = None
        # What the system says is connected may be gone: a crash of its Bluetooth service leaves such ghosts behind. So
        # a device that was taken over and gave nothing is looked for on the air the next time.
        self._took_left = sighting.connected
        self._standing.enter(LinkPhase.CONNECTING)
        session = GattSession(sighting, self._layout, self._radio, self._timing, self)
        return await session.run()

    async def _hear_advertisements(self, listen: Listen) -> Ending:
        """Take the frames that the gauge advertises until it falls silent."""
        loop = asyncio.get_running_loop()
        self._fitting.connect()
        self._last_frame_s = None
        sighting = await self._search()
        async with self._radio.scanning.listen() as hearing:
            self.connected()
            before, before_s = b"", 0.0
            while True:
                limit_s = max(self.silence_limit_s(), self._timing.first_frame_s)
                last_s = self._last_frame_s or self._last_seen_s
                try:
                    async with time_limit_at(last_s + limit_s) as limit:
                        heard = await anext(hearing)
                except TimeoutError:
                    if not limit.expired():
                        raise
                    self.silent()
                    return Ending.SILENT
                if heard.address != sighting.address:
                    continue
                payload = _advertised_frame(listen, heard)
                # One advertisement is sent on three channels and is heard up to three times.
                if payload is None or (payload == before and loop.time() - before_s < 0.01):
                    continue
                before, before_s = payload, loop.time()
                self._last_seen_s = before_s
                self._standing.seen(heard)
                self.frame(payload)

    def _lose(self, ending: Ending | None) -> None:
        standing = self._standing
        if standing.reader is not None and self._last_frame_s is not None:
            standing.reader.link_lost(self._clock())
        if ending is None and standing.phase in (LinkPhase.SEARCHING, LinkPhase.ASLEEP):
            standing.tell()
        else:
            standing.enter(LinkPhase.LOST)

    def described(self, layout: GaugeLayout) -> None:
        """The layout is known. A gauge that describes itself as before keeps its clock and its counts."""
        layout = layout_of_gauge(self._settings, layout)
        reader = self._standing.reader
        if reader is None or reader.layout != layout:
            self._standing.reader = FrameReader(self.name, layout, ambient_abs_kpa=self._ambient_abs_kpa)

    def connected(self) -> None:
        """The gauge is connected and listened to."""
        self._last_seen_s = asyncio.get_running_loop().time()
        self._standing.clear(About.RADIO)

    def silent(self) -> None:
        """The gauge is connected by name alone."""
        self._standing.enter(LinkPhase.SILENT)

    def battery(self, percent: float) -> None:
        """The Battery Service says so."""
        self._standing.battery(percent)

    def silence_limit_s(self) -> float:
        """Seconds without a frame after which the link is doubted: what the shop file says, or twenty frames."""
        if self._settings.silence_s is not None:
            return self._settings.silence_s
        if self._interval_s is None:
            return self._timing.first_frame_s
        return min(10.0, max(1.0, 20.0 * self._interval_s))

    def may_be_silent(self) -> bool:
        """Whether the gauge sends only on a change, as the shop file says or as its layout leaves open."""
        if self._settings.silence_s is not None:
            return False
        reader = self._standing.reader
        return self._settings.sends is Sends.ON_CHANGE or reader is None or not reader.layout.steady

    def last_frame_s(self) -> float | None:
        """Loop time of the last frame of this connection; of the last good one when none fits the layout any more.

        Such a link is dropped like a silent one: a gauge that was reset may want its start-up writes again, or
        describes itself otherwise now.
        """
        return self._fitting.good_s if self._fitting.lost else self._last_frame_s

    def frame(self, payload: bytes) -> None:
        """Take a frame: whatever its bytes are, it is counted, and becomes samples only when it is good."""
        now_s = asyncio.get_running_loop().time()
        if self._last_frame_s is not None:
            interval_s = now_s - self._last_frame_s
            mean_s = self._interval_s
            self._interval_s = interval_s if mean_s is None else mean_s + 0.1 * (interval_s - mean_s)
        self._last_frame_s = self._last_seen_s = now_s
        reader = self._standing.reader
        if reader is None:
            return
        good, refused = reader.tally
        batch = reader.feed(payload, self._clock())
        good_now, refused_now = reader.tally
        if good_now > good:
            self._fits(reader, now_s)
        elif self._fitting.other(refused_now > refused, now_s, self.silence_limit_s()):
            where = self._standing.state.address or "ADDRESS"
            self._standing.fault(About.FRAMES, self._fitting.words(self.name, where, reader.counts))
            if self._fitting.lost:
                self._standing.enter(LinkPhase.SILENT)
            else:
                self._standing.tell()
        if batch is not None:
            self._standing.sampled(batch.arrival_s)
            self._outflow.put(batch)
        if reader.battery_percent is not None:
            self._standing.battery(reader.battery_percent)
        self._standing.tell_now_and_again()

    def _fits(self, reader: FrameReader, now_s: float) -> None:
        first = not self._fitting.heard
        if not self._fitting.good(now_s):
            return
        if first:
            self._took_left = False
            if self._ever_streamed:
                reader.reconnected()
            self._ever_streamed = True
        self._standing.clear(About.FINDING, About.FRAMES)
        self._standing.enter(LinkPhase.STREAMING)
