"""Bleak's own Linux code against the stand-in for org.bluez: no backend is given anywhere here.

Time is the machine's own: D-Bus goes between processes. Everything waits for what happens, for at most seconds.
"""

import asyncio
import os
import struct
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import numpy as np
import pytest
from bleak import BleakClient, BleakScanner
from bleak.exc import BleakGATTProtocolError
from dbus_fast import Message
from dbus_fast.aio import MessageBus

from gaugelink.gauge.adapter import ADVICE, AdapterFault, check_adapter
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.supervisor import SupervisedLink, Timing
from simulators.bluez.bus import BUS_VARIABLE, private_bus
from simulators.bluez.service import BluezStandIn
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import VirtualRadio, simulated_shop_radio
from simulators.radio_diary import keep_diary

FRAMES = "5a5a0000-0000-4000-8000-00000000c002"
CONTROL = "5a5a0000-0000-4000-8000-00000000c0ff"
LAYOUT = GaugeLayout.model_validate(
    {
        "name": "counted u16",
        "unit": "kPa",
        "rate_hz": 200.0,
        "listen": {
            "service": "5a5a0000-0000-4000-8000-00000000c001",
            "characteristic": FRAMES,
            "startup": [{"characteristic": CONTROL, "hex": "a501"}],
        },
        "sequence": {"at": 0, "format": "u16"},
        "pressure": {"at": 2, "format": "u16", "scale": 0.1, "count": "fit"},
    }
)
QUICK = Timing(window_s=2.0, settle_s=0.2, asleep_s=0.6, first_wait_s=0.05, longest_wait_s=0.2, first_frame_s=1.0)
LIMIT_S = 30.0


@asynccontextmanager
async def linux_shop(
    patch: pytest.MonkeyPatch, gauge: SimulatedGauge, **options: Any
) -> AsyncIterator[tuple[VirtualRadio, BluezStandIn]]:
    async with (
        private_bus() as address,
        simulated_shop_radio([gauge]) as radio,
        BluezStandIn(address, radio, **options) as bluez,
    ):
        radio.conditions.supervision_timeout_s = 0.2
        patch.setenv(BUS_VARIABLE, address)
        yield radio, bluez


def link_to(radio: Radio | None = None, **settings: Any) -> SupervisedLink:
    told = {"name": "left", "advertised_name": "Left gauge"} | settings
    return SupervisedLink(GaugeSettings.model_validate(told), LAYOUT, radio or Radio(), timing=QUICK)


@pytest.mark.parametrize(
    ("radio", "way"),
    [(Radio(), "StartNotify"), (Radio(acquire_notify=True), "AcquireNotify"), (Radio(adapter="hci0"), "StartNotify")],
    ids=["StartNotify", "AcquireNotify", "named adapter"],
)
async def test_a_gauge_is_found_heard_lost_and_found_again(
    monkeypatch: pytest.MonkeyPatch, radio: Radio, way: str
) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge", battery_percent=61.0)
    async with linux_shop(monkeypatch, gauge) as (virtual, bluez), keep_diary(link_to(radio)) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        pressure = np.linspace(0.0, 900.0, 100)
        await gauge.feed(np.arange(100) / 200.0, pressure)
        await diary.more(2, LIMIT_S)
        start = int(np.argmax(diary.pressure_kpa > 0)) - 1
        assert np.abs(diary.pressure_kpa[start : start + 100] - pressure).max() <= 0.05 + 1e-9
        assert diary.lost == 0
        assert way in bluez.calls
        await diary.until(lambda: diary.state.battery_percent == 61.0, LIMIT_S)
        await virtual.drop_connections()
        await diary.until_phase(LinkPhase.LOST, LIMIT_S)
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await diary.more(5, LIMIT_S)
        assert diary.state.counts.reconnects == 1
        assert diary.lost > 0
        assert (np.diff(diary.time_s) > 0).all()
    assert bluez.calls[-1] == "Disconnect"


async def test_a_silent_link_is_dropped_and_found_again(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (virtual, _bluez), keep_diary(link_to()) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await diary.more(10, LIMIT_S)
        virtual.silence_connections()
        await diary.until_phase(LinkPhase.SILENT, LIMIT_S)
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)


async def test_a_gauge_switched_off_falls_asleep_and_wakes_at_another_address(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (_virtual, _bluez), keep_diary(link_to()) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await gauge.switch_off()
        await diary.until_phase(LinkPhase.ASLEEP, LIMIT_S)
        await gauge.switch_on(address="F0:5A:00:00:00:77")
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        assert diary.state.address == "F0:5A:00:00:00:77"


async def test_a_gauge_is_found_after_bluez_has_forgotten_it(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge, keep_s=0.2) as (_virtual, bluez), keep_diary(link_to()) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        path = f"{bluez.adapter_path}/dev_F0_5A_00_00_00_01"
        assert path in bluez.tree
        await gauge.switch_off()
        await diary.until_phase(LinkPhase.ASLEEP, LIMIT_S)
        await bluez.until(lambda: path not in bluez.tree)
        await gauge.switch_on()
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)


@pytest.mark.parametrize(
    ("member", "error", "words"),
    [
        ("StartDiscovery", "org.bluez.Error.InProgress", ADVICE[AdapterFault.BUSY]),
        ("StartDiscovery", "org.bluez.Error.NotReady", ADVICE[AdapterFault.OFF]),
        ("Connect", "org.bluez.Error.NotReady", ADVICE[AdapterFault.OFF]),
        ("Connect", "org.bluez.Error.InProgress", ADVICE[AdapterFault.BUSY]),
        ("StartNotify", "org.bluez.Error.Failed", "org.bluez.Error.Failed"),
    ],
)
async def test_an_error_of_bluez_is_told_and_tried_again(
    monkeypatch: pytest.MonkeyPatch, member: str, error: str, words: str
) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (_virtual, bluez):
        bluez.fail_next(member, error, "as the test wants it", times=2)
        async with keep_diary(link_to()) as diary:
            await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
            assert any(words in fault for fault in diary.faults)
            assert diary.state.faults == ()
            assert bluez.calls.count(member) == 3


async def test_an_adapter_that_is_switched_off_is_told_and_its_return_is_noticed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (_virtual, bluez), keep_diary(link_to()) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await bluez.power(False)
        await diary.until(lambda: diary.state.faults == (ADVICE[AdapterFault.OFF],), LIMIT_S)
        await bluez.power(True)
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        assert diary.state.faults == ()


async def test_what_is_wrong_with_the_adapter_is_said_with_the_way_out(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT)
    async with linux_shop(monkeypatch, gauge) as (_virtual, bluez):
        assert await check_adapter(Radio()) is None
        await bluez.power(False)
        assert await check_adapter(Radio()) == ADVICE[AdapterFault.OFF]
        assert await check_adapter(Radio(adapter="hci7")) == ADVICE[AdapterFault.ABSENT]


async def test_a_machine_without_an_adapter(monkeypatch: pytest.MonkeyPatch) -> None:
    async with linux_shop(monkeypatch, SimulatedGauge(LAYOUT), with_adapter=False):
        assert await check_adapter(Radio()) == ADVICE[AdapterFault.ABSENT]


async def test_a_bus_without_the_bluetooth_service(monkeypatch: pytest.MonkeyPatch) -> None:
    async with private_bus() as address:
        monkeypatch.setenv(BUS_VARIABLE, address)
        assert await check_adapter(Radio()) == ADVICE[AdapterFault.SERVICE_NOT_RUNNING]


async def test_a_machine_without_a_bus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(BUS_VARIABLE, "unix:path=/nonexistent/bus")
    assert await check_adapter(Radio()) == ADVICE[AdapterFault.BUS_NOT_RUNNING]


async def names_on(address: str) -> set[str]:
    bus = await MessageBus(bus_address=address).connect()
    reply = await bus.call(
        Message(
            destination="org.freedesktop.DBus",
            path="/org/freedesktop/DBus",
            interface="org.freedesktop.DBus",
            member="ListNames",
        )
    )
    bus.disconnect()
    await bus.wait_for_disconnect()
    return set(reply.body[0]) - {bus.unique_name}


async def test_reconnecting_leaves_no_bus_connection_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (virtual, _bluez), keep_diary(link_to()) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await diary.more(2, LIMIT_S)
        address = os.environ[BUS_VARIABLE]
        before = len(await names_on(address))
        for _ in range(4):
            await virtual.drop_connections()
            await diary.until_phase(LinkPhase.LOST, LIMIT_S)
            await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await diary.more(2, LIMIT_S)
        # The short-lived connection that reads the battery may be there or not.
        assert abs(len(await names_on(address)) - before) <= 1


async def test_a_crash_of_the_bluetooth_service_is_survived(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (virtual, bluez), keep_diary(link_to()) as diary:
        await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
        await diary.more(5, LIMIT_S)
        await bluez.crash()
        # Nothing tells bleak: to it the gauge is connected still, and silent.
        await diary.until(lambda: diary.state.faults == (ADVICE[AdapterFault.SERVICE_NOT_RUNNING],), LIMIT_S)
        async with BluezStandIn(os.environ[BUS_VARIABLE], virtual):
            await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
            await diary.more(5, LIMIT_S)
            assert diary.state.faults == ()


HOLDER = """
import asyncio, bleak

async def main():
    device = await bleak.BleakScanner.find_device_by_name("Left gauge", timeout=30)
    client = bleak.BleakClient(device)
    await client.connect()
    await client.start_notify("%s", lambda _from, _data: None)
    print("connected", flush=True)
    await asyncio.Event().wait()

asyncio.run(main())
"""


async def test_a_gauge_that_a_killed_program_left_connected_is_taken_over(monkeypatch: pytest.MonkeyPatch) -> None:
    # BlueZ does not disconnect what a program that crashed had connected (bluez issue 89), and a connected gauge
    # does not advertise: a scan alone would never find it again.
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (_virtual, bluez):
        holder = await asyncio.create_subprocess_exec(
            sys.executable, "-c", HOLDER % FRAMES, stdout=asyncio.subprocess.PIPE
        )
        assert holder.stdout is not None
        assert (await holder.stdout.readline()).strip() == b"connected"
        holder.kill()
        await holder.communicate()
        assert gauge.is_connected
        async with keep_diary(link_to()) as diary:
            await diary.until_phase(LinkPhase.STREAMING, LIMIT_S)
            assert diary.state.address == gauge.address
            assert diary.state.rssi_dbm is None
        assert bluez.calls.count("Connect") == 1


async def test_closing_cancels_a_connect_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    gauge = SimulatedGauge(LAYOUT, name="Left gauge")
    async with linux_shop(monkeypatch, gauge) as (virtual, bluez):
        virtual.conditions.connect_hangs = True
        async with keep_diary(link_to()) as diary:
            await diary.until_phase(LinkPhase.CONNECTING, LIMIT_S)
            await bluez.until(lambda: "Connect" in bluez.calls)
        assert diary.phases[-1] is LinkPhase.STOPPED
        assert bluez.calls[-1] == "Disconnect"


async def test_the_gatt_objects_are_what_bluez_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    presentation = struct.pack("<BbHBH", 0x06, -1, 0x2724, 1, 0)
    gauge = SimulatedGauge(LAYOUT, name="Left gauge", presentation=presentation)
    async with linux_shop(monkeypatch, gauge) as (_virtual, bluez):
        device = await BleakScanner.find_device_by_name("Left gauge", timeout=LIMIT_S)
        assert device is not None
        async with BleakClient(device) as client:
            services = {service.uuid[4:8] for service in client.services}
            # Generic Access and Battery are BlueZ's own: doc/org.bluez.Battery.rst and bleak's issue 104.
            assert services == {"1801", "0000"}
            frames = client.services.get_characteristic(FRAMES)
            assert frames is not None
            assert set(frames.properties) == {"read", "notify"}
            assert frames.max_write_without_response_size == 247 - 3
            (descriptor,) = frames.descriptors
            assert descriptor.uuid.startswith("00002904")
            assert await client.read_gatt_descriptor(descriptor) == presentation
            await client.write_gatt_char(CONTROL, b"\x01\x02", response=True)
            await client.write_gatt_char(CONTROL, b"\x03", response=False)
            await client.write_gatt_char(CONTROL, b"\x04", response=True)
            assert gauge.written == [(CONTROL, b"\x01\x02"), (CONTROL, b"\x03"), (CONTROL, b"\x04")]
            with pytest.raises(BleakGATTProtocolError, match="Read Not Permitted"):
                await client.read_gatt_char(CONTROL)
        assert "StopDiscovery" in bluez.calls


async def test_a_program_is_run_on_the_stand_in() -> None:
    program = "import asyncio, bleak; print([device.name for device in asyncio.run(bleak.BleakScanner.discover(1.0))])"
    command = [sys.executable, "-m", "simulators.bluez", "--name", "Bench gauge", "--", sys.executable, "-c", program]
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    assert out.decode().strip() == "['Bench gauge']"
