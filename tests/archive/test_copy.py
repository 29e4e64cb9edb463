"""History, report and export out of the archive: the same numbers as out of the bench's own journal."""

import asyncio
import csv
import json
import re
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from gaugelink.app.archived import read_archive
from gaugelink.app.cli import app
from gaugelink.app.closed_tests import put_right
from gaugelink.app.records import Records
from gaugelink.app.session import Session
from gaugelink.app.shoppage import JournalRecord
from gaugelink.archive.copy import entries_of
from gaugelink.archive.settings import database_url
from gaugelink.archive.store import Store
from gaugelink.archive.wire import sort_message
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.dashboard.record import Form, MachineRecord
from gaugelink.errors import ArchiveError
from gaugelink.journal import EventEntry, Journal
from gaugelink.journal.entries import DecayEntry, ReadingEntry, TestEntry
from tests.app.shops import SHOP, shop_in, write_shop
from tests.app.test_session import Bench
from tests.archive.published import published


@pytest.fixture
def shop(tmp_path, database):
    """A shop whose bench did two tests, some readings struck and taken again; in its journal and in the archive."""
    bench = Bench(tmp_path)
    steps = []
    for peaks_kpa in ((930.0, 925.0, 935.0), (910.0, 900.0, 840.0)):
        steps.append(bench.command(CommandAction.BEGIN, machine="north-7"))
        steps.append(bench.command(CommandAction.ACKNOWLEDGE))
        for number, peak_kpa in enumerate(peaks_kpa):
            steps.append(bench.crank(peak_kpa - 60.0, 40.0 if number else 6.0))
            steps.append(bench.command(CommandAction.STRIKE))
            steps.append(bench.crank(peak_kpa))
            steps.append(bench.crank(peak_kpa + 2.0))
        steps.append(bench.command(CommandAction.FINISH))
        bench.now_s += 86_400.0
    shop = shop_in(tmp_path)

    async def write() -> None:
        async with Journal.open(shop.journal) as journal:
            for step in steps:
                await journal.record(step.entries, step.outgoing())

    asyncio.run(write())
    now = datetime.now(UTC)
    with Store(database_url(database, tmp_path)) as store:
        store.prepare()
        filed = [
            sort_message(f"gaugelink/bay-3/{one.topic_suffix}", one.payload_json.encode(), now)
            for step in steps
            for one in step.outgoing()
        ]
        written = store.write([one for one in filed if one is not None])
        assert not written.quarantined
    return shop


def from_journal(shop, what):
    async def reading():
        async with Journal.open(shop.journal, read_only=True) as journal:
            return await what(Records(shop, journal), journal)

    return asyncio.run(reading())


def test_every_test_is_judged_the_same_from_either(shop, database):
    ours = from_journal(shop, lambda records, _: records.tests())
    theirs = read_archive(shop, database, lambda records, _: records.tests())
    assert len(ours) == len(theirs) == 2
    for one, other in zip(ours, theirs, strict=True):
        assert one.verdict is not None
        assert one.values == other.values
        assert one.verdict == other.verdict
        assert one.conditions == other.conditions
        assert (one.stored.test_id, one.stored.closed, one.gauge) == (
            other.stored.test_id,
            other.stored.closed,
            other.gauge,
        )
        assert one.events == other.events


def test_a_simulated_bench_in_the_archive_is_read_only_when_it_is_asked_for(shop, database, tmp_path):
    bench = Bench(tmp_path)
    bench.session = Session(shop.as_simulated())
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    steps += [bench.crank(500.0), bench.command(CommandAction.FINISH)]
    now = datetime.now(UTC)
    with Store(database_url(database, tmp_path)) as store:
        told = [message for step in steps for message in step.outgoing()]
        filed = [
            sort_message(f"gaugelink/bay-3-simulated/{m.topic_suffix}", m.payload_json.encode(), now) for m in told
        ]
        assert not store.write([one for one in filed if one is not None]).quarantined
    (simulated,) = read_archive(shop.as_simulated(), database, lambda records, _: records.tests())
    assert simulated.stored.bench == "bay-3-simulated"
    real = read_archive(shop, database, lambda records, _: records.tests())
    assert [test.stored.bench for test in real] == ["bay-3", "bay-3"]


def test_history_is_the_same_from_either(shop, database):
    ours, ours_tests, _ = from_journal(shop, lambda records, _: records.history("north-7"))
    theirs, theirs_tests, _ = read_archive(shop, database, lambda records, _: records.history("north-7"))
    assert len(ours_tests) == len(theirs_tests) == 2
    for one, other in zip(ours.trends, theirs.trends, strict=True):
        assert one.cylinder == other.cylinder
        assert one.level_kpa.value == pytest.approx(other.level_kpa.value, rel=1e-6)


@pytest.mark.parametrize("stands", [False, True], ids=["another was begun since", "stands at the bench"])
def test_a_test_that_is_given_up_later_counts_no_more_in_either(shop, database, tmp_path, stands):
    def change(action):
        async def put(records, journal):
            test = (await records.tests())[stands]
            command = Command(id=new_id(), action=action, test_id=test.stored.test_id)
            verdict = await records.judged(test)
            return put_right(shop, command, test, verdict, stands, 0.0, datetime.now(UTC))

        async def write(step):
            async with Journal.open(shop.journal) as journal:
                await journal.record(step.entries, step.outgoing())

        step = from_journal(shop, put)
        asyncio.run(write(step))
        now = datetime.now(UTC)
        told = [
            sort_message(f"gaugelink/bay-3/{m.topic_suffix}", m.payload_json.encode(), now) for m in step.outgoing()
        ]
        with Store(database_url(database, tmp_path)) as store:
            assert not store.write(told).quarantined
        _, ours, _ = from_journal(shop, lambda records, _: records.history("north-7"))
        _, theirs, _ = read_archive(shop, database, lambda records, _: records.history("north-7"))
        assert [test.test_id for test in ours] == [test.test_id for test in theirs]
        return len(theirs)

    assert change(CommandAction.ABANDON) == 1
    assert change(CommandAction.TAKE_BACK) == 2
    test_every_test_is_judged_the_same_from_either(shop, database)


def test_pulls_in_the_air_of_another_day_are_judged_the_same_from_either(shop, database, tmp_path):
    shop.journal.unlink()
    text = SHOP.replace("altitude_m = 200", "barometer_abs_kpa = 100.0")
    bench = Bench(tmp_path, text)
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    steps += [bench.crank(930.0), bench.crank(930.0)]
    bench.session.test.told_air(97.0)
    steps += [bench.crank(902.1, 40.0), bench.crank(902.1), bench.command(CommandAction.FINISH)]

    async def write():
        async with Journal.open(shop.journal) as journal:
            for step in steps:
                await journal.record(step.entries, step.outgoing())

    asyncio.run(write())
    now = datetime.now(UTC)
    told = [
        sort_message(f"gaugelink/bay-3/{one.topic_suffix}", one.payload_json.encode(), now)
        for step in steps
        for one in step.outgoing()
    ]
    with Store(database_url(database, tmp_path)) as store:
        assert not store.write(told).quarantined
    here = shop_in(tmp_path, text)
    (ours,) = from_journal(here, lambda records, _: records.tests())
    theirs = read_archive(here, database, lambda records, _: records.test(ours.stored.test_id))
    assert ours.values == theirs.values
    assert [value.peak_kpa for value in ours.values] == pytest.approx([930.0, 930.0])


def test_the_commands_read_the_archive_and_need_no_journal(shop, database, tmp_path):
    config = write_shop(tmp_path)
    run = CliRunner()
    told = {}
    for source, where in (("journal", []), ("archive", ["--archive", database])):
        if source == "archive":
            shop.journal.unlink()
        out = tmp_path / f"{source}.csv"
        for words in (["export", str(out)], ["report"], ["history", "north-7", "--json"], ["history", "--fleet"]):
            result = run.invoke(app, [*words, "-c", str(config), *where])
            assert result.exit_code == 0, result.output
            told[source, words[0]] = result.stdout
        with out.open() as file:
            told[source, "export"] = list(csv.DictReader(file))
    assert len(told["archive", "export"]) == len(told["journal", "export"]) > 0
    for one, other in zip(told["journal", "export"], told["archive", "export"], strict=True):
        assert one["cylinder"] == other["cylinder"]
        assert {key: value for key, value in one.items() if "kpa" in key} == {
            key: value for key, value in other.items() if "kpa" in key
        }
    assert re.search(r"MAG", told["archive", "report"])


def test_the_pages_record_is_the_same_from_either(shop, database):
    async def ask(record: JournalRecord) -> tuple[MachineRecord, bytes]:
        history = await record.history("north-7")
        return history, await record.report(history.tests[-1].test_id, Form.HTML)

    ours, page = asyncio.run(ask(JournalRecord(shop)))
    theirs, other_page = asyncio.run(ask(JournalRecord(shop, database)))
    assert [test.readings_kpa for test in theirs.tests] == [test.readings_kpa for test in ours.tests]
    assert [test.summary for test in theirs.tests] == [test.summary for test in ours.tests]
    assert len(ours.tests) == 2
    assert b"<html" in page[:200]
    assert b"<html" in other_page[:200]


def test_what_a_bench_told_is_in_its_order_although_its_clock_was_set_back(database, open_store):
    later, earlier = "019c23f0-0000-7000-8000-0000000000{}", "019c0000-0000-7000-8000-0000000000{}"
    first, second = (pattern.format("aa") for pattern in (later, earlier))
    pulled = {"peak_kpa": 930.0, "peak_u_kpa": 9.0}
    pto, mag = (
        {"name": name, "place": place, "status": "agreed", "readings": [pulled | {"event_id": event_id}]}
        for name, place, event_id in (("PTO", 1, first), ("MAG", 2, second))
    )
    leak = {"machine": "sled-7", "cylinder": None}
    told = [
        published("cranking", id=later.format("01"), at="2026-02-03T14:00:00Z", event_id=first),
        published("reading", id=later.format("02"), event_id=first, cylinder="PTO"),
        published("decay", id=later.format("03"), decay_id="no test", test_id=None, **leak),
        published("cranking", id=earlier.format("01"), at="2026-02-03T09:00:00Z", event_id=second),
        published("reading", id=earlier.format("02"), event_id=second, cylinder="MAG"),
        published("decay", id=earlier.format("03"), decay_id="in a test", **leak),
        published("test", id=earlier.format("04"), cylinders=[pto, mag], conditions={}),
    ]
    store, came = open_store(database), datetime(2026, 2, 3, 14, 0, tzinfo=UTC)
    for number, (topic, payload) in enumerate(told):
        message = sort_message(topic, payload, came + timedelta(seconds=number))
        assert message is not None
        assert not store.write([message]).quarantined
    entries = entries_of(store, ["sled-7"])
    assert [one.event_id for one in entries if isinstance(one, EventEntry)] == [first, second]
    assert [one.cylinder for one in entries if isinstance(one, ReadingEntry)] == ["PTO", "MAG"]
    assert [one.decay_id for one in entries if isinstance(one, DecayEntry)] == ["no test", "in a test"]
    (test,) = (one for one in entries if isinstance(one, TestEntry))
    readings = json.loads(test.snapshot_json)["bench"]["readings"]
    assert [(one["event_id"], one["pull"]) for one in readings] == [(first, 1), (second, 2)]


def test_an_archive_that_is_not_there_is_told(shop, tmp_path, postgres):
    with pytest.raises(ArchiveError, match="no archive"):
        read_archive(shop, f"sqlite:///{tmp_path / 'none.db'}", lambda records, _: records.tests())
    assert not (tmp_path / "none.db").exists()
    with pytest.raises(ArchiveError, match="cannot be used"):
        read_archive(shop, postgres.database(), lambda records, _: records.tests())


def test_a_test_of_a_later_version_is_told_and_not_guessed_at(shop, database, tmp_path):
    topic, payload = published("test", "bay-3", machine="north-7", kind="frozen", cylinders=[])
    assert json.loads(payload)["kind"] == "frozen"
    with Store(database_url(database, tmp_path)) as store:
        message = sort_message(topic, payload, datetime.now(UTC))
        assert message is not None
        store.write([message])
    with pytest.raises(ArchiveError, match="cannot be read by this version"):
        read_archive(shop, database, lambda records, _: records.tests())


def test_a_leak_down_that_was_told_again_with_where_its_air_goes_is_one(database, open_store):
    first, again = "019c23f0-0000-7000-8000-000000000001", "019c23f0-0000-7000-8000-000000000002"
    ended, said = "2026-02-03T09:00:00Z", "2026-02-03T09:05:00Z"
    leak = {"decay_id": "leak", "machine": "sled-7", "test_id": None}
    store = open_store(database)
    for topic, payload in (
        published("decay", id=first, at=ended, **leak),
        published("decay", id=again, at=said, ended_at=ended, heard=["exhaust"], **leak),
    ):
        message = sort_message(topic, payload, datetime.fromisoformat(said))
        assert message is not None
        assert not store.write([message]).quarantined
    (entry,) = (one for one in entries_of(store, ["sled-7"]) if isinstance(one, DecayEntry))
    assert json.loads(entry.result_json)["heard"] == ["exhaust"]
    assert entry.at == datetime.fromisoformat(ended)
