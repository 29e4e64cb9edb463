"""The database: once for each message, the newest of each state, and no message that blocks the others."""

import json
import random
import sqlite3
import tempfile
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select, text, update

from gaugelink.archive import schema
from gaugelink.archive.settings import database_url
from gaugelink.archive.store import Store, _write_ahead
from gaugelink.archive.wire import Filed, Quarantined, sort_message
from gaugelink.broker.message import new_id
from gaugelink.errors import ArchiveError
from tests.archive.published import KINDS, crank, published
from tests.unwritable import nobody_enters, nobody_writes_in

NOW = datetime(2026, 2, 3, 14, 6, tzinfo=UTC)


def sort(*messages: tuple[str, bytes]) -> list[Filed | Quarantined]:
    sorted_out = [sort_message(topic, payload, NOW) for topic, payload in messages]
    return [one for one in sorted_out if one is not None]


def count(store: Store, table) -> int:
    with store.engine.connect() as connection:
        return connection.scalar(select(func.count()).select_from(table))


def test_a_batch_that_comes_again_changes_nothing(database, open_store):
    store = open_store(database)
    batch = sort(*[published(suffix) for suffix in KINDS for _ in range(3)], ("gaugelink/north/cranking", b"{"))
    for _ in range(3):
        store.write(batch)
    for table in (schema.EVENTS, schema.READINGS, schema.DECAYS, schema.PROMPTS, schema.RESULTS):
        assert count(store, table) == 3
    assert count(store, schema.TESTS) == count(store, schema.GAUGES) == count(store, schema.QUARANTINE) == 1


def test_the_same_message_twice_in_one_batch_is_filed_once(database, open_store):
    store = open_store(database)
    message = crank()
    store.write(sort(message, message))
    assert count(store, schema.EVENTS) == 1


def test_two_benches_may_use_the_same_id(database, open_store):
    store = open_store(database)
    shared = new_id()
    store.write(sort(published("prompt", "north", id=shared), published("prompt", "south", id=shared)))
    assert count(store, schema.PROMPTS) == 2


def test_what_is_stored_is_what_was_published(database, open_store):
    store = open_store(database)
    topic, payload = crank(peak_kpa=900.1 + 1 / 7, gauge="blå-måler", at="2026-02-03T15:05:12.250001+01:00")
    store.write(sort((topic, payload)))
    with store.engine.connect() as connection:
        (row,) = connection.execute(select(schema.EVENTS))
    assert row.document.encode() == payload
    assert row.peak_kpa == 900.1 + 1 / 7
    assert row.gauge == "blå-måler"
    assert row.at == datetime(2026, 2, 3, 14, 5, 12, 250001, tzinfo=UTC)
    assert row.message_id == json.loads(payload)["id"]


@pytest.mark.parametrize("together", [True, False])
def test_the_highest_revision_of_a_test_stays_in_whatever_order_they_come(database, open_store, together):
    store = open_store(database)
    states = sort(*[published("test", revision=revision, closed=revision == 9) for revision in range(10)])
    random.Random(4).shuffle(states)
    for batch in [states] if together else [[state] for state in states]:
        store.write(batch)
    with store.engine.connect() as connection:
        (row,) = connection.execute(select(schema.TESTS))
    assert (row.revision, row.closed) == (9, True)


def test_the_last_word_of_a_bench_and_the_last_state_of_a_gauge_stay(database, open_store):
    store = open_store(database)
    for at_s, word in ((0, b"online"), (2, b"offline"), (1, b"online")):
        message = sort_message("gaugelink/north/availability", word, NOW + timedelta(seconds=at_s))
        assert message is not None
        store.write([message])
    first, second = published("gauge/blue/state", phase="lost"), published("gauge/blue/state", phase="streaming")
    # One consumer writes the second before another one writes the first.
    for at_s, (topic, payload) in ((1, second), (0, first)):
        message = sort_message(topic, payload, NOW + timedelta(seconds=at_s))
        assert message is not None
        store.write([message])
    with store.engine.connect() as connection:
        assert connection.scalar(select(schema.BENCHES.c.availability)) == "offline"
        assert connection.scalar(select(schema.GAUGES.c.phase)) == "streaming"


@pytest.mark.parametrize("together", [True, False])
def test_a_gauge_of_a_bench_whose_clock_was_set_back_is_followed(database, open_store, together):
    store = open_store(database)
    # RFC 9562, section 5.7: the first 48 bits are the milliseconds, here of two days.
    told = [
        ("01a20fe0-60b9-73a7-b1cc-77cacb24d913", "2026-02-03T12:00:00Z", "streaming"),
        ("01a20ab9-e4b9-73a7-b1cc-77cacb24d913", "2026-02-02T12:00:00Z", "lost"),
        ("01a20ab9-e8a1-73a7-b1cc-77cacb24d913", "2026-02-02T12:00:01Z", "asleep"),
    ]
    states = []
    for second, (message_id, at, phase) in enumerate(told):
        topic, payload = published("gauge/blue/state", id=message_id, at=at, phase=phase)
        message = sort_message(topic, payload, NOW + timedelta(seconds=second))
        assert message is not None
        states.append(message)
    for batch in [states] if together else [[state] for state in states]:
        store.write(batch)
    with store.engine.connect() as connection:
        assert connection.scalar(select(schema.GAUGES.c.phase)) == "asleep"


def test_a_message_that_the_database_refuses_is_kept_aside_and_the_others_are_filed(postgres, open_store):
    # PostgreSQL takes no NUL in text, and no value in an index beyond a third of a page (from its manual, section on
    # B-tree indexes).
    store = open_store(postgres.database())
    long = "".join(random.Random(1).choices("abcdefghij0123456789", k=200_000))
    batch = sort(crank(), crank(gauge="a\0b"), crank(test_id=long), crank())
    for _ in range(2):
        written = store.write(batch)
        assert (written.filed, written.quarantined) == (2, 2)
    assert (count(store, schema.EVENTS), count(store, schema.QUARANTINE)) == (2, 2)
    with store.engine.connect() as connection:
        kept = connection.scalars(select(schema.QUARANTINE.c.payload)).all()
    assert {bytes(payload) for payload in kept} == {batch[1].payload, batch[2].payload}


def test_a_database_that_went_away_takes_the_same_batch_when_it_is_back(postgres, open_store):
    store = open_store(postgres.database())
    batch = sort(crank(), crank())
    postgres.stop()
    try:
        with pytest.raises(ArchiveError, match="cannot be used"):
            store.write(batch)
    finally:
        postgres.start()
    store.write(batch)
    assert count(store, schema.EVENTS) == 2


def test_consumers_that_start_at_once_make_the_tables_once(database):
    faults: list[Exception] = []

    def begin() -> None:
        try:
            with Store(database_url(database, Path("/"))) as store:
                store.prepare()
        except ArchiveError as error:
            faults.append(error)

    threads = [threading.Thread(target=begin) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not faults


def test_two_writers_of_the_same_states_do_not_hinder_each_other(database, open_store):
    messages = [published("test", test_id=f"test-{number}", revision=number) for number in range(40)] * 2
    faults: list[Exception] = []

    def write(seed: int) -> None:
        store = open_store(database)
        shuffled = list(messages)
        for _ in range(4):
            random.Random(seed).shuffle(shuffled)
            try:
                store.write(sort(*shuffled))
            except ArchiveError as error:
                faults.append(error)

    threads = [threading.Thread(target=write, args=(seed,)) for seed in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not faults
    assert count(open_store(database), schema.TESTS) == 40


class Contended:
    """A connection that is refused as often as it is told, as when two switch one file to a write-ahead log."""

    def __init__(self, refusals: int, code: int = sqlite3.SQLITE_BUSY) -> None:
        self.refusals, self.code, self.asked = refusals, code, 0

    def execute(self, _: str) -> None:
        self.asked += 1
        if self.asked <= self.refusals:
            error = sqlite3.OperationalError("database is locked")
            error.sqlite_errorcode = self.code
            raise error


def test_a_file_that_is_locked_as_it_is_opened_is_asked_again() -> None:
    for code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_BUSY_RECOVERY):
        contended = Contended(2, code)
        _write_ahead(contended)  # type: ignore[arg-type]
        assert contended.asked == 3
    broken = Contended(1, sqlite3.SQLITE_CORRUPT)
    with pytest.raises(sqlite3.OperationalError):
        _write_ahead(broken)  # type: ignore[arg-type]
    assert broken.asked == 1


def test_an_archive_of_a_newer_version_is_left_alone(database, open_store):
    store = open_store(database)
    with store.engine.begin() as connection:
        connection.execute(update(schema.VERSIONS).values(version=schema.VERSION + 1))
    with pytest.raises(ArchiveError, match="update it"):
        store.prepare()


JOINED = text("SELECT events.message_id, readings.cylinder FROM readings JOIN events USING (bench, event_id)")


def test_readings_are_joined_to_their_events_by_the_id_that_the_messages_have(database, open_store):
    store = open_store(database)
    event, reading = published("cranking"), published("reading")
    store.write(sort(event, reading))
    with store.engine.connect() as connection:
        ((message_id, cylinder),) = connection.execute(JOINED)
    assert (str(message_id), cylinder) == (json.loads(event[1])["id"], json.loads(reading[1])["cylinder"])


def test_an_archive_of_the_first_version_is_brought_up_to_date_and_files_nothing_twice(database, open_store):
    store = open_store(database)
    messages = sort(*(published(kind) for kind in KINDS))
    store.write(messages)
    first = {"sqlite": "replace({0}, '-', '')", "postgresql": "{0}"}[store.engine.dialect.name]
    with store.engine.begin() as connection:
        for table in (schema.EVENTS, schema.READINGS, schema.DECAYS, schema.PROMPTS, schema.RESULTS, schema.TESTS):
            connection.execute(text(f"UPDATE {table.name} SET message_id = {first.format('message_id')}"))
        if store.engine.dialect.name == "postgresql":
            connection.execute(text("ALTER TABLE events ALTER COLUMN event_id TYPE uuid USING event_id::uuid"))
        else:
            connection.execute(text(f"UPDATE events SET event_id = {first.format('event_id')}"))
        connection.execute(update(schema.VERSIONS).values(version=1))
    again = open_store(database)
    again.write(messages)
    assert count(again, schema.EVENTS) == count(again, schema.READINGS) == count(again, schema.PROMPTS) == 1
    with again.engine.connect() as connection:
        assert len(connection.execute(JOINED).all()) == 1
        assert connection.scalars(select(schema.VERSIONS.c.version)).all() == [schema.VERSION]
        found = {row.message_id for table in (schema.EVENTS, schema.TESTS) for row in connection.execute(select(table))}
    assert found <= {message.row["message_id"] for message in messages if isinstance(message, Filed)}


def test_a_row_of_another_bench_with_the_same_test_id_is_another_test(database, open_store):
    store = open_store(database)
    store.write(sort(published("test", "north"), published("test", "south")))
    assert count(store, schema.TESTS) == 2


def test_an_integer_beyond_the_database_is_kept_aside(tmp_path, open_store):
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    good, large = sort(published("test", test_id="good"), published("test", test_id="large"))
    assert isinstance(large, Filed)
    written = store.write([good, Filed(large.table, {**large.row, "revision": 2**70}, large.topic, large.payload)])
    assert (written.filed, written.quarantined) == (1, 1)
    assert count(store, schema.TESTS) == count(store, schema.QUARANTINE) == 1


def test_who_reads_an_archive_holds_up_no_consumer(database, open_store, monkeypatch):
    monkeypatch.setattr("gaugelink.archive.store._BUSY_S", 0.05)
    store = open_store(database)
    store.write(sort(crank()))
    with (
        Store(database_url(database, Path("/")), read_only=True) as reader,
        reader.engine.connect() as reading,
    ):
        assert reading.scalar(select(func.count()).select_from(schema.EVENTS)) == 1
        store.write(sort(crank()))
    assert count(store, schema.EVENTS) == 2


def test_an_archive_is_read_by_who_may_not_write_it():
    with tempfile.TemporaryDirectory() as name:
        url = database_url("sqlite:///archive.db", Path(name))
        with Store(url) as store:
            store.prepare()
            store.write(sort(crank()))
        with nobody_writes_in(Path(name)), Store(url, read_only=True) as reader:
            reader.check()
            assert count(reader, schema.EVENTS) == 1
            with pytest.raises(ArchiveError, match="readonly"):
                reader.write(sort(crank()))


def test_an_archive_in_a_folder_that_this_user_may_not_enter_is_told_as_that():
    with tempfile.TemporaryDirectory() as name:
        url = database_url("sqlite:///archive.db", Path(name))
        with Store(url) as store:
            store.prepare()
        with (
            nobody_enters(Path(name)),
            Store(url, read_only=True) as reader,
            pytest.raises(ArchiveError, match=r"^The archive /.*archive\.db cannot be read: this user may not\.$"),
        ):
            reader.check()


def test_an_archive_that_is_not_there_is_told_with_what_makes_it(tmp_path):
    for place in (tmp_path / "none.db", tmp_path / "none" / "archive.db"):
        with (
            Store(database_url(f"sqlite:///{place}", Path("/")), read_only=True) as reader,
            pytest.raises(ArchiveError, match=r"There is no archive at .*: `gaugelink archive` makes it"),
        ):
            reader.check()
