"""One scanner for all who want to hear advertisements on a radio.

The Linux stack refuses a second discovery of the same program (``org.bluez.Error.InProgress``), and adapters fail
connects while they scan. So whoever searches shares one scanner, and it rests while somebody connects.
"""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from bleak import BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from gaugelink.timelimit import time_limit

logger = logging.getLogger(__name__)

_START_LIMIT_S = 10.0
_STOP_LIMIT_S = 1.0
_DEAF_S = 10.0
"""A scanner that hears nothing at all for so long may have gone deaf (bluez issue 807); whoever listens next starts it
anew."""
_WAITING_LIMIT = 1000
UNKNOWN_DBM = -127
"""What bleak gives for a strength that is not known."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """One advertisement of one device."""

    device: BLEDevice
    advertisement: AdvertisementData
    connected: bool = False
    """It did not advertise: the system holds a connection to it."""

    @property
    def address(self) -> str:
        """Its Bluetooth address (on macOS a UUID)."""
        return self.device.address

    @property
    def name(self) -> str | None:
        """The name it advertises, or the one that the platform knows it by."""
        return self.advertisement.local_name or self.device.name


def connected_sighting(device: BLEDevice) -> Sighting:
    """What is known of a device that is connected and so does not advertise. Its strength is not known."""
    properties = device.details.get("props", {}) if isinstance(device.details, dict) else {}
    services = list(properties.get("UUIDs", []))
    return Sighting(device, AdvertisementData(device.name, {}, {}, services, None, UNKNOWN_DBM, ()), True)


class Hearing:
    """What one listener hears: ``async for sighting in hearing``."""

    def __init__(self) -> None:
        self._waiting: asyncio.Queue[Sighting | Exception] = asyncio.Queue(_WAITING_LIMIT)

    def put(self, heard: Sighting | Exception) -> None:
        """Take what was heard; the oldest goes when nobody fetches it."""
        if self._waiting.full():
            self._waiting.get_nowait()
        self._waiting.put_nowait(heard)

    def __aiter__(self) -> "Hearing":
        return self

    async def __anext__(self) -> Sighting:
        """The next advertisement. Raises what stopped the scanner, if something did."""
        heard = await self._waiting.get()
        if isinstance(heard, Exception):
            raise heard
        return heard


class Scanning:
    """The shared scanner of one radio."""

    def __init__(self, scanner_arguments: dict[str, Any], errors: tuple[type[Exception], ...]) -> None:
        """`errors` are those that a scanner is known to raise; its listeners get them."""
        self._arguments = scanner_arguments
        self._errors = errors
        self._hearings: set[Hearing] = set()
        self._scanner: BleakScanner | None = None
        self._lock = asyncio.Lock()
        self._one_connect = asyncio.Lock()
        self._resting = False
        self._heard_s = 0.0
        """Loop time when the scanner heard something last, or was started."""

    @asynccontextmanager
    async def listen(self) -> AsyncIterator[Hearing]:
        """Scan until the block ends. Raises the radio's errors when the scanner cannot be started."""
        hearing = Hearing()
        self._hearings.add(hearing)
        try:
            await self._settle()
            yield hearing
        finally:
            self._hearings.discard(hearing)
            await self._settle()

    @asynccontextmanager
    async def rest(self) -> AsyncIterator[None]:
        """Keep the scanner still until the block ends: somebody connects. One at a time."""
        async with self._one_connect:
            self._resting = True
            try:
                await self._settle()
                yield
            finally:
                self._resting = False
                await self._settle_for_others()

    async def _settle_for_others(self) -> None:
        try:
            await self._settle()
        except self._errors as error:
            for hearing in self._hearings:
                hearing.put(error)

    async def _settle(self) -> None:
        async with self._lock:
            wanted = bool(self._hearings) and not self._resting
            now_s = asyncio.get_running_loop().time()
            if wanted and self._scanner is not None and now_s - self._heard_s > _DEAF_S:
                logger.info("the scanner has heard nothing for %.0f s: it is started anew", now_s - self._heard_s)
                scanner, self._scanner = self._scanner, None
                await self._stop(scanner)
            if wanted and self._scanner is None:
                scanner = BleakScanner(self._hear, **self._arguments)
                try:
                    async with time_limit(_START_LIMIT_S):
                        await scanner.start()
                except BaseException:
                    await self._stop(scanner)
                    raise
                self._scanner = scanner
                self._heard_s = now_s
            elif not wanted and self._scanner is not None:
                scanner, self._scanner = self._scanner, None
                await self._stop(scanner)

    async def _stop(self, scanner: BleakScanner) -> None:
        """Stop a scanner. When that fails what was found still counts, and the next start says what is wrong."""
        try:
            async with time_limit(_STOP_LIMIT_S):
                await scanner.stop()
        except self._errors as error:
            logger.warning("stopping the scanner failed: %s", error or type(error).__name__)

    def _hear(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        sighting = Sighting(device, advertisement)
        self._heard_s = asyncio.get_running_loop().time()
        for hearing in self._hearings:
            hearing.put(sighting)
