"""What became of a command, and what every command may need to find or to change."""

from collections.abc import Callable
from dataclasses import dataclass

from gaugelink.bench import saying
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import Change, Command, Reading, Status
from gaugelink.bench.state import BenchState


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a command."""

    ok: bool
    text: str
    changed: tuple[Reading, ...] = ()
    """Readings as they are now."""
    prompt: Callable[[BenchState, Prompter], Prompt] = saying.go_to
    """What to say once the test has found its next cylinder."""
    acknowledged: bool = False
    says: bool = False
    """Whether the prompt is to be said although nothing was done."""


def refused(why: str) -> Done:
    """Nothing was done, and why."""
    return Done(False, why)


def meant(state: BenchState, command: Command) -> Reading | Done:
    """The reading that a command names, the last one where it names none, or the refusal."""
    if command.event is None:
        if not state.readings:
            return refused("There is no reading yet.")
        return state.readings[-1]
    reading = state.reading(command.event)
    return reading if reading is not None else refused(f"No event {command.event} belongs to this test.")


def put(
    state: BenchState,
    reading: Reading,
    status: Status,
    cylinder: str | None,
    command: Command,
    at_s: float,
    why: str,
    confidence: float = 1.0,
) -> Reading:
    """Change a reading as a command asks, with the change in its history."""
    changed = reading.changed(Change(at_s, command.by, status, cylinder, confidence, why))
    state.put(changed)
    return changed
