"""A gauge of a format made up on the spot: what a maker might do, drawn at random."""

import random

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.layout import GaugeLayout, load_layout


def made_up_layout(seed: int) -> GaugeLayout:
    """Draw a frame format: header, counter, pressures of some width, order, scale and unit, battery, checksum."""
    rng = random.Random(seed)
    unit, scale = rng.choice([("psi", 0.1), ("psi", 0.01), ("kPa", 0.1), ("kPa", 1.0), ("bar", 0.001)])
    width = rng.choice(["u16", "s16", "u24", "u32"])
    count = rng.choice([1, 2, 4, 5])
    header = rng.choice(["", "a5", "55aa", "c0de"])
    at = len(header) // 2
    table: dict[str, object] = {
        "name": f"made up, number {seed}",
        "unit": unit,
        "byte_order": rng.choice(["little", "big"]),
        "header": header,
        "rate_hz": 100.0,
        "range": PressureUnit(unit).from_kpa(2068.0),
        "listen": {"how": "notify", "service": "fff0", "characteristic": "fff1"},
        "sequence": {"at": at, "format": rng.choice(["u8", "u16"]), "counts": "frames"},
    }
    at += 1 if table["sequence"]["format"] == "u8" else 2  # type: ignore[index]
    if rng.random() < 0.6:
        table["battery"] = {"at": at, "format": "u8"}
        at += 1
    table["pressure"] = {"at": at, "format": width, "scale": scale, "count": count}
    if rng.random() < 0.6:
        table["checksum"] = {"kind": rng.choice(["xor", "sum"]), "at": -1}
    return load_layout(table, "made-up layout")
