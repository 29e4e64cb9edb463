"""One connection to a gauge, from connecting to its end: start-up writes, battery, and frames by one of three ways."""

import asyncio
import logging
import math
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.exc import BleakError
from bleak.uuids import normalize_uuid_16

from gaugelink.errors import GaugeError
from gaugelink.gauge.described import describe
from gaugelink.gauge.layout import GaugeLayout, How, Write
from gaugelink.gauge.linux_battery import battery_of_device
from gaugelink.gauge.radio import RADIO_ERRORS, Radio
from gaugelink.gauge.scanning import Sighting
from gaugelink.timelimit import time_limit

logger = logging.getLogger(__name__)

_LOOK_EVERY_S = 0.2
"""How often is looked whether frames still come: the limit shrinks as the gauge's pace becomes known."""
BATTERY_LEVEL = normalize_uuid_16(0x2A19)
"""Battery Level characteristic (Bluetooth assigned numbers): one byte, percent."""


@dataclass(frozen=True, slots=True)
class Timing:
    """How long the supervisor waits for what. Seconds; common practice, no source, unless said."""

    window_s: float = 8.0
    """One scan for a gauge. Longer than the 5 s that a thrifty gauge may leave between advertisements, and shorter
    than the 10 s after which the kernel restarts a discovery."""
    settle_s: float = 1.0
    """After the first device of a name was seen, so long is looked for a second one."""
    connect_s: float = 10.0
    """From the start of a connect to the known services."""
    request_s: float = 3.0
    """A read or a write. The standard's limit of 30 s (Core 5.4, Vol 3 Part F, 3.3.3) is too long for a mechanic."""
    disconnect_s: float = 1.0
    close_s: float = 1.8
    """Everything together, when the link is closed."""
    first_wait_s: float = 0.25
    longest_wait_s: float = 5.0
    asleep_s: float = 15.0
    """Not seen for so long after it streamed: asleep or switched off."""
    first_frame_s: float = 5.0
    """From subscribing to the first frame."""
    battery_s: float = 60.0
    """Between reads of a battery that does not notify."""


class Ending(StrEnum):
    """How a connection came to its end."""

    DISCONNECTED = "disconnected"
    SILENT = "silent"


class Sink(Protocol):
    """Who takes what a connection gives."""

    def described(self, layout: GaugeLayout) -> None:
        """A gauge that describes itself has said what it sends."""

    def connected(self) -> None:
        """The gauge is connected and listened to."""

    def frame(self, payload: bytes) -> None:
        """A frame arrived."""

    def battery(self, percent: float) -> None:
        """The Battery Service says so."""

    def silent(self) -> None:
        """Nothing arrived for longer than there should."""

    def silence_limit_s(self) -> float:
        """Seconds without a frame after which the link is doubted."""

    def may_be_silent(self) -> bool:
        """Whether the gauge may send nothing for long, so that it is asked before its link counts as dead."""

    def last_frame_s(self) -> float | None:
        """Loop time of the last frame of this connection, or None."""


async def let_go(client: BleakClient, limit_s: float) -> None:
    """Disconnect, within a limit: a dead link may never answer.

    Also when the gauge has gone by itself: on Linux a client keeps its own connection to the message bus until then.
    """
    try:
        async with time_limit(limit_s):
            await client.disconnect()
    except RADIO_ERRORS as error:
        logger.warning("disconnecting from %s failed: %s", client.address, error or type(error).__name__)


async def open_client(
    sighting: Sighting, radio: Radio, timing: Timing, on_gone: Callable[[BleakClient], None]
) -> BleakClient:
    """Connect to a device. Raises the radio's errors."""
    client = BleakClient(sighting.device, on_gone, timeout=timing.connect_s, **radio.client_arguments())
    try:
        async with radio.scanning.rest(), time_limit(timing.connect_s):
            await client.connect()
    except BaseException:
        await let_go(client, timing.disconnect_s)
        raise
    return client


def needed_characteristic(client: BleakClient, service: str | None, uuid: str) -> BleakGATTCharacteristic:
    """The characteristic of a layout. Raises GaugeError when the gauge does not have it."""
    found = [
        characteristic
        for each in client.services
        for characteristic in each.characteristics
        if characteristic.uuid == uuid and service in (None, each.uuid)
    ]
    if not found:
        where = f" in service {service}" if service else ""
        raise GaugeError(
            f"The gauge has no characteristic {uuid}{where}: the layout does not fit it. "
            f"`gaugelink inspect {client.address}` shows what it has."
        )
    return found[0]


def _check_room(layout: GaugeLayout, frames: BleakGATTCharacteristic) -> None:
    # A notification carries three bytes less than the MTU (Core 5.4, Vol 3 Part F, 3.4.7.1), as a write command does.
    room = frames.max_write_without_response_size
    if layout.length is not None and layout.length > room and layout.listen.how is not How.POLL:
        logger.warning(
            "a frame of %d bytes does not fit into the %d that this connection carries: it will arrive cut short",
            layout.length,
            room,
        )


class GattSession:
    """A connection to one gauge. `run` connects and returns when the connection is at its end."""

    def __init__(
        self, sighting: Sighting, layout: GaugeLayout | None, radio: Radio, timing: Timing, sink: Sink
    ) -> None:
        """`layout` is None for a gauge that describes itself."""
        self._sighting = sighting
        self._layout = layout
        self._radio = radio
        self._timing = timing
        self._sink = sink
        self._gone = asyncio.Event()
        self._over = False
        self._probe: BleakGATTCharacteristic | None = None

    async def run(self) -> Ending:
        """Connect, listen, and return how it ended.

        Raises GaugeError when the layout does not fit the gauge, and RADIO_ERRORS.
        """
        address = self._sighting.address
        self._radio.held.add(address)
        try:
            client = await open_client(self._sighting, self._radio, self._timing, lambda _client: self._gone.set())
            try:
                return await self._listen(client)
            finally:
                await let_go(client, self._timing.disconnect_s)
        finally:
            self._radio.held.discard(address)

    async def _listen(self, client: BleakClient) -> Ending:
        layout = self._layout
        if layout is None:
            layout = await describe(client, self._timing.request_s)
            self._sink.described(layout)
        listen = layout.listen
        if listen.characteristic is None:
            raise GaugeError("This layout listens to advertisements; it has no characteristic to connect for.")
        frames = needed_characteristic(client, listen.service, listen.characteristic)
        _check_room(layout, frames)
        battery = client.services.get_characteristic(BATTERY_LEVEL)
        self._probe = battery or (frames if "read" in frames.properties else None)
        for write in listen.startup:
            await self._write(client, write)
        if listen.how is How.POLL:
            if listen.poll_hz is None:
                raise GaugeError("The layout polls but does not say how often.")
            hearing = self._poll(client, frames, 1.0 / listen.poll_hz)
        else:
            async with time_limit(self._timing.request_s):
                await client.start_notify(frames, self._on_frame, **self._radio.notify_arguments())
            hearing = self._watch(client)
        self._sink.connected()
        jobs = [self._until_gone(), hearing]
        if listen.keepalive is not None:
            jobs.append(self._keep_alive(client, listen.keepalive, listen.keepalive.every_s))
        if battery is None or "read" in battery.properties:
            jobs.append(self._follow_battery(client, battery))
        return await self._first_of(*jobs)

    async def _first_of(self, *jobs: Coroutine[Any, Any, Ending]) -> Ending:
        """Run jobs until one ends; cancel the others; give back, or raise, what the first one ended with."""
        tasks = [asyncio.ensure_future(job) for job in jobs]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            return next(iter(done)).result()
        finally:
            # A job also looks by itself whether all is over: a library below may lose its cancellation.
            self._over = True
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _on_frame(self, _characteristic: BleakGATTCharacteristic, payload: bytearray) -> None:
        self._sink.frame(bytes(payload))

    async def _until_gone(self) -> Ending:
        await self._gone.wait()
        return Ending.DISCONNECTED

    async def _watch(self, client: BleakClient) -> Ending:
        """Return when nothing arrives for too long although the link is said to be connected."""
        loop = asyncio.get_running_loop()
        began_s = heard_s = loop.time()
        look_s, stood_still_s = math.inf, 0.0
        while not self._over:
            limit_s = self._sink.silence_limit_s()
            last_s = self._sink.last_frame_s()
            if last_s is None or last_s < began_s:
                last_s, limit_s = began_s, max(limit_s, self._timing.first_frame_s)
            if last_s != heard_s:
                heard_s, stood_still_s = last_s, 0.0
            # A busy machine may have no time for this process. Nothing is heard then, and what came waits to be taken:
            # that is not the gauge's silence, and a link that was cut for it would be down for the next pull.
            now_s = loop.time()
            stood_still_s += max(0.0, now_s - max(look_s, last_s))
            wait_s = last_s + limit_s + stood_still_s - now_s
            if wait_s > 0:
                look_s = now_s + min(wait_s, _LOOK_EVERY_S)
                await asyncio.sleep(look_s - now_s)
            elif self._sink.may_be_silent() and await self._answers(client):
                began_s, look_s = loop.time(), math.inf
            else:
                self._sink.silent()
                return Ending.SILENT
        return Ending.DISCONNECTED

    async def _answers(self, client: BleakClient) -> bool:
        """Whether a gauge that sends only on a change is still there: it answers a read."""
        if self._probe is None:
            return client.is_connected
        try:
            async with time_limit(self._timing.request_s):
                await client.read_gatt_char(self._probe)
        except TimeoutError:
            return False
        return True

    async def _poll(self, client: BleakClient, frames: BleakGATTCharacteristic, every_s: float) -> Ending:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while not self._over:
            try:
                async with time_limit(self._timing.request_s):
                    payload = await client.read_gatt_char(frames)
            except TimeoutError:
                self._sink.silent()
                return Ending.SILENT
            self._sink.frame(bytes(payload))
            due_s = max(due_s + every_s, loop.time())
            await asyncio.sleep(due_s - loop.time())
        return Ending.DISCONNECTED

    async def _keep_alive(self, client: BleakClient, write: Write, every_s: float) -> Ending:
        while not self._over:
            await asyncio.sleep(every_s)
            await self._write(client, write)
        return Ending.DISCONNECTED

    async def _write(self, client: BleakClient, write: Write) -> None:
        target = needed_characteristic(client, None, write.characteristic)
        async with time_limit(self._timing.request_s):
            await client.write_gatt_char(target, bytes.fromhex(write.hex), response=write.response)

    async def _battery(self, client: BleakClient, battery: BleakGATTCharacteristic | None) -> float | None:
        if battery is None:
            return await battery_of_device(self._sighting.device)
        value = await client.read_gatt_char(battery)
        return float(value[0]) if len(value) == 1 else None

    async def _follow_battery(self, client: BleakClient, battery: BleakGATTCharacteristic | None) -> Ending:
        """Read the battery now and again. A gauge that does not give it goes on without."""
        while not self._over:
            try:
                async with time_limit(self._timing.request_s):
                    percent = await self._battery(client, battery)
            except TimeoutError:
                logger.info("%s did not answer when its battery was read", client.address)
            except BleakError as error:
                if not client.is_connected:
                    raise
                logger.info("%s does not give its battery: %s", client.address, error)
                await self._gone.wait()
                return Ending.DISCONNECTED
            else:
                if percent is not None and 0.0 <= percent <= 100.0:
                    self._sink.battery(percent)
            await asyncio.sleep(self._timing.battery_s)
        return Ending.DISCONNECTED
