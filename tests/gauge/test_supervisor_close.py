"""A link lets go of its gauge within two seconds from any state, and never holds more than it may."""

import asyncio
import random
from collections.abc import Awaitable, Callable

import numpy as np
import pytest
from bleak.exc import BleakError

from gaugelink.gauge.backoff import Backoff
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.fields import TextLine
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.outflow import Outflow
from gaugelink.gauge.samples import LinkPhase, LinkState, SampleBatch
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import VirtualRadio, simulated_shop_radio
from simulators.radio_diary import Diary, keep_diary
from simulators.radio_time import run_driven

LAYOUT = GaugeLayout.model_validate(
    {
        "name": "counted u16",
        "unit": "kPa",
        "rate_hz": 100.0,
        "listen": {"service": "ff01", "characteristic": "ff02"},
        "sequence": {"at": 0, "format": "u16"},
        "pressure": {"at": 2, "format": "u16", "scale": 0.1, "count": "fit"},
    }
)

Setup = Callable[[VirtualRadio, SimulatedGauge, Diary], Awaitable[None]]


async def searching(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    await gauge.switch_off()
    await diary.until_phase(LinkPhase.SEARCHING)
    await asyncio.sleep(3.0)


async def settling(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    await asyncio.sleep(0.5)
    assert diary.phases == [LinkPhase.SEARCHING]


async def connect_hung(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    radio.conditions.connect_hangs = True
    await diary.until_phase(LinkPhase.CONNECTING)
    await asyncio.sleep(1.0)


async def gauge_silent_while_connecting(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    radio.conditions.silent = True
    await diary.until_phase(LinkPhase.CONNECTING)
    await asyncio.sleep(1.0)


async def streaming(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    await diary.until_phase(LinkPhase.STREAMING)
    await diary.more(5)


async def disconnect_hung(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    await streaming(radio, gauge, diary)
    radio.conditions.disconnect_hangs = True


async def silent_and_disconnect_hung(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    await disconnect_hung(radio, gauge, diary)
    radio.silence_connections()
    await diary.until_phase(LinkPhase.SILENT)


async def waiting_to_try_again(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    radio.conditions.refused_connects = 1000
    await diary.until(lambda: len([1 for _, state in diary.states if state.phase is LinkPhase.LOST]) > 8, 200.0)


async def asleep(radio: VirtualRadio, gauge: SimulatedGauge, diary: Diary) -> None:
    await streaming(radio, gauge, diary)
    await gauge.switch_off()
    await diary.until_phase(LinkPhase.ASLEEP)


STATES: list[Setup] = [
    searching,
    settling,
    connect_hung,
    gauge_silent_while_connecting,
    streaming,
    disconnect_hung,
    silent_and_disconnect_hung,
    waiting_to_try_again,
    asleep,
]


@pytest.mark.parametrize("bring_about", STATES, ids=lambda setup: setup.__name__)
def test_a_link_closes_within_two_seconds(bring_about: Setup) -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio:
            before = asyncio.all_tasks()
            settings = GaugeSettings(name="left", advertised_name="Left gauge")
            link = SupervisedLink(settings, LAYOUT, radio.as_radio(), clock=loop.time)
            async with keep_diary(link) as diary:
                await bring_about(radio, gauge, diary)
                closing_s = loop.time()
            assert loop.time() - closing_s < 2.0
            assert diary.state.phase is LinkPhase.STOPPED
            await asyncio.sleep(3.0)
            ours = {task.get_name() for task in asyncio.all_tasks() - before}
            assert not any("gauge left" in name for name in ours)

    run_driven(main())


def test_a_radio_that_ignores_cancelling_is_left_behind_in_time() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio:

            class Stubborn(radio.client_backend):  # type: ignore[name-defined, misc]
                async def connect(self, pair: bool, **kwargs: object) -> None:
                    end_s = loop.time() + 30.0
                    while loop.time() < end_s:
                        try:
                            await asyncio.sleep(end_s - loop.time())
                        except asyncio.CancelledError:
                            continue
                    raise TimeoutError

            shared = radio.as_radio()
            shared.client_backend = Stubborn
            link = SupervisedLink(
                GaugeSettings(name="left", advertised_name="Left gauge"), LAYOUT, shared, clock=loop.time
            )
            async with keep_diary(link) as diary:
                await diary.until_phase(LinkPhase.CONNECTING)
                closing_s = loop.time()
            assert loop.time() - closing_s < 2.0
            await asyncio.sleep(40.0)
            assert not any("gauge left" in task.get_name() for task in asyncio.all_tasks())

    run_driven(main())


def test_a_fault_of_the_program_comes_out_of_the_link_and_is_not_swallowed() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio:

            class Broken(radio.client_backend):  # type: ignore[name-defined, misc]
                async def connect(self, pair: bool, **kwargs: object) -> None:
                    raise KeyError("a mistake in the program")

            shared = radio.as_radio()
            shared.client_backend = Broken
            link = SupervisedLink(GaugeSettings(name="left", advertised_name="Left gauge"), LAYOUT, shared)
            with pytest.raises(ExceptionGroup) as caught:
                async with keep_diary(link):
                    await asyncio.sleep(60.0)
            assert caught.group_contains(KeyError, match="a mistake in the program")

    run_driven(main())


def batch(number: int, size: int = 10) -> SampleBatch:
    time_s = number * size + np.arange(size, dtype=float)
    return SampleBatch("left", time_s, np.zeros(size), np.zeros(size, dtype=bool))


def test_what_nobody_fetches_is_dropped_and_counted_as_lost() -> None:
    async def main() -> None:
        outflow = Outflow(limit=20)
        for number in range(100):
            outflow.put(batch(number))
        assert len(outflow) == 20
        outflow.close()
        fetched = []
        while (item := await outflow.get()) is not None:
            assert isinstance(item, SampleBatch)
            fetched.append(item)
        assert len(fetched) == 20
        assert fetched[0].lost_before == 800
        assert [each.lost_before for each in fetched[1:]] == [0] * 19
        assert outflow.dropped_samples == 800

    run_driven(main())


def test_a_state_that_was_dropped_is_made_up_for() -> None:
    async def main() -> None:
        outflow = Outflow(limit=5)
        outflow.put(LinkState("left", LinkPhase.STREAMING))
        for number in range(50):
            outflow.put(batch(number))
        assert await outflow.get() == LinkState("left", LinkPhase.STREAMING)

    run_driven(main())


def test_a_house_that_does_not_listen_costs_no_memory() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT, name="Left gauge", samples_per_frame=1)
        async with simulated_shop_radio([gauge]) as radio:
            settings = GaugeSettings(name="left", advertised_name="Left gauge")
            async with SupervisedLink(settings, LAYOUT, radio.as_radio(), clock=loop.time) as link:
                await asyncio.sleep(60.0)
                assert link.state.counts.lost_samples > 3000
                items = link.items()
                first = None
                while not isinstance(first, SampleBatch):
                    first = await anext(items)
                assert first.lost_before > 3000
                await items.aclose()  # type: ignore[attr-defined]

    run_driven(main())


def test_waits_double_up_to_their_limit_with_jitter_and_start_anew() -> None:
    backoff = Backoff(0.5, 10.0, jitter=0.5, random_source=random.Random(7))
    waits = [backoff.next_s() for _ in range(12)]
    full = [0.5, 1.0, 2.0, 4.0, 8.0, *[10.0] * 7]
    assert all(0.5 * limit <= wait <= limit for wait, limit in zip(waits, full, strict=True))
    assert len({round(wait / limit, 6) for wait, limit in zip(waits, full, strict=True)}) == 12
    backoff.reset()
    assert backoff.next_s() <= 0.5


@pytest.mark.parametrize(("first", "limit", "jitter"), [(0.0, 1.0, 0.5), (2.0, 1.0, 0.5), (1.0, 2.0, 1.0)])
def test_waits_that_make_no_sense_are_refused(first: float, limit: float, jitter: float) -> None:
    with pytest.raises(ValueError, match="need"):
        Backoff(first, limit, jitter=jitter)


@pytest.mark.parametrize("call", ["connect", "start_notify"])
def test_a_wait_that_the_radio_cancels_by_itself_does_not_end_the_link(call: str) -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Gauge")
        async with simulated_shop_radio([gauge]) as radio:
            sound = getattr(radio.client_backend, call)
            cancelled = 0

            async def broken_off(self: object, *args: object, **kwargs: object) -> None:
                nonlocal cancelled
                cancelled += 1
                if cancelled == 1:
                    raise asyncio.CancelledError
                await sound(self, *args, **kwargs)

            setattr(radio.client_backend, call, broken_off)
            link = SupervisedLink(GaugeSettings(name="g", advertised_name="Gauge"), LAYOUT, radio.as_radio())
            async with keep_diary(link) as diary:
                await diary.more(10)
                assert cancelled == 2
                assert "The connection was broken off." in diary.faults
                assert not diary.state.faults

    run_driven(main())


def test_a_line_that_a_lost_connection_cut_is_not_put_together_with_the_next_one() -> None:
    layout = LAYOUT.model_copy(
        update={"pressure": None, "sequence": None, "text": TextLine(prefix="P=", across_frames=True)}
    )

    async def main() -> None:
        gauge = SimulatedGauge(layout, name="Gauge")
        gauge.idle_kpa = 134.5
        async with simulated_shop_radio([gauge]) as radio:
            sound = radio.client_backend.start_notify
            connections = 0

            async def cut(
                self: object, characteristic: object, callback: Callable[[bytearray], None], **kwargs: object
            ) -> None:
                nonlocal connections
                connections += 1
                if connections == 1:
                    callback(bytearray(b"P=13"))
                    raise BleakError("gone")
                await sound(self, characteristic, callback, **kwargs)

            radio.client_backend.start_notify = cut
            link = SupervisedLink(GaugeSettings(name="g", advertised_name="Gauge"), layout, radio.as_radio())
            async with keep_diary(link) as diary:
                await diary.more(10)
                assert connections == 2
                assert set(diary.pressure_kpa.tolist()) == {134.5}

    run_driven(main())
