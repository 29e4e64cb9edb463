"""Checksums of frames. The cyclic ones are those of the catalogue of CRC algorithms, by their names there."""

from functools import cache

from crc import Calculator, Crc8, Crc16

from gaugelink.gauge.fields import ChecksumKind

_CYCLIC = {
    ChecksumKind.CRC8_SMBUS: Crc8.CCITT,
    ChecksumKind.CRC8_MAXIM_DOW: Crc8.MAXIM_DOW,
    ChecksumKind.CRC16_ARC: Crc16.IBM,
    ChecksumKind.CRC16_MODBUS: Crc16.MODBUS,
    ChecksumKind.CRC16_IBM_3740: Crc16.IBM_3740,
    ChecksumKind.CRC16_XMODEM: Crc16.XMODEM,
    ChecksumKind.CRC16_KERMIT: Crc16.KERMIT,
}


@cache
def _calculator(kind: ChecksumKind) -> Calculator:
    return Calculator(_CYCLIC[kind].value, optimized=True)


def checksum_of(kind: ChecksumKind, covered: bytes, seed: int = 0) -> int:
    """Compute a checksum; the `seed` is for those of one byte that are no CRC."""
    if kind in _CYCLIC:
        return _calculator(kind).checksum(covered)
    if kind is ChecksumKind.XOR:
        value = seed
        for byte in covered:
            value ^= byte
        return value
    total = (seed + sum(covered)) & 0xFF
    return total if kind is ChecksumKind.SUM else -total & 0xFF
