"""What people note with a test: kept in its snapshot, beside what the bench remembers of it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Self

from gaugelink.app.noted_air import NotedAir
from gaugelink.bench.assign import TestBench
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.messages import NotePart
from gaugelink.engine.fleet import MachineRecord
from gaugelink.errors import SettingsError
from gaugelink.localtime import day_of

MOST_NOTES = 50
"""Of one test: its published state has all of them. No source."""


@dataclass(frozen=True, slots=True)
class CountBefore:
    """What a machine's own meter showed at an earlier test or job."""

    count: float
    at: datetime
    """When that test began, or the job was done."""


@dataclass(frozen=True, slots=True)
class Noted:
    """What people noted with a test."""

    notes: tuple[NotePart, ...] = ()
    """Oldest first."""
    odometer: float | None = None
    """The machine's own count, in the unit that its fleet entry states."""
    doubted: float | None = None
    """A lesser count than that, which was told once: no meter goes back, so one of the two is a slip."""
    before: CountBefore | None = None
    """The machine's count before; a lesser one is told of and taken, for a meter may be replaced."""

    @classmethod
    def at_begin(cls, command: Command, at: datetime, before: CountBefore | None) -> Self:
        """What the command that begins a test brings."""
        note = _note_of(command, at)
        return cls(() if note is None else (note,), command.odometer, before=before)

    def remark(self, machine: MachineRecord) -> str:
        """That the count is less than the one before, and what then; empty where it is not."""
        if self.before is None or self.odometer is None or self.odometer >= self.before.count:
            return ""
        unit, day = machine.counter.value, day_of(self.before.at)
        return (
            f" {self.odometer:.10g} {unit} is less than the {self.before.count:.10g} {unit} of {day}: "
            "if that is a slip, give the count again with `gaugelink test odometer`; if the meter was replaced, it "
            "stands, and `history --per odometer` cannot count across it."
        )

    def told(self, command: Command, machine: MachineRecord, at: datetime) -> tuple["Noted", bool, str]:
        """All of it with what a command adds, whether it was taken, and what to answer.

        A count that is less than the one before it is taken when it is told once more.

        Raises:
            SettingsError: the note is empty, or one too many.
        """
        if command.action is CommandAction.ODOMETER and command.odometer is not None:
            return self._counted(command.odometer, machine)
        note = _note_of(command, at)
        if note is None:
            raise SettingsError("The note is empty: say what to keep.")
        if len(self.notes) >= MOST_NOTES:
            raise SettingsError(f"A test keeps {MOST_NOTES} notes, and has them.")
        return replace(self, notes=(*self.notes, note)), True, f"Noted with the test of {machine.id}."

    def _counted(self, count: float, machine: MachineRecord) -> tuple["Noted", bool, str]:
        said = f"{count:.10g} {machine.counter.value}"
        before = "" if self.odometer is None else f"{self.odometer:.10g} {machine.counter.value}"
        less = self.odometer is not None and count < self.odometer
        if less and count != self.doubted:
            text = f"{before} is noted with the test of {machine.id}, and {said} is less: say it once more if that puts"
            return replace(self, doubted=count), False, f"{text} it right."
        put_right = f", put right from {before}" if less else ""
        noted = replace(self, odometer=count, doubted=None)
        return noted, True, f"Noted with the test of {machine.id}: {said}{put_right}.{noted.remark(machine)}"


def _note_of(command: Command, at: datetime) -> NotePart | None:
    """The note of a command; None where it brings none, or nothing but blanks."""
    text = (command.note or "").strip()
    return NotePart(at=at, by=command.by, text=text) if text else None


def snapshot_text(test: TestBench, revision: int, notes: Sequence[NotePart], air: NotedAir) -> str:
    """A test as the journal keeps it, with when the air pressure was told that pulls count by."""
    kept = [note.model_dump(mode="json") for note in notes]
    told = {"air_at": air.at.isoformat(), "air_unsaid": air.unsaid}
    return json.dumps({"bench": test.snapshot(), "revision": revision, "notes": kept, **told})


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
