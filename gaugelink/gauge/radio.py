"""Which radio to use, and the errors a radio is known to raise."""

import sys
from dataclasses import dataclass, field
from typing import Any

from bleak import BleakAdapter
from bleak.args.bluez import BlueZAdapterArgs
from bleak.backends.client import BaseBleakClient
from bleak.backends.scanner import BaseBleakScanner
from bleak.exc import BleakError

from gaugelink.gauge.scanning import Scanning, Sighting, connected_sighting

_known: list[type[Exception]] = [BleakError, TimeoutError, OSError, EOFError]
if sys.platform == "linux":
    # bleak lets a few of its D-Bus library's own errors through when the bus goes away in the middle of a call.
    from dbus_fast.errors import AuthError, DBusError, InvalidAddressError

    _known += [DBusError, AuthError, InvalidAddressError]

RADIO_ERRORS: tuple[type[Exception], ...] = tuple(_known)
"""What bleak and the systems below it raise when a radio or a gauge fails. Anything else is a fault of the program."""


@dataclass(slots=True, eq=False)
class Radio:
    """The radio of a shop: the platform's own unless told otherwise. All gauges of a shop share one."""

    client_backend: type[BaseBleakClient] | None = None
    """A bleak client class, or None for the platform's own."""
    scanner_backend: type[BaseBleakScanner] | None = None
    """A bleak scanner class, or None for the platform's own."""
    adapter: str | None = None
    """Linux: which adapter, as ``hci1``; None for the first that is powered."""
    acquire_notify: bool = False
    """Linux: take notifications over a socket of their own (AcquireNotify) instead of over D-Bus signals."""
    scanning: Scanning = field(init=False)
    """The one scanner that all who search share."""
    held: set[str] = field(init=False, default_factory=set)
    """Addresses that links of this radio are connected to."""

    def __post_init__(self) -> None:
        self.scanning = Scanning({"backend": self.scanner_backend, "bluez": self._bluez()}, RADIO_ERRORS)

    def client_arguments(self) -> dict[str, Any]:
        """Keyword arguments for `bleak.BleakClient`."""
        return {"backend": self.client_backend, "bluez": self._bluez()}

    def notify_arguments(self) -> dict[str, Any]:
        """Keyword arguments for `bleak.BleakClient.start_notify`."""
        return {"bluez": {"use_start_notify": not self.acquire_notify}}

    async def left_connected(self, services: list[str]) -> list[Sighting]:
        """Devices that the system holds a connection to although no link of ours does. They do not advertise.

        On Linux the connection of a program outlives it when it is killed, and a gauge stays connected for whoever
        comes next. `services`: UUIDs of which a device has one, besides Generic Attribute. Raises the radio's errors.
        """
        if self.scanner_backend is not None or sys.platform != "linux":
            return []
        adapter = await BleakAdapter.get(bluez=self._bluez())
        devices = await adapter.get_connected_devices(["1801", *services])
        return [connected_sighting(device) for device in devices if device.address not in self.held]

    def _bluez(self) -> BlueZAdapterArgs:
        return BlueZAdapterArgs(adapter=self.adapter) if self.adapter else BlueZAdapterArgs()
