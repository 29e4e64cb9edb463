"""What a hand at the keys asks for: digits are cylinders, what strikes or closes is pressed twice."""

from pathlib import Path
from typing import cast

import numpy as np
import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.running import Fingers
from gaugelink.app.scene import CylinderMark
from gaugelink.app.session import Session
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import AGAIN_S, Phase
from gaugelink.broker.commands import Command, CommandAction, parse_command
from gaugelink.broker.message import new_id
from gaugelink.errors import BrokerError
from gaugelink.gauge.samples import SampleBatch
from gaugelink.journal.entries import TestEntry
from gaugelink.peak.events import Flag
from tests.app.test_presenter import Watched, drawn, sentences
from tests.app.test_session import of


class Bay:
    """As much of a service as the keys look at."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.shop = session.shop
        self.leak = LeakSession(session.shop)


class AtKeys(Watched):
    """A bench with a hand at its keys."""

    def __init__(self, folder: Path, speed: float = 1.0) -> None:
        super().__init__(folder)
        self.presenter = ScenePresenter(self.session.shop, keys=True)
        self.leak = (bay := Bay(self.session)).leak
        self.fingers = Fingers(lambda: cast("Daemon", bay), speed=speed)

    def take(self, step: Step) -> Step:
        self.fingers.stepped(step)
        return super().take(step)

    def press(self, key: str, after_s: float = 2.0) -> Step:
        self.now_s += after_s
        self.presenter.pressed()
        command = self.fingers.command(key)
        if command is None:
            return Step()
        if self.leak.takes(command):
            return self.take(self.leak.command(command, None, self.now_s, self.at))
        return self.take(self.session.command(command, self.now_s, self.at))

    def air(self, action: CommandAction, **how: object) -> Step:
        """Ask for something of the leak-down from elsewhere."""
        command = Command.model_validate({"id": new_id(), "action": action, **how})
        return self.take(self.leak.command(command, None, self.now_s, self.at))

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


def test_the_key_that_measures_again_is_shown_with_the_cylinder_that_it_is_about(bench: AtKeys) -> None:
    assert "r redo middle n skip" in bench.shown
    bench.crank(930.0, 40.0)
    assert "r redo MAG n skip" in bench.shown
    bench.press("r")
    assert "Press r again to strike 135 psi of MAG." in bench.shown


def test_of_a_test_that_is_done_the_key_measures_again_what_the_verdict_asks_for(tmp_path: Path) -> None:
    """The last one that was read is sound: to strike it would lose what is to be kept."""
    bench = AtKeys(tmp_path)
    bench.begin()
    for number in range(5):
        bench.crank(930.0, 6.0 if number else 40.0, flags=frozenset({Flag.STILL_RISING}))
    bench.crank(925.0, 40.0)
    bench.crank(925.0)
    bench.crank(935.0, 40.0)
    bench.crank(935.0)
    assert bench.presenter.scene.title == "North 7, dry test, done"
    assert "r redo PTO n skip" in bench.shown
    bench.press("r")
    assert "Press r again to strike 5 pulls of PTO." in bench.shown
    bench.press("r")
    assert "PTO again from the start." in bench.shown
    assert bench.session.test is not None
    assert [one.tries for one in bench.session.test.state.cylinders] == [0, 2, 2]


def test_a_name_that_the_line_of_keys_has_no_room_for_leaves_the_keys_whole(bench: AtKeys) -> None:
    bench.presenter.scene.redo = "the one by the clutch"
    assert "r redo n skip" in bench.shown
    assert "q quit" in bench.shown


def test_a_test_that_was_closed_with_a_cylinder_missing_is_opened_again(bench: AtKeys) -> None:
    assert bench.session.test is not None
    bench.press("f")
    assert bench.session.test.state.phase is Phase.MEASURING
    bench.press("f")
    assert bench.session.test.state.phase is Phase.FINISHED
    (entry,) = of(bench.press("u"), TestEntry)
    assert not entry.closed
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


def test_each_cylinder_is_shown_with_its_key_and_a_digit_that_none_has_says_so(bench: AtKeys) -> None:
    assert all(f"{key} {name}" in bench.shown for key, name in (("1", "PTO"), ("2", "middle"), ("3", "MAG")))
    bench.press("9")
    assert "! No cylinder is called 9: this engine has PTO, middle, MAG." in bench.shown


@pytest.mark.parametrize("key", ["n", "k"])
def test_what_was_refused_is_gone_with_the_next_key_whatever_that_does(bench: AtKeys, key: str) -> None:
    bench.press("9")
    bench.press(key)
    assert "!" not in bench.shown


def test_a_digit_without_a_test_says_that_none_is_open(tmp_path: Path) -> None:
    bench = AtKeys(tmp_path)
    bench.press("1")
    assert "! No test is open: begin one first." in bench.shown


def test_only_the_cylinder_of_the_next_pull_is_marked_with_now(bench: AtKeys) -> None:
    bench.crank(930.0, 40.0)
    bench.press("1")
    bench.press("x")
    bench.press("x")
    bench.crank(930.0, 40.0)
    bench.press("2")
    assert [row.mark for row in bench.presenter.scene.cylinders].count(CylinderMark.NOW) == 1


def test_a_question_names_the_keys_and_stays_on_the_screen_until_a_digit_answers_it(bench: AtKeys) -> None:
    held = bench.crank(925.0, 14.0)
    assert held.prompts[-1].key is PromptKey.ASK_WHICH
    assert "Not sure about 134 psi. Was that middle (2) or MAG (3)?" in bench.shown
    bench.press("n")
    assert bench.presenter.scene.title == "North 7, dry test, 1 question left"
    assert bench.presenter.scene.questions == ("pull 5, 134 psi: middle (2) or MAG (3)?",)
    bench.press("k")
    bench.take(bench.session.say(PromptKey.BATTERY_LOW, bench.at))
    assert "? pull 5, 134 psi: middle (2) or MAG (3)?" in bench.shown
    assert "so far" in bench.shown
    bench.press("2")
    assert bench.presenter.scene.questions == ()
    assert bench.presenter.scene.title == "North 7, dry test, done"


@pytest.mark.parametrize("height", [24, 50])
def test_with_air_in_the_screen_has_the_keys_of_the_leak_test_and_they_alone_act(bench: AtKeys, height: int) -> None:
    bench.crank(925.0, 14.0)
    bench.air(CommandAction.BEGIN_DECAY, machine="north-7")
    assert "?" not in bench.shown
    assert drawn(bench.presenter, height)[-1].split("  ")[:2] == [
        "Enter I have read the cautions",
        "s stop the leak test",
    ]
    bench.press("Enter")
    assert drawn(bench.presenter, height)[-1].rstrip() == "s stop the leak test  q quit"
    for key in ("r", "r", "f", "f", "3", "u"):
        assert bench.press(key).result is None
    bench.press("s")
    assert "Press s again to stop the leak test." in bench.shown
    assert bench.leak.active
    bench.press("s", 0.1)
    assert "! Let go of s first, then press it again." in bench.shown
    bench.press("s")
    assert not bench.leak.active
    bench.press("n")
    assert "r redo" in bench.shown


def test_a_leak_test_that_was_not_stopped_says_what_was_said_before(bench: AtKeys) -> None:
    bench.air(CommandAction.BEGIN_DECAY, machine="north-7")
    opening = bench.press("Enter").prompts[-1]
    bench.press("s")
    bench.now_s += 2.0 * AGAIN_S
    time_s = np.arange(5) * 0.1
    quiet = SampleBatch("amber", time_s, np.zeros(5), np.zeros(5, dtype=np.bool_))
    step = bench.take(bench.leak.hear(quiet, bench.now_s, bench.at))
    assert [prompt.text for prompt in step.prompts] == [f"Nothing was changed. {opening.text}"]
    assert bench.leak.active
    bench.press("s")
    assert bench.leak.active


def test_a_leak_test_is_stopped_at_once_by_a_command_that_is_no_key(bench: AtKeys) -> None:
    bench.air(CommandAction.BEGIN_DECAY, machine="north-7")
    bench.air(CommandAction.STOP_DECAY)
    assert not bench.leak.active
