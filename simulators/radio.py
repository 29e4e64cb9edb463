"""A virtual radio: gauges and the shop's adapter on one simulated air, inside one process.

The gauges are real GATT servers on bumble's controllers; what reaches the shop does so as ATT traffic, through
classes that bleak takes as its ``backend``. Loss, delay, jitter, silence, hanging connects and disconnects come on
demand, from one seed.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Iterable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import BaseBleakScanner
from bumble import hci, ll
from bumble.controller import Controller
from bumble.device import Advertisement, Device
from bumble.host import Host
from bumble.link import LocalLink

from gaugelink.gauge.radio import Radio
from simulators.radio_backend import VirtualClient, VirtualScanner

if TYPE_CHECKING:
    from simulators.gatt_gauge import SimulatedGauge


@dataclass(slots=True)
class AirConditions:
    """What the air does to the gauges' frames. May be changed while the radio runs."""

    loss: float = 0.0
    """Share of notifications and advertisements that never arrive, 0 to 1."""
    delay_s: float = 0.0
    """Every notification arrives this much later."""
    jitter_s: float = 0.0
    """Each notification is late by a further random time, up to this; order is kept."""
    interval_s: float = 0.0
    """Connection interval: notifications arrive in bursts this far apart (7.5 to 50 ms is usual). 0: no bursts."""
    silent: bool = False
    """Connected, but nothing arrives and no request is answered; no disconnect is reported."""
    out_of_reach: bool = False
    """Nothing is seen of any gauge when scanning, and no connect comes to an end."""
    connect_hangs: bool = False
    """A connect never comes to an end, even when the gauge is there."""
    disconnect_hangs: bool = False
    """A disconnect never comes to an end."""
    refused_connects: int = 0
    """So many of the next connects fail."""
    mtu: int = 247
    """Largest ATT MTU that the shop's side asks for; 23 is the least there is (Core 5.4, Vol 3 Part G, 5.2.1)."""
    rssi_dbm: int = -58
    supervision_timeout_s: float = 2.0
    """How long after a gauge vanished the shop's side hears of it (100 ms to 32 s; Core 5.4, Vol 6 Part B, 4.5.2)."""


class Air(LocalLink):
    """The medium between the controllers. What is sent to a controller that is not there is gone."""

    def send_ll_control_pdu(
        self, sender_address: hci.Address, receiver_address: hci.Address, packet: ll.ControlPdu
    ) -> None:
        """Carry a link-layer packet, or lose it when its receiver has left the air."""
        if self.find_le_controller(receiver_address) is not None:
            super().send_ll_control_pdu(sender_address, receiver_address, packet)


class AirHost(Host):
    """The host of a controller on the air. Whoever waits for a command to be done may give up at any moment."""

    def on_command_processed(self, event: hci.HCI_Command_Complete_Event[Any] | hci.HCI_Command_Status_Event) -> None:
        """Take the controller's answer to a command, or leave it when the wait for it was cancelled."""
        if self.pending_response is None or not self.pending_response.cancelled():
            super().on_command_processed(event)


class VirtualRadio:
    """The air of one shop, and the shop's adapter on it.

    Used as ``async with VirtualRadio() as radio: await radio.add(gauge)``. `radio.client_backend` and
    `radio.scanner_backend` are for bleak; `radio.as_radio()` is the same for `SupervisedLink`.
    """

    client_backend: type[BaseBleakClient]
    """A bleak client class on this radio."""
    scanner_backend: type[BaseBleakScanner]
    """A bleak scanner class on this radio."""

    def __init__(self, conditions: AirConditions | None = None, *, seed: int = 0) -> None:
        self.conditions = conditions or AirConditions()
        self.random = random.Random(seed)
        self.air: Air = Air()  # type: ignore[no-untyped-call]
        self.gauges: list[SimulatedGauge] = []
        self.clients: set[VirtualClient] = set()
        self._scanners: set[VirtualScanner] = set()
        self._scanning: Device | None = None
        self._scan_lock = asyncio.Lock()
        self._centrals = 0
        self.client_backend = type("VirtualRadioClient", (VirtualClient,), {"radio": self})
        self.scanner_backend = type("VirtualRadioScanner", (VirtualScanner,), {"radio": self})

    def as_radio(self) -> Radio:
        """This radio as the gauge room takes it."""
        return Radio(client_backend=self.client_backend, scanner_backend=self.scanner_backend)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Switch every gauge off and end every connection."""
        for client in tuple(self.clients):
            await client.cut()
        for gauge in tuple(self.gauges):
            await self.remove(gauge)
        self._scanners.clear()
        await self._scan_if_wanted()

    async def add(self, gauge: "SimulatedGauge") -> None:
        """Bring a gauge into the shop and switch it on."""
        self.gauges.append(gauge)
        await gauge.switch_on(self)

    async def remove(self, gauge: "SimulatedGauge") -> None:
        """Switch a gauge off and take it away."""
        await gauge.switch_off()
        self.gauges.remove(gauge)

    async def power_up(self, name: str, address: hci.Address) -> tuple[Controller, Device]:
        """A new controller and host on this air, switched on."""
        controller = Controller(name, link=self.air)
        controller.random_address = address
        self.air.add_controller(controller)
        host = AirHost()
        host.controller = controller
        controller.host = host
        device = Device(name=name, address=address, host=host)
        await device.power_on()
        return controller, device

    async def power_down(self, controller: Controller, device: Device) -> None:
        """Take a controller off the air. Its peers hear of it when their supervision time is over."""
        loop = asyncio.get_running_loop()
        self.air.controllers.discard(controller)
        for connection in tuple(controller.le_connections.values()):
            peer = self.air.find_le_controller(connection.peer_address)
            if peer is not None:
                loop.call_later(self.conditions.supervision_timeout_s, _supervision_over, peer, connection.self_address)
            controller.on_le_disconnected(connection, hci.HCI_ErrorCode.CONNECTION_TERMINATED_BY_LOCAL_HOST_ERROR)
        controller.le_legacy_advertiser.stop()
        for advertising_set in controller.advertising_sets.values():
            advertising_set.stop()
        await asyncio.sleep(0)
        await device.power_off()

    async def new_central(self) -> tuple[Controller, Device]:
        """The shop's adapter as one connection sees it: bumble connects one at a time, an adapter several."""
        self._centrals += 1
        address = hci.Address(f"{0xC0A000000000 + self._centrals:012X}", hci.Address.RANDOM_DEVICE_ADDRESS)
        return await self.power_up(f"central {self._centrals}", address)

    async def drop_connections(self) -> None:
        """End every connection now, as interference or a gauge carried out of reach does."""
        for client in tuple(self.clients):
            await client.cut()

    def silence_connections(self) -> None:
        """Let every connection of this moment fall silent without a disconnect. Later ones are not touched."""
        for client in self.clients:
            client.silent = True

    async def scan_for(self, scanner: VirtualScanner) -> None:
        """Let a scanner hear advertisements until `leave_scan`."""
        self._scanners.add(scanner)
        await self._scan_if_wanted()

    async def leave_scan(self, scanner: VirtualScanner) -> None:
        """Let a scanner hear no more."""
        self._scanners.discard(scanner)
        await self._scan_if_wanted()

    async def _scan_if_wanted(self) -> None:
        async with self._scan_lock:
            if self._scanners and self._scanning is None:
                self._scan_controller, device = await self.new_central()
                device.on(Device.EVENT_ADVERTISEMENT, self._on_advertisement)
                await device.start_scanning(active=False)
                self._scanning = device
            elif not self._scanners and self._scanning is not None:
                device, self._scanning = self._scanning, None
                await self.power_down(self._scan_controller, device)

    def _on_advertisement(self, advertisement: Advertisement) -> None:
        if self.conditions.out_of_reach or self.random.random() < self.conditions.loss:
            return
        rssi_dbm = self.conditions.rssi_dbm + self.random.randint(-3, 3)
        for scanner in tuple(self._scanners):
            scanner.hear(advertisement, rssi_dbm)


def _supervision_over(controller: Controller, peer: hci.Address) -> None:
    connection = controller.le_connections.get(peer)
    if connection is not None:
        controller.on_le_disconnected(connection, hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR)


@asynccontextmanager
async def simulated_shop_radio(
    gauges: Iterable["SimulatedGauge"], *, conditions: AirConditions | None = None, seed: int = 0
) -> AsyncIterator[VirtualRadio]:
    """A virtual radio with these gauges on it, switched on, until the block ends."""
    async with AsyncExitStack() as stack:
        radio = await stack.enter_async_context(VirtualRadio(conditions, seed=seed))
        for gauge in gauges:
            await radio.add(gauge)
        yield radio
