"""A differential leak-down that ends beside an open test is in what the bench says of the test, after a restart too."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.leak_records import leak_value
from gaugelink.app.step import Step
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import Decay
from gaugelink.broker.messages import TestState as TestMessage
from gaugelink.journal import Journal
from gaugelink.journal.entries import DecayEntry, Entry, JobEntry, TestEntry
from gaugelink.leak.decay import DecayVerdict
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict
from gaugelink.verdict.leakdown import LeakDownValue
from tests.app.shops import SHOP, shop_in
from tests.app.test_handing_over import Quiet
from tests.app.test_leak_records import differential
from tests.app.test_session import AT, Bench, of


def told_of_leak(verdict: TestVerdict | None) -> list[tuple[tuple[str, ...], Severity]]:
    assert verdict is not None
    return [(one.cylinders, one.severity) for one in verdict.findings if one.rule is RuleName.LEAK_DOWN]


@asynccontextmanager
async def running(folder: Path, *before: Entry, unreadable: bool = False) -> AsyncIterator[Daemon]:
    """A service that goes on with a test whose MAG is low."""
    bench = Bench(folder)
    bench.begin()
    entries = bench.whole_test(930.0, 940.0, 700.0).entries
    shop = shop_in(folder, f"{SHOP}\n[broker]\nembedded = true\nport = 0\n")
    async with Journal.open(shop.journal) as journal:
        await journal.record([*(entry for entry in entries if isinstance(entry, TestEntry)), *before])
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


async def end(daemon: Daemon, entry: DecayEntry) -> list[tuple[tuple[str, ...], Severity]]:
    """Let a leak-down end at the bench; gives what its verdict says of leak-downs then."""
    step = Step(decay=Decay.model_validate_json(entry.result_json), entries=[entry])
    await daemon._take(lambda *_: step)
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


async def test_a_leak_down_that_cannot_be_read_stops_no_bench(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    async with running(tmp_path, unreadable=True) as daemon:
        assert told_of_leak(daemon.session.verdict) == []
    assert "are left out of the verdict" in caplog.text


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
