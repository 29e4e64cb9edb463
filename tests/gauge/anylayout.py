"""Makes layouts of every kind from a stream of choices, for property tests and for fuzzing."""

from gaugelink.errors import SettingsError
from gaugelink.gauge.fields import ChecksumKind, Counts, NumberFormat
from gaugelink.gauge.layout import load_layout

COUNTERS = ["u8", "u16", "u24", "u32"]
DIGITS = {NumberFormat.BCD, NumberFormat.BCD_SWAPPED, NumberFormat.DIGITS}
FORMATS = list(NumberFormat)


def make_layout(pick):
    """Build a layout; `pick(low, high)` chooses a whole number. None when the choices do not make a valid one."""

    def flip():
        return pick(0, 1) == 1

    def counter(low=-12):
        return {"at": pick(low, 12), "format": COUNTERS[pick(0, 3)]}

    table = {
        "name": "x", "unit": ["Pa", "kPa", "bar", "psi", "kgf/cm2", "mmHg"][pick(0, 5)],
        "reference": ["gauge", "absolute"][pick(0, 1)], "listen": {"characteristic": "fff1"},
    }  # fmt: skip
    if flip():
        table["rate_hz"] = pick(1, 2000)
    if flip():
        table["range"] = pick(1, 3000)
    if flip():
        table["timing"] = ["steady", "arrival"][pick(0, 1)]
    if pick(0, 3) == 0:
        text = {"number": pick(0, 3), "prefix": ["", "P"][pick(0, 1)], "across_frames": flip(), "decimal_comma": flip()}
        if flip():
            text["sequence"] = pick(0, 3)
            text["sequence_wrap"] = pick(2, 300)
        if flip():
            text["battery"] = pick(0, 3)
        table["text"] = text
    else:
        kind = FORMATS[pick(0, len(FORMATS) - 1)]
        pressure = {
            "at": pick(-8, 12),
            "format": kind.value,
            "scale": [1, 0.1, -2, 1e9, 1e-300][pick(0, 4)],
            "add": pick(-9, 9),
        }
        pressure["count"] = ["fit", 1, 2, 7][pick(0, 3)]
        if kind in DIGITS:
            pressure["bytes"] = pick(1, 8)
        if flip():
            pressure["stride"] = pick(1, 12)
        table["pressure"] = pressure
        table["byte_order"] = ["little", "big"][pick(0, 1)]
        if flip():
            table["sequence"] = {**counter(), "counts": list(Counts)[pick(0, 1)].value}
            if flip():
                table["sequence"]["wrap"] = pick(2, 300)
        if flip():
            table["device_time"] = {
                **counter(),
                "tick_s": [1e-6, 1e-3, 1.0][pick(0, 2)],
                "of": ["first", "last"][pick(0, 1)],
            }
        if flip():
            table["battery"] = {"at": pick(-8, 12), "format": "mfloat", "scale": 1e30}
        if flip():
            table["status"] = {**counter(), "over_range": pick(0, 255), "fault": pick(0, 3)}
        if flip():
            kind = list(ChecksumKind)[pick(0, len(ChecksumKind) - 1)]
            table["checksum"] = {"kind": kind.value, "at": pick(-4, 12), "first": pick(0, 6)}
        if flip():
            table["length"] = pick(1, 40)
        if flip():
            table["header"] = "a5"
    try:
        return load_layout(table)
    except SettingsError:
        return None
