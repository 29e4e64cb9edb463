"""What a log, a pipe or a screen reader gets: plain lines."""

from dataclasses import replace

import pytest

from gaugelink.app.running import PlainLines
from gaugelink.app.step import Step
from gaugelink.broker.leak_messages import DecayProgress
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import LinkPhase, LinkState
from gaugelink.peak.events import Flag
from tests.app.test_session import pull


@pytest.mark.parametrize(
    ("unit", "rate", "told"),
    [
        (PressureUnit.BAR, (0.041, 0.012), "0.4107 bar, losing 0.00041 ± 0.00012 bar a minute."),
        (PressureUnit.PSI, (0.041, 0.012), "5.96 psi, losing 0.0059 ± 0.0017 psi a minute."),
        (PressureUnit.PSI, None, "5.96 psi."),
    ],
)
def test_a_leak_under_way_is_told_with_the_rate_that_is_known(
    unit: PressureUnit, rate: tuple[float, float] | None, told: str
) -> None:
    lines: list[str] = []
    known = {} if rate is None else {"rate_kpa_per_s": rate[0] / 60.0, "rate_u_kpa_per_s": rate[1] / 60.0}
    progress = DecayProgress(
        bench="bay-3", decay_id="d", gauge="red", elapsed_s=12.0, pressure_kpa=41.07, note="holding", **known
    )
    PlainLines(unit, lines.append).leaking(progress)
    assert lines == [f"Leak test, holding, 12 s: {told}"]


def test_one_stroke_is_not_called_strokes() -> None:
    lines: list[str] = []
    event = pull(600.0, frozenset({Flag.FEW_STROKES}))
    PlainLines(PressureUnit.PSI, lines.append).stepped(Step(event=replace(event, strokes=event.strokes[:1])))
    assert lines == ["Cranking: 1 stroke, 87 ± 0.5 psi (too few strokes)."]


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
