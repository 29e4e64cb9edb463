"""Pressure that is there before a differential leak-down begins: another cylinder's air, or what a gauge holds."""

from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, LeakRequest
from tests.app.leak_sessions import ask, begun, keys, played

RATE_HZ = 10.0
REQUEST = LeakRequest(kind=DecayKind.DIFFERENTIAL)
INSIDE_KPA = 72.0 * 6.894757
"""What a sound cylinder shows at the usual supply of 80 psi: a loss of 10 %."""


@pytest.fixture
def session(tmp_path: Path) -> LeakSession:
    return LeakSession(leak_shop(tmp_path))


def shown(session: LeakSession, *levels: tuple[float, float], from_s: float = 0.0, rest_kpa: float = 0.0) -> list[Step]:
    """Play (seconds, kPa) one after the other on a gauge that shows `rest_kpa` at rest; each is come to in a second."""
    before, parts = levels[0][1], []
    for seconds, kpa in levels:
        parts.append(np.interp(np.arange(int(seconds * RATE_HZ)) / RATE_HZ, [0.0, 1.0], [before, kpa]))
        before = kpa
    pressure_kpa = np.concatenate(parts) + rest_kpa
    return played(session, from_s + np.arange(len(pressure_kpa)) / RATE_HZ, pressure_kpa)


def results(steps: list[Step]) -> list[Decay]:
    return [step.decay for step in steps if step.decay is not None]


@pytest.mark.parametrize("rest_kpa", [0.0, 8.0, -6.0])
def test_air_that_another_cylinder_left_on_is_let_off_before_anything_is_measured(
    session: LeakSession, rest_kpa: float
) -> None:
    begun(session, REQUEST, cylinder="MAG")
    ask(session, CommandAction.ACKNOWLEDGE)
    before = shown(session, (30.0, 390.0), rest_kpa=rest_kpa)
    assert keys(before) == [PromptKey.LEAK_AIR_ALREADY]
    assert results(before) == []
    (said,) = [prompt for step in before for prompt in step.prompts]
    assert said.text.startswith("There is pressure already, 5")
    assert [step.progress.note for step in before if step.progress is not None][-1] == said.text
    after = shown(session, (4.0, 0.0), (30.0, INSIDE_KPA), from_s=30.0, rest_kpa=rest_kpa)
    assert keys(after) == [PromptKey.LEAK_AIR, PromptKey.LEAK_PERCENT]
    (opened, _) = [prompt for step in after for prompt in step.prompts]
    assert opened.text.startswith("Lock the crank, MAG at top dead centre")
    (result,) = results(after)
    assert result.leak_percent == pytest.approx(10.0, abs=0.6)


@pytest.mark.parametrize("rest_kpa", [0.0, 8.0, -6.0])
@pytest.mark.parametrize("left_kpa", [20.0, 45.0])
def test_the_last_of_another_cylinders_air_is_not_taken_for_the_zero(
    session: LeakSession, left_kpa: float, rest_kpa: float
) -> None:
    """It is still leaving when the gauge is first heard, or when what is left passes for nothing."""
    begun(session, REQUEST, cylinder="MAG")
    ask(session, CommandAction.ACKNOWLEDGE)
    seconds = np.arange(0.0, 8.0, 1.0 / RATE_HZ)
    played(session, seconds, left_kpa * np.exp(-seconds / 1.5) + rest_kpa)
    steps = shown(session, (1.0, 0.0), (30.0, INSIDE_KPA), from_s=8.0, rest_kpa=rest_kpa)
    (result,) = results(steps)
    assert result.leak_percent == pytest.approx(10.0, abs=0.6)


def test_a_test_that_is_stopped_under_such_air_has_no_result(session: LeakSession) -> None:
    begun(session, REQUEST, cylinder="MAG")
    ask(session, CommandAction.ACKNOWLEDGE)
    shown(session, (30.0, 390.0))
    stopped = ask(session, CommandAction.STOP_DECAY)
    assert stopped.decay is None
    assert stopped.result is not None
    assert stopped.result.ok
    assert not session.active


def test_nobody_is_told_to_let_air_in_while_the_cautions_stand(session: LeakSession) -> None:
    begun(session, REQUEST, cylinder="MAG")
    before = shown(session, (5.0, 390.0), (5.0, 0.0))
    assert keys(before) == [PromptKey.ACKNOWLEDGE_FIRST, PromptKey.LEAK_AIR_ALREADY]
    (prompt,) = ask(session, CommandAction.ACKNOWLEDGE).prompts
    assert prompt.key is PromptKey.LEAK_AIR
    assert keys(shown(session, (3.0, 0.0), (30.0, INSIDE_KPA), from_s=10.0)) == [PromptKey.LEAK_PERCENT]


def test_who_acknowledges_under_such_air_is_told_to_let_it_off(session: LeakSession) -> None:
    begun(session, REQUEST, cylinder="MAG")
    shown(session, (5.0, 390.0))
    (prompt,) = ask(session, CommandAction.ACKNOWLEDGE).prompts
    assert prompt.key is PromptKey.LEAK_AIR_ALREADY


def test_more_than_is_allowed_is_told_first(session: LeakSession) -> None:
    begun(session, REQUEST, cylinder="MAG")
    ask(session, CommandAction.ACKNOWLEDGE)
    assert keys(shown(session, (5.0, 950.0), (5.0, 300.0))) == [PromptKey.LEAK_OVER, PromptKey.LEAK_AIR_ALREADY]


def test_an_absolute_gauge_is_told_by_where_it_comes_to_rest(session: LeakSession) -> None:
    begun(session, REQUEST, cylinder="MAG")
    ask(session, CommandAction.ACKNOWLEDGE)
    steps = shown(session, (5.0, 390.0), (8.0, 0.0), (30.0, INSIDE_KPA), rest_kpa=100.0)
    assert keys(steps) == [
        PromptKey.LEAK_AIR_ALREADY,
        PromptKey.LEAK_ABSOLUTE,
        PromptKey.LEAK_AIR,
        PromptKey.LEAK_PERCENT,
    ]
    (result,) = results(steps)
    assert result.leak_percent == pytest.approx(10.0, abs=0.6)
