"""A live event is judged while its end is still being waited for, and what is recorded is what its samples give."""

import asyncio
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from gaugelink.app.ear import Ear
from gaugelink.app.livefeed import LivePack
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.samples import SampleBatch
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, Flag, GaugeKind, GaugeTraits
from gaugelink.peak.judge import judge
from gaugelink.peak.notices import EventOpened, Handling, StrokeSeen
from simulators.scenarios import live_events
from tests.peak.shapes import Array, clock, pulses, shown, stairs

GAUGE = GaugeSettings(name="amber", address="F0:5A:00:00:00:01")
TWO, FOUR = EngineHints(cycle=2), EngineHints(cycle=4)
FRAME = 5


STILL = EventSamples(
    np.arange(20) / 100.0, np.full(20, 5.0), np.zeros(20, dtype=np.bool_), 0, GaugeKind.HELD, 0.0, 0.1, 0.5
)


def quick(samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
    """A judgement that takes no time: which samples were judged shows in what was asked."""
    return replace(judge(STILL, traits, hints), end_s=float(samples.time_s[-1]))


class House:
    """What stands around an ear, with everything that it was asked."""

    def __init__(self, judging: Callable[[EventSamples, GaugeTraits, EngineHints], CrankingEvent] = judge) -> None:
        self.asked: list[EventSamples] = []
        self.asked_at: list[float] = []
        self.events: list[tuple[CrankingEvent, EventSamples]] = []
        self.known = TWO
        self.leak = False
        self.free = asyncio.Event()
        self.free.set()
        self.now = 0.0
        self._judging = judging

    def now_s(self) -> float:
        return self.now

    def listens_for_leak(self, gauge: str) -> bool:
        return self.leak

    def sampled(self, gauge: str, pack: LivePack) -> None:
        """Nobody looks."""

    async def leaked(self, batch: SampleBatch, tasks: asyncio.TaskGroup) -> None:
        """Nobody looks."""

    async def noticed(self, gauge: str, notice: EventOpened | StrokeSeen | Handling) -> None:
        """Nobody looks."""

    def hints(self) -> EngineHints:
        return self.known

    async def judge(self, samples: EventSamples, traits: GaugeTraits, hints: EngineHints) -> CrankingEvent:
        self.asked.append(samples)
        self.asked_at.append(self.now)
        await self.free.wait()
        return self._judging(samples, traits, hints)

    async def judged(
        self, settings: GaugeSettings, event: CrankingEvent, samples: EventSamples, decided_s: float
    ) -> None:
        self.events.append((event, samples))


async def listen(
    house: House,
    t: Array,
    p: Array,
    traits: GaugeTraits | None = None,
    meanwhile: Callable[[float], None] = lambda now: None,
    lost: Array | None = None,
) -> None:
    """Let an ear hear a record frame by frame; `meanwhile` is called before each with the time of its end."""
    ear = Ear(house, GAUGE, traits or GaugeTraits())
    over = np.zeros(len(t), dtype=np.bool_)
    async with asyncio.TaskGroup() as tasks:
        for i in range(0, len(t), FRAME):
            part = slice(i, i + FRAME)
            house.now = float(t[part][-1])
            meanwhile(house.now)
            gone = 0 if lost is None else int(lost[part].sum())
            await ear.hear(SampleBatch("amber", t[part], p[part], over[part], gone), tasks)
            # Whatever was begun gets as far as it can before the next frame comes.
            await asyncio.sleep(0)
            await asyncio.sleep(0)
        house.free.set()


def same(one: CrankingEvent, other: CrankingEvent) -> bool:
    mine, others = (np.zeros(0) if e.fitted is None else e.fitted.pressure_kpa for e in (one, other))
    return np.array_equal(mine, others) and replace(one, fitted=None) == replace(other, fitted=None)


async def test_a_live_event_is_judged_once_and_before_its_end_is_decided() -> None:
    t = clock(12.0, 100.0)
    house = House()
    await listen(house, t, shown(pulses(t, 5.0, 8)))
    last_s = 5.0 + 7 * 0.2
    ((event, samples),) = house.events
    assert len(house.asked) == 1
    assert house.asked_at[0] < last_s + 0.6
    assert samples.time_s[-1] > last_s + 1.0
    assert event.end_s == samples.time_s[-1]
    assert same(event, judge(samples, hints=TWO))
    assert not event.flags & {Flag.SHORT_RECORD, Flag.STILL_RISING}


async def test_a_stroke_that_comes_late_is_in_what_is_recorded() -> None:
    t = clock(12.0, 100.0)
    # a hand that slipped for 0.7 s and got one more stroke
    p = shown(pulses(t, 4.0, 6) + pulses(t, 4.0 + 5 * 0.2 + 0.9, 2))
    house = House()
    await listen(house, t, p)
    ((event, samples),) = house.events
    assert len(house.asked) == 2
    assert house.asked[0].time_s[-1] < 5.9 < house.asked[1].time_s[-1]
    assert len(event.strokes) == 8
    assert same(event, judge(samples, hints=TWO))


async def test_a_last_stroke_on_the_heels_of_the_early_look_is_judged_from_the_closed_event() -> None:
    t = clock(12.0, 100.0)
    p = shown(pulses(t, 4.0, 6) + pulses(t, 4.0 + 5 * 0.2 + 0.9, 1, top_kpa=300.0))
    house = House()

    def hold(now: float) -> None:
        # The first fit is still at work when the event closes, so that no second one is begun early.
        del now
        house.free.clear()

    await listen(house, t, p, meanwhile=hold)
    ((event, samples),) = house.events
    assert [asked.time_s[-1] < 5.9 for asked in house.asked] == [True, False]
    assert len(house.asked[1].time_s) == len(samples.time_s)
    assert same(event, judge(samples, hints=TWO))


@pytest.mark.parametrize("rate", [50.0, 100.0])
async def test_simulated_pulls_are_judged_early_as_they_are_judged_closed(rate: float) -> None:
    once = count = 0
    for trace in live_events(np.random.default_rng(round(rate)), 8, rate_hz=rate, cycle=2):
        house = House()
        traits = GaugeTraits(resolution_kpa=trace.gauge.resolution_kpa, range_kpa=trace.gauge.range_kpa)
        await listen(house, trace.time_s, trace.pressure_kpa, traits, lost=trace.lost_before)
        for event, samples in house.events:
            count += 1
            assert same(event, judge(samples, traits, TWO))
        once += len(house.asked) == len(house.events) == 1
    assert count >= 8
    assert once >= 7


@pytest.mark.parametrize("rate", [10.0, 50.0, 100.0])
@pytest.mark.parametrize("kind", [None, GaugeKind.HELD])
async def test_a_held_gauge_is_never_judged_early(rate: float, kind: GaugeKind | None) -> None:
    t = clock(14.0, rate)
    house = House()
    await listen(house, t, shown(stairs(t, 5.0, 6, period_s=0.7)), GaugeTraits(kind=kind))
    ((_, samples),) = house.events
    assert samples.kind is GaugeKind.HELD
    assert house.asked == [samples]


async def test_an_engine_that_became_known_in_between_is_judged_by_what_is_known() -> None:
    t = clock(12.0, 100.0)
    house = House()
    house.known = EngineHints()

    def learn(now: float) -> None:
        if now > 5.0 + 7 * 0.2 + 0.9:
            house.known = FOUR

    await listen(house, t, shown(pulses(t, 5.0, 8)), meanwhile=learn)
    ((event, samples),) = house.events
    assert len(house.asked) == 2
    assert same(event, judge(samples, hints=FOUR))
    assert not same(event, judge(samples, hints=EngineHints()))


async def test_slow_cranking_keeps_one_fit_at_work_and_no_more() -> None:
    t = clock(16.0, 100.0)
    house = House(quick)

    def slow(now: float) -> None:
        # What was begun is done every second and a half.
        (house.free.set if now % 1.5 < 0.05 else house.free.clear)()

    await listen(house, t, shown(pulses(t, 4.0, 8, period_s=0.8)), meanwhile=slow)
    early = [samples for samples in house.asked if samples.time_s[-1] < 4.0 + 7 * 0.8]
    assert 1 <= len(early) <= 4
    assert len(house.events) == 1


async def test_usual_cranking_is_not_judged_between_its_strokes() -> None:
    t = clock(14.0, 100.0)
    house = House(quick)
    # 150 rev/min of a two-stroke engine, 300 of a four-stroke
    await listen(house, t, shown(pulses(t, 4.0, 9, period_s=0.4)))
    assert len(house.asked) == len(house.events) == 1


async def test_two_pulls_each_get_their_own() -> None:
    t = clock(14.0, 100.0)
    house = House()
    await listen(house, t, shown(pulses(t, 4.0, 6) + pulses(t, 4.0 + 5 * 0.2 + 1.5, 6, top_kpa=600.0)))
    assert len(house.asked) == 2
    assert [round(event.peak_kpa, -2) for event, _ in house.events] == [900.0, 600.0]


async def test_a_leak_down_that_begins_meanwhile_ends_the_event_and_what_was_begun_for_it() -> None:
    t = clock(20.0, 100.0)
    house = House()

    def pump(now: float) -> None:
        house.leak = 5.95 < now < 9.0

    await listen(house, t, shown(pulses(t, 4.0, 8) + pulses(t, 12.0, 8, top_kpa=600.0)), meanwhile=pump)
    ((event, samples),) = house.events
    assert len(house.asked) == 2
    assert samples.time_s[0] > 9.0
    assert event.peak_kpa == pytest.approx(600.0, rel=0.05)
