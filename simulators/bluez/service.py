"""The stand-in for ``org.bluez``: one adapter, discovery, devices, and faults on demand.

The interfaces are those of BlueZ's documentation (doc/org.bluez.*.rst in its source). Error names are BlueZ's.
"""

import asyncio
import os
from collections import deque
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from dbus_fast import Message, MessageType, RequestNameReply, Variant
from dbus_fast.aio import MessageBus

from gaugelink.errors import GaugeError
from simulators.bluez.device import (
    DEVICE,
    FAILED,
    GATT_CHARACTERISTIC,
    GATT_DESCRIPTOR,
    IN_PROGRESS,
    StandInDevice,
)
from simulators.bluez.objects import PROPERTIES, UNKNOWN_METHOD, UNKNOWN_OBJECT, DBusFailure, ObjectTree
from simulators.radio import VirtualRadio

ADAPTER = "org.bluez.Adapter1"
NOT_READY = "org.bluez.Error.NotReady"
DOES_NOT_EXIST = "org.bluez.Error.DoesNotExist"


class BluezStandIn:
    """``org.bluez`` on a bus, in front of a virtual radio. Used as ``async with BluezStandIn(address, radio):``."""

    adapter_path = "/org/bluez/hci0"

    def __init__(
        self, bus_address: str, radio: VirtualRadio, *, with_adapter: bool = True, keep_s: float = 30.0
    ) -> None:
        """`keep_s`: how long a device without a connection is kept after it was seen (BlueZ's TemporaryTimeout)."""
        self.radio = radio
        self._bus = MessageBus(bus_address=bus_address, negotiate_unix_fd=True)
        self.tree = ObjectTree(self._tell)
        self.calls: list[str] = []
        """Every call to an interface of BlueZ, by member, in order."""
        self._news = asyncio.Event()
        self._with_adapter = with_adapter
        self._keep_s = keep_s
        self._devices: dict[str, StandInDevice] = {}
        self._discovering: set[str] = set()
        self._scanner: Any = None
        self._jobs: set[asyncio.Task[None]] = set()
        self._faults: dict[str, deque[tuple[str, str]]] = {}
        self._sweeper: asyncio.Task[None] | None = None

    def fail_next(self, member: str, error: str, text: str, times: int = 1) -> None:
        """Let the next calls of a member fail: ``fail_next("StartDiscovery", "org.bluez.Error.InProgress", "…")``."""
        self._faults.setdefault(member, deque()).extend([(error, text)] * times)

    async def until(self, holds: Callable[[], bool]) -> None:
        """Wait until something holds that a call or a signal brings about."""
        while not holds():
            self._news.clear()
            await self._news.wait()

    def _tell(self, signal: Message) -> None:
        if self._bus.connected:
            self._bus.send(signal)
        self._news.set()

    async def __aenter__(self) -> Self:
        await self._bus.connect()
        self._bus.add_message_handler(self._on_message)
        if self._with_adapter:
            self.tree.add(
                self.adapter_path,
                {
                    ADAPTER: {
                        "Address": Variant("s", "00:5A:00:00:00:00"),
                        "AddressType": Variant("s", "public"),
                        "Name": Variant("s", "stand-in"),
                        "Alias": Variant("s", "stand-in"),
                        "Class": Variant("u", 0),
                        "Powered": Variant("b", True),
                        "Discoverable": Variant("b", False),
                        "Pairable": Variant("b", False),
                        "Discovering": Variant("b", False),
                        "UUIDs": Variant("as", []),
                        "Roles": Variant("as", ["central", "peripheral"]),
                    }
                },
            )
        await self._bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="AddMatch",
                signature="s",
                body=["type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged'"],
            )
        )
        if await self._bus.request_name("org.bluez") is not RequestNameReply.PRIMARY_OWNER:
            raise GaugeError("org.bluez has an owner on this bus already: the stand-in needs a bus of its own.")
        self._sweeper = asyncio.create_task(self._sweep())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._sweeper is not None:
            self._sweeper.cancel()
        for device in tuple(self._devices.values()):
            await device.disconnect()
        self._discovering.clear()
        await self._scan_if_wanted()
        for job in tuple(self._jobs):
            job.cancel()
        if self._bus.connected:
            self._bus.disconnect()
            await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    async def crash(self) -> None:
        """Be gone from the bus without a word, as a service that was killed; the adapter drops its connections."""
        self._bus.disconnect()
        await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        await self.radio.drop_connections()

    async def power(self, on: bool) -> None:
        """Switch the adapter on or off, as ``bluetoothctl power`` does."""
        if not on:
            for device in self._devices.values():
                await device.disconnect()
            self._discovering.clear()
            await self._scan_if_wanted()
        self.tree.change(self.adapter_path, ADAPTER, {"Powered": Variant("b", on)})

    def _on_message(self, message: Message) -> Message | bool | None:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._start(self._user_left(message.body[0]))
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        try:
            answer = self.tree.answer(message)
        except DBusFailure as failure:
            return Message.new_error(message, failure.name, failure.text)
        if answer is not None:
            return answer
        self._start(self._answer(message))
        return True

    def _start(self, job: Coroutine[Any, Any, None]) -> None:
        task = asyncio.ensure_future(job)
        self._jobs.add(task)
        task.add_done_callback(self._jobs.discard)

    async def _answer(self, message: Message) -> None:
        try:
            reply = await self._perform(message)
        except DBusFailure as failure:
            reply = Message.new_error(message, failure.name, failure.text)
        if self._bus.connected:
            await self._bus.send(reply)
        for descriptor in reply.unix_fds:
            os.close(descriptor)

    async def _perform(self, message: Message) -> Message:
        path, member, interface = message.path or "", message.member or "", message.interface
        self.calls.append(member)
        self._news.set()
        waiting = self._faults.get(member)
        if waiting:
            raise DBusFailure(*waiting.popleft())
        if path not in self.tree:
            raise DBusFailure(UNKNOWN_OBJECT, f'Method "{member}" on interface "{interface}" doesn\'t exist')
        if interface == ADAPTER:
            await self._adapter_call(member, message)
            return Message.new_method_return(message)
        if interface == PROPERTIES and member == "Set":
            if message.body[:2] == [ADAPTER, "Powered"]:
                await self.power(bool(message.body[2].value))
            return Message.new_method_return(message)
        device = self._device_of(path)
        if interface == DEVICE:
            await self._device_call(device, member)
            return Message.new_method_return(message)
        if interface in (GATT_CHARACTERISTIC, GATT_DESCRIPTOR):
            return await self._gatt_call(device, path, member, message)
        raise DBusFailure(UNKNOWN_METHOD, f"no {member} on {interface}")

    def _device_of(self, path: str) -> StandInDevice:
        for device in self._devices.values():
            if path == device.path or path.startswith(f"{device.path}/"):
                return device
        raise DBusFailure(UNKNOWN_OBJECT, f"no device at {path}")

    def _powered(self) -> bool:
        return bool(self.tree.get(self.adapter_path, ADAPTER, "Powered"))

    async def _adapter_call(self, member: str, message: Message) -> None:
        user = message.sender or ""
        if member == "RemoveDevice":
            if message.body[0] not in self.tree:
                raise DBusFailure(DOES_NOT_EXIST, "Does Not Exist")
            await self._forget(self._device_of(message.body[0]))
        elif not self._powered():
            raise DBusFailure(NOT_READY, "Resource Not Ready")
        elif member == "SetDiscoveryFilter":
            return
        elif member == "StartDiscovery":
            if user in self._discovering:
                raise DBusFailure(IN_PROGRESS, "Operation already in progress")
            self._discovering.add(user)
            await self._scan_if_wanted()
        elif member == "StopDiscovery":
            if user not in self._discovering:
                raise DBusFailure(FAILED, "No discovery started")
            self._discovering.discard(user)
            await self._scan_if_wanted()
        else:
            raise DBusFailure(UNKNOWN_METHOD, f"no {member} on {ADAPTER}")

    async def _device_call(self, device: StandInDevice, member: str) -> None:
        if member == "Connect":
            if not self._powered():
                raise DBusFailure(NOT_READY, "Resource Not Ready")
            await device.connect()
        elif member == "Disconnect":
            await device.disconnect()
        else:
            raise DBusFailure(UNKNOWN_METHOD, f"no {member} on {DEVICE}")

    async def _gatt_call(self, device: StandInDevice, path: str, member: str, message: Message) -> Message:
        user = message.sender or ""
        if member == "ReadValue":
            return Message.new_method_return(message, "ay", [await device.read(path)])
        if member == "WriteValue":
            kind = message.body[1].get("type")
            await device.write(path, bytes(message.body[0]), kind is not None and kind.value == "command")
        elif member == "StartNotify":
            await device.start_notify(path, user)
        elif member == "StopNotify":
            await device.stop_notify(path, user)
        elif member == "AcquireNotify":
            descriptor, mtu = await device.acquire_notify(path)
            return Message.new_method_return(message, "hq", [0, mtu], [descriptor])
        else:
            raise DBusFailure(UNKNOWN_METHOD, f"no {member} on {message.interface}")
        return Message.new_method_return(message)

    async def _user_left(self, user: str) -> None:
        # A program that ended without a word ends its discovery too; its connections stay, as BlueZ's do.
        for device in tuple(self._devices.values()):
            await device.user_left(user)
        if user in self._discovering:
            self._discovering.discard(user)
            await self._scan_if_wanted()

    async def _scan_if_wanted(self) -> None:
        if self._discovering and self._scanner is None:
            backend: Any = self.radio.scanner_backend
            self._scanner = backend(self._on_advertisement, None)
            await self._scanner.start()
            self.tree.change(self.adapter_path, ADAPTER, {"Discovering": Variant("b", True)})
        elif not self._discovering and self._scanner is not None:
            scanner, self._scanner = self._scanner, None
            await scanner.stop()
            for device in self._devices.values():
                device.forget_rssi()
            self.tree.change(self.adapter_path, ADAPTER, {"Discovering": Variant("b", False)})

    def _on_advertisement(self, seen: BLEDevice, advertisement: AdvertisementData) -> None:
        known = self._devices.get(seen.address)
        if known is None:
            self._devices[seen.address] = StandInDevice(self, seen, advertisement)
        else:
            known.heard(advertisement)

    async def _forget(self, device: StandInDevice) -> None:
        await device.disconnect()
        self._devices = {address: each for address, each in self._devices.items() if each is not device}
        self.tree.remove(device.path)

    async def _sweep(self) -> None:
        """Forget what has not been seen for long: BlueZ keeps a device that was never paired only for a while."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(self._keep_s / 4.0)
            for device in tuple(self._devices.values()):
                if not device.connected and loop.time() - device.last_seen_s > self._keep_s:
                    await self._forget(device)
