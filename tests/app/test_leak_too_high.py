"""Air above the limit: nothing is measured before it is let off, and nobody is told to pump more in."""

from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import LeakRequest
from tests.app.leak_sessions import ask, begun, keys, played

RATE_HZ = 5.0
HELD_KPA = 950.0
"""What a gauge with a check valve still has in it from the last pull."""
REQUEST = LeakRequest(test_kpa=40.0, highest_kpa=48.0)


@pytest.fixture
def session(tmp_path: Path) -> LeakSession:
    return LeakSession(leak_shop(tmp_path))


def shown(session: LeakSession, *stretches: tuple[float, float, float], from_s: float = 0.0) -> list[Step]:
    """Play stretches of (seconds, kPa at the begin, kPa at the end) one after the other."""
    noise = np.random.default_rng(5)
    pressure = np.concatenate([np.linspace(a, b, int(seconds * RATE_HZ)) for seconds, a, b in stretches])
    time_s = from_s + np.arange(len(pressure)) / RATE_HZ
    return played(session, time_s, pressure + noise.normal(0.0, 0.02, len(pressure)))


def test_a_gauge_that_still_holds_the_last_pull_is_no_tight_crankcase(session: LeakSession) -> None:
    begun(session, REQUEST)
    said = keys(shown(session, (2.0, HELD_KPA, HELD_KPA)))
    assert said == [PromptKey.ACKNOWLEDGE_FIRST, PromptKey.LEAK_OVER]
    (prompt,) = ask(session, CommandAction.ACKNOWLEDGE).prompts
    assert prompt.key is PromptKey.LEAK_OVER
    assert "over the limit of" in prompt.text
    assert keys(shown(session, (120.0, HELD_KPA, HELD_KPA), from_s=10.0)) == []
    assert session.active
    said = keys(shown(session, (3.0, 0.0, 0.0), (4.0, 0.0, 40.0), (60.0, 40.0, 40.0), from_s=140.0))
    assert said == [PromptKey.LEAK_PUMP, PromptKey.LEAK_CLOSED, PromptKey.LEAK_PASS]


def test_what_was_pumped_too_high_is_measured_once_it_is_let_off_to_where_it_belongs(session: LeakSession) -> None:
    begun(session, REQUEST)
    ask(session, CommandAction.ACKNOWLEDGE)
    pumped = shown(session, (3.0, 0.0, 0.0), (4.0, 0.0, 52.0), (20.0, 52.0, 52.0))
    assert keys(pumped) == [PromptKey.LEAK_OVER]
    said = keys(shown(session, (4.0, 52.0, 41.0), (60.0, 41.0, 41.0), from_s=27.0))
    assert said == [PromptKey.LEAK_CLOSED, PromptKey.LEAK_PASS]


def test_too_high_a_supply_is_said_again_when_the_cautions_are_confirmed(session: LeakSession) -> None:
    begun(session, LeakRequest(kind="differential"), cylinder="PTO")
    assert PromptKey.LEAK_OVER in keys(shown(session, (2.0, 0.0, 0.0), (1.0, HELD_KPA, HELD_KPA)))
    (prompt,) = ask(session, CommandAction.ACKNOWLEDGE).prompts
    assert prompt.key is PromptKey.LEAK_OVER
