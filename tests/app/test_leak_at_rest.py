"""Air of before that leaves a cylinder slowly: it is waited for before more is let in, and never for good."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_rest import PATIENCE_S
from gaugelink.app.leak_session import LeakSession
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, LeakRequest
from tests.app.leak_sessions import ask, begun, played

RATE_HZ = 10.0
REQUEST = LeakRequest(kind=DecayKind.DIFFERENTIAL)
INSIDE_KPA = 72.0 * 6.894757
"""What a sound cylinder shows at the usual supply of 80 psi: a loss of 10 %."""
PULLS_S = 4.0
"""From hearing that air may come in to opening the regulator."""

Shown = Callable[[np.ndarray], np.ndarray]


def leaving(left_kpa: float, tau_s: float) -> Shown:
    return lambda time_s: left_kpa * np.exp(-time_s / tau_s)


def drifting(kpa_per_s: float) -> Shown:
    return lambda time_s: kpa_per_s * time_s


class AtTheAir:
    """Somebody at a gauge that shows `before` until air is let in, and on top of it from then on where it `stays`."""

    def __init__(self, folder: Path, before: Shown, *, stays: bool = False) -> None:
        self.session = LeakSession(leak_shop(folder))
        self.before, self.stays = before, stays
        self.now_s = 0.0
        self.air_s = float("inf")
        self.said: list[tuple[PromptKey, float]] = []
        self.result: Decay | None = None
        begun(self.session, REQUEST, cylinder="MAG")

    def look(self, seconds: float) -> None:
        """Let the gauge send for so long."""
        for _ in range(round(2.0 * seconds)):
            time_s = self.now_s + np.arange(5) / RATE_HZ
            open_ = np.clip((time_s - self.air_s) / 3.0, 0.0, 1.0)
            below = self.before(time_s)
            shown = below * (1.0 if self.stays else 1.0 - open_) + INSIDE_KPA * open_
            for step in played(self.session, time_s, shown):
                self.said += [(prompt.key, self.now_s) for prompt in step.prompts]
                self.result = step.decay or self.result
            self.now_s += 0.5

    def acknowledge(self) -> None:
        self.said += [(prompt.key, self.now_s) for prompt in ask(self.session, CommandAction.ACKNOWLEDGE).prompts]

    def obey(self) -> Decay:
        """Wait to be told that air may come in, let it in, and give the result."""
        while PromptKey.LEAK_AIR not in self.keys:
            assert self.now_s < 200.0, "blocked for good"
            self.look(0.5)
        self.air_s = self.now_s + PULLS_S
        self.look(30.0)
        assert self.result is not None
        return self.result

    @property
    def keys(self) -> list[PromptKey]:
        return [key for key, _ in self.said]

    def when(self, key: PromptKey) -> float:
        return next(at for said, at in self.said if said is key)


@pytest.mark.parametrize(("left_kpa", "tau_s"), [(20.0, 1.5), (20.0, 4.0), (12.0, 8.0)])
def test_air_that_still_leaves_is_waited_for_before_more_is_let_in(
    tmp_path: Path, left_kpa: float, tau_s: float
) -> None:
    hand = AtTheAir(tmp_path, leaving(left_kpa, tau_s))
    hand.look(4.0)
    hand.acknowledge()
    assert hand.keys == [PromptKey.LEAK_REST]
    result = hand.obey()
    assert hand.keys == [PromptKey.LEAK_REST, PromptKey.LEAK_AIR, PromptKey.LEAK_PERCENT]
    assert result.leak_percent == pytest.approx(10.0, abs=0.3)


@pytest.mark.parametrize(
    ("before", "stays"), [(leaving(25.0, 60.0), False), (leaving(24.0, 25.0), False), (drifting(-0.3), True)]
)
def test_nobody_waits_for_good_and_a_zero_that_was_not_at_rest_is_told(
    tmp_path: Path, before: Shown, stays: bool
) -> None:
    hand = AtTheAir(tmp_path, before, stays=stays)
    hand.look(12.0)
    hand.acknowledge()
    result = hand.obey()
    assert hand.keys == [PromptKey.LEAK_REST, PromptKey.LEAK_AIR, PromptKey.LEAK_PERCENT]
    assert hand.when(PromptKey.LEAK_AIR) - hand.when(PromptKey.LEAK_REST) == pytest.approx(PATIENCE_S, abs=1.0)
    assert "zero_moving" in result.flags
    assert result.leak_percent is not None
    assert result.leak_u_percent is not None
    assert abs(result.leak_percent - 10.0) < result.leak_u_percent


def test_who_lets_air_in_before_is_told_so_in_the_result(tmp_path: Path) -> None:
    hand = AtTheAir(tmp_path, leaving(20.0, 8.0))
    hand.look(4.0)
    hand.acknowledge()
    hand.air_s = 8.0
    hand.look(30.0)
    assert hand.keys == [PromptKey.LEAK_REST, PromptKey.LEAK_PERCENT]
    assert hand.result is not None
    assert "zero_moving" in hand.result.flags
    assert hand.result.leak_percent is not None
    assert hand.result.leak_u_percent is not None
    assert 1.0 < abs(hand.result.leak_percent - 10.0) < hand.result.leak_u_percent


@pytest.mark.parametrize("kpa_per_s", [0.0, 0.02, -0.02])
def test_a_gauge_at_rest_is_not_spoken_of(tmp_path: Path, kpa_per_s: float) -> None:
    hand = AtTheAir(tmp_path, drifting(kpa_per_s), stays=True)
    hand.look(15.0)
    hand.acknowledge()
    result = hand.obey()
    assert hand.keys == [PromptKey.LEAK_AIR, PromptKey.LEAK_PERCENT]
    assert "zero_moving" not in result.flags


def test_nothing_is_said_of_rest_while_the_cautions_stand_and_the_wait_is_of_who_acknowledges(tmp_path: Path) -> None:
    hand = AtTheAir(tmp_path, leaving(26.0, 60.0))
    hand.look(40.0)
    assert hand.keys == []
    hand.acknowledge()
    hand.obey()
    assert hand.keys == [PromptKey.LEAK_REST, PromptKey.LEAK_AIR, PromptKey.LEAK_PERCENT]
    assert hand.when(PromptKey.LEAK_AIR) - hand.when(PromptKey.LEAK_REST) > 0.5 * PATIENCE_S


def test_that_it_does_not_rest_stands_where_the_progress_is_shown_and_goes_with_it(tmp_path: Path) -> None:
    hand = AtTheAir(tmp_path, leaving(20.0, 4.0))
    hand.look(4.0)
    hand.acknowledge()
    notes = []
    for first_s in (4.0, 30.0):
        time_s = first_s + np.arange(60) / RATE_HZ
        steps = played(hand.session, time_s, hand.before(time_s))
        notes.append([step.progress.note for step in steps if step.progress is not None][0 if first_s < 5.0 else -1])
    assert notes == ["The gauge is not at rest yet. Leave the air off and wait.", "idle"]
