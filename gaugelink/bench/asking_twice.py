"""What a key would strike or close, and the words that ask for it once more: a glove hits the wrong key easily."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import Command, CommandKind, Phase, Reading, Status
from gaugelink.bench.saying import questions_left
from gaugelink.bench.state import BenchState, Waiting

HELD_DOWN = 0.125
"""A press that comes sooner than this part of the waiting time is taken for a key that is held down: keyboards begin
to repeat after 0.25 to 0.66 s (common practice, no source)."""


class Press(Enum):
    """What the press of a key that strikes or closes is."""

    FIRST = auto()
    HELD_DOWN = auto()
    """The key repeats by itself, and has not been pressed again."""
    AGAIN = auto()


def pressed(
    waiting: Waiting | None, key: str, loses: tuple[str, ...], at_s: float, again_s: float
) -> tuple[Press, Waiting | None]:
    """Tell what a press is, from what was waited for, and what is waited for after it."""
    if waiting is None or (waiting.key, waiting.loses) != (key, loses) or at_s > waiting.until_s:
        return Press.FIRST, Waiting(key, loses, at_s, at_s + again_s)
    if at_s < waiting.pressed_s + HELD_DOWN * again_s:
        return Press.HELD_DOWN, replace(waiting, pressed_s=at_s)
    return Press.AGAIN, None


def once_more(key: str) -> str:
    """The answer to a first press."""
    return f"Not done yet: press {key} again."


def held_down(key: str) -> str:
    """The answer to a key that is held down."""
    return f"Let go of {key} first, then press it again."


@dataclass(frozen=True, slots=True)
class Loss:
    """What would be lost."""

    loses: tuple[str, ...]
    """Event ids, or the word of what is closed."""
    prompt: Callable[[BenchState, Prompter], Prompt]


def loss_of(state: BenchState, command: Command) -> Loss | None:
    """What a command would strike or close; None where that is nothing, or where it is refused anyway."""
    closed = state.phase in (Phase.FINISHED, Phase.ABANDONED)
    if command.kind is CommandKind.STRIKE:
        last = state.readings[-1] if state.readings else None
        reading = last if command.event is None else state.reading(command.event)
        return None if reading is None or reading.status is Status.STRUCK else _struck([reading], command.key)
    if command.kind is CommandKind.REDO and not closed:
        name = redone(state, command)
        readings = state.of_cylinder(name) if name is not None else []
        return _struck(readings, command.key) if readings else None
    if command.kind in (CommandKind.FINISH, CommandKind.ABANDON) and not closed:
        return Loss((command.kind.value,), lambda state, say: _closing(state, say, command.key))
    return None


def redone(state: BenchState, command: Command) -> str | None:
    """The cylinder that is measured again: the one that is named, the one that is under way, or the last one read."""
    return command.cylinder or measured_again(state.target, state.readings)


def measured_again(target: Sequence[str], readings: Sequence[Reading]) -> str | None:
    """The cylinder that is measured again where none is named: the one that is under way, or the last one read."""
    read = [reading.cylinder for reading in readings if reading.in_cylinder]
    first = target[0] if target else None
    return first if first in read or not read else read[-1]


def _struck(readings: list[Reading], key: str) -> Loss:
    one = readings[-1]

    def say_it(state: BenchState, say: Prompter) -> Prompt:
        del state
        if len(readings) > 1:
            return say.say(PromptKey.SURE_STRIKE_MANY, key=key, count=len(readings), cylinder=one.cylinder)
        if one.cylinder is None:
            return say.say(PromptKey.SURE_STRIKE_HELD, key=key, value=one.peak_kpa)
        return say.say(PromptKey.SURE_STRIKE, key=key, value=one.peak_kpa, cylinder=one.cylinder)

    return Loss(tuple(reading.event_id for reading in readings), say_it)


def _closing(state: BenchState, say: Prompter, key: str) -> Prompt:
    """Ask with what is still open: the cylinders, and the questions."""
    asked = say.say(PromptKey.SURE_CLOSE, key=key)
    unsettled = tuple(name for name in state.plan.cylinders if not state.settled(name))
    if unsettled:
        asked = say.joined(asked, say.say(PromptKey.UNSETTLED_ONES, targets=unsettled))
    left = len(state.questions)
    if left:
        asked = say.joined(asked, questions_left(say, left))
    return asked
