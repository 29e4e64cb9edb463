"""What a hand at the keys asks for: digits are cylinders, what strikes or closes is pressed twice."""

from pathlib import Path
from typing import cast

import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.running import Fingers
from gaugelink.app.session import Session
from gaugelink.app.step import Step
from gaugelink.bench.reading import AGAIN_S, Phase
from gaugelink.broker.commands import CommandAction, parse_command
from gaugelink.errors import BrokerError
from tests.app.test_presenter import Watched, drawn, sentences


class Bay:
    """As much of a service as the keys look at."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.shop = session.shop


class AtKeys(Watched):
    """A bench with a hand at its keys."""

    def __init__(self, folder: Path, speed: float = 1.0) -> None:
        super().__init__(folder)
        bay = cast("Daemon", Bay(self.session))
        self.fingers = Fingers(lambda: bay, speed=speed)

    def take(self, step: Step) -> Step:
        self.fingers.stepped(step)
        return super().take(step)

    def press(self, key: str, after_s: float = 2.0) -> Step:
        self.now_s += after_s
        command = self.fingers.command(key)
        assert command is not None
        return self.take(self.session.command(command, self.now_s, self.at))

    @property
    def shown(self) -> str:
        return sentences(drawn(self.presenter))


@pytest.fixture
def bench(tmp_path: Path) -> AtKeys:
    made = AtKeys(tmp_path)
    made.begin()
    made.whole_test(930.0, 925.0)
    return made


@pytest.mark.parametrize("key", ["r", "PageUp"])
def test_a_key_that_strikes_a_cylinder_is_pressed_twice_and_one_undo_brings_all_of_it_back(
    bench: AtKeys, key: str
) -> None:
    assert bench.session.test is not None
    before = bench.session.test.state.cylinders
    bench.press(key)
    assert f"Press {key} again to strike 2 pulls of middle." in bench.shown
    assert "!" not in bench.shown
    assert bench.session.test.state.cylinders == before
    bench.press(key)
    assert bench.session.test.state.cylinders[1].tries == 0
    bench.press("u")
    assert bench.session.test.state.cylinders == before
    assert "2 pulls of middle count again." in bench.shown


def test_a_test_that_was_closed_with_a_cylinder_missing_is_opened_again(bench: AtKeys) -> None:
    assert bench.session.test is not None
    bench.press("f")
    assert bench.session.test.state.phase is Phase.MEASURING
    bench.press("f")
    assert bench.session.test.state.phase is Phase.FINISHED
    bench.press("u")
    assert bench.session.test.state.phase is Phase.MEASURING
    assert "The test is open again. Move the gauge to MAG. Pull when ready." in bench.shown


def test_a_digit_goes_back_to_a_cylinder_that_was_skipped(bench: AtKeys) -> None:
    bench.press("n")
    assert bench.session.test is not None
    assert bench.session.test.state.phase is Phase.DONE
    bench.press("3")
    assert bench.session.test.state.current == ("MAG",)
    assert "MAG is no longer skipped." in bench.shown


def test_a_fast_simulation_leaves_a_hand_as_much_time(tmp_path: Path) -> None:
    fast = AtKeys(tmp_path, speed=10.0)
    fast.begin()
    fast.whole_test(930.0)
    assert fast.session.test is not None
    fast.press("x")
    fast.press("x", 9.0 * AGAIN_S)
    assert fast.session.test.state.cylinders[0].tries == 1


def test_a_command_over_the_broker_cannot_say_that_it_is_a_key() -> None:
    sent = b'{"id":"0197a0f0-0000-7000-8000-000000000001","action":"redo","key":"r"}'
    with pytest.raises(BrokerError):
        parse_command(sent)


def test_what_a_key_asked_for_is_written_down_as_any_command(bench: AtKeys) -> None:
    bench.press("x")
    entry = bench.press("x").entries[-1]
    assert parse_command(entry.command_json.encode()).action is CommandAction.STRIKE
