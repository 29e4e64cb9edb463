"""What an earlier dry test is good for: it is of the engine as it was, until a job or a season made another of it."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from gaugelink.app.dry_behind import DryBehind
from gaugelink.app.judging import verdict_conditions
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.orders import Orders
from gaugelink.app.records import DRY_STANDS, Records
from gaugelink.app.step import Step
from gaugelink.app.telling import reading_values
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.journal import Journal
from gaugelink.journal.entries import JobEntry
from gaugelink.verdict.findings import RuleName, TestVerdict
from tests.app.test_session import Bench, pull

UNHELD = "These are wet readings, held against no dry test: what the oil did cannot be told."
DRY, WET = (930.0, 700.0, 935.0), (940.0, 930.0, 945.0)
HOUR_S = 3600.0


def whole(bench: Bench, kind: str, peaks_kpa: tuple[float, ...]) -> list[Step]:
    return [
        bench.command(CommandAction.BEGIN, machine="north-7", kind=kind),
        bench.command(CommandAction.ACKNOWLEDGE),
        *(bench.crank(kpa, wait_s) for kpa in peaks_kpa for wait_s in (40.0, 6.0)),
        bench.command(CommandAction.FINISH),
    ]


def told_of_oil(verdict: TestVerdict) -> list[str]:
    return [finding.text for finding in verdict.findings if finding.rule is RuleName.WET_DRY]


@pytest.mark.parametrize(
    ("wait_s", "job_after_s", "held"),
    [
        (HOUR_S, None, True),
        (48 * HOUR_S, -HOUR_S, True),
        (48 * HOUR_S, 24 * HOUR_S, False),
        (DRY_STANDS.total_seconds() + HOUR_S, None, False),
    ],
    ids=["after an hour", "a job before both", "a job between", "after a season"],
)
def test_oil_is_not_told_to_do_what_a_job_or_a_season_did(
    tmp_path: Path, wait_s: float, job_after_s: float | None, held: bool
) -> None:
    bench = Bench(tmp_path)
    began = bench.at
    steps = whole(bench, "dry", DRY)
    bench.now_s += wait_s
    steps += whole(bench, "wet", WET)

    async def reported() -> TestVerdict:
        async with Journal.open(bench.session.shop.journal) as journal:
            for step in steps:
                await journal.record(step.entries, step.outgoing())
            if job_after_s is not None:
                at = began + timedelta(seconds=job_after_s)
                await journal.record([JobEntry("j", "north-7", at, "rings", cylinders=("middle",))])
            return (await Records(bench.session.shop, journal).report(None)).verdict

    texts = told_of_oil(asyncio.run(reported()))
    assert (texts == [UNHELD]) is not held
    assert any("with oil" in text for text in texts) is held


@pytest.mark.parametrize("stands", [True, False])
def test_a_dry_test_that_does_not_stand_any_more_still_tells_the_cylinders_apart(tmp_path: Path, stands: bool) -> None:
    dry, wet = Bench(tmp_path), Bench(tmp_path)
    whole(dry, "dry", DRY)
    assert dry.session.test is not None
    state = dry.session.test.state
    events = {reading.event_id: pull(reading.peak_kpa) for reading in state.readings}
    earlier = (reading_values(state, events), verdict_conditions(state))
    wet.session.hold_against(DryBehind("north-7", earlier, stands))
    whole(wet, "wet", WET)
    assert wet.session.test is not None
    assert set(wet.session.test.plan.expected) == {"PTO", "middle", "MAG"}
    assert wet.session.verdict is not None
    assert (told_of_oil(wet.session.verdict) == [UNHELD]) is not stands


async def test_the_proof_of_a_job_is_not_doubted_because_the_cylinder_reads_as_it_should(tmp_path: Path) -> None:
    """A fall of a third was mended: as much as the others is no sign that the gauge is on one of the others."""
    bench = Bench(tmp_path)
    shop, steps = bench.session.shop, whole(bench, "dry", DRY)

    async def take(what: Callable[..., Step], *details: object) -> Step:
        return what(*details, bench.now_s, bench.at)

    async with Journal.open(shop.journal) as journal:
        for step in steps:
            await journal.record(step.entries, step.outgoing())
        await journal.record([JobEntry("j", "north-7", bench.at, "rings", cylinders=("middle",))])
        orders = Orders(shop, journal, bench.session, LeakSession(shop), take)
        begin = Command(id=new_id(), action=CommandAction.BEGIN, machine="north-7")
        await orders.obey(begin)
    assert bench.session.test is not None
    assert set(bench.session.test.plan.expected) == {"PTO", "MAG"}
    bench.command(CommandAction.ACKNOWLEDGE)
    for kpa in (930.0, 933.0, 935.0):
        for wait_s in (30.0, 6.0):
            bench.crank(kpa, wait_s)
    given = [reading.cylinder for reading in bench.session.test.state.readings]
    assert given == ["PTO", "PTO", "middle", "middle", "MAG", "MAG"]
