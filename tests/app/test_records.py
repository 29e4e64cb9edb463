"""What the journal says of a test is what was measured, and only what was proven."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from math import hypot
from pathlib import Path
from typing import TypeVar

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.notebooks import import_notebook
from gaugelink.app.recorded import short_ids, state_of
from gaugelink.app.records import Records
from gaugelink.app.shoppage import JournalRecord
from gaugelink.app.step import Step
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.message import new_id
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.errors import JournalError, SettingsError
from gaugelink.journal import Journal
from gaugelink.journal.entries import CalibrationEntry, TestEntry
from gaugelink.journal.rows import StoredTest
from gaugelink.peak.events import Flag, GaugeKind, GaugeTraits
from gaugelink.peak.judge import judge
from gaugelink.report.words import condition_lines
from gaugelink.verdict.findings import VerdictWord
from gaugelink.verdict.record import side_by_side
from tests.app.shops import SHOP, shop_in
from tests.app.test_leak_records import differential
from tests.app.test_session import AT, NOTHING, Bench, pull
from tests.peak.shapes import clock, closed, feed, shown, stairs

T = TypeVar("T")


def recorded(bench: Bench, steps: Sequence[Step], read: Callable[[Records], Awaitable[T]]) -> T:
    """Write down what came of a bench, and read it back."""

    async def run() -> T:
        async with Journal.open(bench.session.shop.journal) as journal:
            for step in steps:
                await journal.record(step.entries, step.outgoing())
            return await read(Records(bench.session.shop, journal))

    return asyncio.run(run())


@pytest.mark.parametrize("with_own", [True, False])
def test_what_a_pull_alone_is_uncertain_by_outlives_the_journal(tmp_path: Path, with_own: bool) -> None:
    """The gauge shares 20 kPa, the pull alone has 1.7 kPa, and the expanded uncertainty was made with 1.96."""
    bench = Bench(tmp_path)
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    for number in range(2):
        bench.now_s += 6.0
        event = replace(pull(930.0 + number, common_kpa=20.0, own_kpa=1.7), peak_u_kpa=1.96 * hypot(1.7, 20.0))
        steps.append(bench.session.judged(new_id(), "amber", event, NOTHING, bench.now_s, bench.now_s, bench.at))
    steps.append(bench.command(CommandAction.FINISH))
    if not with_own:
        steps = [replace(step, entries=tuple(_without_own(entry) for entry in step.entries)) for step in steps]
    test = recorded(bench, steps, lambda records: records.test(None))
    assert [reading.repeat.u_own_kpa for reading in test.state.readings] == pytest.approx([1.7, 1.7])
    (value,) = test.values
    assert value.u_random_kpa == pytest.approx(1.7 / 2**0.5)
    assert value.u_common_kpa == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("conditions", "asks", "said"),
    [
        ("throttle_open = true\nplugs_out = true", True, "asked for all plugs out, throttle wide open"),
        ("", True, "asked for all plugs out, throttle wide open"),
        ("throttle_open = false", True, "asked for all plugs out; stated: throttle not open"),
        ("throttle_open = false\nplugs_out = false", True, "stated: not all plugs out, throttle not open"),
        ("throttle_open = true\nplugs_out = true", False, "not asked"),
    ],
)
def test_a_report_says_of_plugs_and_throttle_what_was_asked_for(
    tmp_path: Path, conditions: str, asks: bool, said: str
) -> None:
    bench = Bench(tmp_path, f"{SHOP}\n[test.conditions]\n{conditions}\n")
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    steps += [bench.crank(930.0), bench.crank(931.0), bench.command(CommandAction.FINISH)]
    if not asks:
        steps = [replace(step, entries=tuple(_not_asking(entry) for entry in step.entries)) for step in steps]
    report = recorded(bench, steps, lambda records: records.report(None))
    shown = dict(condition_lines(report))
    assert shown["plugs, throttle"] == said
    assert not {"throttle", "throttle open", "plugs out"} & set(shown)


def _not_asking(entry: object) -> object:
    """A test as a version wrote it down that did not ask for anything."""
    if not isinstance(entry, TestEntry):
        return entry
    snapshot = json.loads(entry.snapshot_json)
    del snapshot["bench"]["plan"]["asks_ready"]
    return replace(entry, snapshot_json=json.dumps(snapshot))


def _without_own(entry: object) -> object:
    if not isinstance(entry, TestEntry):
        return entry
    snapshot = json.loads(entry.snapshot_json)
    for reading in snapshot["bench"]["readings"]:
        assert reading.pop("own_u_kpa") == pytest.approx(1.7)
    return replace(entry, snapshot_json=json.dumps(snapshot))


def dry_test(bench: Bench, peaks_kpa: Sequence[float], end: CommandAction, later_days: float = 30.0) -> list[Step]:
    """A dry test and how it ended, and the days that pass after it."""
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    for number, peak_kpa in enumerate(peaks_kpa):
        steps += [bench.crank(peak_kpa, 40.0 if number else 6.0), bench.crank(peak_kpa + 2.0)]
    steps.append(bench.command(end))
    bench.now_s += 86_400.0 * later_days
    return steps


def test_a_test_that_was_given_up_is_listed_and_proves_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    steps = dry_test(bench, (900.0, 905.0, 910.0), CommandAction.FINISH)
    steps += dry_test(bench, (600.0, 610.0), CommandAction.ABANDON)

    async def read(records: Records) -> None:
        assert [test.given_up for test in await records.tests()] == [False, True]
        _, past, _ = await records.history("north-7")
        assert [len(test.readings) for test in past] == [3]
        dry = await records.last_dry("north-7")
        assert dry is not None
        assert not dry.given_up
        (standing,) = await records.ranked(bench.at)
        assert standing.reasons == ("nothing in its record asks for attention",)
        report = await records.report(None)
        assert ("given up", "this test proves nothing") in report.conditions
        assert report.given_up
        assert not (await records.report((await records.tests())[0].stored.test_id)).given_up
        page = await JournalRecord(bench.session.shop).history("north-7")
        assert [(test.given_up, bool(test.sea_level_kpa)) for test in page.tests] == [(False, True), (True, False)]
        assert page.display_unit == bench.session.shop.settings.bench.display_unit

    recorded(bench, steps, read)


def test_the_last_test_is_the_last_with_readings_and_a_later_one_without_is_told(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    steps = dry_test(bench, (900.0, 905.0, 910.0), CommandAction.FINISH)

    async def read(records: Records) -> tuple[str, tuple[str, ...]]:
        report = await records.report(None, "north-7")
        return report.test_id, report.notes

    test_id, notes = recorded(bench, steps, read)
    assert notes == ()
    again, (note,) = recorded(bench, dry_test(bench, (), CommandAction.ABANDON), read)
    assert again == test_id
    assert note.startswith("A later test, of north-7, 20")
    assert note.endswith(", has no reading.")
    again, (note,) = recorded(bench, dry_test(bench, (), CommandAction.ABANDON), read)
    assert again == test_id
    assert note.startswith("2 later tests have no reading; the last is of north-7, 20")


def test_tests_are_listed_with_what_they_read_and_found_by_the_beginning_of_their_id(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    steps = dry_test(bench, (900.0, 905.0, 910.0), CommandAction.FINISH)
    steps += dry_test(bench, (600.0,), CommandAction.ABANDON)
    steps += dry_test(bench, (), CommandAction.ABANDON)

    async def read(records: Records) -> None:
        first, second, third = await records.listed("north-7")
        assert first.word is not None
        assert list(first.readings_kpa) == ["PTO", "middle", "MAG"]
        assert [one.given_up for one in (first, second, third)] == [False, True, True]
        assert (third.word, third.readings_kpa) == (None, {})
        for one in (first, second, third):
            assert (await records.test(one.short_id)).stored.test_id == one.test_id
            assert (await records.test(one.short_id.upper())).stored.test_id == one.test_id
        with pytest.raises(SettingsError, match="more than one test begins with 0"):
            await records.test("0")
        for nothing in ("", " ", "zz"):
            with pytest.raises(SettingsError, match="has no test"):
                await records.test(nothing)

    recorded(bench, steps, read)


def test_a_short_id_is_as_long_as_it_takes_to_be_the_only_one() -> None:
    ids = ["0193f2aa-7c1e-7d00", "0193f2aa-7c1f-7d00", "8a5b7f00-c0ff-ee00"]
    assert list(short_ids(ids).values()) == ["0193f2aa-7c1e", "0193f2aa-7c1f", "8a5b7f00"]
    assert short_ids(["0193f2aa-7c1e-7d00"]) == {"0193f2aa-7c1e-7d00": "0193f2aa"}
    assert short_ids([]) == {}


def test_a_machine_whose_only_test_was_given_up_was_never_tested(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    steps = dry_test(bench, (600.0, 610.0), CommandAction.ABANDON)
    assert recorded(bench, steps, lambda records: records.last_dry("north-7")) is None
    (standing,) = recorded(bench, [], lambda records: records.ranked(bench.at))
    assert standing.reasons == ("never tested",)


def _reads_high(done_on: date, indicated_kpa: float) -> CalibrationRecord:
    """A gauge that shows so much for 900 kPa."""
    points = [{"reference": 0, "indicated": 0, "u": 2}, {"reference": 900, "indicated": indicated_kpa, "u": 2}]
    return CalibrationRecord.model_validate({"gauge": "amber", "span": 2000, "done_on": done_on, "point": points})


@pytest.mark.parametrize("known", ["a record", "a day", "nothing"])
def test_what_is_judged_again_is_corrected_as_the_gauge_was_calibrated_that_day(tmp_path: Path, known: str) -> None:
    due = SHOP.replace('kind = "held"', 'kind = "held"\ncalibration_due = 2026-02-01')
    bench = Bench(tmp_path, due if known == "a day" else SHOP)
    then = _reads_high(date(2026, 1, 1), 950.0)
    later = _reads_high(date(2026, 6, 1), 850.0)
    written = [then, later] if known == "a record" else []
    if written:
        bench.session.calibrate("amber", then)
    traits = GaugeTraits(kind=GaugeKind.HELD)
    steps = [
        Step(
            entries=[CalibrationEntry(new_id(), "amber", one.done_on, None, one.model_dump_json()) for one in written]
        ),
        bench.command(CommandAction.BEGIN, machine="north-7"),
        bench.command(CommandAction.ACKNOWLEDGE),
    ]
    t = clock(12.0, 100.0)
    for number in range(2):
        bench.now_s += 6.0
        (samples,) = closed(feed(t, shown(stairs(t, 3.0, 9), seed=number), traits=traits))
        event = bench.session.corrected("amber", judge(samples, traits, bench.session.hints), bench.at.date())
        steps.append(bench.session.judged(new_id(), "amber", event, samples, bench.now_s, bench.now_s, bench.at))
    again = recorded(bench, steps, lambda records: records.judge_again(None))
    assert again.test.verdict is not None
    (row,) = side_by_side(again.test.verdict, again.verdict)
    assert row.now_kpa == pytest.approx(row.then_kpa)
    assert row.now_u_kpa == pytest.approx(row.then_u_kpa)
    assert again.verdict.readings[0].flags == again.test.verdict.readings[0].flags
    assert (Flag.CALIBRATION_OVERDUE in again.verdict.readings[0].flags) is (known == "a day")


def test_a_test_that_was_given_up_is_judged_again_with_that_said(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    traits = GaugeTraits(kind=GaugeKind.HELD)
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    t = clock(12.0, 100.0)
    (samples,) = closed(feed(t, shown(stairs(t, 3.0, 9)), traits=traits))
    bench.now_s += 6.0
    event = judge(samples, traits, bench.session.hints)
    steps.append(bench.session.judged(new_id(), "amber", event, samples, bench.now_s, bench.now_s, bench.at))
    for said in (False, True):
        if said:
            steps = [bench.command(CommandAction.ABANDON)]
        recorded(bench, steps, lambda records: records.test(None))
        words = ["report", "--again", "--config", str(tmp_path / "shop.toml")]
        shown_again = CliRunner().invoke(app, words, catch_exceptions=False).output
        assert "Judged then by" in shown_again
        assert ("Given up (ABANDONED)" in shown_again) is said


async def test_the_page_and_the_report_say_the_same_of_a_cylinder_that_wears(tmp_path: Path) -> None:
    shop = shop_in(tmp_path)
    lines = ["date,machine,PTO,middle,MAG"]
    for k, day in enumerate(f"{year}-{month}-05" for year in (2021, 2022, 2023, 2024) for month in ("10", "12")):
        lines.append(f"{day},north-7,{134 + k % 2},{139 - 3 * (k // 2)},{135 - k % 2}")
    (book := tmp_path / "book.csv").write_text("\n".join(lines), encoding="utf-8")
    await import_notebook(shop, book, "psi")
    async with Journal.open(shop.journal, read_only=True) as journal:
        data = await Records(shop, journal).report(None, "north-7")
        (*_, last) = await Records(shop, journal).tests("north-7")
    assert last.verdict is not None
    assert last.verdict.word is not data.verdict.word
    shown = (await JournalRecord(shop).history("north-7")).tests[-1]
    assert (shown.word, shown.summary) == (data.verdict.word.value, data.verdict.summary)


@pytest.mark.parametrize("snapshot", ['{"bench": {', "5", "[]", '{"revision": 1}', '{"bench": {}, "revision": 1}'])
def test_a_test_whose_state_was_damaged_is_told_with_its_id(tmp_path: Path, snapshot: str) -> None:
    stored = StoredTest("01a2-test", "bay-3", "north-7", "triple", snapshot, AT, AT, False)
    with pytest.raises(JournalError, match="01a2-test"):
        Bench(tmp_path).session.resume(stored, [], 5.0, AT)
    with pytest.raises(JournalError, match="01a2-test"):
        state_of(stored)


def test_a_leak_down_that_failed_is_in_the_list_of_tests_and_in_the_fleet_s_order_as_in_the_report(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path)
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    for peak_kpa in (930.0, 936.0, 934.0):
        steps += [bench.crank(peak_kpa, 40.0), bench.crank(peak_kpa + 2.0)]
    steps.append(bench.command(CommandAction.FINISH))

    async def words(records: Records) -> tuple[object, object, tuple[str, ...]]:
        report = await records.report(None)
        (listed,) = await records.listed("north-7")
        (ranked,) = await records.ranked(AT + timedelta(days=1))
        return report.verdict.word, listed.word, ranked.reasons

    before = recorded(bench, steps, words)
    assert before[:2] == (VerdictWord.CONSISTENT, VerdictWord.CONSISTENT)
    after = recorded(bench, [Step(entries=[differential(1.0, "MAG", 42.0, "fail")])], words)
    assert after[:2] == (VerdictWord.INVESTIGATE, VerdictWord.INVESTIGATE)
    assert "its last test says investigate" in after[2]
    (shown,) = asyncio.run(JournalRecord(bench.session.shop).history("north-7")).tests
    assert shown.word == VerdictWord.INVESTIGATE
    assert "Leak-down of MAG 42 %" in shown.summary
