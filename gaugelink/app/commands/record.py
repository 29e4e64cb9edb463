"""Commands on the record: ``history``, ``report``, ``export``, ``import`` and ``job``."""

import asyncio
import json
from collections.abc import Awaitable, Callable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated, TypeVar

import typer
from rich.table import Table
from rich.text import Text

from gaugelink import __version__
from gaugelink.app.commands.asked import SHOP, Config, shop_of
from gaugelink.app.leak_records import PastDecay, before_and_after, leak_lines, past_decays
from gaugelink.app.left_out import LeftOut
from gaugelink.app.records import Records, now
from gaugelink.app.shopfile import Shop
from gaugelink.app.terminal import Terminal
from gaugelink.counting import counted
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal, StoredJob
from gaugelink.localtime import day_of
from gaugelink.reasons import is_there, why_unwritten
from gaugelink.report.data import GIVEN_UP, ListedTest
from gaugelink.report.export import ExportRow
from gaugelink.simulated import NOTICE
from gaugelink.verdict.fleet import FleetStep, Ranked
from gaugelink.verdict.history import MachineHistory
from gaugelink.verdict.past import Axis, PastTest

T = TypeVar("T")
Lines = tuple[str, ...]
Told = tuple[MachineHistory, list[PastTest], list[ListedTest], list[PastDecay], list[StoredJob], Lines, LeftOut]
"""What `history` shows of a machine, at the end where the clock went back and what could not be read."""
Archive = Annotated[
    str | None,
    typer.Option("--archive", help="Read this archive instead: sqlite:///FILE, postgresql://USER@HOST/NAME."),
]
AsJson = Annotated[bool, typer.Option("--json", help="The result as JSON.")]
Simulated = Annotated[bool, typer.Option("--simulated", help="What was simulated for this shop, and nothing else.")]
IntoSimulated = Annotated[
    bool, typer.Option("--simulated", help="Into the record of what was simulated for this shop, not into its own.")
]


class Per(StrEnum):
    """What wear is counted by."""

    SEASON = "season"
    ODOMETER = "odometer"


_AXES = {Per.SEASON: Axis.DATE, Per.ODOMETER: Axis.COUNTER}


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("history")(history_command)
    app.command("report")(report_command)
    app.command("export")(export_command)
    app.command("import")(import_command)
    app.command("job")(job_command)
    app.command("calibrate")(calibrate_command)


def _read(shop: Shop, what: Callable[[Records, Journal], Awaitable[T]], archive: str | None = None) -> T:
    if archive is not None:
        from gaugelink.app.archived import read_archive

        return read_archive(shop, archive, what)
    if not is_there(shop.journal, "journal"):
        run = "gaugelink run --simulate" if shop.simulated else "gaugelink run"
        why = f"There is no journal at {shop.journal} yet: it begins with the first `{run}`."
        if not shop.simulated and is_there(shop.as_simulated().journal, "journal"):
            why += " What was simulated for this shop is read with `--simulated`."
        raise SettingsError(why)

    async def reading() -> T:
        async with Journal.open(shop.journal, read_only=True) as journal:
            return await what(Records(shop, journal), journal)

    return asyncio.run(reading())


def history_command(
    machine: Annotated[str | None, typer.Argument(help="Id of a machine of the fleet.")] = None,
    fleet: Annotated[bool, typer.Option("--fleet", help="Which machine needs attention first.")] = False,
    per: Annotated[Per, typer.Option(help="What wear is counted by: years, or the machine's own count.")] = Per.SEASON,
    config: Config = SHOP,
    as_json: AsJson = False,
    archive: Archive = None,
    simulated: Simulated = False,
) -> None:
    """Show how a machine went over its tests and jobs, or rank the fleet."""
    from gaugelink.app.jobs import job_text
    from gaugelink.report.terminal import fleet_table, history_table, tests_table
    from gaugelink.report.words import history_sentences

    shop = shop_of(config, simulated)
    console = Terminal()
    if simulated and not as_json:
        console.print(Text(NOTICE, style="bold"))
    if fleet or machine is None:

        async def of_fleet(records: Records, _: Journal) -> tuple[Sequence[Ranked], Sequence[FleetStep], Lines]:
            return await records.ranked(now()), await records.steps(), records.left_out.lines

        ranked, steps, unread = _read(shop, of_fleet, archive)
        if as_json:
            for line in unread:
                typer.echo(line, err=True)
            typer.echo(
                json.dumps(
                    [
                        {"machine": one.machine, "name": one.name, "score": one.score, "reasons": list(one.reasons)}
                        for one in ranked
                    ]
                )
            )
            return
        console.print(fleet_table(ranked, steps))
        _tell_of_record(console, unread)
        return
    record = shop.fleet.find(machine)

    async def of_machine(records: Records, journal: Journal) -> Told:
        history, tests, _ = await records.history(machine, _AXES[per])
        listed = await records.listed(machine)
        decays = await past_decays(journal, machine, records.left_out)
        jobs, clock = await journal.jobs(machine), await records.clock_lines(machine)
        return history, tests, listed, decays, jobs, clock, records.left_out

    history, tests, listed, decays, jobs, clock, left_out = _read(shop, of_machine, archive)
    unit = shop.settings.bench.display_unit
    if as_json:
        typer.echo(
            json.dumps(
                {
                    "machine": machine,
                    "simulated": simulated,
                    "tests": len(tests),
                    "list": [
                        {
                            "test_id": test.test_id,
                            "at": test.at.isoformat(),
                            "kind": "wet" if test.wet else "dry",
                            "given_up": test.given_up,
                            "word": test.word,
                            "readings_kpa": test.readings_kpa,
                            "notes": test.noted,
                            "odometer": test.odometer,
                        }
                        for test in listed
                    ],
                    "jobs": [
                        {"at": job.at.isoformat(), "job": job.job, "cylinders": job.cylinders, "odometer": job.odometer}
                        for job in jobs
                    ],
                    "per": history.unit,
                    "trends": [
                        {
                            "cylinder": trend.cylinder,
                            "sea_level_kpa": trend.level_kpa.value,
                            "tests": trend.tests,
                            "percent": trend.percent.value if trend.tests > 1 else None,
                            "percent_u": trend.percent.expanded_u if trend.tests > 1 else None,
                            "wearing": trend.is_wearing,
                        }
                        for trend in history.trends
                    ],
                    "says": list(history_sentences(history, len(tests))),
                    "leak_tests": [past.decay.model_dump(mode="json") for past in decays],
                    "before_and_after": before_and_after(decays, jobs, unit),
                    "clock": clock,
                    "left_out": left_out.lines,
                }
            )
        )
        return
    if not tests:
        that_counts = " with readings that was not given up" if listed else ""
        newest = left_out.newest_test_of(machine)
        end = f" to show: {newest}" if newest else " yet"
        console.print(Text(f"There is no dry test of {record.name}{that_counts}{end}."))
    else:
        console.print(Text(f"{record.name}: {counted(len(tests), 'dry test')}", style="bold"))
        console.print(history_table(history, unit))
        for line in history_sentences(history, len(tests)):
            console.print(Text(line))
        if per is Per.ODOMETER and (uncounted := sum(test.counter is None for test in tests)):
            console.print(Text(f"{counted(uncounted, 'test')} without the machine's count: left out here."))
    if listed:
        names = shop.fleet.engine_of(machine).cylinder_names
        console.print(tests_table(listed, names, unit, record.counter))
    for test in listed:
        for line in test.noted:
            console.print(Text(f"note {test.on}, test {test.short_id}: {line}"))
    for name, line in leak_lines(decays, unit):
        console.print(Text(f"{name}: {line}"))
    for job in jobs:
        console.print(Text(f"job: {job_text(job)}"))
    for line in before_and_after(decays, jobs, unit):
        console.print(Text(line))
    _tell_of_record(console, (*clock, *left_out.lines))


def _tell_of_record(console: Terminal, lines: Lines) -> None:
    """What else is to be known of the record: where its clock went back, what cannot be read."""
    for line in lines:
        console.print(Text(line, style="bold"))


def report_command(
    test: Annotated[
        str | None,
        typer.Option(help="Id of a test or its beginning, see `history MACHINE`; the last with readings if left out."),
    ] = None,
    machine: Annotated[str | None, typer.Option(help="The last test of this machine that has readings.")] = None,
    out: Annotated[Path | None, typer.Option(help="Write it here; its ending (html, pdf, png) says as what.")] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Judge its events anew from their samples, beside what was said then.")
    ] = False,
    config: Config = SHOP,
    archive: Archive = None,
    simulated: Simulated = False,
) -> None:
    """Put a test on one page, or show it in the terminal."""
    shop = shop_of(config, simulated)
    if again:
        _show_again(shop, test, machine)
        return
    data = _read(shop, lambda records, _: records.report(test, machine), archive)
    if out is None:
        from gaugelink.report.terminal import verdict_table

        Terminal().print(verdict_table(data))
        return
    from gaugelink.app.pages import write_report

    write_report(data, out)
    typer.echo(f"Written to {out}.")


def _show_again(shop: Shop, test: str | None, machine: str | None) -> None:
    from gaugelink.verdict.record import side_by_side

    judged = _read(shop, lambda records, _: records.judge_again(test, machine))
    then = judged.test.verdict
    assert then is not None
    unit = shop.settings.bench.display_unit
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("cylinder", f"then, {unit.value}", "±", f"now, {unit.value}", "±", ""):
        table.add_column(name, justify="left" if name in ("cylinder", "") else "right")

    def written(kpa: float | None, u_kpa: float | None) -> tuple[str, str]:
        return ("", "") if kpa is None else unit.with_doubt(kpa, u_kpa or 0.0)

    for row in side_by_side(then, judged.verdict):
        table.add_row(
            row.cylinder,
            *written(row.then_kpa, row.then_u_kpa),
            *written(row.now_kpa, row.now_u_kpa),
            "moved" if row.moved else "",
        )
    console = Terminal()
    if judged.test.given_up:
        console.print(Text(GIVEN_UP, style="bold"))
    versions = ", ".join(dict.fromkeys(event.judged_by for event in judged.stored))
    console.print(Text(f"Judged then by {versions}, now by {__version__}: {counted(len(judged.stored), 'event')}"))
    console.print(table)
    console.print(Text(f"then: {then.word.value}   now: {judged.verdict.word.value}"))


def export_command(
    out: Annotated[
        Path | None, typer.Argument(help="Write it here; its ending (csv, parquet) says as what.", show_default=False)
    ] = None,
    machine: Annotated[str | None, typer.Option(help="Only tests of this machine.")] = None,
    config: Config = SHOP,
    archive: Archive = None,
    simulated: Simulated = False,
    columns: Annotated[bool, typer.Option("--columns", help="Say what each column means, and end.")] = False,
) -> None:
    """Export readings, one tidy row each, as CSV or Parquet."""
    from gaugelink.report.export import columns_text, export_csv, export_parquet, export_rows

    if columns:
        typer.echo(columns_text(), nl=False)
        return
    if out is None:
        raise SettingsError("Say where to write it, for example `gaugelink export readings.csv`.")
    if out.suffix not in (".csv", ".parquet"):
        raise SettingsError(f"{out}: the ending says what is written; allowed: csv, parquet.")
    shop = shop_of(config, simulated)

    async def rows(records: Records, _: Journal) -> tuple[list[ExportRow], Lines]:
        read = [row async for data in records.reports(machine) for row in export_rows(data)]
        return read, records.left_out.lines

    exported, left_out = _read(shop, rows, archive)
    try:
        if out.suffix == ".csv":
            export_csv(exported, out)
        else:
            export_parquet(exported, out)
    except OSError as error:
        raise SettingsError(f"{out}: cannot be written: {why_unwritten(error)}.") from error
    typer.echo(f"{counted(len(exported), 'simulated reading' if simulated else 'reading')} written to {out}.")
    _tell_of_record(Terminal(), left_out)


def import_command(
    file: Annotated[Path, typer.Argument(help="CSV of hand-written readings; see the README for its columns.")],
    config: Config = SHOP,
    unit: Annotated[str | None, typer.Option(help="Unit of pressures where a line does not say.")] = None,
    simulated: IntoSimulated = False,
) -> None:
    """Take a shop's old notebook into the journal. One with a mistake in it is not taken at all."""
    from gaugelink.app.commands.imported import tell_imported
    from gaugelink.app.notebooks import import_notebook

    shop = shop_of(config, simulated)
    taken = asyncio.run(import_notebook(shop, file, unit))
    tell_imported(taken, shop.journal)
    if taken.untaken:
        raise typer.Exit(1)


def job_command(
    machine: Annotated[str, typer.Argument(help="Id of a machine of the fleet.")],
    job: Annotated[str, typer.Argument(help="What was done: rings, pistons, cylinder replated, or your own words.")],
    cylinder: Annotated[list[str] | None, typer.Option(help="Only on these cylinders.")] = None,
    odometer: Annotated[float | None, typer.Option(min=0, help="The machine's own count.")] = None,
    on: Annotated[
        str | None,
        typer.Option(
            metavar="DATE", help="When, as 2026-03-09 or '2026-03-09 14:30'; now if left out.", show_default=False
        ),
    ] = None,
    note: Annotated[str, typer.Option(help="More about it.")] = "",
    by: Annotated[str, typer.Option(help="Who did it, or strikes it.")] = "",
    strike: Annotated[
        bool,
        typer.Option(
            "--strike", help="Take back a job that was written down: it stays in the record and counts nowhere."
        ),
    ] = False,
    config: Config = SHOP,
    simulated: IntoSimulated = False,
) -> None:
    """Write down work done on a machine: trends are cut at it, and before and after are told from it."""
    from gaugelink.app.jobs import When, Work, job_text, record_job, strike_job, when

    shop = shop_of(config, simulated)
    work = Work(machine, job, tuple(cylinder or ()), odometer, note, by)
    done = None if on is None else when(on, now())
    if strike:
        struck, left = asyncio.run(strike_job(shop, work, None if done is None else day_of(done.at)))
        more = (f" Jobs that say the same and still count: {left}." if left else "") + _alone(shop)
        typer.echo(f"Struck: {job_text(struck, machine)}. It stays in the record and counts nowhere.{more}")
        return
    written, doubt = asyncio.run(record_job(shop, work, When(now()) if done is None else done))
    typer.echo(f"Written down: {job_text(written, machine)}.{_alone(shop)}{doubt}")


def _alone(shop: Shop) -> str:
    """That the shop's own record has nothing of it, where it was written down for what was simulated."""
    return " It is in the record of what was simulated alone." if shop.simulated else ""


def calibrate_command(
    file: Annotated[Path, typer.Argument(help="A gauge's calibration, as config/calibration.example.toml shows.")],
    config: Config = SHOP,
    simulated: IntoSimulated = False,
) -> None:
    """Take a gauge's calibration into the record: its readings are corrected by it, and flagged when it is overdue."""
    from gaugelink.app.notebooks import record_calibration

    shop = shop_of(config, simulated)
    record = asyncio.run(record_calibration(shop, file))
    due = f", due on {record.due_on}" if record.due_on is not None else ""
    typer.echo(f"Calibration of {record.gauge}, done on {record.done_on}{due}, is in the record.{_alone(shop)}")
    typer.echo("A service that runs takes it up when it is started again.")
