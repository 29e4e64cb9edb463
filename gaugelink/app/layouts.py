"""Finds the frame layout that a gauge of the shop names: a built-in one, a file, or none for one that says itself."""

from pathlib import Path

import tomli_w

from gaugelink.errors import SettingsError
from gaugelink.gauge.config import SELF_DESCRIBING
from gaugelink.gauge.layout import GaugeLayout, load_layout
from gaugelink.gauge.standard import environmental_pressure
from gaugelink.reasons import reason

BUILT_IN = {"environmental-sensing": environmental_pressure}
"""Layouts that need no file, by name."""


def find_layout(name: str, folder: Path) -> GaugeLayout | None:
    """Find a layout by built-in name or by path, taken from `folder`. None is for a gauge that describes itself.

    Raises:
        SettingsError: there is no such layout, or its file has a mistake.
    """
    if name == SELF_DESCRIBING:
        return None
    if name in BUILT_IN:
        return BUILT_IN[name]()
    path = folder / name
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        known = ", ".join((SELF_DESCRIBING, *BUILT_IN))
        raise SettingsError(f"{path}: there is no such layout file; built in are {known}.") from error
    except (OSError, ValueError) as error:
        # A path that no file can have is told as a wrong value.
        raise SettingsError(f"{path}: the layout file cannot be read: {reason(error)}.") from error
    return load_layout(text, str(path))


def layout_text(layout: GaugeLayout, comment: str = "") -> str:
    """A layout as the text of its file, defaults left out; it reads back to the same layout."""
    table = layout.model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    lines = "".join(f"# {line}\n" for line in comment.splitlines())
    return lines + tomli_w.dumps(table)
