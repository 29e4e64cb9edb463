"""Asking a connected gauge what it sends: the layout of a gauge that describes itself."""

import logging

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.exc import BleakError, BleakGATTProtocolError

from gaugelink.errors import GaugeError
from gaugelink.gauge.decode import Fault, FrameDecoder, LineDecoder
from gaugelink.gauge.layout import GaugeLayout, How, Reference
from gaugelink.gauge.standard import (
    ENVIRONMENTAL_SENSING,
    PRESENTATION_FORMAT,
    PRESSURE,
    environmental_pressure,
    presented_pressure,
    quiet_reference,
)
from gaugelink.timelimit import time_limit

logger = logging.getLogger(__name__)

POLL_HZ = 10.0
"""How often a characteristic is read that neither notifies nor indicates. Common practice, no source."""


def how_to_hear(characteristic: BleakGATTCharacteristic) -> How | None:
    """The best way of listening that a characteristic offers, or None when it offers none."""
    for name, how in (("notify", How.NOTIFY), ("indicate", How.INDICATE), ("read", How.POLL)):
        if name in characteristic.properties:
            return how
    return None


async def describe(client: BleakClient, request_s: float) -> GaugeLayout:
    """Make the layout of a connected gauge from its standard services and descriptors.

    A characteristic that refuses to be described, or of whose description nothing can be made, is passed over where
    another one's can be read.

    Raises GaugeError when the gauge does not say what it sends, and the radio's errors.
    """
    unclear: GaugeError | BleakGATTProtocolError | None = None
    for service in client.services:
        for characteristic in service.characteristics:
            how = how_to_hear(characteristic)
            if how is None:
                continue
            if service.uuid == ENVIRONMENTAL_SENSING and characteristic.uuid == PRESSURE:
                return _heard(environmental_pressure(), how)
            try:
                layout = await _presented(client, characteristic, how, request_s)
            except (GaugeError, BleakGATTProtocolError) as error:
                logger.info("%s does not say what it sends on %s: %s", client.address, characteristic.uuid, error)
                unclear = unclear or error
                continue
            if layout is not None:
                return layout
    if unclear is not None:
        raise unclear
    raise GaugeError(
        f"The gauge at {client.address} does not say what it sends: it has neither the Environmental Sensing pressure "
        f"nor a presentation format of a pressure. Teach it once with `gaugelink learn {client.address}`."
    )


def _heard(layout: GaugeLayout, how: How) -> GaugeLayout:
    listen = layout.listen.model_copy(update={"how": how, "poll_hz": POLL_HZ if how is How.POLL else None})
    return layout.model_copy(update={"listen": listen})


async def _presented(
    client: BleakClient, characteristic: BleakGATTCharacteristic, how: How, request_s: float
) -> GaugeLayout | None:
    descriptor = characteristic.get_descriptor(PRESENTATION_FORMAT)
    if descriptor is None:
        return None
    async with time_limit(request_s):
        value = bytes(await client.read_gatt_descriptor(descriptor))
    layout = presented_pressure(characteristic.service_uuid, characteristic.uuid, value, how=how)
    if layout is None or "read" not in characteristic.properties:
        return layout
    try:
        async with time_limit(request_s):
            reading = bytes(await client.read_gatt_char(characteristic))
    except BleakError as error:
        if not client.is_connected:
            raise
        logger.info("%s does not let its pressure be read: %s", client.address, error)
        return layout
    # The descriptor does not say gauge or absolute; a gauge that is open to the air when it connects does.
    quiet_kpa = _first_pressure(layout, reading)
    reference = None if quiet_kpa is None else quiet_reference(quiet_kpa)
    return layout if reference is not Reference.ABSOLUTE else layout.model_copy(update={"reference": reference})


def _first_pressure(layout: GaugeLayout, payload: bytes) -> float | None:
    decoded = (LineDecoder(layout).decode(payload) if layout.text else [FrameDecoder(layout).decode(payload)])[-1:]
    return None if not decoded or isinstance(decoded[0], Fault) else float(decoded[0].pressure_kpa[0])
