"""A disk that is full or read-only is told at once, and what was measured meanwhile is kept and written later."""

import asyncio
import itertools
import json
import sqlite3
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaugelink.errors import JournalError
from gaugelink.journal import JobEntry, Journal, JournalWriteError, WriteFault
from gaugelink.journal.faults import write_fault
from gaugelink.journal.store import Unit
from tests.journal.full_disk import TRIES
from tests.journal.samples_of import entry, message

ROOT = Path(__file__).parents[2]


async def pragma(journal: Journal, statement: str) -> None:
    await journal._on_thread(lambda: journal._opened.connection.execute(statement).fetchall())


async def fill(journal: Journal) -> None:
    """Let SQLite take no further page: it then fails as on a full disk (SQLite, "PRAGMA max_page_count")."""
    await pragma(journal, "PRAGMA max_page_count = 1")


async def make_room(journal: Journal) -> None:
    await pragma(journal, "PRAGMA max_page_count = 1000000")


async def fill_up(journal: Journal, first: int) -> int:
    """Write until it fails; return the number of the event that did."""
    number = first
    while True:
        try:
            await journal.record([entry(number)], [message(number)])
        except JournalWriteError:
            return number
        number += 1


async def test_a_full_disk_is_told_with_what_to_do(tmp_path):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await fill(journal)
        number = await fill_up(journal, 0)
        with pytest.raises(JournalWriteError) as told:
            await journal.record([entry(number + 1)], [message(number + 1)])
        assert told.value.fault is WriteFault.FULL
        assert told.value.kept == 2
        assert told.value.this_kept
        assert "disk is full: make room" in str(told.value)
        assert journal.fault is WriteFault.FULL
        await make_room(journal)
        await journal.retry()


async def test_results_that_waited_are_written_in_order_when_there_is_room(tmp_path):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await fill(journal)
        last = await fill_up(journal, 0) + 3
        for number in range(last - 2, last + 1):
            with pytest.raises(JournalWriteError):
                await journal.record([entry(number)], [message(number)])
        assert len(await journal.events()) == last - 3, "what was written before can still be read"
        assert [row.id for row in await journal.pending(1000)] == [f"cranking-{k}" for k in range(last - 3)]
        await make_room(journal)
        journal.outbox_grew.clear()
        assert await journal.retry() == 4
        assert journal.outbox_grew.is_set()
        assert journal.fault is None
        assert [stored.event_id for stored in await journal.events()] == [f"event-{k}" for k in range(last + 1)]
        assert [row.id for row in await journal.pending(1000)] == [f"cranking-{k}" for k in range(last + 1)]


@pytest.mark.parametrize("once_more", [False, True])
async def test_what_a_disk_with_little_room_took_is_sent_at_once(tmp_path, monkeypatch, once_more):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await pragma(journal, "PRAGMA query_only = ON")
        for number in range(2):
            with pytest.raises(JournalWriteError):
                await journal.record([], [message(number)])
        await pragma(journal, "PRAGMA query_only = OFF")
        room_for_one(journal, monkeypatch)
        journal.outbox_grew.clear()
        with pytest.raises(JournalWriteError, match="disk is full"):
            await (journal.record([], [message(2)]) if once_more else journal.retry())
        assert [row.id for row in await journal.pending()] == ["cranking-0"]
        assert journal.outbox_grew.is_set()
        monkeypatch.undo()
        assert await journal.retry() == (2 if once_more else 1)


def room_for_one(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the disk take one unit of work more, and be full then."""
    store = journal._opened
    commit, units = store._commit, itertools.count()

    def commit_the_first(unit: Unit) -> None:
        if next(units):
            full = sqlite3.OperationalError("database or disk is full")
            full.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise full
        commit(unit)

    monkeypatch.setattr(store, "_commit", commit_the_first)


async def test_the_next_result_takes_along_those_that_waited(tmp_path):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await fill(journal)
        number = await fill_up(journal, 0)
        await make_room(journal)
        await journal.record([entry(number + 1)])
        assert journal.kept == 0
        assert len(await journal.events()) == number + 2


async def test_a_read_only_journal_is_told(tmp_path):
    async with Journal.open(tmp_path / "journal.db") as journal:
        # SQLite, "PRAGMA query_only": every change fails with SQLITE_READONLY, as on a file system mounted read-only.
        await pragma(journal, "PRAGMA query_only = ON")
        with pytest.raises(JournalWriteError, match="read-only: make it writable") as told:
            await journal.record([entry(0)])
        assert told.value.fault is WriteFault.READ_ONLY
        await pragma(journal, "PRAGMA query_only = OFF")
        assert await journal.retry() == 1


async def test_memory_is_bounded_and_says_when_it_is_full(tmp_path, monkeypatch):
    monkeypatch.setattr("gaugelink.journal.store.BACKLOG_LIMIT", 50)
    async with Journal.open(tmp_path / "journal.db") as journal:
        await pragma(journal, "PRAGMA query_only = ON")
        for number in range(50):
            with pytest.raises(JournalWriteError):
                await journal.record([], [message(number)])
        with pytest.raises(JournalWriteError, match="this one is lost") as told:
            await journal.record([], [message(50)])
        assert not told.value.this_kept
        assert journal.kept == 50
        await pragma(journal, "PRAGMA query_only = OFF")
        assert await journal.retry() == 50


async def test_closing_writes_what_waited(tmp_path):
    path = tmp_path / "journal.db"
    async with Journal.open(path) as journal:
        await fill(journal)
        number = await fill_up(journal, 0)
        await make_room(journal)
    async with Journal.open(path) as journal:
        assert len(await journal.events()) == number + 1


async def test_closing_says_what_is_lost(tmp_path):
    journal = Journal.open(tmp_path / "journal.db")
    await journal.__aenter__()
    await pragma(journal, "PRAGMA query_only = ON")
    with pytest.raises(JournalWriteError):
        await journal.record([entry(0)])
    with pytest.raises(JournalWriteError, match="read-only"):
        await journal.__aexit__(None, None, None)


async def test_a_journal_held_by_another_process_is_told(tmp_path):
    path = tmp_path / "journal.db"
    async with Journal.open(path) as journal:
        await pragma(journal, "PRAGMA busy_timeout = 0")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalWriteError, match="another process holds it") as told:
            await journal.record([entry(0)])
        assert told.value.fault is WriteFault.BUSY
        other.execute("ROLLBACK")
        other.close()
        assert await journal.retry() == 1


async def test_a_note_of_what_was_sent_that_cannot_be_written_is_told(tmp_path):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await journal.record([], [message(0)])
        rows = await journal.pending()
        await pragma(journal, "PRAGMA query_only = ON")
        with pytest.raises(JournalWriteError):
            await journal.mark_sent(rows)
        await pragma(journal, "PRAGMA query_only = OFF")
        assert await journal.pending() == rows


async def test_a_note_of_what_was_sent_that_has_to_wait_is_no_fault_of_the_results(tmp_path):
    path = tmp_path / "journal.db"
    async with Journal.open(path) as journal:
        await journal.record([], [message(0)])
        rows = await journal.pending()
        await pragma(journal, "PRAGMA busy_timeout = 0")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalWriteError, match="another process holds it"):
            await journal.mark_sent(rows)
        assert journal.fault is None
        with pytest.raises(JournalWriteError):
            await journal.record([entry(0)])
        # Nor does the note make up for results that wait.
        other.execute("ROLLBACK")
        other.close()
        await journal.mark_sent(rows)
        assert journal.fault is WriteFault.BUSY


def test_an_error_that_is_not_about_the_disk_has_no_fault():
    with sqlite3.connect(":memory:") as connection, pytest.raises(sqlite3.OperationalError) as told:
        connection.execute("SELECT * FROM nowhere")
    connection.close()
    assert write_fault(told.value) is None
    assert write_fault(sqlite3.ProgrammingError("no code")) is None


async def test_a_disk_that_takes_no_lock_file_does_not_stop_the_service(tmp_path, caplog):
    path = tmp_path / "journal.db"
    async with Journal.open(path) as journal:
        await journal.record([entry(0)])
    # A folder in the place of the file: it cannot be opened, whoever asks.
    path.with_name("journal.db.lock").mkdir()
    async with Journal.open(path, alone=True) as journal:
        assert len(await journal.events()) == 1
    assert "used without a lock" in caplog.text


def damage(path: Path) -> None:
    """Write over all pages but the first, as a failing card does."""
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * (path.stat().st_size - 4096))


async def test_what_a_damaged_file_does_not_take_is_kept_and_told_as_a_fault_of_the_disk(tmp_path):
    path = tmp_path / "journal.db"
    journal = Journal.open(path)
    await journal.__aenter__()
    for number in range(50):
        await journal.record([entry(number)], [message(number)])
    await pragma(journal, "PRAGMA wal_checkpoint(TRUNCATE)")
    damage(path)
    await pragma(journal, "PRAGMA shrink_memory")
    with pytest.raises(JournalWriteError, match=r"the disk failed.*malformed.*; kept in memory: 1 result") as told:
        await journal.record([entry(50)], [message(50)])
    assert told.value.fault is WriteFault.DISK
    assert told.value.this_kept
    assert journal.kept == 1
    with pytest.raises(JournalWriteError, match="lost with the service that ends: 1 result"):
        await journal.__aexit__(None, None, None)


def test_a_journal_that_cannot_be_opened_does_not_speak_of_results():
    error = JournalWriteError(Path("bay.db"), WriteFault.READ_ONLY, 0, this_kept=False)
    assert str(error).endswith("read-only: make it writable.")


async def test_a_damaged_table_is_told_by_a_reader(tmp_path):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await journal.record([entry(0)])
        await pragma(journal, "UPDATE events SET event = '{}'")
        with pytest.raises(JournalError, match="cannot be read"):
            await journal.events()
        await pragma(journal, "DROP TABLE jobs")
        with pytest.raises(JournalError, match="cannot be read"):
            await journal.jobs()


@pytest.mark.parametrize(
    ("column", "damaged"), [("at", "2026-02-03T12:0N:00+00:00"), ("cylinders", '["PTO"'), ("cylinders", "1")]
)
async def test_a_cell_that_was_damaged_or_edited_is_told_with_the_journal(tmp_path, column, damaged):
    async with Journal.open(tmp_path / "journal.db") as journal:
        await journal.record([JobEntry("job-1", "ridge-7", datetime(2026, 2, 3, tzinfo=UTC), "rings")])
        assert len(await journal.jobs()) == 1
        await pragma(journal, f"UPDATE jobs SET {column} = '{damaged}'")
        with pytest.raises(JournalError, match=r"journal\.db .* damaged or edited"):
            await journal.jobs()


async def test_a_real_limit_of_the_operating_system_loses_nothing(tmp_path):
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "tests.journal.full_disk",
        tmp_path / "journal.db",
        cwd=ROOT,
        stdout=asyncio.subprocess.PIPE,
    )
    output, _ = await process.communicate()
    assert process.returncode == 0
    result = json.loads(output)
    assert result["told"], "the limit was reached"
    assert {told["fault"] for told in result["told"]} <= {WriteFault.FULL, WriteFault.DISK}
    assert all(told["this_kept"] for told in result["told"])
    assert result["readable"] == TRIES - len(result["told"])
    assert result["written"] == len(result["told"])
    assert result["events"] == [f"event-{number}" for number in range(TRIES)]
    assert result["outbox"] == [f"cranking-{number}" for number in range(TRIES)]
    assert result["fault"] is None
