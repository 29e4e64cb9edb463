"""What people note with a test: kept in its snapshot, beside what the bench remembers of it."""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime

from gaugelink.bench.assign import TestBench
from gaugelink.broker.commands import Command
from gaugelink.broker.messages import NotePart

MOST_NOTES = 50
"""Of one test: its published state has all of them. No source."""


def note_of(command: Command, at: datetime) -> NotePart | None:
    """The note of a command; None where it brings none, or nothing but blanks."""
    text = (command.note or "").strip()
    return NotePart(at=at, by=command.by, text=text) if text else None


def snapshot_text(test: TestBench, revision: int, notes: Sequence[NotePart], air_at: datetime) -> str:
    """A test as the journal keeps it; `air_at` is when the air pressure was told that pulls count by."""
    kept = [note.model_dump(mode="json") for note in notes]
    return json.dumps({"bench": test.snapshot(), "revision": revision, "notes": kept, "air_at": air_at.isoformat()})


def notes_in(snapshot: Mapping[str, object]) -> tuple[NotePart, ...]:
    """The notes of a snapshot; none in one of a version that kept none.

    Raises:
        ValueError: they are no notes.
        TypeError: they are no list.
    """
    kept = snapshot.get("notes", [])
    if not isinstance(kept, list):
        raise TypeError(f"notes: found {type(kept).__name__}, expected a list")
    return tuple(NotePart.model_validate(note) for note in kept)


def note_line(note: NotePart) -> str:
    """A note with who made it, in one line."""
    text = " ".join(note.text.split())
    return f"{text} ({note.by})" if note.by else text
