"""A wireless gauge as a GATT server: it samples, packs frames by a layout, advertises and notifies."""

import asyncio
import random
from collections import deque
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from bumble import data_types, hci
from bumble.att import Attribute
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, DataType
from bumble.device import Connection, Device
from bumble.gatt import Characteristic, CharacteristicValue, Descriptor, Service
from numpy.typing import NDArray

from gaugelink.gauge.layout import GaugeLayout, How
from simulators.gatt_frames import FrameWriter

if TYPE_CHECKING:
    from simulators.radio import VirtualRadio

BATTERY_SERVICE = UUID.from_16_bits(0x180F)
BATTERY_LEVEL = UUID.from_16_bits(0x2A19)
PRESENTATION_FORMAT = UUID.from_16_bits(0x2904)
USER_DESCRIPTION = UUID.from_16_bits(0x2901)
PLAIN_SERVICE = UUID.from_16_bits(0xFF00)
"""Where a gauge whose layout names no service keeps its characteristic; an unassigned number."""

_ADVERTISING_MS = 100.0
_READ, _WRITE = Attribute.READABLE, Attribute.WRITEABLE


class SimulatedGauge:
    """A gauge that samples all the time and sends to whoever subscribed.

    `feed` gives it the pressures of its next samples; between feeds it reads `idle_kpa`. It runs on the event loop's
    time, so on a driven loop it runs as fast as the machine allows.
    """

    def __init__(
        self,
        layout: GaugeLayout,
        *,
        name: str = "Gauge",
        address: str = "F0:5A:00:00:00:01",
        rate_hz: float | None = None,
        rate_error: float = 0.0,
        samples_per_frame: int | None = None,
        battery_percent: float | None = 90.0,
        ambient_abs_kpa: float = 101.325,
        noise_kpa: float = 0.0,
        holds: bool = False,
        speed: float | None = 1.0,
        presentation: bytes | None = None,
        description: str | None = None,
        seed: int = 0,
    ) -> None:
        """Raise ValueError when neither the layout nor `rate_hz` says the rate.

        Args:
            layout: what its frames look like and how they are had.
            name: the name that it advertises.
            address: its static random device address.
            rate_hz: samples per second, when other than the layout's.
            rate_error: by how much its clock is off, as a share; 0.005 is half a percent fast.
            samples_per_frame: for a layout that leaves it open.
            battery_percent: for the Battery Service; None for a gauge without that service.
            ambient_abs_kpa: absolute ambient pressure, for an absolute layout.
            noise_kpa: standard deviation of the noise on idle samples; what is fed has its own.
            holds: a check valve: after a feed the gauge stays at the last sample until `bleed`.
            speed: gauge seconds per second of the loop; None to send what is fed at once and nothing else.
            presentation: value of a Presentation Format descriptor (0x2904), to describe itself.
            description: value of a User Description descriptor (0x2901).
            seed: of the noise.
        """
        rate = rate_hz or layout.rate_hz
        if rate is None:
            raise ValueError("give rate_hz: the layout does not say how often the gauge samples")
        self.layout = layout
        self.name = name
        self.address = address
        self.rate_hz = rate * (1.0 + rate_error)
        self.battery_percent = battery_percent
        self.idle_kpa = 0.0
        """What it reads when nothing was fed: gauge pressure."""
        self.hung = False
        """The gauge stays connected but its program has stopped: no frame is sent."""
        self.frames_sent = 0
        self.written: list[tuple[str, bytes]] = []
        """What was written to it: characteristic and bytes."""
        self._ambient_abs_kpa = ambient_abs_kpa
        self._noise_kpa = noise_kpa
        self._holds = holds
        self._speed = speed
        self._presentation = presentation
        self._description = description
        self._random = random.Random(seed)
        self._samples_per_frame = samples_per_frame
        self._writer = FrameWriter(layout, samples_per_frame)
        self._fed: deque[float] = deque()
        self._fed_or_taken = asyncio.Condition()
        self._radio: VirtualRadio | None = None
        self._controller: Controller | None = None
        self._device: Device | None = None
        self._task: asyncio.Task[None] | None = None
        self._indicating: asyncio.Future[None] | None = None
        self._last_frame = b""
        self._kept_alive_s = 0.0

    @property
    def is_on(self) -> bool:
        """Whether the gauge is switched on."""
        return self._device is not None

    @property
    def is_connected(self) -> bool:
        """Whether somebody is connected to it."""
        return self._device is not None and bool(self._device.connections)

    async def switch_on(self, radio: "VirtualRadio | None" = None, address: str | None = None) -> None:
        """Start to advertise and sample. Its counters start anew. A gauge with privacy comes up at another address."""
        if self._device is not None:
            return
        radio = self._radio = radio or self._radio
        if radio is None:
            raise ValueError("a gauge is first brought to a radio: VirtualRadio.add")
        self.address = address or self.address
        self._writer = FrameWriter(self.layout, self._samples_per_frame)
        self.written.clear()
        place = hci.Address(self.address, hci.Address.RANDOM_DEVICE_ADDRESS)
        self._controller, device = await radio.power_up(self.name, place)
        self._device = device
        device.on(Device.EVENT_CONNECTION, self._on_connection)
        if self.layout.listen.how is not How.ADVERTISEMENT:
            device.add_services(self._services())
        await self._advertise()
        self._task = asyncio.create_task(self._sample(device), name=f"simulated gauge {self.name}")

    async def switch_off(self) -> None:
        """Be gone without a word, as a gauge is whose battery is taken out or that goes to sleep."""
        task, controller, device = self._task, self._controller, self._device
        self._task = self._controller = self._device = None
        if task is not None:
            task.cancel()
            await asyncio.wait([task])
        async with self._fed_or_taken:
            self._fed.clear()
            self._fed_or_taken.notify_all()
        if self._radio is not None and controller is not None and device is not None:
            await self._radio.power_down(controller, device)
        if task is not None and not task.cancelled():
            # It ends before it is switched off only by a fault of the program.
            task.result()

    async def feed(self, time_s: Sequence[float] | NDArray[np.float64], pressure_kpa: NDArray[np.float64]) -> None:
        """Give the gauge the gauge pressures of its next samples; return when it has taken them all.

        A gauge that is off takes none; what is left when it is switched off is gone.

        `time_s` and `pressure_kpa` have the shape (n,). Raise ValueError when they are not sampled at the gauge's rate.
        """
        if len(time_s) > 1:
            given_hz = (len(time_s) - 1) / float(time_s[-1] - time_s[0])
            if abs(given_hz / self.rate_hz - 1.0) > 0.02:
                raise ValueError(f"samples come at {given_hz:.1f} Hz; this gauge samples at {self.rate_hz:.1f} Hz")
        if self._device is None:
            # Nobody takes the samples, but the cranking takes its time.
            await asyncio.sleep(len(time_s) / (self.rate_hz * self._speed) if self._speed else 0.0)
            return
        async with self._fed_or_taken:
            self._fed.extend(float(kpa) for kpa in pressure_kpa)
            self._fed_or_taken.notify_all()
            await self._fed_or_taken.wait_for(lambda: not self._fed or self._device is None)

    def bleed(self) -> None:
        """Press the gauge's vent: a held pressure is gone."""
        self.idle_kpa = 0.0

    def _services(self) -> list[Service]:
        listen = self.layout.listen
        kind = Characteristic.Properties
        properties = {How.NOTIFY: kind.NOTIFY, How.INDICATE: kind.INDICATE, How.POLL: kind.READ}[listen.how]
        descriptors = []
        if self._presentation is not None:
            descriptors.append(Descriptor(PRESENTATION_FORMAT, _READ, self._presentation))
        if self._description is not None:
            descriptors.append(Descriptor(USER_DESCRIPTION, _READ, self._description.encode()))
        assert listen.characteristic is not None
        uuid = UUID(listen.characteristic)
        writes = {write.characteristic for write in (*listen.startup, listen.keepalive) if write is not None}
        if listen.characteristic in writes:
            properties |= kind.WRITE | kind.WRITE_WITHOUT_RESPONSE
        self._frames: Characteristic[bytes] = Characteristic(
            uuid,
            properties | kind.READ,
            _READ | _WRITE if listen.characteristic in writes else _READ,
            CharacteristicValue(read=lambda _connection: self._last_frame, write=self._on_write(listen.characteristic)),
            descriptors,
        )
        characteristics = [self._frames]
        for target in sorted(writes - {listen.characteristic}):
            value: CharacteristicValue[bytes] = CharacteristicValue(write=self._on_write(target))
            characteristics.append(
                Characteristic(UUID(target), kind.WRITE | kind.WRITE_WITHOUT_RESPONSE, _WRITE, value)
            )
        services = [Service(UUID(listen.service) if listen.service else PLAIN_SERVICE, characteristics)]
        if self.battery_percent is not None:
            self._battery: Characteristic[bytes] = Characteristic(
                BATTERY_LEVEL,
                kind.READ | kind.NOTIFY,
                _READ,
                CharacteristicValue(read=lambda _connection: bytes([self._battery_level()])),
            )
            services.append(Service(BATTERY_SERVICE, [self._battery]))
        return services

    def _battery_level(self) -> int:
        return min(100, max(0, round(self.battery_percent or 0.0)))

    def _on_write(self, characteristic: str) -> Callable[[Connection, bytes], None]:
        def written(_connection: Connection, value: bytes) -> None:
            self.written.append((characteristic, bytes(value)))
            self._kept_alive_s = asyncio.get_running_loop().time()

        return written

    def _on_connection(self, connection: Connection) -> None:
        self.written.clear()
        self._kept_alive_s = asyncio.get_running_loop().time()
        connection.on(Connection.EVENT_DISCONNECTION, self._on_disconnection)

    def _on_disconnection(self, _reason: int) -> None:
        if self._indicating is not None:
            # Nobody will confirm it, and the gauge goes on sampling.
            self._indicating.cancel()
        if self._device is not None:
            self._restarting = asyncio.ensure_future(self._advertise())

    async def set_battery(self, percent: float) -> None:
        """Change the battery level and notify whoever subscribed to it."""
        self.battery_percent = percent
        if self._device is not None and self.layout.listen.how is not How.ADVERTISEMENT:
            await self._device.gatt_server.notify_subscribers(self._battery, bytes([self._battery_level()]))

    async def _advertise(self) -> None:
        device = self._device
        if device is None:
            return
        connectable = self.layout.listen.how is not How.ADVERTISEMENT
        await device.start_advertising(
            advertising_data=self._advertising_data(b""),
            advertising_interval_min=_ADVERTISING_MS,
            advertising_interval_max=_ADVERTISING_MS,
            auto_restart=connectable,
        )

    def _advertising_data(self, frame: bytes) -> bytes:
        listen = self.layout.listen
        parts: list[tuple[int, bytes] | DataType] = [data_types.CompleteLocalName(self.name)]
        if listen.how is How.ADVERTISEMENT:
            if listen.company_id is not None:
                kind = AdvertisingData.Type.MANUFACTURER_SPECIFIC_DATA
                parts.append((kind, listen.company_id.to_bytes(2, "little") + frame))
            elif listen.service is not None:
                uuid = UUID(listen.service)
                short = listen.service.endswith("-0000-1000-8000-00805f9b34fb")
                octets = bytes.fromhex(listen.service[4:8])[::-1] if short else bytes(uuid)
                kind = (
                    AdvertisingData.Type.SERVICE_DATA_16_BIT_UUID
                    if short
                    else AdvertisingData.Type.SERVICE_DATA_128_BIT_UUID
                )
                parts.append((kind, octets + frame))
        elif listen.service is not None:
            parts.append(data_types.CompleteListOf128BitServiceUUIDs([UUID(listen.service)]))
        return bytes(AdvertisingData(parts))

    async def _sample(self, device: Device) -> None:
        loop = asyncio.get_running_loop()
        start_s, taken = loop.time(), 0
        # The loop asks by itself whether the gauge is still on: asyncio.wait_for, which bumble awaits in, can lose a
        # cancellation on Python 3.11.
        while self._device is device:
            count = self._writer.samples_in(self._room(device))
            if self._speed is None:
                async with self._fed_or_taken:
                    await self._fed_or_taken.wait_for(lambda: bool(self._fed))
                await asyncio.sleep(0)
            else:
                # A frame goes out when its last sample has been taken.
                due_s = start_s + (taken + count) / (self.rate_hz * self._speed)
                await asyncio.sleep(max(0.0, due_s - loop.time()))
            samples = await self._take(count)
            await self._send(device, samples, taken / self.rate_hz)
            taken += count

    def _room(self, device: Device) -> int:
        if self.layout.listen.how is How.ADVERTISEMENT:
            return 24
        return min((int(connection.att_mtu) - 3 for connection in device.connections.values()), default=244)

    async def _take(self, count: int) -> list[float]:
        samples = [self._fed.popleft() for _ in range(min(count, len(self._fed)))]
        if samples:
            if self._holds:
                self.idle_kpa = samples[-1]
            if not self._fed:
                async with self._fed_or_taken:
                    self._fed_or_taken.notify_all()
        while len(samples) < count:
            noise_kpa = self._random.gauss(0.0, self._noise_kpa) if self._noise_kpa else 0.0
            samples.append(self.idle_kpa + noise_kpa)
        return samples

    def _streams(self) -> bool:
        listen = self.layout.listen
        needed = [(write.characteristic, bytes.fromhex(write.hex)) for write in listen.startup]
        if needed and self.written[: len(needed)] != needed:
            return False
        keep = listen.keepalive
        return keep is None or asyncio.get_running_loop().time() - self._kept_alive_s < 2.0 * keep.every_s

    async def _send(self, device: Device, gauge_kpa: list[float], time_s: float) -> None:
        if self.hung or not self._streams():
            self._writer.skip(len(gauge_kpa))
            return
        offset_kpa = self._ambient_abs_kpa if self.layout.absolute else 0.0
        range_kpa = self.layout.range_kpa
        over = range_kpa is not None and max(gauge_kpa) + offset_kpa > range_kpa
        samples = [kpa + offset_kpa if range_kpa is None else min(kpa + offset_kpa, range_kpa) for kpa in gauge_kpa]
        frame = self._writer.write(samples, time_s, self.battery_percent or 0.0, over)
        self._last_frame = frame
        self.frames_sent += 1
        how = self.layout.listen.how
        if how is How.ADVERTISEMENT:
            if device.legacy_advertising_set is not None:
                await device.legacy_advertising_set.set_advertising_data(self._advertising_data(frame))
        elif how is How.NOTIFY:
            for bearer in tuple(device.gatt_server.subscribers):
                await device.gatt_server.notify_subscriber(bearer, self._frames, frame)
        elif how is How.INDICATE:
            server = device.gatt_server
            for bearer in tuple(server.subscribers):
                # A task of its own: bumble takes no confirmation of an indication that was cancelled.
                self._indicating = asyncio.ensure_future(server.indicate_subscriber(bearer, self._frames, frame))
                await asyncio.wait([self._indicating])
