"""The durable record and the outbox: a result is on disk before anything hears of it."""

from gaugelink.journal.entries import (
    Action,
    CalibrationEntry,
    CommandEntry,
    DecayEntry,
    Entry,
    EventEntry,
    JobEntry,
    Outgoing,
    PromptEntry,
    ReadingEntry,
    TestEntry,
)
from gaugelink.journal.faults import JournalWriteError, WriteFault
from gaugelink.journal.journal import Journal
from gaugelink.journal.rows import OutboxDepth, OutboxRow, StoredDecay, StoredEvent, StoredReading, StoredTest

__all__ = [
    "Action",
    "CalibrationEntry",
    "CommandEntry",
    "DecayEntry",
    "Entry",
    "EventEntry",
    "JobEntry",
    "Journal",
    "JournalWriteError",
    "OutboxDepth",
    "OutboxRow",
    "Outgoing",
    "PromptEntry",
    "ReadingEntry",
    "StoredDecay",
    "StoredEvent",
    "StoredReading",
    "StoredTest",
    "TestEntry",
    "WriteFault",
]
