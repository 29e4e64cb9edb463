"""Leak-downs read back beside the compression tests of the same machine, before and after a job."""

import asyncio
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.leak_records import PastDecay, before_and_after, leak_lines, past_decays
from gaugelink.app.records import Records
from gaugelink.broker.leak_messages import Decay, DecayKind
from gaugelink.engine.units import PressureUnit
from gaugelink.journal import DecayEntry, JobEntry, Journal
from gaugelink.journal.entries import Entry
from gaugelink.journal.rows import StoredJob
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict
from tests.app.shops import shop_in, write_shop
from tests.app.test_session import AT, Bench
from tests.zones import living_in

DAY = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)
PSI = 6.894757


@pytest.fixture(autouse=True)
def _in_utc() -> Iterator[None]:
    with living_in("UTC"):
        yield


def decay(days: float, psi_per_min: float, verdict: str, machine: str = "north-7", **how: object) -> DecayEntry:
    at = DAY + timedelta(days=days)
    message = Decay.model_validate(
        {
            "at": at,
            "bench": "bay-3",
            "decay_id": f"decay-{days}-{machine}",
            "gauge": "amber",
            "machine": machine,
            "part": "crankcase",
            "verdict": verdict,
            "kind": DecayKind.DECAY,
            "duration_s": 60.0,
            "start_kpa": 41.0,
            "end_kpa": 30.0,
            "rate_kpa_per_s": psi_per_min * PSI / 60.0,
            "rate_u_kpa_per_s": 0.05 * psi_per_min * PSI / 60.0,
            "numbers": {"hole_mm": 0.21, "hole_low_mm": 0.2, "hole_high_mm": 0.22},
        }
        | how
    )
    return DecayEntry(message.decay_id, "bay-3", "amber", at, message.model_dump_json(), message.cylinder or "")


ENTRIES: list[Entry] = [
    decay(0, 2.0, "fail"),
    decay(1, 9.0, "fail", machine="south-2"),
    JobEntry("job-1", "north-7", DAY + timedelta(days=2), "crank seals"),
    decay(3, 0.04, "pass"),
    decay(4, 0.0, "pass", kind=DecayKind.DIFFERENTIAL, cylinder="MAG", part="", leak_percent=8.0, leak_u_percent=1.0),
]


async def written(folder: Path, entries: list[Entry]) -> Path:
    path = shop_in(folder).journal
    async with Journal.open(path) as journal:
        for entry in entries:
            await journal.record([entry])
    return path


async def test_the_leak_tests_of_a_machine_are_found_and_told(tmp_path: Path) -> None:
    path = await written(tmp_path, ENTRIES)
    async with Journal.open(path, read_only=True) as journal:
        found = await past_decays(journal, "north-7")
    assert [line for _, line in leak_lines(found, PressureUnit.PSI)] == [
        "crankcase: fail, loses 2.00 ± 0.10 psi a minute, like a hole of 0.21 mm (0.20 to 0.22)",
        "crankcase: pass, loses 0.0400 ± 0.0020 psi a minute, like a hole of 0.21 mm (0.20 to 0.22)",
        "cylinder MAG: pass, loses 8 ± 1 %, like a hole of 0.21 mm (0.20 to 0.22)",
    ]


async def test_why_a_leak_test_is_doubted_is_told_in_words(tmp_path: Path) -> None:
    path = await written(tmp_path, [decay(0, 2.0, "open", flags=("coarse", "pressure_off"))])
    async with Journal.open(path, read_only=True) as journal:
        ((_, line),) = leak_lines(await past_decays(journal, "north-7"), PressureUnit.PSI)
    assert line.endswith("; doubts: gauge too coarse for so small a loss, not at the test pressure")


async def test_before_and_after_a_job_are_set_side_by_side(tmp_path: Path) -> None:
    path = await written(tmp_path, ENTRIES)
    async with Journal.open(path, read_only=True) as journal:
        found, jobs = await past_decays(journal, "north-7"), await journal.jobs("north-7")
    assert before_and_after(found, jobs, PressureUnit.PSI) == [
        "crank seals, 2026-02-05: the crankcase loses 2.00 ± 0.10 psi a minute before (fail), "
        "loses 0.0400 ± 0.0020 psi a minute after (pass)."
    ]


async def test_a_report_of_a_compression_test_names_the_leak_tests_of_its_machine(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    step = bench.whole_test(930.0, 940.0, 925.0)
    shop = shop_in(tmp_path)
    async with Journal.open(shop.journal) as journal:
        await journal.record(step.entries)
        await journal.record(ENTRIES)
        report = await Records(shop, journal).report(None, "north-7")
    named = [value for name, value in report.conditions if name.startswith("leak test")]
    assert len(named) == 3
    assert named[0].startswith("crankcase: fail, loses 2")
    assert next(value for name, value in report.conditions if name == "before and after").startswith("crank seals")


def differential(hours: float, cylinder: str, percent: float, verdict: str, machine: str = "north-7") -> DecayEntry:
    """A differential leak-down so long after the test of `Bench` began."""
    days = (AT + timedelta(hours=hours) - DAY) / timedelta(days=1)
    how = {"cylinder": cylinder, "part": "", "leak_percent": percent, "leak_u_percent": 3.0}
    own = {"kind": DecayKind.DIFFERENTIAL, "decay_id": f"differential-{hours}-{cylinder}-{machine}"}
    return decay(days, 0.0, verdict, machine, **how, **own)


def bench_in(folder: Path) -> Bench:
    folder.mkdir()
    return Bench(folder)


async def reported(folder: Path, later: list[Entry]) -> TestVerdict:
    """The verdict in the report of a test whose MAG is low, with what came to the journal besides."""
    bench = bench_in(folder)
    bench.begin()
    step = bench.whole_test(930.0, 940.0, 700.0)
    shop = shop_in(folder)
    async with Journal.open(shop.journal) as journal:
        await journal.record([*step.entries, *later])
        return (await Records(shop, journal).report(None, "north-7")).verdict


async def test_a_leak_down_after_the_pulls_is_part_of_the_reports_verdict(tmp_path: Path) -> None:
    alone = await reported(tmp_path / "alone", [])
    assert not [finding for finding in alone.findings if finding.rule is RuleName.LEAK_DOWN]
    leaking = await reported(tmp_path / "leaking", [differential(1.0, "mag", 42.0, "fail")])
    (found,) = (finding for finding in leaking.findings if finding.rule is RuleName.LEAK_DOWN)
    assert found.cylinders == ("MAG",)
    assert found.severity is Severity.INVESTIGATE
    assert "Leak-down of MAG 42 %, give or take 3: over its own limit" in found.text
    sound = await reported(tmp_path / "sound", [differential(1.0, "MAG", 6.0, "pass")])
    assert sound.word is alone.word
    assert [f.severity for f in sound.findings if f.rule is RuleName.LEAK_DOWN] == [Severity.NOTE]


async def test_the_last_leak_down_of_a_cylinder_counts_and_only_until_the_machine_is_another(tmp_path: Path) -> None:
    again = [differential(1.0, "MAG", 42.0, "fail"), differential(2.0, "MAG", 7.0, "pass")]
    (found,) = (f for f in (await reported(tmp_path / "again", again)).findings if f.rule is RuleName.LEAK_DOWN)
    assert found.numbers["loss_percent"] == 7.0
    others = [
        differential(-5.0, "MAG", 42.0, "fail"),
        differential(1.0, "MAG", 42.0, "fail", machine="south-2"),
        differential(1.0, "fourth", 42.0, "fail"),
        JobEntry("job-1", "north-7", AT + timedelta(hours=2), "rings"),
        differential(3.0, "MAG", 42.0, "fail"),
    ]
    assert not [f for f in (await reported(tmp_path / "others", others)).findings if f.rule is RuleName.LEAK_DOWN]


async def test_history_tells_them_on_the_command_line(tmp_path: Path) -> None:
    await written(tmp_path, ENTRIES)
    shop = write_shop(tmp_path)

    # The command runs a loop of its own, so it runs beside this one.
    def run(*more: str) -> str:
        result = CliRunner().invoke(app, ["history", "north-7", "--config", str(shop), *more])
        assert result.exit_code == 0, result.output
        return result.stdout

    text = " ".join((await asyncio.to_thread(run)).split())
    assert "leak test 2026-02-03: crankcase: fail, loses 2.00 ± 0.10 psi a minute" in text
    assert "crank seals, 2026-02-05" in text
    document = json.loads(await asyncio.to_thread(run, "--json"))
    assert [one["verdict"] for one in document["leak_tests"]] == ["fail", "pass", "pass"]
    assert len(document["before_and_after"]) == 1


def test_a_leak_test_and_a_job_are_told_by_the_day_that_it_was_at_the_shop() -> None:
    evening = datetime(2026, 2, 4, 3, 0, tzinfo=UTC)
    past = [
        PastDecay(evening + timedelta(days=days), Decay.model_validate_json(decay(days, 2.0, "fail").result_json))
        for days in (0, 4)
    ]
    job = StoredJob("j", "north-7", evening + timedelta(days=2), "seals", None, "", "", ())
    with living_in("America/Vancouver"):
        assert [head for head, _ in leak_lines(past, PressureUnit.PSI)] == [
            "leak test 2026-02-03",
            "leak test 2026-02-07",
        ]
        (line,) = before_and_after(past, [job], PressureUnit.PSI)
    assert line.startswith("seals, 2026-02-05: ")
