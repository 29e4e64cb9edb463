"""What a person may ask of a test, and what it does to the state. Refusals say why and what to do instead."""

from collections.abc import Callable
from dataclasses import replace

from gaugelink.bench import asking_twice, saying
from gaugelink.bench.done import Done, meant, put, refused
from gaugelink.bench.prompt_keys import CAUTIONS, PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import (
    Acknowledgement,
    Command,
    CommandKind,
    Phase,
    Reading,
    Status,
    open_questions,
)
from gaugelink.bench.state import BenchState, Deed
from gaugelink.bench.taking_back import is_deed, standing, take_back
from gaugelink.counting import counted

CAUTIONS_FIRST = "Acknowledge the cautions first: until then nothing else is done."
ACKNOWLEDGED_BEFORE = "The cautions were acknowledged before."
_OF_GIVEN_UP = frozenset({CommandKind.TAKE_BACK, CommandKind.ABANDON})
_GIVEN_UP = (
    "The test of {machine} was given up, and its readings count nowhere: take that back to go on with them, or begin a "
    "new test."
)
_CLOSED = "The test is closed: take that back to go on with it, or begin a new one."


def carry_out(state: BenchState, command: Command, at_s: float) -> Done:
    """Change the state as the command asks, or refuse."""
    if command.kind is CommandKind.ACKNOWLEDGE:
        return _acknowledge(state, command, at_s)
    # A test that was begun by mistake can be given up without a confirmation that would not be true.
    if state.phase is Phase.CAUTIONS and command.kind is not CommandKind.ABANDON:
        return refused(CAUTIONS_FIRST)
    # Its readings count nowhere: whoever moves one would be told that it does.
    one_reading = command.kind is CommandKind.TAKE_BACK and command.event is not None
    if state.phase is Phase.ABANDONED and (one_reading or command.kind not in _OF_GIVEN_UP):
        return refused(_GIVEN_UP.format(machine=state.plan.machine or saying.UNNAMED))
    for name in (command.cylinder, command.other):
        if name is not None and name not in state.plan.cylinders:
            return refused(f"No cylinder is called {name}: this engine has {', '.join(state.plan.cylinders)}.")
    waiting, state.waiting = state.waiting, None
    loss = asking_twice.loss_of(state, command) if command.key else None
    if loss is not None:
        press, state.waiting = asking_twice.pressed(waiting, command.key, loss.loses, at_s, command.again_s)
        if press is asking_twice.Press.FIRST:
            return Done(False, asking_twice.once_more(command.key), prompt=loss.prompt, says=True)
        if press is asking_twice.Press.HELD_DOWN:
            return refused(asking_twice.held_down(command.key))
    named = tuple(name for name in (command.cylinder, command.other) if name is not None)
    before = Deed(command.kind, named, {}, state.phase, tuple(state.skipped), state.wished, dict(state.gauges))
    stood = standing(state)
    done = _DOES[command.kind](state, command, at_s)
    if not done.ok:
        # Nothing was changed and nothing else is said: what is waited for still stands.
        state.waiting = state.waiting or waiting
    elif is_deed(command.kind):
        changed = {reading.event_id: (stood[reading.event_id], reading.changes[-1]) for reading in done.changed}
        state.deeds = [*state.deeds[1 - _DEEDS :], replace(before, changed=changed)]
    return done


def _acknowledge(state: BenchState, command: Command, at_s: float) -> Done:
    if state.acknowledged is not None:
        return Done(True, ACKNOWLEDGED_BEFORE, acknowledged=True)
    if state.phase is not Phase.CAUTIONS:
        return refused(_CLOSED)
    state.acknowledged = Acknowledgement(command.by, at_s, tuple(key.value for key in CAUTIONS))
    state.phase = Phase.MEASURING
    return Done(True, "Cautions acknowledged.", prompt=saying.opening, acknowledged=True)


def _answer(state: BenchState, command: Command, at_s: float) -> Done:
    held = [reading for reading in state.readings if reading.status is Status.HELD]
    if command.event is not None:
        held = [reading for reading in held if reading.event_id == command.event]
    if not held:
        return refused("No reading is held: use assign to move a reading that was given.")
    reading = next(iter(open_questions(held)), held[-1])
    cylinder = command.cylinder or reading.candidates[0][0]
    return _give(state, reading, cylinder, command, at_s, "answered")


def _assign(state: BenchState, command: Command, at_s: float) -> Done:
    reading = meant(state, command)
    if isinstance(reading, Done):
        return reading
    if command.cylinder is None:
        return refused("Say which cylinder the reading belongs to.")
    if reading.cylinder == command.cylinder and reading.status is Status.MOVED:
        return refused(f"That reading is on {command.cylinder} already.")
    return _give(state, reading, command.cylinder, command, at_s, "moved by hand")


def _exchange(state: BenchState, command: Command, at_s: float) -> Done:
    one, other = command.cylinder, command.other
    if one is None or other is None or one == other:
        return refused("An exchange needs two different cylinders.")
    moved: list[Reading] = []
    for reading in list(state.readings):
        if reading.in_cylinder and reading.cylinder in (one, other):
            to = other if reading.cylinder == one else one
            moved.append(put(state, reading, Status.MOVED, to, command, at_s, f"{one} and {other} exchanged"))
    if state.gauges[one] != state.gauges[other]:
        # Each of them has a gauge of its own: what that gauge reads from now on is exchanged as well.
        state.gauges[one], state.gauges[other] = state.gauges[other], state.gauges[one]
    elif not moved:
        return refused(f"Neither {one} nor {other} has a reading.")
    return Done(True, f"{one} and {other} exchanged, {counted(len(moved), 'reading')}.", tuple(moved))


def _strike(state: BenchState, command: Command, at_s: float) -> Done:
    reading = meant(state, command)
    if isinstance(reading, Done):
        return reading
    if reading.status is Status.STRUCK:
        return refused("That reading is struck out already.")
    struck = put(state, reading, Status.STRUCK, None, command, at_s, "struck out by hand")
    return Done(True, f"Struck out: {_named(reading)}.", (struck,), _after_strike(struck))


def _redo(state: BenchState, command: Command, at_s: float) -> Done:
    name = asking_twice.redone(state, command)
    if state.phase in (Phase.FINISHED, Phase.ABANDONED):
        return refused(_CLOSED)
    if name is None:
        return refused("No cylinder has a reading: name the one that is to be measured.")
    struck = tuple(
        put(state, reading, Status.STRUCK, None, command, at_s, f"{name} is measured again")
        for reading in state.of_cylinder(name)
    )
    if name in state.skipped:
        state.skipped.remove(name)
    state.wished = name

    def say_it(state: BenchState, say: Prompter) -> Prompt:
        # Without these readings the evidence may give others to it, and be content.
        again = name in state.target
        return say.say(PromptKey.REDO, state.target, cylinder=name) if again else saying.go_to(state, say)

    return Done(True, f"{name} is measured again.", struck, say_it)


def _skip(state: BenchState, command: Command, at_s: float) -> Done:
    if state.phase is not Phase.MEASURING:
        return refused("No cylinder is waiting to be measured.")
    name = command.cylinder or (state.target[0] if state.target else None)
    if name is None or state.settled(name):
        return refused(f"{name or 'That cylinder'} is not waiting to be measured.")
    state.skipped.append(name)
    state.wished = None if state.wished == name else state.wished

    def say_next(state: BenchState, say: Prompter) -> Prompt:
        if len(state.target) != 1:
            return saying.go_to(state, say)
        return say.say(PromptKey.SKIPPED, state.target, cylinder=name, next=state.target[0])

    return Done(True, f"{name} is skipped.", prompt=say_next)


def _return(state: BenchState, command: Command, at_s: float) -> Done:
    del at_s
    name = command.cylinder
    if name is None or name not in state.skipped:
        return refused(f"{name or 'That cylinder'} is not skipped.")
    state.skipped.remove(name)
    state.wished = name
    return Done(True, f"{name} is no longer skipped.", prompt=_after_return(name))


def _finish(state: BenchState, command: Command, at_s: float) -> Done:
    if state.phase in (Phase.FINISHED, Phase.ABANDONED):
        return refused("The test is closed already.")
    state.phase = Phase.FINISHED
    state.target = ()
    state.pull = None
    open_ones = [name for name in state.plan.cylinders if not state.settled(name)]
    held = sum(reading.status is Status.HELD for reading in state.readings)
    text = f"Finished; not settled: {', '.join(open_ones)}." if open_ones else "Finished."
    if held:
        text += f" Readings that are held and count nowhere: {held}."
    return Done(True, text, prompt=saying.closing)


def _abandon(state: BenchState, command: Command, at_s: float) -> Done:
    # One that was finished too: that it was of another machine may be seen only then.
    machine = state.plan.machine or saying.UNNAMED
    if state.phase is Phase.ABANDONED:
        return refused(f"The test of {machine} was abandoned already.")
    state.phase = Phase.ABANDONED
    state.target = ()
    state.pull = None
    kept = counted(saying.pulls_of(state.readings), "pull")
    text = f"Abandoned: the test of {machine}. Kept in the record, where it proves nothing: {kept}."
    return Done(True, text, prompt=saying.closing)


_DOES: dict[CommandKind, Callable[[BenchState, Command, float], Done]] = {
    CommandKind.ANSWER: _answer,
    CommandKind.ASSIGN: _assign,
    CommandKind.EXCHANGE: _exchange,
    CommandKind.STRIKE: _strike,
    CommandKind.TAKE_BACK: take_back,
    CommandKind.REDO: _redo,
    CommandKind.SKIP: _skip,
    CommandKind.RETURN: _return,
    CommandKind.FINISH: _finish,
    CommandKind.ABANDON: _abandon,
}
_DEEDS = 100
"""So many changes can be taken back one after the other."""


def _give(state: BenchState, reading: Reading, cylinder: str, command: Command, at_s: float, why: str) -> Done:
    if cylinder not in state.plan.cylinders:
        return refused(f"No cylinder is called {cylinder}: this engine has {', '.join(state.plan.cylinders)}.")
    moved = put(state, reading, Status.MOVED, cylinder, command, at_s, why)
    return Done(True, f"Pull {reading.pull} is on {cylinder}.", (moved,), _after_move(moved))


def _named(reading: Reading) -> str:
    """Name a reading for whoever asked from elsewhere: another one may have come in meanwhile."""
    return f"pull {reading.pull} of {reading.cylinder}" if reading.cylinder else f"pull {reading.pull}"


def _after_move(reading: Reading) -> Callable[[BenchState, Prompter], Prompt]:
    def say_it(state: BenchState, say: Prompter) -> Prompt:
        if len(state.target) != 1:
            put_right = say.say(PromptKey.PUT_RIGHT, state.target, value=reading.peak_kpa, cylinder=reading.cylinder)
            return _with_end(state, say, put_right)
        return say.say(
            PromptKey.PUT_RIGHT_NEXT,
            state.target,
            value=reading.peak_kpa,
            cylinder=reading.cylinder,
            next=state.target[0],
        )

    return say_it


def _with_end(state: BenchState, say: Prompter, said: Prompt) -> Prompt:
    """What was done, and that the test is done with it, where it is: nobody else says so to who only hears."""
    return say.led(said, saying.closing(state, say)) if state.phase is Phase.DONE else said


def _after_strike(reading: Reading) -> Callable[[BenchState, Prompter], Prompt]:
    def say_it(state: BenchState, say: Prompter) -> Prompt:
        if len(state.target) != 1:
            return _with_end(state, say, say.say(PromptKey.STRUCK, state.target, value=reading.peak_kpa))
        return say.say(PromptKey.STRUCK_NEXT, state.target, value=reading.peak_kpa, next=state.target[0])

    return say_it


def _after_return(name: str) -> Callable[[BenchState, Prompter], Prompt]:
    def say_it(state: BenchState, say: Prompter) -> Prompt:
        return say.joined(say.say(PromptKey.UNSKIPPED, state.target, cylinder=name), saying.go_to(state, say))

    return say_it
