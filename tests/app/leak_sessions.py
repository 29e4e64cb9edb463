"""A leak session that a test drives: what it is asked, what it hears, what it says."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from gaugelink.app.demo import MACHINE
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import SampleBatch

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)
GAUGE = "amber"
LET_OFF = "Let the air off before you unscrew anything."


def ask(session: LeakSession, action: CommandAction, **how: object) -> Step:
    return session.command(Command(id=new_id(), action=action, **how), None, 0.0, NOON)


def begun(session: LeakSession, request: LeakRequest, cylinder: str | None = None) -> Step:
    step = ask(session, CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request, cylinder=cylinder)
    assert step.result is not None
    assert step.result.ok, step.result.text
    return step


def played(session: LeakSession, time_s: np.ndarray, pressure_kpa: np.ndarray, gauge: str = GAUGE) -> list[Step]:
    steps = []
    for first in range(0, len(time_s), 5):
        part = slice(first, first + 5)
        if not session.active:
            break
        over = np.zeros(len(time_s[part]), dtype=np.bool_)
        steps.append(session.hear(SampleBatch(gauge, time_s[part], pressure_kpa[part], over), 0.0, NOON))
        look = session.due()
        if look is not None:
            steps.append(session.judged(session.decay_id, look(), 0.0, NOON))
    return steps


def keys(steps: list[Step]) -> list[PromptKey]:
    return [prompt.key for step in steps for prompt in step.prompts]


def in_unit(folder: Path, unit: PressureUnit) -> LeakSession:
    """A session with two gauges in a shop of this unit."""
    shop = leak_shop(folder)
    (amber,) = shop.settings.gauges
    bench = shop.settings.bench.model_copy(update={"display_unit": unit})
    gauges = (amber, amber.model_copy(update={"name": "blue"}))
    settings = shop.settings.model_copy(update={"gauges": gauges, "bench": bench})
    return LeakSession(replace(shop, settings=settings, layouts=shop.layouts | {"blue": shop.layouts[GAUGE]}))
