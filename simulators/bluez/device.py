"""One device of the stand-in: its advertisement, its connection, and its GATT objects on the bus."""

import asyncio
import os
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_16
from dbus_fast import Variant

from simulators.bluez.objects import DBusFailure, Properties

if TYPE_CHECKING:
    from simulators.bluez.service import BluezStandIn
    from simulators.radio_backend import VirtualClient

DEVICE = "org.bluez.Device1"
BATTERY = "org.bluez.Battery1"
GATT_SERVICE = "org.bluez.GattService1"
GATT_CHARACTERISTIC = "org.bluez.GattCharacteristic1"
GATT_DESCRIPTOR = "org.bluez.GattDescriptor1"
FAILED = "org.bluez.Error.Failed"
IN_PROGRESS = "org.bluez.Error.InProgress"
NOT_SUPPORTED = "org.bluez.Error.NotSupported"
NOT_PERMITTED = "org.bluez.Error.NotPermitted"

# BlueZ keeps these to itself: the Generic Access service altogether, the battery as org.bluez.Battery1 since 5.48.
_KEPT = {normalize_uuid_16(0x1800), normalize_uuid_16(0x180F)}
_BATTERY_LEVEL = normalize_uuid_16(0x2A19)
_CONFIGURATION = normalize_uuid_16(0x2902)
"""BlueZ does not show the Client Characteristic Configuration; StartNotify writes it."""


class StandInDevice:
    """A device that was seen: at first an advertisement, then perhaps a connection with GATT objects."""

    def __init__(self, service: "BluezStandIn", seen: BLEDevice, advertisement: AdvertisementData) -> None:
        self._service = service
        self._seen = seen
        self.path = f"{service.adapter_path}/dev_{seen.address.replace(':', '_')}"
        self.last_seen_s = asyncio.get_running_loop().time()
        self._client: VirtualClient | None = None
        self._connecting: asyncio.Task[None] | None = None
        self._characteristics: dict[str, BleakGATTCharacteristic] = {}
        self._descriptors: dict[str, BleakGATTDescriptor] = {}
        self._notify_users: dict[str, set[str]] = {}
        self._sockets: dict[str, socket.socket] = {}
        self._advertised = self._advertised_properties(advertisement)
        name = advertisement.local_name
        service.tree.add(
            self.path,
            {
                DEVICE: {
                    "Address": Variant("s", seen.address),
                    "AddressType": Variant("s", "random"),
                    "Alias": Variant("s", name or seen.address.replace(":", "-")),
                    "Adapter": Variant("o", service.adapter_path),
                    "Paired": Variant("b", False),
                    "Bonded": Variant("b", False),
                    "Trusted": Variant("b", False),
                    "Blocked": Variant("b", False),
                    "LegacyPairing": Variant("b", False),
                    "Connected": Variant("b", False),
                    "ServicesResolved": Variant("b", False),
                    "RSSI": Variant("n", advertisement.rssi),
                    **({"Name": Variant("s", name)} if name else {}),
                    **self._advertised,
                }
            },
        )

    @staticmethod
    def _advertised_properties(advertisement: AdvertisementData) -> Properties:
        properties = {"UUIDs": Variant("as", list(advertisement.service_uuids))}
        if advertisement.manufacturer_data:
            data = {company: Variant("ay", value) for company, value in advertisement.manufacturer_data.items()}
            properties["ManufacturerData"] = Variant("a{qv}", data)
        if advertisement.service_data:
            services = {uuid: Variant("ay", value) for uuid, value in advertisement.service_data.items()}
            properties["ServiceData"] = Variant("a{sv}", services)
        return properties

    @property
    def connected(self) -> bool:
        """Whether it is connected."""
        return self._client is not None and self._client.is_connected

    def heard(self, advertisement: AdvertisementData) -> None:
        """Take another advertisement: only what changed is told."""
        self.last_seen_s = asyncio.get_running_loop().time()
        new = self._advertised_properties(advertisement)
        changed = {name: value for name, value in new.items() if value != self._advertised.get(name)}
        self._advertised = new
        self._service.tree.change(self.path, DEVICE, {"RSSI": Variant("n", advertisement.rssi), **changed})

    def forget_rssi(self) -> None:
        """The discovery is over: a signal strength is no longer known."""
        self._service.tree.change(self.path, DEVICE, {}, ("RSSI", "TxPower"))

    async def connect(self) -> None:
        """Connect and show the GATT objects. Raises DBusFailure."""
        if self.connected:
            return
        if self._connecting is not None:
            raise DBusFailure(IN_PROGRESS, "Operation already in progress")
        self._connecting = asyncio.create_task(self._connect())
        try:
            await self._connecting
        except asyncio.CancelledError:
            raise DBusFailure(FAILED, "Operation was cancelled") from None
        except TimeoutError:
            raise DBusFailure(FAILED, "Connection timed out") from None
        except BleakError as error:
            raise DBusFailure(FAILED, str(error)) from error
        finally:
            self._connecting = None

    async def _connect(self) -> None:
        backend: Any = self._service.radio.client_backend
        client = self._client = backend(self._seen, disconnected_callback=self._on_disconnected, timeout=20.0)
        await client.connect(False)
        tree = self._service.tree
        tree.change(self.path, DEVICE, {"Connected": Variant("b", True)})
        await self._show_gatt(client)
        assert client.services is not None
        # BlueZ adds the services that it found to those that were advertised.
        uuids = Variant("as", sorted({*self._advertised["UUIDs"].value, *(each.uuid for each in client.services)}))
        tree.change(self.path, DEVICE, {"ServicesResolved": Variant("b", True), "UUIDs": uuids})

    async def _show_gatt(self, client: "VirtualClient") -> None:
        tree = self._service.tree
        assert client.services is not None
        battery = client.services.get_characteristic(_BATTERY_LEVEL)
        for each in client.services:
            if each.uuid in _KEPT:
                continue
            at = f"{self.path}/service{each.handle:04x}"
            service = {
                "UUID": Variant("s", each.uuid),
                "Primary": Variant("b", True),
                "Device": Variant("o", self.path),
            }
            tree.add(at, {GATT_SERVICE: service})
            for characteristic in each.characteristics:
                # BlueZ names a characteristic by the handle of its declaration, one before its value.
                place = f"{at}/char{characteristic.handle - 1:04x}"
                flags = list(characteristic.properties)
                properties = {
                    "UUID": Variant("s", characteristic.uuid),
                    "Service": Variant("o", at),
                    "Value": Variant("ay", b""),
                    "Flags": Variant("as", flags),
                    "MTU": Variant("q", client.mtu_size),
                }
                if {"notify", "indicate"} & set(flags):
                    properties["Notifying"] = Variant("b", False)
                    properties["NotifyAcquired"] = Variant("b", False)
                self._characteristics[place] = characteristic
                tree.add(place, {GATT_CHARACTERISTIC: properties})
                for descriptor in characteristic.descriptors:
                    if descriptor.uuid == _CONFIGURATION:
                        continue
                    where = f"{place}/desc{descriptor.handle:04x}"
                    self._descriptors[where] = descriptor
                    tree.add(
                        where,
                        {
                            GATT_DESCRIPTOR: {
                                "UUID": Variant("s", descriptor.uuid),
                                "Characteristic": Variant("o", place),
                                "Value": Variant("ay", b""),
                            }
                        },
                    )
        if battery is not None:
            percent = (await client.read_gatt_char(battery))[0]
            tree.add(self.path, {BATTERY: {"Percentage": Variant("y", percent)}})
            await client.start_notify(battery, self._on_battery)

    def _on_battery(self, value: bytearray) -> None:
        self._service.tree.change(self.path, BATTERY, {"Percentage": Variant("y", value[0])})

    async def disconnect(self) -> None:
        """Cancel a connect that is under way, or end the connection."""
        if self._connecting is not None:
            self._connecting.cancel()
        client = self._client
        if client is not None and client.is_connected:
            await client.disconnect()
            self._on_disconnected()

    def _on_disconnected(self) -> None:
        self._client = None
        tree = self._service.tree
        for end in self._sockets.values():
            end.close()
        self._sockets.clear()
        self._notify_users.clear()
        self._characteristics.clear()
        self._descriptors.clear()
        if self.path in tree and tree.get(self.path, DEVICE, "Connected"):
            off = Variant("b", False)
            tree.change(self.path, DEVICE, {"ServicesResolved": off})
            tree.change(self.path, DEVICE, {"Connected": off})
            for path in tree.paths_below(self.path):
                tree.remove(path)

    def _known(self, path: str) -> tuple["VirtualClient", BleakGATTCharacteristic]:
        characteristic = self._characteristics.get(path)
        if self._client is None or characteristic is None:
            raise DBusFailure(FAILED, "Not connected")
        return self._client, characteristic

    async def read(self, path: str) -> bytes:
        """ReadValue of a characteristic or a descriptor."""
        try:
            if path in self._descriptors and self._client is not None:
                return bytes(await self._client.read_gatt_descriptor(self._descriptors[path]))
            client, characteristic = self._known(path)
            if "read" not in characteristic.properties:
                raise DBusFailure(NOT_PERMITTED, "Read not permitted")
            value = bytes(await client.read_gatt_char(characteristic))
        except BleakGATTProtocolError as error:
            raise DBusFailure(FAILED, f"Operation failed with ATT error: 0x{int(error.code):02x}") from error
        except BleakError as error:
            raise DBusFailure(FAILED, str(error)) from error
        # BlueZ tells what was read as a change of Value too, which a subscriber takes for a notification.
        self._service.tree.change(path, GATT_CHARACTERISTIC, {"Value": Variant("ay", value)})
        return value

    async def write(self, path: str, value: bytes, command: bool) -> None:
        """WriteValue of a characteristic."""
        client, characteristic = self._known(path)
        try:
            await client.write_gatt_char(characteristic, value, response=not command)
        except BleakGATTProtocolError as error:
            raise DBusFailure(FAILED, f"Operation failed with ATT error: 0x{int(error.code):02x}") from error
        except BleakError as error:
            raise DBusFailure(FAILED, str(error)) from error

    async def start_notify(self, path: str, user: str) -> None:
        """StartNotify: values come as changes of the property Value."""
        client, characteristic = self._known(path)
        if not {"notify", "indicate"} & set(characteristic.properties):
            raise DBusFailure(NOT_SUPPORTED, "Operation is not supported")
        if path in self._sockets:
            raise DBusFailure(NOT_PERMITTED, "Notify acquired")
        users = self._notify_users.setdefault(path, set())
        if user in users:
            raise DBusFailure(IN_PROGRESS, "Operation already in progress")
        if not users:
            await self._subscribe(client, characteristic, self._as_property(path))
            self._service.tree.change(path, GATT_CHARACTERISTIC, {"Notifying": Variant("b", True)})
        users.add(user)

    def _as_property(self, path: str) -> Callable[[bytearray], None]:
        def arrived(value: bytearray) -> None:
            if path in self._service.tree:
                self._service.tree.change(path, GATT_CHARACTERISTIC, {"Value": Variant("ay", bytes(value))})

        return arrived

    async def _subscribe(
        self, client: "VirtualClient", characteristic: BleakGATTCharacteristic, arrived: Callable[[bytearray], None]
    ) -> None:
        try:
            await client.start_notify(characteristic, arrived)
        except BleakError as error:
            raise DBusFailure(FAILED, str(error)) from error

    async def stop_notify(self, path: str, user: str) -> None:
        """StopNotify."""
        client, characteristic = self._known(path)
        users = self._notify_users.get(path, set())
        if user not in users:
            raise DBusFailure(FAILED, "No notify session started")
        users.discard(user)
        if not users:
            await client.stop_notify(characteristic)
            self._service.tree.change(path, GATT_CHARACTERISTIC, {"Notifying": Variant("b", False)})

    async def user_left(self, user: str) -> None:
        """A program is gone: its subscriptions are too; the connection stays, as BlueZ's does."""
        for path in [path for path, users in self._notify_users.items() if user in users]:
            await self.stop_notify(path, user)

    async def acquire_notify(self, path: str) -> tuple[int, int]:
        """AcquireNotify: a file descriptor that every value is a packet on, and the MTU."""
        client, characteristic = self._known(path)
        if not {"notify", "indicate"} & set(characteristic.properties):
            raise DBusFailure(NOT_SUPPORTED, "Operation is not supported")
        if path in self._sockets or self._notify_users.get(path):
            raise DBusFailure(NOT_PERMITTED, "Notify acquired")
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        self._sockets[path] = ours

        def arrived(value: bytearray) -> None:
            try:
                ours.send(value)
            except (BlockingIOError, BrokenPipeError, OSError):
                # As in the kernel's queue: what the reader does not fetch in time is gone.
                return

        await self._subscribe(client, characteristic, arrived)
        self._service.tree.change(path, GATT_CHARACTERISTIC, {"NotifyAcquired": Variant("b", True)})
        descriptor = os.dup(theirs.fileno())
        theirs.close()
        return descriptor, client.mtu_size
