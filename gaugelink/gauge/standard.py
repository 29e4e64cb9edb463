"""Gauges that describe themselves: the Environmental Sensing pressure and the Presentation Format descriptor.

Numbers are the Bluetooth assigned numbers; the tests check those that bleak's tables hold. The codes of the formats
are from memory of the assigned numbers, section 2.4.1.
"""

import struct

from bleak.uuids import normalize_uuid_16

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugeError
from gaugelink.gauge.ambient import HIGHEST_KPA, LOWEST_KPA
from gaugelink.gauge.fields import MOST_SCALE, NumberFormat, PressureField, TextLine
from gaugelink.gauge.layout import GaugeLayout, How, Listen, Reference

ENVIRONMENTAL_SENSING = normalize_uuid_16(0x181A)
PRESSURE = normalize_uuid_16(0x2A6D)
PRESENTATION_FORMAT = normalize_uuid_16(0x2904)

UNIT_NUMBERS: dict[int, PressureUnit] = {
    0x2724: PressureUnit.PASCAL,
    0x2780: PressureUnit.BAR,
    0x2781: PressureUnit.MMHG,
    0x27A5: PressureUnit.PSI,
}
"""Bluetooth unit numbers of pressure."""

_FORMATS: dict[int, NumberFormat] = {
    0x04: NumberFormat.U8, 0x06: NumberFormat.U16, 0x07: NumberFormat.U24, 0x08: NumberFormat.U32,
    0x0C: NumberFormat.S8, 0x0E: NumberFormat.S16, 0x0F: NumberFormat.S24, 0x10: NumberFormat.S32,
    0x14: NumberFormat.F32, 0x15: NumberFormat.F64, 0x16: NumberFormat.SFLOAT, 0x17: NumberFormat.MFLOAT,
}  # fmt: skip
_UTF8 = 0x19
_FLOATS = {NumberFormat.F32, NumberFormat.F64, NumberFormat.SFLOAT, NumberFormat.MFLOAT}


def environmental_pressure() -> GaugeLayout:
    """The pressure characteristic of the Environmental Sensing service: uint32, a tenth of a pascal, absolute."""
    return GaugeLayout(
        name="Environmental Sensing pressure",
        listen=Listen(service=ENVIRONMENTAL_SENSING, characteristic=PRESSURE),
        unit=PressureUnit.PASCAL,
        reference=Reference.ABSOLUTE,
        pressure=PressureField(at=0, format=NumberFormat.U32, scale=0.1),
    )


def presented_pressure(
    service: str,
    characteristic: str,
    descriptor: bytes,
    *,
    how: How = How.NOTIFY,
    reference: Reference = Reference.GAUGE,
) -> GaugeLayout | None:
    """Make the layout of a characteristic from its Presentation Format descriptor (0x2904).

    None when its unit is not one of pressure. Raises GaugeError when the descriptor is cut, or is of a pressure in a
    format that cannot be a number. The descriptor does not say gauge or absolute: see `quiet_reference`.
    """
    if len(descriptor) < 5:
        raise GaugeError(
            f"The presentation format of {characteristic} has {len(descriptor)} bytes instead of 7; "
            "the gauge needs a layout file."
        )
    code, exponent, number = struct.unpack_from("<BbH", descriptor)
    unit = UNIT_NUMBERS.get(number)
    if unit is None:
        return None
    kind = _FORMATS.get(code)
    listen = Listen(how=how, service=service, characteristic=characteristic, poll_hz=10.0 if how is How.POLL else None)
    name = f"self-described pressure in {unit.value}"
    if code == _UTF8:
        return GaugeLayout(name=name, listen=listen, unit=unit, reference=reference, text=TextLine())
    if kind is None:
        raise GaugeError(
            f"The presentation format of {characteristic} is {code:#04x}, which is not a number this program reads; "
            "the gauge needs a layout file."
        )
    # The exponent is for whole numbers alone; a float carries its own.
    scale = 1.0 if kind in _FLOATS else float(f"1e{exponent}")
    if scale > MOST_SCALE:
        raise GaugeError(
            f"The presentation format of {characteristic} has the exponent {exponent}, which is of no pressure; "
            "the gauge needs a layout file."
        )
    pressure = PressureField(at=0, format=kind, scale=scale)
    return GaugeLayout(name=name, listen=listen, unit=unit, reference=reference, pressure=pressure)


def quiet_reference(quiet_kpa: float) -> Reference | None:
    """Tell gauge from absolute by a reading taken with the gauge open to the air; None when it is neither."""
    if LOWEST_KPA <= quiet_kpa <= HIGHEST_KPA:
        return Reference.ABSOLUTE
    return Reference.GAUGE if abs(quiet_kpa) < 0.5 * LOWEST_KPA else None
