"""Versions of the journal: older ones are brought up without loss, newer and foreign files are left alone."""

import sqlite3
import tempfile
from pathlib import Path

import pytest

from gaugelink.errors import JournalError
from gaugelink.journal import Journal
from gaugelink.journal.codec import event_to_json
from gaugelink.journal.schema import APPLICATION_ID, CURRENT, MIGRATIONS, migrate
from tests.journal.samples_of import NOON, cranking, entry
from tests.unwritable import nobody_writes_in

VERSION_1 = Path(__file__).with_name("version-1.sql")
"""A journal as version 1 wrote it, dumped by ``sqlite3.Connection.iterdump``."""


def old_journal(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Make a journal of version 1 and return all of its rows."""
    connection = sqlite3.connect(path)
    connection.executescript(VERSION_1.read_text(encoding="utf-8"))
    rows = all_rows(connection)
    connection.close()
    return rows


def all_rows(connection: sqlite3.Connection) -> dict[str, list[tuple[object, ...]]]:
    tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    return {name: connection.execute(f"SELECT * FROM {name}").fetchall() for (name,) in tables.fetchall()}


def everything(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


async def test_every_row_of_an_older_journal_is_kept(tmp_path):
    path = tmp_path / "journal.db"
    before = old_journal(path)
    assert all(before.values()), "the old journal has rows in every table"
    async with Journal.open(path) as journal:
        assert [stored.event_id for stored in await journal.events("test-1")] == ["event-0", "event-1", "event-2"]
        (test,) = await journal.tests("sled-7")
        assert (test.closed, test.odometer) == (True, None)
        assert [row.id for row in await journal.pending()] == ["state-1", "message-2", "state-2"]
        await journal.record([entry(9)])
    connection = sqlite3.connect(path)
    after = all_rows(connection)
    connection.close()
    for table, rows in before.items():
        found = [row[: len(rows[0])] for row in after[table]]
        assert found[: len(rows)] == rows, table


async def test_a_journal_with_events_that_an_earlier_version_judged_again_is_read_and_keeps_that(tmp_path):
    path = tmp_path / "journal.db"
    async with Journal.open(path) as journal:
        await journal.record([entry(1)])
    connection = sqlite3.connect(path)
    row = ("event-1", NOON.isoformat(), "0.0.9", event_to_json(cranking(5)))
    connection.execute("INSERT INTO judgements (event_id, at, judged_by, event) VALUES (?, ?, ?, ?)", row)
    connection.commit()
    async with Journal.open(path) as journal:
        (event,) = await journal.events()
        assert event.event == cranking(1)
    assert [kept[1:] for kept in all_rows(connection)["judgements"]] == [row]
    connection.close()


async def test_a_copy_of_the_older_journal_stays_beside_it(tmp_path):
    path = tmp_path / "journal.db"
    before = old_journal(path)
    async with Journal.open(path):
        pass
    connection = sqlite3.connect(tmp_path / "journal.db.version-1")
    assert all_rows(connection) == before
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    connection.close()


class Overtaken(sqlite3.Connection):
    """Another process brings the journal to `to` as soon as this one has looked at its version."""

    path: Path
    to = CURRENT
    passed = False

    def execute(self, sql: str, *values: object) -> sqlite3.Cursor:
        found = super().execute(sql, *values)
        if sql != "PRAGMA user_version" or self.passed:
            return found
        self.passed, version = True, found.fetchone()
        other = sqlite3.connect(self.path, isolation_level=None)
        migrate(other, self.path)
        other.execute(f"PRAGMA user_version = {self.to}")
        other.close()
        return super().execute("SELECT ?", version)


@pytest.mark.parametrize("old", [False, True])
def test_two_that_bring_up_one_journal_at_once_do_it_once(tmp_path, old):
    path = tmp_path / "journal.db"
    before = old_journal(path) if old else {}
    late = sqlite3.connect(path, isolation_level=None, factory=Overtaken)
    late.path = path
    migrate(late, path)
    assert late.execute("PRAGMA user_version").fetchone() == (CURRENT,)
    after = all_rows(late)
    late.close()
    for table, rows in before.items():
        assert [row[: len(rows[0])] for row in after[table]] == rows
    if old:
        copy = sqlite3.connect(tmp_path / "journal.db.version-1")
        assert all_rows(copy) == before
        copy.close()


def test_a_journal_that_a_newer_version_overtook_is_left_alone(tmp_path):
    path = tmp_path / "journal.db"
    old_journal(path)
    late = sqlite3.connect(path, isolation_level=None, factory=Overtaken)
    late.path, late.to = path, CURRENT + 1
    with pytest.raises(JournalError, match="written by a newer gaugelink"):
        migrate(late, path)
    assert late.execute("PRAGMA user_version").fetchone() == (CURRENT + 1,)
    assert not late.in_transaction
    late.close()


async def test_a_step_that_fails_leaves_the_old_version(tmp_path, monkeypatch):
    path = tmp_path / "journal.db"
    before = old_journal(path)
    broken = (*MIGRATIONS[1], "CREATE TABLE events (twice TEXT)")
    monkeypatch.setattr("gaugelink.journal.schema.MIGRATIONS", (MIGRATIONS[0], broken))
    with pytest.raises(JournalError, match="already exists"):
        async with Journal.open(path):
            pass
    connection = sqlite3.connect(path)
    assert all_rows(connection) == before
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    connection.close()


async def test_a_journal_brought_up_has_the_same_tables_as_a_new_one(tmp_path):
    old_journal(tmp_path / "old.db")
    layouts = []
    for name in ("old.db", "new.db"):
        async with Journal.open(tmp_path / name):
            pass
        connection = sqlite3.connect(tmp_path / name)
        layouts.append(sorted(connection.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql NOT NULL")))
        connection.close()
    assert layouts[0] == layouts[1]


async def test_a_newer_journal_is_refused_and_not_a_byte_changes(tmp_path):
    path = tmp_path / "journal.db"
    async with Journal.open(path) as journal:
        await journal.record([entry(1)])
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {CURRENT + 1}")
    connection.commit()
    connection.close()
    before = everything(tmp_path)
    for read_only in (False, True):
        with pytest.raises(
            JournalError, match=rf"newer gaugelink \(journal version {CURRENT + 1}.*Nothing was changed"
        ):
            async with Journal.open(path, read_only=read_only):
                pass
    assert everything(tmp_path) == before


async def test_a_newer_journal_that_crashed_is_refused_with_its_log_untouched(tmp_path):
    path = tmp_path / "journal.db"
    writer = sqlite3.connect(path)
    writer.execute("PRAGMA journal_mode = WAL")
    writer.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    writer.execute(f"PRAGMA user_version = {CURRENT + 1}")
    writer.commit()
    log = path.with_name("journal.db-wal").read_bytes()
    assert log, "the version stands in the log only"
    with pytest.raises(JournalError, match="newer gaugelink"):
        async with Journal.open(path):
            pass
    assert path.with_name("journal.db-wal").read_bytes() == log
    writer.close()


async def test_a_foreign_database_is_left_alone(tmp_path):
    path = tmp_path / "other.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.commit()
    connection.close()
    before = everything(tmp_path)
    with pytest.raises(JournalError, match="not a gaugelink journal"):
        async with Journal.open(path):
            pass
    assert everything(tmp_path) == before


@pytest.mark.parametrize("content", [b"time_s,pressure_kpa\n0.0,1.0\n" * 40, b"SQLite format 3\x00" + b"\x00" * 300])
async def test_a_file_that_is_no_database_is_left_alone(tmp_path, content):
    path = tmp_path / "journal.db"
    path.write_bytes(content)
    with pytest.raises(JournalError, match=r"cannot be opened as a journal|not a gaugelink journal"):
        async with Journal.open(path):
            pass
    assert path.read_bytes() == content


async def test_a_missing_journal_cannot_be_read(tmp_path):
    with pytest.raises(JournalError, match="There is no journal"):
        async with Journal.open(tmp_path / "none.db", read_only=True):
            pass
    assert list(tmp_path.iterdir()) == []


async def test_a_missing_folder_is_told(tmp_path):
    with pytest.raises(JournalError, match="check that its folder exists"):
        async with Journal.open(tmp_path / "none" / "journal.db"):
            pass


OLDER = range(1, CURRENT)


def journal_of(version: int, path: Path) -> None:
    """Make a journal of an older version, with the rows of version 1."""
    old_journal(path)
    connection = sqlite3.connect(path)
    for steps in MIGRATIONS[1:version]:
        for statement in steps:
            connection.execute(statement)
    connection.execute(f"PRAGMA user_version = {version}")
    connection.commit()
    connection.close()


async def everything_read(journal: Journal) -> list[object]:
    """All that a reader may ask of a journal."""
    return [
        await journal.tests(),
        [(one.event_id, one.at, one.event.peak_kpa, one.judged_by) for one in await journal.events()],
        await journal.readings("test-1"),
        await journal.decays(),
        await journal.current_leak_down("north"),
        await journal.jobs(with_struck=True),
        await journal.calibrations(),
        await journal.command_result("command-1"),
        await journal.pending(),
    ]


@pytest.mark.parametrize("version", OLDER)
async def test_a_reader_reads_an_older_journal_as_a_service_does_and_changes_nothing(tmp_path, version):
    path = tmp_path / "journal.db"
    journal_of(version, path)
    before = everything(tmp_path)
    async with Journal.open(path, read_only=True) as reader:
        read = await everything_read(reader)
        with pytest.raises(JournalError, match="readonly"):
            await reader._on_thread(lambda: reader._opened.connection.execute("DELETE FROM jobs"))
    assert everything(tmp_path) == before
    async with Journal.open(path) as journal:
        assert await everything_read(journal) == read
    assert all(read[place] for place in (0, 1, 2, 3, 5, 6, 7, 8))


async def test_a_reader_sees_what_an_older_service_wrote_and_has_not_folded_in(tmp_path):
    path = tmp_path / "journal.db"
    journal_of(CURRENT - 1, path)
    service = sqlite3.connect(path, isolation_level=None)
    service.execute("PRAGMA journal_mode = WAL")
    service.execute("UPDATE jobs SET job = 'pistons'")
    async with Journal.open(path, read_only=True) as reader:
        assert [job.job for job in await reader.jobs()] == ["pistons"]
        service.execute("UPDATE jobs SET job = 'rings'")
    async with Journal.open(path, read_only=True) as reader:
        assert [job.job for job in await reader.jobs()] == ["rings"]
    assert service.execute("PRAGMA user_version").fetchone() == (CURRENT - 1,)
    service.close()


@pytest.mark.parametrize("version", [CURRENT - 1, CURRENT])
async def test_a_journal_in_a_folder_that_cannot_be_written_is_read(version):
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.db"
        if version == CURRENT:
            async with Journal.open(path) as journal:
                await journal.record([entry(1)])
        else:
            journal_of(version, path)
        with nobody_writes_in(Path(name)):
            async with Journal.open(path, read_only=True) as reader:
                assert await reader.events()
        assert list(everything(Path(name))) == ["journal.db"]


async def test_a_log_that_cannot_be_read_in_its_folder_is_told_with_what_to_do():
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.db"
        async with Journal.open(path) as journal:
            await journal.record([entry(1)])
            crashed = everything(Path(name))
        for file in ("journal.db", "journal.db-wal"):
            (Path(name) / file).write_bytes(crashed[file])
        with (
            nobody_writes_in(Path(name)),
            pytest.raises(JournalError, match="its log have to be in a folder that can be written"),
        ):
            async with Journal.open(path, read_only=True):
                pass


async def test_a_journal_that_nothing_was_written_to_is_read_as_empty(tmp_path):
    path = tmp_path / "journal.db"
    path.touch()
    async with Journal.open(path, read_only=True) as reader:
        assert await reader.tests() == []
    assert everything(tmp_path) == {"journal.db": b""}


async def test_an_older_journal_that_a_service_has_open_is_left_as_it_is(tmp_path):
    path = tmp_path / "journal.db"
    journal_of(CURRENT - 1, path)
    before = everything(tmp_path)
    service = sqlite3.connect(tmp_path / "journal.db.lock", isolation_level=None)
    service.execute("BEGIN EXCLUSIVE")
    with pytest.raises(JournalError, match="in use by another gaugelink service"):
        async with Journal.open(path, alone=True):
            pass
    service.close()
    (tmp_path / "journal.db.lock").unlink()
    assert everything(tmp_path) == before
