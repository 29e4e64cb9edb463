"""A differential leak-down that ends beside an open test is in what the bench says of the test, after a restart too."""

import asyncio
from pathlib import Path

import pytest

from gaugelink.app.daemon import Daemon
from gaugelink.app.step import Step
from gaugelink.broker.leak_messages import Decay
from gaugelink.broker.messages import TestState as TestMessage
from gaugelink.journal import Journal
from gaugelink.journal.entries import DecayEntry, TestEntry
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict
from tests.app.shops import SHOP, shop_in
from tests.app.test_handing_over import Quiet
from tests.app.test_leak_records import differential
from tests.app.test_session import Bench, of


def ended(entry: DecayEntry) -> Step:
    """What the leak-down's session says when it has ended."""
    return Step(decay=Decay.model_validate_json(entry.result_json), entries=[entry])


def told_of_leak(verdict: TestVerdict | None) -> list[tuple[tuple[str, ...], Severity]]:
    assert verdict is not None
    return [(one.cylinders, one.severity) for one in verdict.findings if one.rule is RuleName.LEAK_DOWN]


def low_test(folder: Path) -> Bench:
    """A test whose MAG is low."""
    bench = Bench(folder)
    bench.begin()
    bench.whole_test(930.0, 940.0, 700.0)
    return bench


def test_the_open_test_is_judged_anew_and_told_when_a_leak_down_has_ended(tmp_path: Path) -> None:
    bench = low_test(tmp_path)
    step = ended(differential(1.0, "MAG", 42.0, "fail"))
    bench.session.beside(step, bench.at)
    assert told_of_leak(step.verdict) == [(("MAG",), Severity.INVESTIGATE)]
    (message,) = of(step, TestMessage)
    assert any("Leak-down of MAG 42 %" in finding.text for finding in message.findings)
    assert len(of(step, TestEntry)) == 1
    bench.now_s += 40.0
    assert told_of_leak(bench.crank(700.0).verdict) == [(("MAG",), Severity.INVESTIGATE)]
    again = ended(differential(2.0, "MAG", 7.0, "pass"))
    bench.session.beside(again, bench.at)
    assert told_of_leak(again.verdict) == [(("MAG",), Severity.NOTE)]


def test_what_is_of_another_machine_or_no_differential_test_leaves_the_verdict_alone(tmp_path: Path) -> None:
    bench = low_test(tmp_path)
    for entry in (differential(1.0, "MAG", 42.0, "fail", "south-2"), differential(1.0, "fourth", 42.0, "fail")):
        step = ended(entry)
        bench.session.beside(step, bench.at)
        assert step.entries == [entry]
        assert not step.messages
    quiet = Step()
    bench.session.beside(quiet, bench.at)
    assert quiet.empty


async def test_after_a_restart_the_bench_still_knows_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    entries = bench.whole_test(930.0, 940.0, 700.0).entries
    shop = shop_in(tmp_path, f"{SHOP}\n[broker]\nembedded = true\nport = 0\n")
    async with Journal.open(shop.journal) as journal:
        await journal.record([entry for entry in entries if isinstance(entry, TestEntry)])
        await journal.record([differential(1.0, "MAG", 42.0, "fail")])
    daemon = Daemon(shop, silent=True, link=lambda _: Quiet())
    async with asyncio.timeout(60.0):
        running = asyncio.create_task(daemon.run())
        await daemon.ready.wait()
        known = told_of_leak(daemon.session.verdict)
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
    assert known == [(("MAG",), Severity.INVESTIGATE)]
