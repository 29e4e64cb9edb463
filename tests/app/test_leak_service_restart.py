"""The whole service, gone in the middle of a decay and started again on the same journal.

The gauge's and the service's clock are driven by the samples; the wall clock is the machine's, as the service reads it.
"""

import asyncio
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import pytest

from gaugelink.app.daemon import Daemon, Watcher
from gaugelink.app.demo import MACHINE
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.gauge.link import GaugeLink
from gaugelink.gauge.samples import LinkPhase, LinkState, SampleBatch
from gaugelink.journal import Journal, LeakDownEntry
from simulators.vessel import Vessel, VesselRecord, watch

GAUGE = "amber"


@dataclass(slots=True)
class Times:
    """What both lives of the service and of its gauge go by."""

    now_s: float = 1000.0
    """The service's clock and the gauge's."""
    wall_s: float = field(default_factory=time.time)
    """The machine's wall clock at `now_s`."""

    def clock(self) -> float:
        """Monotonic seconds."""
        return self.now_s

    def catch_up(self) -> None:
        """Let as much time pass as the wall clock says has passed."""
        self.now_s += time.time() - self.wall_s


class Played(GaugeLink):
    """A gauge that sends a record, one batch after another, and waits at its end."""

    def __init__(self, time_s: np.ndarray, pressure_kpa: np.ndarray, times: Times, begin: asyncio.Event) -> None:
        self.name = GAUGE
        self.enough = False
        """Set to end it early."""
        self._time_s, self._pressure_kpa = time_s, pressure_kpa
        self._times = times
        self._begin = begin

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing to let go of."""

    async def items(self) -> AsyncIterator[SampleBatch | LinkState]:
        """The record, as fast as it is taken."""
        await self._begin.wait()
        yield LinkState(self.name, LinkPhase.STREAMING, rate_hz=5.0)
        began_s = self._times.now_s
        for first in range(0, len(self._time_s), 5):
            part = slice(first, first + 5)
            time_s = began_s + self._time_s[part] - self._time_s[0]
            self._times.now_s, self._times.wall_s = float(time_s[-1]), time.time()
            yield SampleBatch(self.name, time_s, self._pressure_kpa[part], np.zeros(len(time_s), dtype=np.bool_))
            if self.enough:
                break
        await asyncio.Event().wait()


class Ear(Watcher):
    """Hears what is said, and when enough of the hold was written down or a result is there."""

    def __init__(self, holds: int = 10**6) -> None:
        self.said: list[PromptKey] = []
        self.result: Decay | None = None
        self.over = asyncio.Event()
        self.link: Played | None = None
        self._holds = holds

    def stepped(self, step: Step) -> None:
        """Take in what happened."""
        self.said += [prompt.key for prompt in step.prompts]
        kept = [one for one in step.entries if isinstance(one, LeakDownEntry) and '"hold":{' in one.snapshot_json]
        self._holds -= len(kept)
        self.result = step.decay or self.result
        if self._holds <= 0 or self.result is not None:
            assert self.link is not None
            self.link.enough = True
            self.over.set()


def record() -> VesselRecord:
    vessel = Vessel(volume_cm3=900.0, hole_mm=0.03, heated=0.006, settling_s=20.0)
    return watch(vessel, 41.4, 700.0, rate_hz=5.0, quiet_s=5.0)


async def life(
    shop: Shop, times: Times, time_s: np.ndarray, pressure_kpa: np.ndarray, ear: Ear, *, begins: bool
) -> ScenePresenter:
    """One life of the service; it ends without a farewell as soon as the ear has heard enough."""
    begin, presenter = asyncio.Event(), ScenePresenter(shop)
    ear.link = Played(time_s, pressure_kpa, times, begin)
    link = ear.link
    daemon = Daemon(shop, clock=times.clock, watchers=[ear, presenter], silent=True, link=lambda _: link)
    async with asyncio.timeout(60.0):
        running = asyncio.create_task(daemon.run())
        await daemon.ready.wait()
        if begins:
            request = LeakRequest(volume_cm3=900.0, fixed_time=True)
            await daemon.obey(Command(id=new_id(), action=CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request))
            await daemon.obey(Command(id=new_id(), action=CommandAction.ACKNOWLEDGE))
        begin.set()
        await ear.over.wait()
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
    return presenter


async def cut(shop: Shop, times: Times) -> tuple[VesselRecord, int]:
    """Let the service be gone in the middle of a decay; gives the record and how many samples were sent by then."""
    whole, began_s = record(), times.now_s
    await life(shop, times, whole.time_s, whole.pressure_kpa, Ear(holds=12), begins=True)
    sent = int(np.searchsorted(whole.time_s, times.now_s - began_s + whole.time_s[0], side="right"))
    assert whole.closed_s + 40.0 < whole.time_s[sent] < whole.closed_s + 90.0
    times.catch_up()
    return whole, sent


async def test_a_decay_outlives_its_service(tmp_path: Path) -> None:
    shop, times = leak_shop(tmp_path), Times()
    whole, sent = await cut(shop, times)
    ear = Ear()
    await life(shop, times, whole.time_s[sent:], whole.pressure_kpa[sent:], ear, begins=False)
    assert ear.said[:2] == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_GOES_ON]
    assert ear.said[-1] is PromptKey.LEAK_FAIL
    assert ear.result is not None
    assert ear.result.verdict == "fail"
    assert ear.result.start_kpa == pytest.approx(41.4, abs=0.5)
    assert "gaps" in ear.result.flags
    async with Journal.open(shop.journal, read_only=True) as journal:
        (stored,) = await journal.decays()
        assert stored.decay_id == ear.result.decay_id
        assert await journal.current_leak_down(shop.name) is None


async def test_a_decay_that_cannot_go_on_is_on_the_screen_in_the_journal_and_for_the_broker(tmp_path: Path) -> None:
    shop, times = leak_shop(tmp_path), Times()
    whole, sent = await cut(shop, times)
    ear = Ear()
    presenter = await life(shop, times, whole.time_s[sent:], whole.pressure_kpa[sent:] - 6.0, ear, begins=False)
    assert ear.said == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_CUT_PRESSURE]
    assert ear.result is not None
    assert ear.result.verdict == "open"
    assert presenter.scene.trouble
    assert presenter.scene.prompt.startswith("The leak test of ")
    assert presenter.scene.spread.startswith("Ridge 7, leak test of crankcase: Cut by a restart at ")
    async with Journal.open(shop.journal, read_only=True) as journal:
        assert await journal.current_leak_down(shop.name) is None
        (stored,) = await journal.decays()
        assert Decay.model_validate_json(stored.result_json) == ear.result
        told = [*await journal.pending(), *await journal.to_tell_again(timedelta(hours=1))]
        topics = {row.topic_suffix for row in told}
    assert {"decay", "prompt"} <= topics
