"""What is near: every device that advertises, and whether it looks like a source of pressure, and why."""

import asyncio
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass

from bleak.uuids import normalize_uuid_16, uuidstr_to_str

from gaugelink.gauge.radio import Radio
from gaugelink.gauge.scanning import Sighting
from gaugelink.timelimit import time_limit

ENVIRONMENTAL_SENSING = normalize_uuid_16(0x181A)
PRESSURE = normalize_uuid_16(0x2A6D)
_BASE_TAIL = "-0000-1000-8000-00805f9b34fb"
_TELLING_WORDS = re.compile(r"press|gau?ge|psi|manometer|compression|\bbar\b|\bk?pa\b", re.IGNORECASE)
"""Words of the trade in an advertised name."""


@dataclass(frozen=True, slots=True)
class FoundDevice:
    """A device that advertised while the scan ran."""

    address: str
    """Bluetooth address (on macOS a UUID)."""
    name: str | None
    rssi_dbm: int
    """Strength of its last advertisement; nearer to zero is stronger."""
    services: tuple[str, ...]
    """UUIDs of the services that it advertises, data included."""
    service_names: tuple[str, ...]
    """Their names in the Bluetooth assigned numbers, or the UUID."""
    companies: tuple[int, ...]
    """Company identifiers of its manufacturer data."""
    advertisements: int
    """How many were heard."""
    looks_like_pressure: bool
    why: tuple[str, ...]
    """The evidence for a source of pressure, each a short phrase."""


def service_name(uuid: str) -> str:
    """Name of a UUID in the assigned numbers; its short or full number when it has none."""
    name = uuidstr_to_str(uuid)
    if name not in ("Unknown", "Vendor specific"):
        return name
    return f"0x{uuid[4:8].upper()}" if uuid.startswith("0000") and uuid.endswith(_BASE_TAIL) else uuid


def evidence_of_pressure(name: str | None, services: tuple[str, ...]) -> tuple[str, ...]:
    """Why a device may be a source of pressure; empty when nothing speaks for it."""
    why = []
    if ENVIRONMENTAL_SENSING in services:
        why.append("it advertises the Environmental Sensing service, which may hold a pressure")
    if PRESSURE in services:
        why.append("it advertises a pressure as service data")
    if name is not None and _TELLING_WORDS.search(name):
        why.append("its name speaks of pressure")
    return tuple(why)


class _Heard:
    """What was heard of one device so far. An advertisement and its scan response each tell a part."""

    def __init__(self) -> None:
        self.name: str | None = None
        self.rssi_dbm = -127
        self.services: dict[str, None] = {}
        self.companies: dict[int, None] = {}
        self.count = 0

    def add(self, sighting: Sighting) -> None:
        told = sighting.advertisement
        self.name = sighting.name or self.name
        self.rssi_dbm = told.rssi
        self.services.update(dict.fromkeys(uuid.lower() for uuid in (*told.service_uuids, *told.service_data)))
        self.companies.update(dict.fromkeys(told.manufacturer_data))
        self.count += 1

    def found(self, address: str) -> FoundDevice:
        services = tuple(self.services)
        why = evidence_of_pressure(self.name, services)
        return FoundDevice(
            address=address,
            name=self.name,
            rssi_dbm=self.rssi_dbm,
            services=services,
            service_names=tuple(service_name(uuid) for uuid in services),
            companies=tuple(self.companies),
            advertisements=self.count,
            looks_like_pressure=bool(why),
            why=why,
        )


async def scan_live(radio: Radio, seconds: float, every_s: float = 0.5) -> AsyncIterator[list[FoundDevice]]:
    """Scan and give the list so far every `every_s` seconds, likely sources of pressure first, then by strength.

    The last list is the result. Raises the radio's errors: `gaugelink.gauge.adapter.explain_radio_error` says what
    is wrong and how to mend it.
    """
    loop = asyncio.get_running_loop()
    heard: dict[str, _Heard] = {}
    end_s = loop.time() + seconds
    async with radio.scanning.listen() as hearing:
        while (left_s := end_s - loop.time()) > 0:
            try:
                async with time_limit(min(every_s, left_s)) as limit:
                    async for sighting in hearing:
                        heard.setdefault(sighting.address, _Heard()).add(sighting)
            except TimeoutError:
                if not limit.expired():
                    raise
            yield _listed(heard)


def _listed(heard: dict[str, _Heard]) -> list[FoundDevice]:
    found = [each.found(address) for address, each in heard.items()]
    return sorted(found, key=lambda device: (not device.looks_like_pressure, -device.rssi_dbm, device.address))


async def scan(radio: Radio, seconds: float) -> list[FoundDevice]:
    """Scan for so many seconds; likely sources of pressure first, then by strength. Raises the radio's errors."""
    lists = [found async for found in scan_live(radio, seconds, every_s=seconds)]
    return lists[-1] if lists else []
