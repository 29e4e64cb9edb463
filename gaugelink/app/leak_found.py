"""Where the air of a leak-down goes, as somebody at the engine found: told with its result from then on."""

from collections.abc import Sequence
from datetime import datetime

from gaugelink.broker.commands import Command
from gaugelink.broker.leak_messages import Decay
from gaugelink.broker.message import new_id
from gaugelink.errors import SettingsError
from gaugelink.journal.entries import LeakFoundEntry
from gaugelink.leak.heard import found_text

NOT_YET = "The leak test has no result yet: say where its air goes when it has."


def none_yet(command: Command) -> str:
    """That there is no leak-down of which a command could say it."""
    of = f" of cylinder {command.cylinder}" if command.cylinder is not None else ""
    which = f" {command.decay_id}" if command.decay_id is not None else ""
    return f"No leak test{which}{of} here has come to a result yet: there is nothing to say it of."


def told_of(decay_id: str, command: Command, at: datetime) -> LeakFoundEntry:
    """The journal's line of what a command says of a leak-down."""
    heard = tuple(place.value for place in dict.fromkeys(command.heard or ()))
    return LeakFoundEntry(decay_id, at, command.by, heard, (command.note or "").strip())


def checked(command: Command, cylinder: str | None, what: str) -> None:
    """Refuse places of a cylinder where a part was tested.

    Raises:
        SettingsError: it names them.
    """
    if command.heard and cylinder is None:
        raise SettingsError(f"The leak test was of the {what}: say in words where it leaks, in a note.")


def found_in(decay: Decay, command: Command, told: LeakFoundEntry) -> Decay:
    """The result once more, with where its air goes, as a command tells it.

    Raises:
        SettingsError: it is of another machine than the command says, or of a part.
    """
    if command.machine is not None and command.machine != decay.machine:
        raise SettingsError(f"The last leak test was of {decay.machine or 'no machine'}, not of {command.machine}.")
    checked(command, decay.cylinder, decay.part or "volume")
    return with_found(decay, told.heard, told.note).model_copy(
        update={"id": new_id(), "at": told.at, "ended_at": decay.ended_at or decay.at},
    )


def with_found(decay: Decay, heard: Sequence[str], note: str) -> Decay:
    """A result with what was said of where its air goes; `heard` are values of `Heard`."""
    # Read anew, not copied: the journal's words become the contract's.
    return Decay.model_validate(decay.model_dump() | {"heard": tuple(heard), "found": note})


def answer(decay: Decay) -> str:
    """What is answered to whoever said it."""
    what = f"cylinder {decay.cylinder}" if decay.cylinder else f"the {decay.part or 'volume'}"
    whose = f"{what} of {decay.machine}" if decay.machine else what
    where = found_text(decay.heard, decay.found) or "its air was found nowhere"
    return f"Kept with the leak test of {whose}: {where}."
