"""A small invented shop for the tests of the app."""

from pathlib import Path

from gaugelink.app.shopfile import Shop, load_shop

SHOP = """
[bench]
name = "bay-3"
journal = "bay-3.db"
altitude_m = 200

[[gauges]]
name = "amber"
address = "F0:5A:00:00:00:01"
kind = "held"

[[engines]]
id = "triple"
name = "Triple"
cycle = 2
layout = "side_named"
cylinders = 3
bore_mm = 69.0
stroke_mm = 54.0
rod_mm = 108.0
compression_ratio_trapped = 6.2
band = { low = 120, high = 150, unit = "psi" }

[[machines]]
id = "north-7"
name = "North 7"
engine = "triple"

[test]
repeats = 2
"""


def write_shop(folder: Path, text: str = SHOP) -> Path:
    """Write the shop file into a folder."""
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    return path


def shop_in(folder: Path, text: str = SHOP) -> Shop:
    """The shop, read from a folder."""
    return load_shop(write_shop(folder, text))
