"""The virtual radio carries real ATT traffic, and does to it what its conditions say."""

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import numpy as np
import pytest
from bleak import BleakClient, BleakScanner
from bleak.exc import BleakError
from bleak.uuids import normalize_uuid_16

from gaugelink.gauge.layout import GaugeLayout
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import AirConditions, VirtualRadio, simulated_shop_radio
from simulators.radio_time import run_driven

SERVICE = "5a5a0000-0000-4000-8000-00000000c001"
FRAMES = "5a5a0000-0000-4000-8000-00000000c002"
LAYOUT = GaugeLayout.model_validate(
    {
        "name": "counted u16",
        "unit": "kPa",
        "rate_hz": 100.0,
        "listen": {"service": SERVICE, "characteristic": FRAMES},
        "sequence": {"at": 0, "format": "u16"},
        "pressure": {"at": 2, "format": "u16", "scale": 0.1, "count": "fit"},
    }
)


@asynccontextmanager
async def connected(
    radio: VirtualRadio, gauge: SimulatedGauge
) -> AsyncIterator[tuple[BleakClient, asyncio.Event, list[tuple[float, bytes]]]]:
    device = await BleakScanner.find_device_by_address(gauge.address, backend=radio.scanner_backend)
    assert device is not None
    gone = asyncio.Event()
    frames: list[tuple[float, bytes]] = []
    loop = asyncio.get_running_loop()
    async with BleakClient(device, lambda _client: gone.set(), backend=radio.client_backend) as client:
        await client.start_notify(FRAMES, lambda _from, data: frames.append((loop.time(), bytes(data))))
        yield client, gone, frames


def counters(frames: list[tuple[float, bytes]]) -> list[int]:
    return [struct.unpack_from("<H", frame)[0] for _, frame in frames]


def test_a_gauge_is_found_connected_read_and_heard_through_bleak() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge", battery_percent=73.0)
        async with simulated_shop_radio([gauge]) as radio:
            found = await BleakScanner.discover(2.0, return_adv=True, backend=radio.scanner_backend)
            device, advertisement = found[gauge.address]
            assert device.name == advertisement.local_name == "Left gauge"
            assert advertisement.service_uuids == [SERVICE]
            async with connected(radio, gauge) as (client, _gone, frames):
                # Battery Level: one byte, percent (Bluetooth assigned numbers 0x2A19).
                assert await client.read_gatt_char(normalize_uuid_16(0x2A19)) == bytes([73])
                await asyncio.sleep(1.0)
                assert len(frames) == 10
                assert np.diff(counters(frames)).tolist() == [1] * 9

    run_driven(main())


def test_a_frame_that_is_under_way_when_nobody_listens_any_more_is_dropped_in_silence(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, speed=None)
        async with simulated_shop_radio([gauge]) as radio, connected(radio, gauge) as (client, _gone, frames):
            feeding = asyncio.ensure_future(gauge.feed(np.arange(2000) / 100.0, np.full(2000, 400.0)))
            await asyncio.sleep(0.0)
            await client.stop_notify(FRAMES)
            heard = len(frames)
            feeding.cancel()
            assert len(frames) == heard

    run_driven(main())
    assert [record.getMessage() for record in caplog.records] == []


def test_a_fed_pressure_arrives_as_it_was_fed() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio, connected(radio, gauge) as (_client, _gone, frames):
            pressure = np.linspace(0.0, 900.0, 200)
            await gauge.feed(np.arange(200) / 100.0, pressure)
            await asyncio.sleep(0.2)
            raw = np.concatenate([np.frombuffer(frame, "<u2", offset=2) for _, frame in frames])
            start = int(np.argmax(raw > 0)) - 1
            assert np.abs(raw[start : start + 200] * 0.1 - pressure).max() <= 0.05 + 1e-9

    run_driven(main())


def test_feeding_at_another_rate_than_the_gauge_samples_is_refused() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        with pytest.raises(ValueError, match=r"50\.0 Hz; this gauge samples at 100\.0 Hz"):
            await gauge.feed(np.arange(10) / 50.0, np.zeros(10))

    run_driven(main())


def test_what_a_gauge_is_fed_while_it_is_off_is_gone() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio:
            feeding = asyncio.create_task(gauge.feed(np.arange(500) / 100.0, np.full(500, 300.0)))
            await asyncio.sleep(1.0)
            await gauge.switch_off()
            async with asyncio.timeout(1.0):
                await feeding
            began_s = loop.time()
            await gauge.feed(np.arange(300) / 100.0, np.full(300, 600.0))
            assert loop.time() - began_s == pytest.approx(3.0)
            await gauge.switch_on()
            async with connected(radio, gauge) as (_client, _gone, frames):
                await asyncio.sleep(10.0)
                assert len(frames) > 90
                assert all(set(frame[2:]) == {0} for _, frame in frames)

    run_driven(main())


@pytest.mark.parametrize(("mtu", "samples"), [(23, 9), (247, 10)])
def test_frames_fit_the_mtu(mtu: int, samples: int) -> None:
    # A notification carries MTU - 3 bytes: Core Specification, Vol 3 Part F, 3.4.7.1.
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio:
            radio.conditions.mtu = mtu
            async with connected(radio, gauge) as (client, _gone, frames):
                await asyncio.sleep(1.0)
                assert client.mtu_size == mtu
                assert {len(frame) for _, frame in frames[1:]} == {2 + 2 * samples}
                assert all(len(frame) <= mtu - 3 for _, frame in frames)

    run_driven(main())


def test_loss_loses_the_asked_share_and_nothing_else() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge], seed=3) as radio, connected(radio, gauge) as (_client, _gone, frames):
            radio.conditions.loss = 0.02
            await asyncio.sleep(400.0)
            seen = counters(frames)
            share = 1.0 - len(seen) / (seen[-1] - seen[0] + 1)
            # 4000 frames: the binomial standard deviation of the share is 0.0022.
            assert abs(share - 0.02) < 4 * 0.0022
            assert (np.diff(seen) > 0).all()

    run_driven(main())


def test_jitter_bunches_frames_and_keeps_their_order() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, samples_per_frame=1)
        async with simulated_shop_radio([gauge], seed=5) as radio, connected(radio, gauge) as (_client, _gone, frames):
            await asyncio.sleep(0.1)
            radio.conditions.interval_s, radio.conditions.jitter_s = 0.030, 0.020
            frames.clear()
            await asyncio.sleep(10.0)
            assert np.diff(counters(frames)).tolist() == [1] * (len(frames) - 1)
            phase = np.array([at for at, _ in frames]) / 0.030
            assert np.abs(phase - np.round(phase)).max() < 1e-6
            bursts = np.unique(np.round(phase), return_counts=True)[1]
            assert bursts.max() >= 4
            assert bursts.mean() == pytest.approx(3.0, abs=0.1)

    run_driven(main())


def test_delay_makes_every_frame_late() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio, connected(radio, gauge) as (_client, _gone, frames):
            await asyncio.sleep(1.05)
            before = [at for at, _ in frames][-5:]
            radio.conditions.delay_s = 0.25
            await asyncio.sleep(1.0)
            late = [at for at, _ in frames][-5:]
            period = before[1] - before[0]
            assert ((late[0] - before[0]) / period) % 1.0 == pytest.approx((0.25 / period) % 1.0, abs=1e-6)

    run_driven(main())


def test_silence_is_no_disconnect_and_answers_nothing() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio, connected(radio, gauge) as (client, gone, frames):
            await asyncio.sleep(1.0)
            radio.silence_connections()
            frames.clear()
            await asyncio.sleep(60.0)
            assert client.is_connected
            assert not gone.is_set()
            assert frames == []
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(5.0):
                    await client.read_gatt_char(normalize_uuid_16(0x2A19))

    run_driven(main())


def test_a_gauge_that_vanishes_is_noticed_after_the_supervision_time() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio:
            radio.conditions.supervision_timeout_s = 4.0
            async with connected(radio, gauge) as (client, gone, _frames):
                off_s = loop.time()
                await gauge.switch_off()
                await gone.wait()
                assert loop.time() - off_s == pytest.approx(4.0)
                assert not client.is_connected
                with pytest.raises(BleakError):
                    await client.read_gatt_char(FRAMES)

    run_driven(main())


def test_a_read_that_is_cut_off_by_a_disconnect_is_a_bleak_error() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio, connected(radio, gauge) as (client, _gone, _frames):
            gauge_hears_nothing = asyncio.create_task(client.read_gatt_char(normalize_uuid_16(0x2A19)))
            await asyncio.sleep(0)
            await radio.drop_connections()
            with pytest.raises(BleakError):
                await gauge_hears_nothing

    run_driven(main())


def test_connects_hang_or_are_refused_on_demand() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio:
            device = await BleakScanner.find_device_by_address(gauge.address, backend=radio.scanner_backend)
            assert device is not None
            radio.conditions.refused_connects = 1
            client = BleakClient(device, backend=radio.client_backend, timeout=5.0)
            with pytest.raises(BleakError, match="refused"):
                await client.connect()
            radio.conditions.connect_hangs = True
            with pytest.raises(TimeoutError):
                await client.connect()
            radio.conditions.connect_hangs = False
            await client.connect()
            assert client.is_connected
            await client.disconnect()

    run_driven(main())


def test_a_gauge_comes_back_at_another_address() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Private gauge")
        async with simulated_shop_radio([gauge]) as radio:
            await gauge.switch_off()
            await gauge.switch_on(address="F0:5A:00:00:00:77")
            found = await BleakScanner.discover(2.0, backend=radio.scanner_backend)
            assert [device.address for device in found] == ["F0:5A:00:00:00:77"]

    run_driven(main())


def test_a_gauge_that_only_advertises_sends_its_frames_in_its_advertisements() -> None:
    layout = GaugeLayout.model_validate(
        {
            "name": "advertised",
            "unit": "kPa",
            "rate_hz": 5.0,
            "listen": {"how": "advertisement", "company_id": 0xFFFF},
            "pressure": {"at": 0, "format": "u16", "scale": 0.1},
        }
    )

    async def main() -> None:
        gauge = SimulatedGauge(layout)
        gauge.idle_kpa = 321.0
        async with simulated_shop_radio([gauge]) as radio:
            found = await BleakScanner.discover(2.0, return_adv=True, backend=radio.scanner_backend)
            _device, advertisement = found[gauge.address]
            assert struct.unpack("<H", advertisement.manufacturer_data[0xFFFF]) == (3210,)

    run_driven(main())


def test_the_same_seed_gives_the_same_run() -> None:
    async def main() -> list[tuple[float, bytes]]:
        gauge = SimulatedGauge(LAYOUT, noise_kpa=2.0, seed=9)
        conditions = AirConditions(loss=0.1, jitter_s=0.03)
        async with simulated_shop_radio([gauge], conditions=conditions, seed=4) as radio:
            # The second connection is as good as the first.
            async with connected(radio, gauge):
                await asyncio.sleep(1.0)
            async with connected(radio, gauge) as (_client, _gone, frames):
                await asyncio.sleep(20.0)
                return frames

    assert run_driven(main()) == run_driven(main())


def test_closing_the_radio_leaves_no_task_behind() -> None:
    async def main() -> None:
        before = asyncio.all_tasks()
        gauge = SimulatedGauge(LAYOUT)
        async with simulated_shop_radio([gauge]) as radio, connected(radio, gauge):
            await asyncio.sleep(1.0)
        await asyncio.sleep(0.1)
        assert asyncio.all_tasks() == before

    run_driven(main())
