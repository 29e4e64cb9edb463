"""What a log, a pipe or a screen reader gets: plain lines."""

from dataclasses import replace

from gaugelink.app.running import PlainLines
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import LinkPhase, LinkState


def test_what_is_wrong_with_a_link_is_said_once_until_it_is_gone() -> None:
    lines: list[str] = []
    said = PlainLines(PressureUnit.PSI, lines.append)
    searching = LinkState("red", LinkPhase.SEARCHING)
    off = replace(searching, faults=("Bluetooth is off: switch it on.",))
    for state in (searching, off, off, searching, off):
        said.linked(state)
    assert lines == [
        "Gauge red: searching.",
        "Gauge red: Bluetooth is off: switch it on.",
        "Gauge red: Bluetooth is off: switch it on.",
    ]
