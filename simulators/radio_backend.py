"""The shop's side of the virtual radio: a client and a scanner that bleak takes as its ``backend``."""

import asyncio
import logging
import math
from collections import deque
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from bleak.args import SizedBuffer
from bleak.assigned_numbers import gatt_char_props_to_strs
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, AdvertisementDataCallback, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakDeviceNotFoundError, BleakError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str
from bumble import hci
from bumble.att import ATT_Error
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, BaseBumbleError
from bumble.device import Advertisement, Connection, Device, Peer

from gaugelink.timelimit import time_limit

if TYPE_CHECKING:
    from simulators.radio import VirtualRadio

Answer = TypeVar("Answer")


def _not_late(record: logging.LogRecord) -> bool:
    """A frame that is under way while a subscription ends reaches nobody, on any radio: no reason to warn."""
    return "with no subscriber" not in record.getMessage()


logging.getLogger("bumble.gatt_client").addFilter(_not_late)

_EARLY_S = 1e-6
"""A timer of the loop may fire this much before its time."""
_SIG_BASE = "-0000-1000-8000-00805f9b34fb"
"""Tail of the Bluetooth base UUID (Core 5.4, Vol 3 Part B, 2.5.1)."""


def full_uuid(uuid: UUID) -> str:
    """A bumble UUID as the 36 characters that bleak uses."""
    octets = bytes(reversed(bytes(uuid)))
    if len(octets) <= 4:
        return f"{int.from_bytes(octets):08x}{_SIG_BASE}"
    text = octets.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


@contextmanager
def _ending() -> Iterator[None]:
    """What waits for a connection is cancelled when that ends; to whoever waits it is no cancellation of their own."""
    try:
        yield
    except asyncio.CancelledError:
        task = asyncio.current_task()
        if task is not None and not task.cancelling():
            raise BleakError("disconnected") from None
        raise


class VirtualClient(BaseBleakClient):
    """One connection to one gauge. What arrives is held, bunched or lost as the radio's conditions say."""

    radio: ClassVar["VirtualRadio"]
    """The radio that this class belongs to; set on the class that `VirtualRadio` makes for itself."""

    def __init__(
        self,
        address_or_ble_device: BLEDevice | str,
        services: set[str] | None = None,
        *,
        disconnected_callback: Callable[[], None] | None,
        timeout: float,
        **kwargs: Any,
    ) -> None:
        super().__init__(address_or_ble_device, disconnected_callback=disconnected_callback, timeout=timeout)
        self.silent = False
        """This connection has fallen silent: nothing arrives, nothing is answered, no disconnect is reported."""
        self._wanted_services = services
        self._name = address_or_ble_device.name if isinstance(address_or_ble_device, BLEDevice) else None
        self._controller: Controller | None = None
        self._device: Device | None = None
        self._connection: Connection | None = None
        self._peer: Peer | None = None
        self._subscribers: dict[int, Callable[[bytes], None]] = {}
        self._in_the_air: deque[tuple[float, NotifyCallback, bytes]] = deque()
        self._arrival: asyncio.TimerHandle | None = None
        self._answers: set[asyncio.Future[Any]] = set()
        """Answers that are waited for."""

    @property
    def name(self) -> str:
        """The advertised name, or the address when there is none."""
        return self._name or self.address

    @property
    def mtu_size(self) -> int:
        """The negotiated ATT MTU in octets."""
        return int(self._connection.att_mtu) if self._connection is not None else 23

    @property
    def is_connected(self) -> bool:
        """True from the end of `connect` to the disconnect. A silent connection counts as connected."""
        return self._connection is not None

    async def connect(self, pair: bool, **kwargs: Any) -> None:
        """Connect and discover the services.

        Raises:
            TimeoutError: the gauge did not answer in time.
            BleakError: it refused or went away.
        """
        if self.is_connected:
            raise BleakError("Client is already connected")
        conditions = self.radio.conditions
        self.radio.clients.add(self)
        try:
            async with time_limit(self._timeout):
                if conditions.refused_connects > 0:
                    conditions.refused_connects -= 1
                    raise BleakError("connection refused by the virtual radio")
                if conditions.connect_hangs or conditions.out_of_reach:
                    await asyncio.Event().wait()
                self._controller, self._device = await self.radio.new_central()
                address = hci.Address(self.address, hci.Address.RANDOM_DEVICE_ADDRESS)
                with _ending():
                    # bumble takes no connection when the wait for it was cancelled. It goes on until the radio is left.
                    connection = await asyncio.shield(self._device.connect(address, timeout=None))
                self._connection = connection
                connection.on(Connection.EVENT_DISCONNECTION, self._on_disconnection)
                await self._discover(connection)
        except BaseBumbleError as error:
            raise BleakError(f"could not connect to {self.address}: {error}") from error
        finally:
            if self.services is None:
                await self._leave_air()

    async def _discover(self, connection: Connection) -> None:
        peer = self._peer = Peer(connection)
        if self.radio.conditions.mtu > 23:
            await self._ask(peer.request_mtu(self.radio.conditions.mtu))
        await self._ask(peer.discover_services())
        found = BleakGATTServiceCollection()
        for remote in peer.services:
            uuid = full_uuid(remote.uuid)
            if self._wanted_services is not None and uuid not in self._wanted_services:
                continue
            await self._ask(peer.discover_characteristics(service=remote))
            service = BleakGATTService(remote, remote.handle, uuid)
            found.add_service(service)
            for proxy in remote.characteristics:
                await self._ask(peer.discover_descriptors(proxy))
                characteristic = BleakGATTCharacteristic(
                    proxy,
                    proxy.handle,
                    full_uuid(proxy.uuid),
                    sorted(gatt_char_props_to_strs(int(proxy.properties))),
                    lambda: self.mtu_size - 3,
                    service,
                )
                found.add_characteristic(characteristic)
                for descriptor in proxy.descriptors:
                    uuid = full_uuid(descriptor.type)
                    found.add_descriptor(BleakGATTDescriptor(descriptor, descriptor.handle, uuid, characteristic))
        self.services = found

    async def _ask(self, request: Awaitable[Answer]) -> Answer:
        """Wait for an ATT answer, until the connection ends.

        A request that nobody waits for any more is answered all the same, and no other one is sent before (Core 5.4,
        Vol 3 Part F, 3.3.2). bumble takes no answer to a request that was cancelled, so it goes on to its end.
        """
        asking = asyncio.ensure_future(request)
        answer = asyncio.shield(asking)
        self._answers.add(answer)
        if self._connection is None:
            answer.cancel()
        try:
            if self.silent or self.radio.conditions.silent:
                await asyncio.Event().wait()
            with _ending():
                return await answer
        except ATT_Error as error:
            raise BleakGATTProtocolError(int(error.error_code)) from error
        except BaseBumbleError as error:
            raise BleakError(str(error)) from error
        finally:
            self._answers.discard(answer)
            answer.cancel()
            if self._connection is None:
                asking.cancel()

    def _connected_peer(self) -> Peer:
        if self._connection is None or self._peer is None:
            raise BleakError("Not connected")
        return self._peer

    async def disconnect(self) -> None:
        """End the connection; nothing happens when there is none."""
        if self.radio.conditions.disconnect_hangs and self._connection is not None:
            await asyncio.Event().wait()
        await self.cut()

    async def cut(self) -> None:
        """End the connection whatever the conditions are."""
        if self._connection is not None:
            try:
                await self._connection.disconnect()
            except BaseBumbleError as error:
                raise BleakError(str(error)) from error
        await self._leave_air()

    async def _leave_air(self) -> None:
        self._connection = None
        self.radio.clients.discard(self)
        controller, device = self._controller, self._device
        self._controller = self._device = None
        if controller is not None and device is not None:
            await self.radio.power_down(controller, device)

    def _on_disconnection(self, _reason: int) -> None:
        if self.silent or self.radio.conditions.silent:
            return
        self._connection = None
        self._in_the_air.clear()
        self.radio.clients.discard(self)
        # bumble sees the end of a connection only while it waits for an answer, not between two requests.
        for answer in tuple(self._answers):
            answer.cancel()
        if self._disconnected_callback is not None:
            self._disconnected_callback()

    async def pair(self, *args: Any, **kwargs: Any) -> None:
        """Gauges on the virtual radio ask for no pairing."""
        raise NotImplementedError("gauges on the virtual radio ask for no pairing")

    async def unpair(self) -> None:
        """Gauges on the virtual radio ask for no pairing."""
        raise NotImplementedError("gauges on the virtual radio ask for no pairing")

    async def read_gatt_char(
        self, characteristic: BleakGATTCharacteristic, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        """Read a characteristic over the air."""
        self._connected_peer()
        return bytearray(await self._ask(characteristic.obj.read_value()))

    async def read_gatt_descriptor(
        self, descriptor: BleakGATTDescriptor, *, use_cached: bool = False, **kwargs: Any
    ) -> bytearray:
        """Read a descriptor over the air."""
        self._connected_peer()
        return bytearray(await self._ask(descriptor.obj.read_value()))

    async def write_gatt_char(self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool) -> None:
        """Write a characteristic over the air."""
        self._connected_peer()
        await self._ask(characteristic.obj.write_value(bytes(data), with_response=response))

    async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
        """Write a descriptor over the air."""
        self._connected_peer()
        await self._ask(descriptor.obj.write_value(bytes(data), with_response=True))

    async def start_notify(
        self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **kwargs: Any
    ) -> None:
        """Subscribe to notifications, or to indications where there are no notifications."""
        self._connected_peer()

        def arrived(value: bytes) -> None:
            self._carry(callback, value)

        self._subscribers[characteristic.handle] = arrived
        await self._ask(characteristic.obj.subscribe(arrived))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        """End a subscription."""
        self._connected_peer()
        arrived = self._subscribers.pop(characteristic.handle, None)
        if arrived is not None:
            await self._ask(characteristic.obj.unsubscribe(arrived))

    def _carry(self, callback: NotifyCallback, value: bytes) -> None:
        """Let a notification arrive when the conditions say so, in order, or never."""
        conditions = self.radio.conditions
        if self.silent or conditions.silent:
            return
        if conditions.loss and self.radio.random.random() < conditions.loss:
            return
        wait_s = conditions.delay_s + conditions.jitter_s * self.radio.random.random()
        if not (wait_s or conditions.interval_s or self._in_the_air):
            callback(bytearray(value))
            return
        loop = asyncio.get_running_loop()
        due_s = loop.time() + wait_s
        if conditions.interval_s:
            due_s = math.ceil(due_s / conditions.interval_s) * conditions.interval_s
        if self._in_the_air:
            due_s = max(due_s, self._in_the_air[-1][0])
        self._in_the_air.append((due_s, callback, value))
        if self._arrival is None:
            self._arrival = loop.call_at(due_s, self._arrive)

    def _arrive(self) -> None:
        loop = asyncio.get_running_loop()
        self._arrival = None
        while self._in_the_air and self._in_the_air[0][0] <= loop.time() + _EARLY_S:
            _due_s, callback, value = self._in_the_air.popleft()
            if not (self.silent or self.radio.conditions.silent):
                callback(bytearray(value))
        if self._in_the_air:
            self._arrival = loop.call_at(self._in_the_air[0][0], self._arrive)


class VirtualScanner(BaseBleakScanner):
    """A scanner on the virtual radio."""

    radio: ClassVar["VirtualRadio"]
    """The radio that this class belongs to."""

    def __init__(
        self,
        detection_callback: AdvertisementDataCallback | None,
        service_uuids: list[str] | None,
        scanning_mode: str = "active",
        **kwargs: Any,
    ) -> None:
        super().__init__(detection_callback, service_uuids)

    async def start(self) -> None:
        """Start to hear advertisements."""
        self.seen_devices = {}
        await self.radio.scan_for(self)

    async def stop(self) -> None:
        """Hear no more."""
        await self.radio.leave_scan(self)

    def hear(self, advertisement: Advertisement, rssi_dbm: int) -> None:
        """Take one advertisement that the radio received."""
        data = read_advertisement(advertisement.data, rssi_dbm)
        if not self.is_allowed_uuid(data.service_uuids):
            return
        address = advertisement.address.to_string(False)
        device = self.create_or_update_device(address, address, data.local_name, advertisement.address, data)
        self.call_detection_callbacks(device, data)


def read_advertisement(data: AdvertisingData, rssi_dbm: int) -> AdvertisementData:
    """Advertising data as bleak gives it (types: Supplement to the Core Specification, Part A)."""
    kind = AdvertisingData.Type
    name: str | None = None
    services: list[str] = []
    service_data: dict[str, bytes] = {}
    manufacturer_data: dict[int, bytes] = {}
    for type_id, value in data.ad_structures:
        if type_id in (kind.COMPLETE_LOCAL_NAME, kind.SHORTENED_LOCAL_NAME):
            name = value.decode("utf-8", "replace")
        elif type_id in (
            kind.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
            kind.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
        ):
            services += [_uuid(value[at : at + 2]) for at in range(0, len(value) - 1, 2)]
        elif type_id in (
            kind.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
            kind.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
        ):
            services += [_uuid(value[at : at + 16]) for at in range(0, len(value) - 15, 16)]
        elif type_id == kind.SERVICE_DATA_16_BIT_UUID:
            service_data[_uuid(value[:2])] = value[2:]
        elif type_id == kind.SERVICE_DATA_128_BIT_UUID:
            service_data[_uuid(value[:16])] = value[16:]
        elif type_id == kind.MANUFACTURER_SPECIFIC_DATA:
            manufacturer_data[int.from_bytes(value[:2], "little")] = value[2:]
    # A scan response may repeat what the advertisement said.
    services = list(dict.fromkeys(services))
    return AdvertisementData(name, manufacturer_data, service_data, services, None, rssi_dbm, ())


def _uuid(octets: bytes) -> str:
    return normalize_uuid_str(full_uuid(UUID.from_bytes(octets)))


__all__ = ["BleakDeviceNotFoundError", "VirtualClient", "VirtualScanner", "full_uuid", "read_advertisement"]
