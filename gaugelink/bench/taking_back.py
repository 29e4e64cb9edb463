"""What a person did is taken back: the whole of the last deed, or the last change of one reading."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from gaugelink.bench import saying
from gaugelink.bench.done import Done, meant, put, refused
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import Change, Command, CommandKind, Phase, Reading, Status
from gaugelink.bench.state import BenchState, Deed

_CLOSES = frozenset({CommandKind.FINISH, CommandKind.ABANDON})
NOT_GIVEN_UP = (
    "The test is not given up: there is nothing to take back. Without the id of a test, the last change at the bench "
    "is taken back."
)
_OF_ONE_READING = frozenset({CommandKind.ANSWER, CommandKind.ASSIGN, CommandKind.STRIKE})


def is_deed(kind: CommandKind) -> bool:
    """Whether a command is a change that can be taken back."""
    return kind not in (CommandKind.ACKNOWLEDGE, CommandKind.TAKE_BACK)


def standing(state: BenchState) -> dict[str, Change]:
    """Return by event id how each reading stands: its last change, with what is thought of it by now."""
    return {one.event_id: replace(one.changes[-1], confidence=one.confidence) for one in state.readings}


def note_what_followed(state: BenchState, stood: Mapping[str, Change]) -> None:
    """Note what the evidence made of the other readings because of the last deed: it is taken back with it."""
    deed = state.deeds[-1]
    followed = {
        event_id: (stood[event_id], after)
        for event_id, after in standing(state).items()
        if event_id not in deed.changed and after != stood[event_id]
    }
    state.deeds[-1] = replace(deed, followed=followed)


def take_back(state: BenchState, command: Command, at_s: float) -> Done:
    """Undo the last change of the reading that is named; without one, that the test was given up, where that is asked
    for, or else the whole of the last deed."""
    undoes_giving_up = any(deed.kind is CommandKind.ABANDON for deed in state.deeds)
    if command.giving_up or (state.phase is Phase.ABANDONED and not undoes_giving_up):
        return _given_up_no_more(state)
    if command.event is not None:
        found = meant(state, command)
        if isinstance(found, Done):
            return found
        if len(found.changes) < 2:
            return refused("That reading is as it came: there is nothing to take back.")
        _no_longer_a_deed(state, found)
        back = _restored(state, found, found.changes[-2], command, at_s)
        return Done(True, f"Taken back: the last change of pull {back.pull}.", (back,), _after_undo(None, (back,)))
    if not state.deeds:
        return refused("Nobody has changed anything by hand: there is nothing to take back.")
    deed = state.deeds.pop()
    while not _still_stands(state, deed):
        if not state.deeds:
            return refused("What was changed by hand was changed again since: there is nothing left to take back.")
        deed = state.deeds.pop()
    returned = _all_restored(state, deed.changed, command, at_s)
    followed = _all_restored(state, deed.followed, command, at_s)
    undone = replace(deed, skipped=tuple(state.skipped))
    state.skipped, state.wished, state.gauges = list(deed.skipped), deed.wished, dict(deed.gauges)
    if deed.kind in _CLOSES:
        state.phase = deed.phase
    text = f"Taken back: {' '.join((deed.kind.value, *deed.cylinders))}."
    return Done(True, text, (*returned, *followed), _after_undo(undone, returned))


def _given_up_no_more(state: BenchState) -> Done:
    """Let the test be what it was before it was given up; what was put right since stays as it is."""
    index = next((at for at in reversed(range(len(state.deeds))) if state.deeds[at].kind is CommandKind.ABANDON), None)
    if state.phase is not Phase.ABANDONED:
        return refused(NOT_GIVEN_UP)
    if index is None:
        # It was given up as a test of the record, which only one that was finished is.
        state.phase = Phase.FINISHED
        again = Deed(
            CommandKind.ABANDON, (), {}, Phase.FINISHED, tuple(state.skipped), state.wished, dict(state.gauges)
        )
        return Done(True, f"Taken back: {CommandKind.ABANDON.value}.", prompt=_after_undo(again, ()))
    deed = state.deeds.pop(index)
    state.phase = deed.phase
    undone = replace(deed, skipped=tuple(state.skipped))
    return Done(True, f"Taken back: {deed.kind.value}.", prompt=_after_undo(undone, ()))


def _no_longer_a_deed(state: BenchState, reading: Reading) -> None:
    """Forget the change of a reading that is taken back by itself: the next undo is of the deed before."""
    for index in reversed(range(len(state.deeds))):
        deed = state.deeds[index]
        if reading.event_id in deed.changed and deed.changed[reading.event_id][1] == reading.changes[-1]:
            changed = {event_id: change for event_id, change in deed.changed.items() if event_id != reading.event_id}
            more = bool(changed) or deed.kind not in _OF_ONE_READING
            state.deeds[index : index + 1] = [replace(deed, changed=changed)] if more else []
            return


def _still_stands(state: BenchState, deed: Deed) -> bool:
    """Whether anything of a deed is left to take back: of one reading, nothing is once that was changed again."""
    if deed.kind not in _OF_ONE_READING or not deed.changed:
        return True
    standing_now = {one.event_id: (one.status, one.cylinder) for one in state.readings}
    return any(
        standing_now.get(event_id) == (after.status, after.cylinder) for event_id, (_, after) in deed.changed.items()
    )


def _all_restored(
    state: BenchState, changes: Mapping[str, tuple[Change, Change]], command: Command, at_s: float
) -> tuple[Reading, ...]:
    """Put readings back to what they were before these changes; what was changed since then stays as it is."""
    returned = []
    for event_id, (before, after) in changes.items():
        reading = state.reading(event_id)
        if reading is None or (reading.status, reading.cylinder) != (after.status, after.cylinder):
            continue
        if (before.status, before.cylinder) == (after.status, after.cylinder):
            # It was only thought surer or less sure. Times are learnt from what is sure.
            state.put(replace(reading, confidence=before.confidence))
        else:
            returned.append(_restored(state, reading, before, command, at_s))
    return tuple(returned)


def _restored(state: BenchState, reading: Reading, before: Change, command: Command, at_s: float) -> Reading:
    return put(state, reading, before.status, before.cylinder, command, at_s, "taken back", before.confidence)


def _after_undo(deed: Deed | None, returned: tuple[Reading, ...]) -> Callable[[BenchState, Prompter], Prompt]:
    """Say what came back, and where the test now stands. `deed` names who was skipped while it stood."""

    def say_it(state: BenchState, say: Prompter) -> Prompt:
        if deed is not None and deed.kind in _CLOSES and state.phase is Phase.DONE:
            # How a test ended is no news of one that is open.
            return say.joined(_what_came_back(state, say, deed, returned), say.say(PromptKey.NOTHING_LEFT))
        return say.joined(_what_came_back(state, say, deed, returned), saying.go_to(state, say))

    return say_it


def _what_came_back(state: BenchState, say: Prompter, deed: Deed | None, returned: tuple[Reading, ...]) -> Prompt:
    target = state.target
    if deed is not None and deed.kind in _CLOSES:
        return say.say(PromptKey.BACK_COUNTS if deed.phase is Phase.FINISHED else PromptKey.BACK_OPEN, target)
    if deed is not None and deed.kind is CommandKind.EXCHANGE:
        return say.say(PromptKey.BACK_EXCHANGED, target, first=deed.cylinders[0], second=deed.cylinders[1])
    if returned:
        return _what_counts_again(say, target, returned)
    if deed is not None and (name := next((name for name in deed.skipped if name not in state.skipped), None)):
        return say.say(PromptKey.UNSKIPPED, target, cylinder=name)
    if deed is not None and (name := next((name for name in state.skipped if name not in deed.skipped), None)):
        return say.say(PromptKey.BACK_SKIPPED, target, cylinder=name)
    return say.say(PromptKey.BACK, target)


def _what_counts_again(say: Prompter, target: tuple[str, ...], returned: tuple[Reading, ...]) -> Prompt:
    reading = returned[-1]
    was = reading.changes[-2].status
    if len(returned) > 1:
        return say.say(PromptKey.BACK_MANY, target, count=len(returned), cylinder=reading.cylinder)
    if reading.cylinder is None:
        return say.say(PromptKey.BACK_HELD, target, value=reading.peak_kpa)
    key = PromptKey.BACK_ONE if was is Status.STRUCK else PromptKey.BACK_MOVED
    return say.say(key, target, value=reading.peak_kpa, cylinder=reading.cylinder)
