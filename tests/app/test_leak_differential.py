"""A differential leak-down from request to result. Time is driven by the samples."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import DecayKind, LeakRequest
from gaugelink.engine.units import PressureUnit
from tests.app.leak_sessions import GAUGE, LET_OFF, ask, begun, in_unit, keys, played


@pytest.fixture
def session(tmp_path: Path) -> LeakSession:
    return LeakSession(leak_shop(tmp_path))


def test_a_differential_test_reads_the_loss_and_the_hole(session: LeakSession) -> None:
    begun(session, LeakRequest(kind=DecayKind.DIFFERENTIAL), cylinder="MAG")
    assert keys([ask(session, CommandAction.ACKNOWLEDGE)]) == [PromptKey.LEAK_AIR]
    time_s = np.arange(300) / 10.0
    # 80 psi are 551.6 kPa; the cylinder comes to rest at 72 psi.
    pressure = np.where(time_s < 3.0, 0.0, 72.0 * 6.894757 * (1.0 - np.exp(-(time_s - 3.0) / 2.0)))
    steps = played(session, time_s, pressure)
    assert keys(steps) == [PromptKey.LEAK_PERCENT]
    (said,) = [prompt.text for step in steps for prompt in step.prompts]
    assert "Listen at intake, exhaust, crankcase and the next plug hole" in said
    assert said.endswith(LET_OFF)
    (result,) = [step.decay for step in steps if step.decay is not None]
    assert (result.cylinder, result.kind) == ("MAG", DecayKind.DIFFERENTIAL)
    assert result.leak_percent == pytest.approx(10.0, abs=1.0)
    assert {"cold", "supply_stated"} <= set(result.flags)


def test_the_maker_s_limit_of_loss_takes_the_place_of_the_usual_scale(session: LeakSession) -> None:
    request = LeakRequest(kind=DecayKind.DIFFERENTIAL, fails_above_percent=5.0, orifice_discharge=0.87)
    begun(session, request, cylinder="MAG")
    ask(session, CommandAction.ACKNOWLEDGE)
    time_s = np.arange(300) / 10.0
    pressure = np.where(time_s < 3.0, 0.0, 72.0 * 6.894757 * (1.0 - np.exp(-(time_s - 3.0) / 2.0)))
    (result,) = [step.decay for step in played(session, time_s, pressure) if step.decay is not None]
    assert result.verdict == "fail"
    assert "set by the shop, 5 %" in result.text
    assert "cold" not in result.flags


def test_a_second_gauge_reads_the_supply(tmp_path: Path) -> None:
    shop = leak_shop(tmp_path)
    (amber,) = shop.settings.gauges
    both = shop.settings.model_copy(update={"gauges": (amber, amber.model_copy(update={"name": "blue"}))})
    session = LeakSession(replace(shop, settings=both, layouts=shop.layouts | {"blue": shop.layouts[GAUGE]}))
    begun(session, LeakRequest(kind=DecayKind.DIFFERENTIAL, supply_gauge="blue"), cylinder="PTO")
    assert session.listens("blue")
    ask(session, CommandAction.ACKNOWLEDGE)
    time_s = np.arange(300) / 10.0
    shape = np.where(time_s < 3.0, 0.0, 1.0 - np.exp(-(time_s - 3.0) / 2.0))
    decays = []
    for first in range(0, 300, 5):
        part = slice(first, first + 5)
        for gauge, kpa in (("blue", 540.0), (GAUGE, 405.0)):
            decays += [one.decay for one in played(session, time_s[part], kpa * shape[part], gauge) if one.decay]
    (result,) = decays
    assert result.leak_percent == pytest.approx(25.0, abs=0.5)
    assert "supply_stated" not in result.flags


@pytest.mark.parametrize(
    ("unit", "told"),
    [
        (PressureUnit.PSI, "The cylinder reads 72.5 psi, more than the supply's 43.5 psi."),
        (PressureUnit.BAR, "The cylinder reads 5.00 bar, more than the supply's 3.00 bar."),
    ],
)
def test_gauges_that_are_exchanged_are_told_in_the_shop_s_unit(tmp_path: Path, unit: PressureUnit, told: str) -> None:
    session = in_unit(tmp_path, unit)
    begun(session, LeakRequest(kind=DecayKind.DIFFERENTIAL, supply_gauge="blue"), cylinder="PTO")
    ask(session, CommandAction.ACKNOWLEDGE)
    time_s = np.arange(300) / 10.0
    shape = np.clip((time_s - 3.0) / 4.0, 0.0, 1.0)
    notes = []
    for first in range(0, 300, 5):
        part = slice(first, first + 5)
        for gauge, kpa in (("blue", 300.0), (GAUGE, 500.0)):
            steps = played(session, time_s[part], kpa * shape[part], gauge)
            notes += [step.progress.note for step in steps if step.progress is not None]
    assert any(note.startswith(told) for note in notes), set(notes)
    assert not any("kPa" in note for note in notes)


def test_a_pressure_that_cannot_be_is_told_once_and_the_next_rest_is_judged(session: LeakSession) -> None:
    begun(session, LeakRequest(kind=DecayKind.DIFFERENTIAL), cylinder="PTO")
    ask(session, CommandAction.ACKNOWLEDGE)
    time_s = np.arange(900) / 10.0
    # 80 psi are 551.6 kPa. The regulator gives 82 psi for a minute, and is then set lower.
    pressure_kpa = np.interp(time_s, [3.0, 5.0, 60.0, 65.0], [0.0, 565.4, 565.4, 543.0])
    steps = played(session, time_s, pressure_kpa)
    assert keys(steps) == [PromptKey.LEAK_ABOVE_SUPPLY, PromptKey.LEAK_PERCENT]
    (said, _) = [prompt.text for step in steps for prompt in step.prompts]
    assert said.startswith("The cylinder reads 82 psi, more than the supply's 80 psi.")
    notes = [step.progress.note for step in steps if step.progress is not None]
    assert len([note for note in notes if note.startswith("The cylinder reads 82.0 psi")]) > 40
    (result,) = [step.decay for step in steps if step.decay is not None]
    assert result.verdict == "pass"
