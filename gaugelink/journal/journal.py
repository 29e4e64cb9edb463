"""The journal as the rest of the house sees it: async, with every call to the disk on a thread of its own."""

import asyncio
import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import ParamSpec, Self, TypeVar

from gaugelink.errors import JournalError
from gaugelink.journal import reads
from gaugelink.journal.entries import Entry, Outgoing
from gaugelink.journal.faults import WriteFault
from gaugelink.journal.rows import (
    OutboxDepth,
    OutboxRow,
    StoredCalibration,
    StoredDecay,
    StoredEvent,
    StoredJob,
    StoredLeakDown,
    StoredReading,
    StoredTest,
)
from gaugelink.journal.store import SENT_KEPT, Store

P = ParamSpec("P")
T = TypeVar("T")


class Journal:
    """The durable record of one bench. Used as ``async with Journal.open(path) as journal: ...``.

    A call that returned is on disk, synced. Calls take effect in the order in which they were made.
    """

    def __init__(self, path: Path, *, read_only: bool = False, alone: bool = False) -> None:
        self.path = path
        self._read_only = read_only
        self._alone = alone
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="journal")
        self._store: Store | None = None
        self.outbox_grew = asyncio.Event()
        """Set after every commit that put a message in the outbox. Whoever drains the outbox clears it."""

    @classmethod
    def open(cls, path: Path | str, *, read_only: bool = False, alone: bool = False) -> Self:
        """Name the journal's file. It is opened, made or brought up to date on entering the context.

        Args:
            path: the file; its folder must exist.
            read_only: only read, beside a service that writes; of an older version's journal a copy as it is now.
            alone: refuse to open it while another process has opened it in this way: for the service, of which two
                would drain one outbox and go on with one test.

        Raises (on entering):
            JournalError: the file is not a journal, is damaged, is from a newer version or is in use; it is left as it
                was.
            JournalWriteError: the disk is full or read-only.
        """
        return cls(Path(path), read_only=read_only, alone=alone)

    async def __aenter__(self) -> Self:
        try:
            self._store = await self._on_thread(Store, self.path, read_only=self._read_only, alone=self._alone)
        except BaseException:
            self._thread.shutdown(wait=False)
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await self._on_thread(self._opened.close)
        finally:
            self._thread.shutdown(wait=False)

    @property
    def _opened(self) -> Store:
        if self._store is None:
            raise RuntimeError("the journal is used before it is opened")
        return self._store

    async def _on_thread(self, call: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        # Shielded, so that a cancelled caller cannot leave a commit half waited for: it is done or it failed.
        future = asyncio.get_running_loop().run_in_executor(self._thread, lambda: call(*args, **kwargs))
        try:
            return await asyncio.shield(future)
        except sqlite3.Error as error:
            raise JournalError(f"The journal {self.path} cannot be read ({error}): check the disk.") from error

    async def _read(self, call: Callable[[], T]) -> T:
        try:
            return await self._on_thread(call)
        except (ValueError, TypeError) as error:
            # A digit of a time, a bracket of a list that the disk or a hand changed: SQLite sees nothing wrong with it.
            raise JournalError(
                f"The journal {self.path} has something in it that was never written there ({error}): it was damaged "
                "or edited. Put a copy of it back that is whole."
            ) from error

    # Writing

    async def record(self, entries: Sequence[Entry], outgoing: Sequence[Outgoing] = ()) -> None:
        """Commit entries and the messages that tell of them in one transaction.

        Raises:
            JournalWriteError: the disk did not take it. It is kept in memory and written by a later call of
                `record` or `retry`, in order; `this_kept` is False when memory was full as well.
            JournalError: it contradicts what is written, for example an id used twice. Nothing was written.
        """
        try:
            await self._on_thread(self._opened.write, entries, outgoing)
        finally:
            # Even when this unit says nothing or was not taken: others that had waited for the disk may have been.
            self.outbox_grew.set()

    async def retry(self) -> int:
        """Write what waits in memory because the disk did not take it; return how many units were written.

        Raises:
            JournalWriteError: the disk still does not take it.
        """
        store = self._opened
        waiting = store.kept
        try:
            await self._on_thread(store.flush)
        finally:
            if store.kept < waiting:
                self.outbox_grew.set()
        return waiting

    @property
    def fault(self) -> WriteFault | None:
        """Why the last results could not be written, or None when they were; a note of what was sent is no result."""
        return self._opened.fault

    @property
    def kept(self) -> int:
        """Units of work that wait in memory because the disk did not take them."""
        return self._opened.kept

    # The outbox

    async def pending(self, limit: int = 100) -> list[OutboxRow]:
        """Read the oldest messages that were not sent, in the order in which they were committed."""
        return await self._read(lambda: reads.pending(self._opened.connection, limit))

    async def newest_pending(self, topic_suffix: str, limit: int = 100) -> list[OutboxRow]:
        """Read the newest messages below ``gaugelink/<bench>/`` on a topic that were not sent, the newest first."""
        return await self._read(lambda: reads.newest_pending(self._opened.connection, topic_suffix, limit))

    async def mark_sent(self, rows: Sequence[OutboxRow]) -> None:
        """Note that the broker took these messages.

        Raises:
            JournalWriteError: the note could not be written; the messages will be sent again.
        """
        await self._on_thread(self._opened.mark_sent, [row.seq for row in rows])

    async def outbox_depth(self) -> OutboxDepth:
        """Count the messages that wait, and since when the oldest does."""
        return await self._read(lambda: reads.depth(self._opened.connection))

    async def to_tell_again(self, newer_than: timedelta, limit: int = SENT_KEPT) -> list[OutboxRow]:
        """Read what was sent lately, and the last of every retained topic, for a broker that may have lost it."""
        return await self._read(lambda: reads.to_tell_again(self._opened.connection, newer_than, limit))

    async def retained(self, topic_suffix: str) -> OutboxRow | None:
        """Read what was told last on a retained topic, below ``gaugelink/<bench>/``; None before anything was."""
        return await self._read(lambda: reads.retained(self._opened.connection, topic_suffix))

    # The record

    async def command_result(self, command_id: str) -> str | None:
        """Read the answer that was given to a command, or None when it was not seen before."""
        return await self._read(lambda: reads.command_result(self._opened.connection, command_id))

    async def current_test(self, bench: str) -> StoredTest | None:
        """Read the test that the bench was in the middle of."""
        return await self._read(lambda: reads.current_test(self._opened.connection, bench))

    async def test(self, test_id: str) -> StoredTest | None:
        """Read one test."""
        return await self._read(lambda: reads.test(self._opened.connection, test_id))

    async def tests(self, machine: str | None = None, since: datetime | None = None) -> list[StoredTest]:
        """Read tests, oldest first, of one machine or of all."""
        return await self._read(lambda: reads.tests(self._opened.connection, machine, since))

    async def went_back(self, machine: str) -> list[tuple[StoredTest, StoredTest]]:
        """Read the pairs of a machine's tests between which the clock of their bench was set back."""
        return await self._read(lambda: reads.went_back(self._opened.connection, machine))

    async def last_event_at(self, bench: str) -> datetime | None:
        """Read when the cranking event that a bench wrote down last was, by its clock then; None before the first."""
        return await self._read(lambda: reads.last_event_at(self._opened.connection, bench))

    async def events(
        self, test_id: str | None = None, since: datetime | None = None, *, with_samples: bool = True
    ) -> list[StoredEvent]:
        """Read cranking events in the order in which they were committed."""
        return await self._read(lambda: reads.events(self._opened.connection, test_id, since, with_samples))

    async def event(self, event_id: str) -> StoredEvent | None:
        """Read one cranking event with its samples."""
        return await self._read(lambda: reads.event(self._opened.connection, event_id))

    async def readings(self, test_id: str) -> list[StoredReading]:
        """Read the history of a test's readings, oldest first."""
        return await self._read(lambda: reads.readings(self._opened.connection, test_id))

    async def decays(
        self, *, test_id: str | None = None, machine: str | None = None, with_samples: bool = True
    ) -> list[StoredDecay]:
        """Read leak-down results, oldest first."""
        return await self._read(lambda: reads.decays(self._opened.connection, test_id, machine, with_samples))

    async def last_decay(self, decay_id: str | None = None, cylinder: str | None = None) -> StoredDecay | None:
        """Read the leak-down result of this id, or the last one, of `cylinder` where that is named."""
        return await self._read(lambda: reads.last_decay(self._opened.connection, decay_id, cylinder))

    async def current_leak_down(self, bench: str) -> StoredLeakDown | None:
        """Read the leak-down that the bench was in the middle of."""
        return await self._read(lambda: reads.current_leak_down(self._opened.connection, bench))

    async def jobs(self, machine: str | None = None, *, with_struck: bool = False) -> list[StoredJob]:
        """Read the work done on a machine or on all, oldest first; what was struck only when it is asked for."""
        return await self._read(lambda: reads.jobs(self._opened.connection, machine, with_struck))

    async def calibrations(self, gauge: str | None = None) -> list[StoredCalibration]:
        """Read the calibrations of a gauge or of all, oldest first."""
        return await self._read(lambda: reads.calibrations(self._opened.connection, gauge))
