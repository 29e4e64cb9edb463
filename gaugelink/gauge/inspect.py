"""Looking into one device: its GATT tree with standard names, its values, and what its notifications say.

Used as ``async with Inspector(address, radio) as device: tree = await device.tree()``.
"""

import asyncio
import datetime
import math
import struct
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.exc import BleakError
from pydantic import ValidationError

from gaugelink.errors import GaugeError
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.decode import numbers_in
from gaugelink.gauge.finder import Identity, find
from gaugelink.gauge.layout import How
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.recording import RecordingHeader, RecordingWriter
from gaugelink.gauge.scan import service_name
from gaugelink.gauge.session import Timing, let_go, needed_characteristic, open_client
from gaugelink.timelimit import time_limit

_WAITING_LIMIT = 10_000
"""Notifications that may wait for whoever watches; more are dropped."""


@dataclass(frozen=True, slots=True)
class ValueFound:
    """A value that was read, or why it could not be."""

    uuid: str
    name: str
    handle: int
    value: bytes | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class CharacteristicFound:
    """A characteristic with its properties, value and descriptors."""

    value: ValueFound
    properties: tuple[str, ...]
    descriptors: tuple[ValueFound, ...]


@dataclass(frozen=True, slots=True)
class ServiceFound:
    """A service with its characteristics."""

    uuid: str
    name: str
    handle: int
    characteristics: tuple[CharacteristicFound, ...]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read a number out of a frame."""

    at: int
    """Byte offset."""
    format: str
    """As in a layout file: ``u16``, ``s16``, ``f32``…, or ``text``."""
    byte_order: str
    number: float


@dataclass(frozen=True, slots=True)
class LiveValue:
    """A notification as it came."""

    time_s: float
    """Loop time of its arrival in seconds."""
    characteristic: str
    payload: bytes

    @property
    def hex(self) -> str:
        """The bytes, for a person."""
        return self.payload.hex(" ")

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """The numbers that the bytes may hold."""
        return candidate_numbers(self.payload)


def candidate_numbers(payload: bytes) -> tuple[Candidate, ...]:
    """Numbers that a frame may hold: 16-bit and wider at every offset, in both byte orders; numbers in a text line.

    Floats are kept when they are neither absurdly small nor large. `gaugelink.gauge.learn` weighs candidates against
    known pressures; this is for the eye.
    """
    found = []
    if payload and payload.strip(b"\r\n\x00").isascii() and payload.strip(b"\r\n\x00").decode().isprintable():
        found += [Candidate(0, "text", "", number) for number in numbers_in(payload)]
    for order, prefix in (("little", "<"), ("big", ">")):
        for name, code, width in (("u16", "H", 2), ("s16", "h", 2), ("u32", "I", 4), ("f32", "f", 4)):
            for at in range(len(payload) - width + 1):
                (number,) = struct.unpack_from(prefix + code, payload, at)
                if name == "s16" and number >= 0:
                    continue
                if name == "f32" and not (math.isfinite(number) and 1e-3 <= abs(number) <= 1e7):
                    continue
                found.append(Candidate(at, name, order, float(number)))
    return tuple(found)


def _identity(wanted: str) -> Identity:
    try:
        return Identity(GaugeSettings(name="device", address=wanted), None)
    except ValidationError:
        pass
    try:
        return Identity(GaugeSettings(name="device", advertised_name=wanted), None)
    except ValidationError as error:
        raise GaugeError(f"No device is called {wanted[:40]!r}: give an address or a name that it goes by.") from error


class Inspector:
    """A connection to one device, to look at what it has."""

    def __init__(self, wanted: str, radio: Radio, timing: Timing | None = None) -> None:
        """`wanted` is an address, or a name that it advertises."""
        self._wanted = wanted
        self._radio = radio
        self._timing = timing or Timing()
        self._gone = asyncio.Event()
        self._client: BleakClient | None = None
        self.address = wanted
        """The address at which it was found."""

    async def __aenter__(self) -> Self:
        """Find it and connect. Raises GaugeError when it is not seen, and the radio's errors."""
        timing = self._timing
        sighting = await find(
            _identity(self._wanted),
            self._radio,
            known_address=None,
            window_s=timing.window_s,
            settle_s=timing.settle_s,
        )
        if sighting is None:
            raise GaugeError(
                f"{self._wanted} was not seen in {timing.window_s:g} s. Switch it on and bring it near; "
                "`gaugelink scan` shows what is near."
            )
        self.address = sighting.address
        self._client = await open_client(sighting, self._radio, timing, lambda _client: self._gone.set())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._client is not None:
            await let_go(self._client, self._timing.disconnect_s)

    @property
    def client(self) -> BleakClient:
        """The connection. Raises GaugeError when it is gone."""
        if self._client is None or not self._client.is_connected:
            raise GaugeError(f"{self._wanted} is not connected any more.")
        return self._client

    async def tree(self) -> tuple[ServiceFound, ...]:
        """All services, characteristics and descriptors, with the values of those that can be read."""
        services = []
        for service in sorted(self.client.services, key=lambda each: each.handle):
            found = []
            for characteristic in sorted(service.characteristics, key=lambda each: each.handle):
                descriptors = [
                    await self._value(descriptor, descriptor.description, True)
                    for descriptor in characteristic.descriptors
                ]
                value = await self._value(
                    characteristic, service_name(characteristic.uuid), "read" in characteristic.properties
                )
                found.append(CharacteristicFound(value, tuple(characteristic.properties), tuple(descriptors)))
            services.append(ServiceFound(service.uuid, service_name(service.uuid), service.handle, tuple(found)))
        return tuple(services)

    async def _value(self, of: BleakGATTCharacteristic | BleakGATTDescriptor, name: str, readable: bool) -> ValueFound:
        if not readable:
            return ValueFound(of.uuid, name, of.handle)
        try:
            async with time_limit(self._timing.request_s):
                if isinstance(of, BleakGATTCharacteristic):
                    value = await self.client.read_gatt_char(of)
                else:
                    value = await self.client.read_gatt_descriptor(of)
        except TimeoutError:
            return ValueFound(of.uuid, name, of.handle, error="no answer")
        except BleakError as error:
            if not self.client.is_connected:
                raise
            return ValueFound(of.uuid, name, of.handle, error=str(error))
        return ValueFound(of.uuid, name, of.handle, bytes(value))

    def notifying(self) -> list[BleakGATTCharacteristic]:
        """The characteristics that notify or indicate."""
        return [
            characteristic
            for service in self.client.services
            for characteristic in service.characteristics
            if {"notify", "indicate"} & set(characteristic.properties)
        ]

    async def write(self, characteristic: str, value: bytes, *, response: bool = True) -> None:
        """Write what a person states, to see whether it makes the device begin to send."""
        target = needed_characteristic(self.client, None, characteristic)
        async with time_limit(self._timing.request_s):
            await self.client.write_gatt_char(target, value, response=response)

    async def watch(self, seconds: float) -> AsyncIterator[LiveValue]:
        """Every notification and indication of the device for so many seconds, or until it disconnects."""
        loop = asyncio.get_running_loop()
        arrived: asyncio.Queue[LiveValue | None] = asyncio.Queue()
        ended = loop.call_later(seconds, arrived.put_nowait, None)
        gone = asyncio.create_task(self._gone.wait())
        gone.add_done_callback(lambda _task: arrived.put_nowait(None))

        def heard(characteristic: BleakGATTCharacteristic, payload: bytearray) -> None:
            if arrived.qsize() < _WAITING_LIMIT:
                arrived.put_nowait(LiveValue(loop.time(), characteristic.uuid, bytes(payload)))

        subscribed = []
        try:
            for characteristic in self.notifying():
                try:
                    async with time_limit(self._timing.request_s):
                        await self.client.start_notify(characteristic, heard, **self._radio.notify_arguments())
                except BleakError:
                    # One that refuses does not keep the others from being watched.
                    if not self.client.is_connected:
                        raise
                else:
                    subscribed.append(characteristic)
            while (value := await arrived.get()) is not None:
                yield value
        finally:
            ended.cancel()
            gone.cancel()
            for characteristic in subscribed if self._client is not None and self._client.is_connected else ():
                async with time_limit(self._timing.request_s):
                    await self.client.stop_notify(characteristic)

    async def record(
        self, path: Path, seconds: float, note: str = "", saved: dict[Path, int] | None = None
    ) -> dict[Path, int]:
        """Watch and save, one recording for each characteristic that sends; gives the frames in each file.

        They are counted in `saved` as they come, for whoever has to tell them when this is cancelled. The first to
        send goes to `path`, others beside it with their short UUID in the name. Raises RecordingError when a file
        exists already.
        """
        saved = {} if saved is None else saved
        writers: dict[str, RecordingWriter] = {}
        paths: dict[str, Path] = {}
        services = {each.uuid: each.service_uuid for each in self.notifying()}
        started = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        async with AsyncExitStack() as stack:
            async for value in self.watch(seconds):
                uuid = value.characteristic
                if uuid not in writers:
                    paths[uuid] = path if not writers else path.with_stem(f"{path.stem}-{uuid[4:8]}")
                    header = RecordingHeader(
                        gauge=self.address,
                        how=How.NOTIFY,
                        service=services.get(uuid),
                        characteristic=uuid,
                        started=started,
                        note=note,
                    )
                    writers[uuid] = stack.enter_context(RecordingWriter(paths[uuid], header))
                writers[uuid].frame(value.time_s, value.payload)
                saved[paths[uuid]] = saved.get(paths[uuid], 0) + 1
        return saved
