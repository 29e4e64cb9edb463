"""Finding one gauge among all that advertises: by address, by name, or by a service."""

import asyncio

from gaugelink.errors import GaugeError, SettingsError
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.radio import Radio
from gaugelink.gauge.scanning import Sighting
from gaugelink.timelimit import time_limit_at


class AmbiguousGaugeError(GaugeError):
    """Several devices answer to what the shop file says of one gauge."""


class Identity:
    """What a gauge is told by. The address decides; without one the name; without a name the service."""

    def __init__(self, settings: GaugeSettings, layout: GaugeLayout | None) -> None:
        """Raise SettingsError when neither the shop file nor the layout says how to tell the gauge."""
        listen = None if layout is None else layout.listen
        self.gauge = settings.name
        self.address = settings.address.lower() if settings.address else None
        self.advertised_name = settings.advertised_name or (listen.advertised_name if listen else None)
        self.service = settings.service or (listen.service if listen else None)
        if not (self.address or self.advertised_name or self.service):
            raise SettingsError(
                f"The gauge {settings.name!r} cannot be told from other devices: give its address or advertised_name "
                "in the shop file (`gaugelink scan` shows both)."
            )

    def by_address(self, sighting: Sighting) -> bool:
        """Whether this is the gauge, by its address."""
        return sighting.address.lower() == self.address

    def by_name(self, sighting: Sighting) -> bool:
        """Whether this may be the gauge, by its name or, when no name is known, by its service."""
        if self.advertised_name is not None:
            return self.advertised_name in (sighting.advertisement.local_name, sighting.device.name)
        if self.address is not None or self.service is None:
            return False
        return self.service in {uuid.lower() for uuid in sighting.advertisement.service_uuids}

    def words(self) -> str:
        """What is looked for, for a person."""
        parts = []
        if self.address:
            parts.append(f"address {self.address.upper()}")
        if self.advertised_name:
            parts.append(f"name {self.advertised_name!r}")
        elif not self.address:
            parts.append(f"service {self.service}")
        return " or ".join(parts)


async def find(
    identity: Identity, radio: Radio, *, known_address: str | None, window_s: float, settle_s: float, left: bool = True
) -> Sighting | None:
    """Look among the devices that are connected already, then scan for at most `window_s`; None when not seen.

    A match by address ends the scan at once, and so does `known_address`, where it was last. A match by name waits
    `settle_s` for a second gauge of that name. A gauge that the shop file knows by address and name is taken by name
    alone only when the address was not seen in the whole window.

    With `left` false the devices that are connected already are passed over.

    Raises AmbiguousGaugeError when several devices match by name, and the radio's errors.
    """
    connected = await radio.left_connected([identity.service] if identity.service else []) if left else []
    matching = [each for each in connected if identity.by_address(each) or identity.by_name(each)]
    if len(matching) == 1:
        return matching[0]
    loop = asyncio.get_running_loop()
    end_s = loop.time() + window_s
    named: dict[str, Sighting] = {}
    async with radio.scanning.listen() as hearing:
        while True:
            try:
                async with time_limit_at(end_s) as limit:
                    sighting = await anext(hearing)
            except TimeoutError:
                if not limit.expired():
                    raise
                break
            if identity.by_address(sighting):
                return sighting
            if not identity.by_name(sighting):
                continue
            if sighting.address == known_address:
                return sighting
            if not named and identity.address is None:
                end_s = min(end_s, loop.time() + settle_s)
            named[sighting.address] = sighting
    if len(named) > 1:
        addresses = " and ".join(sorted(named))
        raise AmbiguousGaugeError(
            f"{len(named)} devices answer to {identity.words()}: {addresses}. Give gauge {identity.gauge!r} its own "
            "address in the shop file, or switch the others off."
        )
    return next(iter(named.values()), None)
