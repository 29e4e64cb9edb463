"""What one thing that happened leads to: entries for the journal, messages for the broker, prompts for the ear."""

from dataclasses import dataclass, field
from datetime import datetime

from gaugelink.bench.prompts import Prompt
from gaugelink.bench.reading import CommandResult, TestState
from gaugelink.broker.leak_messages import Decay, DecayProgress
from gaugelink.broker.message import Message
from gaugelink.journal.entries import Entry, Outgoing
from gaugelink.peak.events import CrankingEvent
from gaugelink.verdict.findings import TestVerdict


@dataclass(slots=True)
class Step:
    """The consequences of one input. Entries and messages are committed together, then everything else is told."""

    entries: list[Entry] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    prompts: list[Prompt] = field(default_factory=list)
    state: TestState | None = None
    """The test after the step, when it changed."""
    stands_since: datetime | None = None
    """When it began, where it is no news but what an earlier service left."""
    verdict: TestVerdict | None = None
    event: CrankingEvent | None = None
    """The event that was judged, when there was one."""
    result: CommandResult | None = None
    progress: DecayProgress | None = None
    """How a leak-down stands, now and then; only worth having now, so it is not written down."""
    decay: Decay | None = None
    """The result of a leak-down that has just ended."""
    found: Decay | None = None
    """A leak-down of before, of which it was said where its air goes."""

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write down."""
        return not self.entries and not self.messages

    def answered_by(self, answer: "Step") -> "Step":
        """This step with the answer to the command that led to it."""
        self.entries += answer.entries
        self.messages += answer.messages
        self.result = answer.result
        return self

    def outgoing(self) -> list[Outgoing]:
        """The rows of the outbox."""
        return [message.outgoing() for message in self.messages]
