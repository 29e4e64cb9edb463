"""The link supervisor on the virtual radio: found, lost, found again, whatever the radio does."""

import asyncio

import numpy as np
import pytest

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.gatt_frames import FrameWriter
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import AirConditions, simulated_shop_radio
from simulators.radio_diary import keep_diary
from simulators.radio_time import DrivenLoop, run_driven
from tests.gauge.supervised import FRAMES, LAYOUT, link_to


def test_samples_arrive_whole_and_in_order_with_the_battery() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge", battery_percent=64.0)
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            pressure = np.linspace(0.0, 900.0, 300)
            await gauge.feed(np.arange(300) / 100.0, pressure)
            await diary.more(3)
            start = int(np.argmax(diary.pressure_kpa > 0)) - 1
            assert np.abs(diary.pressure_kpa[start : start + 300] - pressure).max() <= 0.05 + 1e-9
            assert (np.diff(diary.time_s) > 0).all()
            assert diary.lost == 0
            assert diary.state.battery_percent == 64.0
        assert diary.phases == [
            LinkPhase.SEARCHING, LinkPhase.CONNECTING, LinkPhase.STREAMING, LinkPhase.STOPPED,
        ]  # fmt: skip

    run_driven(main())


def test_a_link_that_dies_silently_is_dropped_and_found_again() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(20)
            silent_s = loop.time()
            radio.silence_connections()
            await diary.until_phase(LinkPhase.SILENT)
            # Frames come every 100 ms: twenty of them missing is a dead link.
            assert loop.time() - silent_s == pytest.approx(2.0, abs=0.2)
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(20)
            assert loop.time() - silent_s < 7.0
            # What was not heard is counted where it is missing: sample times and losses agree.
            expected = round((diary.time_s[-1] - diary.time_s[0]) * 100.0) + 1
            assert len(diary.time_s) + diary.lost == pytest.approx(expected, abs=2)
            assert diary.state.counts.reconnects == 1
        assert LinkPhase.LOST in diary.phases

    run_driven(main())


def test_a_process_that_stood_still_does_not_take_that_for_the_silence_of_the_gauge() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, DrivenLoop)
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            for stands_still_s in (1.0, 2.5, 30.0):
                await diary.more(20)
                loop.stand_still(stands_still_s)
            await diary.more(20)
            assert diary.lost == 0
            # A link that dies is still noticed.
            radio.silence_connections()
            await diary.until_phase(LinkPhase.SILENT)
        assert diary.phases[:4] == [
            LinkPhase.SEARCHING, LinkPhase.CONNECTING, LinkPhase.STREAMING, LinkPhase.SILENT,
        ]  # fmt: skip

    run_driven(main())


def test_a_gauge_switched_off_is_asleep_and_comes_back_when_it_is_switched_on() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(5)
            await gauge.switch_off()
            off_s = loop.time()
            await diary.until_phase(LinkPhase.ASLEEP)
            assert loop.time() - off_s == pytest.approx(15.0, abs=1.0)
            assert diary.state.faults == ("Gauge 'left' is asleep or switched off. Wake it or switch it on.",)
            await asyncio.sleep(600.0)
            assert diary.state.phase is LinkPhase.ASLEEP
            await gauge.switch_on()
            on_s = loop.time()
            await diary.until_phase(LinkPhase.STREAMING)
            assert loop.time() - on_s < 3.0
            assert diary.state.faults == ()

    run_driven(main())


@pytest.mark.parametrize("mtu", [23, 247])
def test_nothing_is_lost_at_either_mtu(mtu: int) -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        air = AirConditions(mtu=mtu)
        async with simulated_shop_radio([gauge], conditions=air) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            pressure = np.linspace(0.0, 900.0, 500)
            await gauge.feed(np.arange(500) / 100.0, pressure)
            await diary.more(3)
            start = int(np.argmax(diary.pressure_kpa > 0)) - 1
            assert np.abs(diary.pressure_kpa[start : start + 500] - pressure).max() <= 0.05 + 1e-9
            assert max(len(batch.time_s) for batch in diary.batches) == (10 if mtu == 247 else 9)
            assert diary.lost == 0

    run_driven(main())


def test_a_frame_that_does_not_fit_the_mtu_is_counted_short_and_never_becomes_pressure() -> None:
    fixed = GaugeLayout.model_validate(LAYOUT.model_dump() | {"pressure": LAYOUT.pressure.model_dump() | {"count": 40}})  # type: ignore[union-attr]

    async def main() -> None:
        gauge = SimulatedGauge(fixed, name="Left gauge")
        air = AirConditions(mtu=23)
        async with simulated_shop_radio([gauge], conditions=air) as radio, keep_diary(link_to(radio, fixed)) as diary:
            await diary.until(lambda: bool(diary.states) and diary.state.counts.short >= 5)
            (fault,) = diary.state.faults
            assert "5 too short" in fault
            assert f"gaugelink inspect {gauge.address}" in fault
            await diary.until(lambda: diary.state.counts.short > 20)
            assert diary.batches == []
            assert LinkPhase.STREAMING not in diary.phases

    run_driven(main())


@pytest.mark.parametrize("sends", ["steady", "on_change"])
def test_a_gauge_that_sends_something_else_in_the_middle_of_a_connection_is_told_and_taken_again(sends: str) -> None:
    """A key on the gauge, or a reset, and its frames are others: nothing that is pulled then would be seen."""
    proven = LAYOUT.model_dump() | {"checksum": {"kind": "sum", "at": -1}}
    layout = GaugeLayout.model_validate(proven)
    other = GaugeLayout.model_validate(proven | {"checksum": {"kind": "sum", "at": -1, "seed": 7}})

    async def main() -> None:
        gauge = SimulatedGauge(layout, name="Left gauge")
        air = simulated_shop_radio([gauge])
        async with air as radio, keep_diary(link_to(radio, layout, sends=sends)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(30)
            usual, gauge._writer = gauge._writer, FrameWriter(other, 10)
            changed_s = asyncio.get_running_loop().time()
            await diary.until(lambda: any("fits its layout" in fault for fault in diary.state.faults))
            assert asyncio.get_running_loop().time() - changed_s < 4.0
            assert diary.state.phase is not LinkPhase.STREAMING
            (fault,) = diary.state.faults
            assert f"gaugelink inspect {gauge.address}" in fault
            gauge._writer = usual
            await diary.until_phase(LinkPhase.STREAMING)
            assert diary.state.faults == ()

    run_driven(main())


def test_a_disconnect_in_the_middle_of_an_event_shows_as_lost_samples() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(30)
            event = np.linspace(100.0, 1000.0, 600)
            async with asyncio.TaskGroup() as group:
                group.create_task(gauge.feed(np.arange(600) / 100.0, event))
                await asyncio.sleep(2.0)
                await radio.drop_connections()
            await diary.more(10)
            fed = diary.pressure_kpa > 50.0
            missing = 600 - int(np.count_nonzero(fed))
            assert missing > 20
            # The gauge's counter goes on, so the loss is known to the sample once the clock is sure again.
            assert diary.lost == pytest.approx(missing, abs=3)
            (gap,) = (batch for batch in diary.batches if batch.lost_before)
            assert 100.0 < gap.pressure_kpa[0] < 1000.0
            assert (np.diff(diary.time_s) > 0).all()
            # The time across the gap is right too: the event's end is where it should be.
            at = {round(kpa, 1): time_s for kpa, time_s in zip(diary.pressure_kpa, diary.time_s, strict=True)}
            assert at[round(event[-1], 1)] - at[round(event[10], 1)] == pytest.approx(5.89, abs=0.03)

    run_driven(main())


def test_waits_grow_while_a_gauge_refuses_and_start_anew_when_it_streamed() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            radio.conditions.refused_connects = 12
            await diary.until_phase(LinkPhase.STREAMING, 200.0)
            tries = [at_s for at_s, state in diary.states if state.phase is LinkPhase.CONNECTING]
            tries = [at_s for number, at_s in enumerate(tries) if number == 0 or at_s - tries[number - 1] > 0.01]
            gaps = np.diff(tries)
            assert gaps[0] < 1.0
            assert gaps.max() > 2.5
            assert gaps.max() < 5.0 + 2.0
            assert any("refused" in fault for fault in diary.faults)
            assert diary.state.faults == ()
            await diary.more(5)
            lost_s = asyncio.get_running_loop().time()
            await radio.drop_connections()
            await diary.until_phase(LinkPhase.LOST)
            await diary.until_phase(LinkPhase.STREAMING)
            assert asyncio.get_running_loop().time() - lost_s < 2.0

    run_driven(main())


def test_a_gauge_without_the_characteristic_is_told_to_be_inspected() -> None:
    async def main() -> None:
        other = LAYOUT.listen.model_copy(update={"characteristic": "5a5a0000-0000-4000-8000-00000000ffff"})
        gauge = SimulatedGauge(LAYOUT.model_copy(update={"listen": other}), name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until(lambda: bool(diary.faults))
            (fault,) = diary.faults
            assert FRAMES in fault
            assert f"gaugelink inspect {gauge.address}" in fault

    run_driven(main())


def test_a_low_battery_is_a_fault_that_goes_away_with_a_new_battery() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge", battery_percent=12.0)
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until(lambda: bool(diary.faults))
            assert diary.state.faults == ("The battery of gauge 'left' is at 12 %. Change or charge it.",)
            await gauge.set_battery(100.0)
            await diary.until(lambda: diary.state.faults == (), 120.0)
            assert diary.state.battery_percent == 100.0

    run_driven(main())


def test_several_gauges_share_one_radio() -> None:
    async def main() -> None:
        gauges = [
            SimulatedGauge(LAYOUT, name=f"Gauge {number}", address=f"F0:5A:00:00:00:0{number}")
            for number in range(1, 5)
        ]
        async with simulated_shop_radio(gauges[:3]) as virtual:
            radio = virtual.as_radio()
            loop = asyncio.get_running_loop()
            links = [
                SupervisedLink(
                    GaugeSettings(name=f"g{number}", advertised_name=f"Gauge {number}"), LAYOUT, radio, clock=loop.time
                )
                for number in range(1, 5)
            ]
            async with (
                keep_diary(links[0]) as one,
                keep_diary(links[1]) as two,
                keep_diary(links[2]) as three,
                keep_diary(links[3]) as away,
            ):
                for diary in (one, two, three):
                    await diary.until_phase(LinkPhase.STREAMING)
                    await diary.more(5)
                # The fourth is searched for all the time and does not keep the others from coming back.
                await virtual.drop_connections()
                for diary in (one, two, three):
                    await diary.until_phase(LinkPhase.STREAMING)
                assert away.phases == [LinkPhase.SEARCHING]
                await virtual.add(gauges[3])
                await away.until_phase(LinkPhase.STREAMING)

    run_driven(main())
