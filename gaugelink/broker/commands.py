"""What a person or a tool may ask for: small, bounded, and unable to name a file or run anything."""

from enum import StrEnum
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field, model_validator

from gaugelink.broker.leak_messages import LeakRequest
from gaugelink.broker.message import Name, Part, Uuid
from gaugelink.broker.received import read_message
from gaugelink.errors import BrokerError
from gaugelink.leak.heard import Heard

COMMAND_BYTES = 4096
"""Longest command that is looked at."""

Word = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f/\\]+$")]
"""A name or id as data: no control characters, and no slashes, so it can never be taken for a path."""
Note = Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")]


class CommandAction(StrEnum):
    """What can be asked for."""

    BEGIN = "begin"
    """Begin a test of `machine`; `kind`, `repeats` and `cylinders` override the shop's defaults."""
    REDO = "redo"
    """Strike the readings of `cylinder`, or of the last one read, and measure it again."""
    SKIP = "skip"
    """Leave the cylinder whose turn it is, or `cylinder`, for now."""
    ASSIGN = "assign"
    """Give `event_id`, or the last event, to `cylinder`."""
    ANSWER = "answer"
    """The event that was asked about belongs to `cylinder`."""
    EXCHANGE = "exchange"
    """`cylinder` and `other` were mixed up: all their readings change places."""
    ACKNOWLEDGE = "acknowledge"
    """The cautions were heard."""
    STRIKE = "strike"
    """The reading of `event_id`, or the last one, does not count."""
    TAKE_BACK = "take_back"
    """Undo the last change of the reading of `event_id`, or the last change that a person made; with `test_id`, let a
    test that was given up count again, and undo nothing else."""
    FINISH = "finish"
    ABANDON = "abandon"
    """Give up the bench's test, a finished one too, or the one of the record that `test_id` names: it stays in the
    record and proves nothing."""
    BEGIN_DECAY = "begin_decay"
    """Begin a leak-down of `machine`, of `cylinder` or of the part that `leak` names."""
    STOP_DECAY = "stop_decay"
    LEAK_FOUND = "leak_found"
    """The air of the leak-down `decay_id`, or of the last one, of `cylinder` where that is named, goes where `heard`
    and `note` say. It is the whole answer: what was said before no longer counts."""
    NOTE = "note"
    """Keep `note` with the test that is open, or was closed last."""
    ODOMETER = "odometer"
    """Keep `odometer` with the test that is open, or was closed last. One that is less than what the test has is
    refused once, and kept when it is asked for again. One that is less than what the test before has is kept, and the
    answer says so."""


_NEEDS: dict[CommandAction, tuple[str, ...]] = {
    CommandAction.BEGIN: ("machine",),
    CommandAction.ASSIGN: ("cylinder",),
    CommandAction.ANSWER: ("cylinder",),
    CommandAction.EXCHANGE: ("cylinder", "other"),
    CommandAction.NOTE: ("note",),
    CommandAction.ODOMETER: ("odometer",),
    CommandAction.LEAK_FOUND: ("heard",),
}


class Command(Part):
    """What a person or tool asks for; the answer goes to ``command/result``. Unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)

    TOPIC: ClassVar[str] = "command"
    QOS: ClassVar[int] = 1
    RETAIN: ClassVar[bool] = False

    id: Uuid
    """The sender's own UUID, of any version, in lower case. Sending it again asks for the same answer; it acts once."""
    action: CommandAction
    by: Annotated[str, Field(max_length=64, pattern=r"^[^\x00-\x1f\x7f]*$")] = ""
    """Who asks: a person's or a tool's name."""
    machine: Word | None = None
    """A machine of the fleet file."""
    kind: Word | None = None
    """``dry`` or ``wet``; any other is refused."""
    repeats: int | None = Field(default=None, ge=1, le=20)
    """Readings to take from each cylinder."""
    cylinders: Annotated[tuple[Word, ...], Field(max_length=32)] | None = None
    """Order of the test."""
    cylinder: Word | None = None
    """A cylinder's name in the engine record."""
    other: Word | None = None
    """The second cylinder of an exchange."""
    test_id: Word | None = None
    """The test that is meant, by its id or the beginning of it; the bench's own if left out. Of a test of the record
    nothing but ``abandon`` and ``take_back`` can be asked."""
    event_id: Uuid | None = None
    """The event that is meant, by its id: a UUID in lower case."""
    gauge: Name | None = None
    """A gauge's name in the shop file."""
    duration_s: float | None = Field(default=None, gt=0, le=3600)
    """Not used by this version: a leak-down is watched until it is certain, or as `leak` says."""
    leak: LeakRequest | None = None
    """How a leak-down is to be run."""
    decay_id: Uuid | None = None
    """The leak-down that is meant, by its id: a UUID in lower case."""
    heard: Annotated[tuple[Heard, ...], Field(max_length=len(Heard))] | None = None
    """Where the air of a leak-down goes; empty where it was heard nowhere."""
    odometer: Annotated[float, Field(ge=0, le=1e7)] | None = None
    """The machine's own count, in the unit that its fleet entry states: of a ``begin`` or an ``odometer``."""
    note: Note | None = None
    """Free text that is kept with the test, of a ``begin`` or a ``note``; of a ``leak_found`` with the leak-down."""

    @model_validator(mode="after")
    def _complete(self) -> "Command":
        missing = [name for name in _NEEDS.get(self.action, ()) if getattr(self, name) is None]
        if missing:
            raise ValueError(f"{self.action} needs {' and '.join(missing)}")
        return self


def parse_command(payload: bytes) -> Command:
    """Read a command from the wire.

    Raises:
        BrokerError: it is too long, not JSON, or not a command; the text says what was found and what is allowed.
    """
    if len(payload) > COMMAND_BYTES:
        raise BrokerError(f"The command has {len(payload)} bytes; at most {COMMAND_BYTES} are read.")
    try:
        return read_message(Command, payload)
    except BrokerError as error:
        raise BrokerError(f"The command is refused: {error}.") from error
