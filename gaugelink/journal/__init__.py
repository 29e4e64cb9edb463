"""The durable record and the outbox: a result is on disk before anything hears of it."""

from gaugelink.journal.entries import (
    Action,
    CalibrationEntry,
    CommandEntry,
    DecayEntry,
    Entry,
    EventEntry,
    JobEntry,
    JudgementEntry,
    Outgoing,
    PromptEntry,
    ReadingEntry,
    TestEntry,
)
from gaugelink.journal.faults import JournalWriteError, WriteFault
from gaugelink.journal.journal import Journal
from gaugelink.journal.rows import (
    OutboxDepth,
    OutboxRow,
    StoredCalibration,
    StoredDecay,
    StoredEvent,
    StoredJob,
    StoredJudgement,
    StoredReading,
    StoredTest,
)

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
    "JudgementEntry",
    "OutboxDepth",
    "OutboxRow",
    "Outgoing",
    "PromptEntry",
    "ReadingEntry",
    "StoredCalibration",
    "StoredDecay",
    "StoredEvent",
    "StoredJob",
    "StoredJudgement",
    "StoredReading",
    "StoredTest",
    "TestEntry",
    "WriteFault",
]
