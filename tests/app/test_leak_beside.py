"""A differential leak-down that ends beside an open test is in what the bench says of the test, after a restart too."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.leak_records import leak_value
from gaugelink.app.records import Records
from gaugelink.app.step import Step
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import Decay
from gaugelink.broker.messages import TestState as TestMessage
from gaugelink.journal import Journal
from gaugelink.journal.entries import DecayEntry, Entry, EventEntry, JobEntry, TestEntry
from gaugelink.leak.decay import DecayVerdict
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict
from gaugelink.verdict.leakdown import LeakDownValue
from tests.app.shops import SHOP, shop_in
from tests.app.test_handing_over import Quiet
from tests.app.test_leak_records import differential
from tests.app.test_session import AT, Bench, of

PULLS = [(930.0, 6.0), (932.0, 6.0), (940.0, 40.0), (942.0, 6.0), (700.0, 40.0), (702.0, 6.0)]


def told_of_leak(verdict: TestVerdict | None) -> list[tuple[tuple[str, ...], Severity]]:
    assert verdict is not None
    return [(one.cylinders, one.severity) for one in verdict.findings if one.rule is RuleName.LEAK_DOWN]


@asynccontextmanager
async def running(
    folder: Path, *before: Entry, unreadable: bool = False, closed_by: CommandAction | None = None
) -> AsyncIterator[Daemon]:
    """A service that goes on with a test whose MAG is low, or that an earlier service closed."""
    bench = Bench(folder)
    steps = [bench.command(CommandAction.BEGIN, machine="north-7"), bench.command(CommandAction.ACKNOWLEDGE)]
    steps += [bench.crank(peak_kpa, wait_s) for peak_kpa, wait_s in PULLS]
    if closed_by is not None:
        steps.append(bench.command(closed_by))
    entries = [entry for step in steps for entry in step.entries]
    shop = shop_in(folder, f"{SHOP}\n[broker]\nembedded = true\nport = 0\n")
    async with Journal.open(shop.journal) as journal:
        kept = [entry for entry in entries if isinstance(entry, TestEntry | EventEntry)]
        await journal.record([*kept, *before], [row for step in steps for row in step.outgoing()])
        if unreadable:
            test_id = bench.session.test_id
            await journal.record([DecayEntry("decay-1", "bay-3", "amber", AT, "{}", "MAG", test_id=test_id)])
    daemon = Daemon(shop, silent=True, link=lambda _: Quiet())
    async with asyncio.timeout(60.0):
        service = asyncio.create_task(daemon.run())
        await daemon.ready.wait()
        yield daemon
        service.cancel()
        with pytest.raises(asyncio.CancelledError):
            await service


def ended(entry: DecayEntry) -> Step:
    """What happens when a leak-down has ended."""
    return Step(decay=Decay.model_validate_json(entry.result_json), entries=[entry])


async def end(daemon: Daemon, entry: DecayEntry) -> list[tuple[tuple[str, ...], Severity]]:
    """Let a leak-down end at the bench; gives what its verdict says of leak-downs then."""
    await daemon._take(lambda *_: ended(entry))
    return told_of_leak(daemon.session.verdict)


LEAKS = [(("MAG",), Severity.INVESTIGATE)]


async def test_the_open_test_is_judged_anew_when_a_leak_down_has_ended(tmp_path: Path) -> None:
    async with running(tmp_path) as daemon:
        assert told_of_leak(daemon.session.verdict) == []
        assert await end(daemon, differential(1.0, "MAG", 42.0, "fail", "south-2")) == []
        assert await end(daemon, differential(1.0, "MAG", 42.0, "fail")) == LEAKS
        assert await end(daemon, differential(2.0, "MAG", 7.0, "pass")) == [(("MAG",), Severity.NOTE)]


async def test_after_a_restart_the_bench_still_knows_it(tmp_path: Path) -> None:
    async with running(tmp_path, differential(1.0, "MAG", 42.0, "fail")) as daemon:
        assert told_of_leak(daemon.session.verdict) == LEAKS


async def test_after_a_job_a_leak_down_is_of_another_machine_at_the_bench_as_in_the_report(tmp_path: Path) -> None:
    job = JobEntry("job-1", "north-7", AT + timedelta(hours=2), "rings")
    async with running(tmp_path, differential(1.0, "MAG", 42.0, "fail"), job) as daemon:
        assert await end(daemon, differential(3.0, "MAG", 7.0, "pass")) == LEAKS


async def test_a_test_that_was_given_up_is_no_end_of_the_one_before_it(tmp_path: Path) -> None:
    """Somebody began another test on the wrong machine, and gave it up."""
    wrong = Bench(tmp_path)
    wrong.now_s = 3600.0
    wrong.begin()
    step = wrong.command(CommandAction.ABANDON)
    (given_up,) = of(step, TestEntry)
    async with running(tmp_path, given_up) as daemon:
        assert await end(daemon, differential(2.0, "MAG", 42.0, "fail")) == LEAKS


async def test_a_test_without_a_reading_is_no_end_of_the_one_before_it(tmp_path: Path) -> None:
    """The service begins one of its own when it is started, and the leak-down is done beside that one."""
    empty = Bench(tmp_path)
    empty.now_s = 3600.0
    (begun,) = of(empty.command(CommandAction.BEGIN, machine="north-7"), TestEntry)
    leak = differential(2.0, "MAG", 42.0, "fail")
    async with running(tmp_path, replace(begun, closed=True), leak) as daemon:
        assert told_of_leak(daemon.session.verdict) == LEAKS
        assert daemon._journal is not None
        shop = shop_in(tmp_path)
        records = Records(shop, daemon._journal)
        assert told_of_leak(await records.judged(await records.test(None, "north-7"))) == LEAKS


async def test_a_leak_down_that_cannot_be_read_stops_no_bench(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async with running(tmp_path, unreadable=True) as daemon:
        assert told_of_leak(daemon.session.verdict) == []
        # The others count, and the log has it once.
        assert await end(daemon, differential(1.0, "MAG", 42.0, "fail")) == LEAKS
        assert await end(daemon, differential(2.0, "MAG", 7.0, "pass")) == [(("MAG",), Severity.NOTE)]
    assert "The leak test decay-1 of cylinder MAG of north-7, 2026-03-01" in caplog.text
    assert caplog.text.count("left out") == 1


def test_the_verdict_is_told_once_for_what_is_news(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    bench.whole_test(930.0, 940.0, 700.0)
    leaks = [LeakDownValue("MAG", 42.0, 3.0, verdict=DecayVerdict.FAIL)]
    step = bench.session.beside(leaks, bench.at)
    (message,) = of(step, TestMessage)
    assert any("Leak-down of MAG 42 %" in finding.text for finding in message.findings)
    assert bench.session.beside(leaks, bench.at).empty


@pytest.mark.parametrize("flag", ["piston_moved", "not_steady"])
def test_a_leak_down_off_top_dead_centre_or_not_at_rest_says_nothing_of_the_cylinder(tmp_path: Path, flag: str) -> None:
    engine = shop_in(tmp_path).fleet.engine_of("north-7")
    whole = Decay.model_validate_json(differential(1.0, "MAG", 42.0, "fail").result_json)
    assert leak_value(whole, engine) is not None
    assert leak_value(whole.model_copy(update={"flags": (flag,)}), engine) is None
    assert leak_value(whole.model_copy(update={"flags": ("cold", "supply_stated")}), engine) is not None


async def stands(daemon: Daemon) -> tuple[dict[str, Any], list[str]]:
    """The test as whoever joins now is told of it, and what it says of leak-downs."""
    assert daemon._journal is not None
    row = await daemon._journal.retained("test")
    assert row is not None
    told = json.loads(row.payload_json)
    return told, [one["text"] for one in told["findings"] if one["rule"] == RuleName.LEAK_DOWN.value]


async def test_a_test_that_was_finished_before_a_restart_counts_the_leak_down_after_it(tmp_path: Path) -> None:
    async with running(tmp_path, closed_by=CommandAction.FINISH) as daemon:
        before, said = await stands(daemon)
        assert (before["phase"], said) == ("finished", [])
        await daemon._take(lambda *_: ended(differential(1.0, "MAG", 42.0, "fail", "south-2")))
        assert await stands(daemon) == (before, [])
        await daemon._take(lambda *_: ended(differential(1.0, "MAG", 42.0, "fail")))
        told, said = await stands(daemon)
        assert "Leak-down of MAG 42 %" in said[0]
        news = {"id", "at", "revision", "findings", "summary", "verdict", "cylinders"}
        assert {name: told[name] for name in told.keys() - news} == {name: before[name] for name in told.keys() - news}
        assert told["revision"] == before["revision"] + 1
        assert daemon._journal is not None
        report = await Records(daemon.shop, daemon._journal).report(None)
        assert said == [one.text for one in report.verdict.findings if one.rule is RuleName.LEAK_DOWN]
        # What is no news is not told again, and the test stays closed.
        assert daemon._orders is not None
        assert (await daemon._orders.judge_beside()).empty
        assert await daemon._journal.current_test("bay-3") is None


async def test_a_leak_down_that_ended_as_the_service_was_killed_is_counted_by_the_next(tmp_path: Path) -> None:
    leak = differential(1.0, "MAG", 42.0, "fail")
    async with running(tmp_path, leak, closed_by=CommandAction.FINISH) as daemon:
        assert "Leak-down of MAG 42 %" in (await stands(daemon))[1][0]


async def test_a_test_that_was_given_up_before_a_restart_is_told_of_no_leak_down(tmp_path: Path) -> None:
    leak = differential(1.0, "MAG", 42.0, "fail")
    async with running(tmp_path, leak, closed_by=CommandAction.ABANDON) as daemon:
        told, said = await stands(daemon)
        assert (told["phase"], said) == ("abandoned", [])


async def test_a_finished_test_whose_leak_downs_cannot_be_read_stops_no_bench(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with running(tmp_path, unreadable=True, closed_by=CommandAction.FINISH) as daemon:
        assert (await stands(daemon))[1] == []
        await daemon._take(lambda *_: ended(differential(1.0, "MAG", 42.0, "fail")))
        assert "Leak-down of MAG 42 %" in (await stands(daemon))[1][0]
    assert "The leak test decay-1 of cylinder MAG of north-7, 2026-03-01" in caplog.text
    assert caplog.text.count("left out") == 1
