"""Scanning: who is near, what looks like a gauge, and what is wrong when nothing is heard."""

import asyncio
from contextlib import aclosing
from pathlib import Path

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
)

from gaugelink.gauge.adapter import (
    ADVICE,
    AdapterFault,
    KernelSwitches,
    adapter_fault,
    check_adapter,
    explain_radio_error,
    kernel_switches,
)
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.scan import evidence_of_pressure, scan, scan_live, service_name
from gaugelink.gauge.standard import environmental_pressure
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import AirConditions, simulated_shop_radio
from simulators.radio_time import run_driven

PLAIN = GaugeLayout.model_validate(
    {
        "name": "plain",
        "unit": "kPa",
        "rate_hz": 10.0,
        "listen": {"service": "5a5a0000-0000-4000-8000-00000000c001", "characteristic": "ff02"},
        "pressure": {"at": 0, "format": "u16", "scale": 0.1},
    }
)
ADVERTISED = GaugeLayout.model_validate(PLAIN.model_dump() | {"listen": {"how": "advertisement", "company_id": 0xFFFF}})


def test_a_scan_lists_likely_gauges_first_and_says_why() -> None:
    async def main() -> None:
        gauges = [
            SimulatedGauge(PLAIN, name="Thermometer", address="F0:5A:00:00:00:01"),
            SimulatedGauge(PLAIN, name="Workshop gauge", address="F0:5A:00:00:00:02"),
            SimulatedGauge(environmental_pressure(), name="XY-1", address="F0:5A:00:00:00:03", rate_hz=10.0),
            SimulatedGauge(ADVERTISED, name="Beacon", address="F0:5A:00:00:00:04"),
        ]
        async with simulated_shop_radio(gauges) as radio:
            found = {device.address[-1]: device for device in await scan(radio.as_radio(), 3.0)}
            assert [device.looks_like_pressure for device in found.values()] == [True, True, False, False]
            assert found["2"].why == ("its name speaks of pressure",)
            assert found["3"].why == ("it advertises the Environmental Sensing service, which may hold a pressure",)
            # 0x181A: Bluetooth assigned numbers, service UUIDs.
            assert found["3"].service_names == ("Environmental Sensing",)
            assert found["1"].services == (PLAIN.listen.service,)
            assert found["4"].companies == (0xFFFF,)
            assert all(-62 <= device.rssi_dbm <= -54 for device in found.values())
            # One advertisement in 100 ms, over three seconds.
            assert all(25 <= device.advertisements <= 65 for device in found.values())

    run_driven(main())


def test_a_live_scan_grows_as_gauges_are_switched_on_and_stops_scanning_when_it_is_left() -> None:
    async def main() -> None:
        first = SimulatedGauge(PLAIN, name="First gauge")
        second = SimulatedGauge(PLAIN, name="Second gauge", address="F0:5A:00:00:00:02")
        async with simulated_shop_radio([first]) as virtual:
            radio = virtual.as_radio()
            async with aclosing(scan_live(radio, 60.0)) as lists:
                assert [device.name for device in await anext(lists)] == ["First gauge"]
                await virtual.add(second)
                assert {device.name for device in await anext(lists)} == {"First gauge", "Second gauge"}
            tasks = len(asyncio.all_tasks())
            await asyncio.sleep(5.0)
            assert len(asyncio.all_tasks()) == tasks

    run_driven(main())


def test_nothing_near_is_an_empty_list() -> None:
    async def main() -> None:
        conditions = AirConditions(out_of_reach=True)
        async with simulated_shop_radio([SimulatedGauge(PLAIN)], conditions=conditions) as radio:
            assert await scan(radio.as_radio(), 5.0) == []

    run_driven(main())


@pytest.mark.parametrize(
    ("name", "telling"),
    [
        ("Pressure 01", True),
        ("GAUGE-7", True),
        ("psi meter", True),
        ("test bar", True),
        ("Barometric", False),
        ("Lamp", False),
        (None, False),
    ],
)
def test_a_name_is_weighed(name: str | None, telling: bool) -> None:
    assert bool(evidence_of_pressure(name, ())) is telling


def test_services_are_named_by_the_assigned_numbers() -> None:
    assert service_name("0000180f-0000-1000-8000-00805f9b34fb") == "Battery Service"
    assert service_name("00002a6d-0000-1000-8000-00805f9b34fb") == "Pressure"
    assert service_name("0000ff42-0000-1000-8000-00805f9b34fb") == "0xFF42"
    assert service_name("5a5a0000-0000-4000-8000-00000000c001") == "5a5a0000-0000-4000-8000-00000000c001"


def not_available(reason: BleakBluetoothNotAvailableReason) -> BleakBluetoothNotAvailableError:
    return BleakBluetoothNotAvailableError("as the test wants it", reason)


NOTHING = KernelSwitches()


@pytest.mark.parametrize(
    ("error", "switches", "fault"),
    [
        (not_available(BleakBluetoothNotAvailableReason.NO_BLUETOOTH), NOTHING, AdapterFault.ABSENT),
        (not_available(BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE), NOTHING, AdapterFault.NOT_LOW_ENERGY),
        (not_available(BleakBluetoothNotAvailableReason.POWERED_OFF), NOTHING, AdapterFault.OFF),
        (not_available(BleakBluetoothNotAvailableReason.POWERED_OFF), KernelSwitches(soft=True), AdapterFault.BLOCKED),
        (
            not_available(BleakBluetoothNotAvailableReason.POWERED_OFF),
            KernelSwitches(soft=True, hard=True),
            AdapterFault.BLOCKED_BY_SWITCH,
        ),
        (not_available(BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM), NOTHING, AdapterFault.NO_PERMISSION),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", []), NOTHING, AdapterFault.NO_PERMISSION),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", []), NOTHING, AdapterFault.SERVICE_NOT_RUNNING),
        (BleakDBusError("org.bluez.Error.NotReady", []), NOTHING, AdapterFault.OFF),
        (BleakDBusError("org.bluez.Error.InProgress", []), NOTHING, AdapterFault.BUSY),
        (FileNotFoundError("/run/dbus/system_bus_socket"), NOTHING, AdapterFault.BUS_NOT_RUNNING),
        (PermissionError("denied"), NOTHING, AdapterFault.NO_PERMISSION),
        (BleakError("adapter 'hci3' not found"), NOTHING, AdapterFault.ABSENT),
        (BleakError("something else"), NOTHING, None),
        (TimeoutError(), NOTHING, None),
    ],
)
def test_each_fault_of_the_adapter_is_told_apart(
    error: Exception, switches: KernelSwitches, fault: AdapterFault | None
) -> None:
    assert adapter_fault(error, switches) is fault


def test_every_fault_has_advice_with_something_to_do() -> None:
    assert set(ADVICE) == set(AdapterFault)
    for advice in ADVICE.values():
        assert advice.count(". ") >= 1
        assert advice.endswith(".")


def test_other_errors_are_told_in_words() -> None:
    assert "did not answer in time" in explain_radio_error(TimeoutError())
    assert explain_radio_error(BleakError("odd thing")) == "The radio reports: odd thing"
    assert explain_radio_error(BleakError()) == "The radio reports: BleakError"


@pytest.mark.parametrize("code", [0x05, 0x08, 0x0C, 0x0F])
def test_a_gauge_that_wants_to_be_paired_is_told_so(code: int) -> None:
    # ATT error codes: Core Specification 5.4, Vol 3 Part F, table 3.4.
    assert "bluetoothctl pair" in explain_radio_error(BleakGATTProtocolError(code))
    assert "bluetoothctl pair" in explain_radio_error(BleakDBusError("org.bluez.Error.NotPermitted", ["Not paired"]))
    assert "bluetoothctl pair" not in explain_radio_error(BleakGATTProtocolError(0x0E))


def test_the_kernels_switches_are_read(tmp_path: Path) -> None:
    # Layout and values: Linux kernel documentation, ABI/stable/sysfs-class-rfkill.
    assert kernel_switches(tmp_path) == KernelSwitches(False, False)
    for number, (kind, soft, hard) in enumerate([("wlan", "1", "1"), ("bluetooth", "1", "0")]):
        place = tmp_path / f"rfkill{number}"
        place.mkdir()
        for name, text in (("type", kind), ("soft", soft), ("hard", hard)):
            (place / name).write_text(f"{text}\n")
    assert kernel_switches(tmp_path) == KernelSwitches(soft=True, hard=False)
    # An adapter that is being pulled out leaves half a directory for a moment.
    (tmp_path / "rfkill2").mkdir()
    assert kernel_switches(tmp_path) == KernelSwitches(soft=True, hard=False)


def test_a_working_radio_has_nothing_wrong() -> None:
    async def main() -> None:
        async with simulated_shop_radio([]) as radio:
            assert await check_adapter(radio.as_radio()) is None

    run_driven(main())


def test_a_scanner_that_went_deaf_is_started_anew_though_two_are_listening() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(PLAIN, name="Left gauge")
        async with simulated_shop_radio([gauge]) as virtual:
            starts: list[float] = []

            class Deaf(virtual.scanner_backend):  # type: ignore[name-defined, misc]
                async def start(self) -> None:
                    starts.append(loop.time())
                    await super().start()

                def hear(self, advertisement: object, rssi_dbm: int) -> None:
                    if len(starts) > 1:
                        super().hear(advertisement, rssi_dbm)

            radio = Radio(scanner_backend=Deaf)

            async def look(wait_s: float) -> float:
                await asyncio.sleep(wait_s)
                while await scan(radio, 8.0) == []:
                    pass
                return loop.time()

            began_s = loop.time()
            # The two windows overlap, so the scanner is never without a listener.
            found_s = await asyncio.gather(look(0.0), look(4.0))
            assert len(starts) == 2
            assert max(found_s) - began_s < 30.0

    run_driven(main())


def test_a_scanner_that_fails_is_explained_and_can_be_used_again() -> None:
    async def main() -> None:
        async with simulated_shop_radio([SimulatedGauge(PLAIN)]) as virtual:
            broken = True

            class Failing(virtual.scanner_backend):  # type: ignore[name-defined, misc]
                async def start(self) -> None:
                    if broken:
                        raise not_available(BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE)
                    await super().start()

            radio = Radio(scanner_backend=Failing)
            assert await check_adapter(radio) == ADVICE[AdapterFault.NOT_LOW_ENERGY]
            broken = False
            assert len(await scan(radio, 1.0)) == 1

    run_driven(main())
