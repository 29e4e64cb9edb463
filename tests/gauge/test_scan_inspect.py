"""Looking into one device: the tree, the values, the live view and the recording."""

import asyncio
import struct
from pathlib import Path

import numpy as np
import pytest

from gaugelink.errors import GaugeError, RecordingError
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.inspect import Inspector, candidate_numbers
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.recording import read_recording, replay
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import simulated_shop_radio
from simulators.radio_time import run_driven

FRAMES = "5a5a0000-0000-4000-8000-00000000c002"
CONTROL = "5a5a0000-0000-4000-8000-00000000c0ff"
LAYOUT = GaugeLayout.model_validate(
    {
        "name": "counted u16",
        "unit": "kPa",
        "rate_hz": 50.0,
        "listen": {"service": "5a5a0000-0000-4000-8000-00000000c001", "characteristic": FRAMES},
        "sequence": {"at": 0, "format": "u8"},
        "pressure": {"at": 1, "format": "u16", "scale": 0.1, "count": 5},
    }
)


def test_the_tree_has_standard_names_and_values() -> None:
    presentation = struct.pack("<BbHBH", 0x06, -1, 0x2724, 1, 0)

    async def main() -> None:
        gauge = SimulatedGauge(
            LAYOUT, name="Left gauge", battery_percent=44.0, presentation=presentation, description="cylinder pressure"
        )
        async with simulated_shop_radio([gauge]) as radio, Inspector(gauge.address, radio.as_radio()) as device:
            tree = await device.tree()
            by_uuid = {found.value.uuid: found for service in tree for found in service.characteristics}
            # Names: Bluetooth assigned numbers, by bleak's tables.
            assert [service.name for service in tree][:2] == ["Generic Access Profile", "Generic Attribute Profile"]
            battery = by_uuid["00002a19-0000-1000-8000-00805f9b34fb"]
            assert battery.value.name == "Battery Level"
            assert battery.value.value == bytes([44])
            assert battery.properties == ("notify", "read")
            descriptors = {each.name: each.value for each in by_uuid[FRAMES].descriptors}
            assert descriptors["Characteristic Presentation Format"] == presentation
            assert descriptors["Characteristic User Description"] == b"cylinder pressure"
            # Service Changed can only be indicated: it has no value to read.
            changed = by_uuid["00002a05-0000-1000-8000-00805f9b34fb"]
            assert changed.value.value is None
            assert changed.value.error is None

    run_driven(main())


def test_a_device_is_found_by_its_name_too() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, Inspector("Left gauge", radio.as_radio()) as device:
            assert device.address == gauge.address

    run_driven(main())


def test_a_device_that_is_not_there_is_said() -> None:
    async def main() -> None:
        async with simulated_shop_radio([]) as radio:
            with pytest.raises(GaugeError, match=r"F0:5A:00:00:00:01 was not seen in 8 s.*gaugelink scan"):
                async with Inspector("F0:5A:00:00:00:01", radio.as_radio()):
                    pass

    run_driven(main())


def test_the_live_view_shows_bytes_and_candidate_numbers() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        gauge.idle_kpa = 1234.5
        async with simulated_shop_radio([gauge]) as radio, Inspector(gauge.address, radio.as_radio()) as device:
            seen = [value async for value in device.watch(2.0)]
            # 50 samples a second, five to a frame.
            assert 19 <= len(seen) <= 21
            assert {value.characteristic for value in seen} == {FRAMES}
            last = seen[-1]
            assert last.hex.split()[1:3] == ["39", "30"]
            assert any(
                each.at == 1 and each.format == "u16" and each.byte_order == "little" and each.number == 12345
                for each in last.candidates
            )

    run_driven(main())


def test_a_watch_ends_when_the_device_goes_away() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, Inspector(gauge.address, radio.as_radio()) as device:
            began_s = loop.time()
            asyncio.get_running_loop().call_later(1.0, lambda: asyncio.ensure_future(radio.drop_connections()))
            seen = [value async for value in device.watch(600.0)]
            assert 9 <= len(seen) <= 11
            assert loop.time() - began_s < 2.0
            with pytest.raises(GaugeError, match="not connected any more"):
                await device.tree()

    run_driven(main())


def test_a_stated_write_makes_a_gauge_begin() -> None:
    told = LAYOUT.model_dump() | {
        "listen": LAYOUT.listen.model_dump() | {"startup": [{"characteristic": CONTROL, "hex": "a501"}]}
    }

    async def main() -> None:
        gauge = SimulatedGauge(GaugeLayout.model_validate(told), name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, Inspector(gauge.address, radio.as_radio()) as device:
            assert [value async for value in device.watch(1.0)] == []
            await device.write(CONTROL, b"\xa5\x01")
            assert len([value async for value in device.watch(1.0)]) > 5
            with pytest.raises(GaugeError, match="no characteristic"):
                await device.write("5a5a0000-0000-4000-8000-00000000dead", b"")

    run_driven(main())


@pytest.mark.parametrize("name", ["", "x" * 300])
def test_a_name_that_no_device_can_have_is_told(name: str) -> None:
    async def main() -> None:
        async with simulated_shop_radio([]) as radio, Inspector(name, radio.as_radio()):
            pass

    with pytest.raises(GaugeError, match="give an address or a name"):
        run_driven(main())


def test_a_recording_that_is_broken_off_is_whole_as_far_as_it_came_and_counted(tmp_path: Path) -> None:
    path, saved = tmp_path / "left.jsonl", dict[Path, int]()

    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, Inspector(gauge.address, radio.as_radio()) as device:
            recording = asyncio.create_task(device.record(path, 60.0, saved=saved))
            await asyncio.sleep(2.0)
            recording.cancel()
            with pytest.raises(asyncio.CancelledError):
                await recording

    run_driven(main())
    assert saved == {path: len(read_recording(path).frames)}
    assert saved[path] > 5


def test_a_recording_replays_to_what_the_gauge_sent(tmp_path: Path) -> None:
    path = tmp_path / "left.jsonl"

    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, Inspector(gauge.address, radio.as_radio()) as device:
            feeding = asyncio.create_task(gauge.feed(np.arange(100) / 50.0, np.full(100, 777.7)))
            assert await device.record(path, 3.0, note="held at 777.7 kPa") == {path: 30}
            await feeding
            with pytest.raises(RecordingError, match=r"left\.jsonl"):
                await device.record(path, 1.0)

    run_driven(main())
    recording = read_recording(path)
    assert recording.header.gauge == "F0:5A:00:00:00:01"
    assert recording.header.characteristic == FRAMES
    assert recording.header.note == "held at 777.7 kPa"
    batches = replay(recording, FrameReader("left", LAYOUT))
    pressure = np.concatenate([batch.pressure_kpa for batch in batches])
    assert np.count_nonzero(np.abs(pressure - 777.7) < 0.051) >= 95


def test_candidates_are_what_the_bytes_may_hold() -> None:
    def numbers(payload: bytes) -> set[tuple[int, str, str, float]]:
        return {(each.at, each.format, each.byte_order, each.number) for each in candidate_numbers(payload)}

    assert (0, "u16", "big", 258.0) in numbers(b"\x01\x02")
    assert (0, "u16", "little", 513.0) in numbers(b"\x01\x02")
    assert (1, "s16", "little", -2.0) in numbers(b"\x00\xfe\xff")
    assert (0, "f32", "big", 1.5) in numbers(struct.pack(">f", 1.5))
    assert (0, "text", "", 145.2) in numbers(b"P 145.2 psi\r\n")
    assert numbers(b"") == set()
    # A number that is no number is none: NaN and infinity are left out.
    assert not any(kind == "f32" for _, kind, _, _ in numbers(struct.pack("<f", float("inf"))) if kind == "f32")
