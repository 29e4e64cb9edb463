"""What is committed, and how it is read back."""

import asyncio
import json
import sqlite3
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from gaugelink.errors import JournalError
from gaugelink.journal import (
    Action,
    CalibrationEntry,
    CommandEntry,
    DecayEntry,
    JobEntry,
    Journal,
    PromptEntry,
    ReadingEntry,
    StruckJobEntry,
    TestEntry,
)
from tests.journal.samples_of import NOON, cranking, entry, message, samples
from tests.journal.test_codec import assert_same_samples


@pytest.fixture
def path(tmp_path):
    return tmp_path / "journal.db"


def state(number: int, *, closed: bool = False, test_id: str = "test-1", machine: str = "sled-7") -> TestEntry:
    return TestEntry(
        test_id, "north", machine, json.dumps({"done": number}), NOON + timedelta(minutes=number), closed=closed
    )


async def test_an_event_and_its_messages_are_there_after_reopening(path):
    async with Journal.open(path) as journal:
        await journal.record([entry(1), state(1)], [message(1), message(1, "test", retain=True)])
    async with Journal.open(path) as journal:
        (stored,) = await journal.events("test-1")
        assert stored.event == cranking(1)
        assert stored.at == entry(1).at
        assert stored.samples is not None
        assert_same_samples(stored.samples, samples(40, 1))
        assert [row.id for row in await journal.pending()] == ["cranking-1", "test-1"]
        current = await journal.current_test("north")
        assert current is not None
        assert json.loads(current.snapshot_json) == {"done": 1}


async def test_a_unit_with_one_bad_entry_leaves_nothing_behind(path):
    async with Journal.open(path) as journal:
        await journal.record([entry(1)], [message(1)])
        with pytest.raises(JournalError, match="refused a record"):
            await journal.record([entry(2), entry(1)], [message(2)])
        assert [stored.event_id for stored in await journal.events()] == ["event-1"]
        assert [row.id for row in await journal.pending()] == ["cranking-1"]
        await journal.record([entry(2)], [message(2)])
        assert len(await journal.events()) == 2


async def test_a_message_id_goes_out_once(path):
    async with Journal.open(path) as journal:
        await journal.record([], [message(1)])
        with pytest.raises(JournalError):
            await journal.record([], [message(1)])
        assert (await journal.outbox_depth()).count == 1


async def test_a_time_without_a_zone_is_refused(path):
    async with Journal.open(path) as journal:
        with pytest.raises(JournalError, match="has no zone"):
            await journal.record([replace(entry(1), at=datetime(2026, 1, 1))])  # noqa: DTZ001
        await journal.record([entry(1)])


async def test_the_current_test_is_the_newest_that_is_not_closed(path):
    async with Journal.open(path) as journal:
        await journal.record([state(1, test_id="old")])
        await journal.record([state(2, test_id="new")])
        assert (await journal.current_test("north")).test_id == "new"
        await journal.record([state(3, test_id="new", closed=True)])
        assert (await journal.current_test("north")).test_id == "old"
        assert await journal.current_test("south") is None


async def test_the_current_test_is_the_one_begun_last_where_the_clock_was_set_back(path):
    async with Journal.open(path) as journal:
        await journal.record([state(9, test_id="before")])
        await journal.record([state(2, test_id="after")])
        assert (await journal.current_test("north")).test_id == "after"


async def test_a_test_keeps_the_time_of_its_beginning(path):
    async with Journal.open(path) as journal:
        await journal.record([state(1)])
        await journal.record([state(9)])
        stored = await journal.test("test-1")
        assert (stored.began_at, stored.updated_at) == (NOON + timedelta(minutes=1), NOON + timedelta(minutes=9))


async def test_tests_are_found_by_machine_and_date(path):
    async with Journal.open(path) as journal:
        for number, machine in enumerate(["sled-7", "boat-2", "sled-7"]):
            await journal.record([state(number, test_id=f"test-{number}", machine=machine)])
        assert [test.test_id for test in await journal.tests("sled-7")] == ["test-0", "test-2"]
        assert [test.test_id for test in await journal.tests(since=NOON + timedelta(seconds=30))] == [
            "test-1",
            "test-2",
        ]


async def test_the_history_of_readings_is_only_ever_added_to(path):
    given = ReadingEntry("test-1", "PTO", Action.GIVEN, NOON, "rule", "event-1", 900.0, 8.0)
    async with Journal.open(path) as journal:
        await journal.record([given])
        await journal.record([replace(given, action=Action.MOVED, cylinder="MAG", by="Ada")])
        await journal.record([replace(given, action=Action.STRUCK, cylinder="MAG", by="Ada", note="plug was loose")])
        history = await journal.readings("test-1")
        assert [(line.cylinder, line.action, line.by) for line in history] == [
            ("PTO", Action.GIVEN, "rule"),
            ("MAG", Action.MOVED, "Ada"),
            ("MAG", Action.STRUCK, "Ada"),
        ]
    with sqlite3.connect(path) as connection:
        for change in ("UPDATE readings SET cylinder = 'MAG'", "DELETE FROM readings"):
            with pytest.raises(sqlite3.IntegrityError, match="only ever added to"):
                connection.execute(change)
    connection.close()


async def test_a_command_is_answered_again_with_what_was_answered_first(path):
    async with Journal.open(path) as journal:
        assert await journal.command_result("c-1") is None
        await journal.record([CommandEntry("c-1", NOON, "{}", '{"ok": true}')])
        assert await journal.command_result("c-1") == '{"ok": true}'
        with pytest.raises(JournalError):
            await journal.record([CommandEntry("c-1", NOON, "{}", '{"ok": false}')])
        assert await journal.command_result("c-1") == '{"ok": true}'


async def test_everything_else_comes_back_as_it_was_written(path):
    decay = DecayEntry("d-1", "north", "blue", NOON, '{"leak": 3}', "PTO", "test-1", samples(30))
    job = JobEntry("j-1", "sled-7", NOON, "rings", 3120.5, "Ada", "all three")
    calibration = CalibrationEntry("k-1", "blue", date(2025, 6, 1), date(2026, 6, 1), '{"points": []}')
    async with Journal.open(path) as journal:
        await journal.record([state(1), decay, job, calibration, PromptEntry("p-1", "north", NOON, "Crank.", "test-1")])
        await journal.record([replace(decay, decay_id="d-2", test_id=None, samples=None)])
        (stored,) = await journal.decays(machine="sled-7")
        assert (stored.decay_id, stored.result_json, stored.cylinder, stored.at) == ("d-1", '{"leak": 3}', "PTO", NOON)
        assert stored.samples is not None
        assert_same_samples(stored.samples, samples(30))
        assert len(await journal.decays()) == 2
        (stored_job,) = await journal.jobs("sled-7")
        assert (stored_job.job, stored_job.odometer, stored_job.by) == ("rings", 3120.5, "Ada")
        (stored_calibration,) = await journal.calibrations("blue")
        assert (stored_calibration.done_on, stored_calibration.due_on) == (date(2025, 6, 1), date(2026, 6, 1))
        assert await journal.jobs("boat-2") == []
        assert await journal.calibrations("red") == []


async def test_a_struck_job_stays_and_is_read_only_when_asked_for(path):
    job = JobEntry("j-1", "sled-7", NOON, "rings")
    async with Journal.open(path) as journal:
        await journal.record([job, replace(job, job_id="j-2"), StruckJobEntry("j-1", NOON, "Ada")])
        assert [one.job_id for one in await journal.jobs("sled-7")] == ["j-2"]
        assert [one.job_id for one in await journal.jobs("sled-7", with_struck=True)] == ["j-1", "j-2"]


async def test_what_was_sent_no_longer_waits(path):
    async with Journal.open(path) as journal:
        for number in range(5):
            await journal.record([], [message(number)])
        await journal.mark_sent((await journal.pending())[:2])
        assert [row.id for row in await journal.pending(2)] == ["cranking-2", "cranking-3"]
        assert (await journal.outbox_depth()).count == 3


async def test_the_outbox_forgets_what_was_sent_long_ago(path):
    async with Journal.open(path) as journal:
        await journal.record([], [message(number) for number in range(400)])
        await journal.mark_sent(await journal.pending(400))
        again = await journal.to_tell_again(timedelta(minutes=5), limit=1000)
        assert [row.id for row in again] == [f"cranking-{number}" for number in range(144, 400)]


async def test_the_newest_sent_are_kept_however_much_waits_behind_them(path):
    async with Journal.open(path) as journal:
        await journal.record([], [message(number) for number in range(400)])
        await journal.mark_sent(await journal.pending(50))
        again = await journal.to_tell_again(timedelta(minutes=5))
        assert [row.id for row in again] == [f"cranking-{number}" for number in range(50)]


async def test_only_the_last_of_a_retained_topic_is_told_again_and_not_before_it_was_sent(path):
    async with Journal.open(path) as journal:
        for number in range(3):
            await journal.record([], [message(number), message(number, "test", retain=True)])
        rows = await journal.pending()
        await journal.mark_sent(rows[:4])
        again = await journal.to_tell_again(timedelta(minutes=5))
        assert [row.id for row in again] == ["cranking-0", "cranking-1"], "test-2 is still to be sent"
        await journal.mark_sent(rows[4:])
        again = await journal.to_tell_again(timedelta(minutes=5))
        assert [row.id for row in again] == ["cranking-0", "cranking-1", "cranking-2", "test-2"]


async def test_a_retained_message_is_told_again_however_old_it_is(path):
    async with Journal.open(path) as journal:
        await journal.record([], [message(1), message(1, "test", retain=True)])
        await journal.mark_sent(await journal.pending())
        assert [row.id for row in await journal.to_tell_again(timedelta(0))] == ["test-1"]


async def test_the_drain_is_woken_by_a_commit(path):
    async with Journal.open(path) as journal:
        assert not journal.outbox_grew.is_set()
        await journal.record([], [message(1)])
        assert journal.outbox_grew.is_set()


async def test_a_cancelled_caller_does_not_undo_a_commit(path):
    async with Journal.open(path) as journal:
        writing = asyncio.create_task(journal.record([entry(1)], [message(1)]))
        await asyncio.sleep(0)
        writing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await writing
        assert [stored.event_id for stored in await journal.events()] == ["event-1"]


async def test_a_reader_sees_what_the_service_writes_meanwhile(path):
    async with Journal.open(path) as journal:
        await journal.record([entry(1)])
        async with Journal.open(path, read_only=True) as reader:
            assert len(await reader.events()) == 1
            await journal.record([entry(2)])
            assert len(await reader.events()) == 2


async def test_a_second_service_is_refused_until_the_first_is_gone(path):
    async with Journal.open(path, alone=True) as journal:
        with pytest.raises(JournalError, match="in use by another gaugelink service"):
            async with Journal.open(path, alone=True):
                pass
        async with Journal.open(path) as other:
            await other.record([entry(1)])
        async with Journal.open(path, read_only=True) as reader:
            assert len(await reader.events()) == 1
        await journal.record([entry(2)])
    async with Journal.open(path, alone=True) as journal:
        assert len(await journal.events()) == 2


async def test_a_commit_is_synced_to_disk(path):
    # SQLite, "PRAGMA synchronous": in WAL mode FULL (2) syncs the log after each transaction, NORMAL (1) does not.
    async with Journal.open(path) as journal:
        assert await pragma(journal, "journal_mode") == "wal"
        assert await pragma(journal, "synchronous") == 2
        await journal.record([], [message(1)])
        await journal.mark_sent(await journal.pending())
        assert await pragma(journal, "synchronous") == 2


async def pragma(journal: Journal, name: str) -> object:
    def ask() -> object:
        return journal._opened.connection.execute(f"PRAGMA {name}").fetchone()[0]

    return await journal._on_thread(ask)
