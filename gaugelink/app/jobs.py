"""Takes work done on a machine into the journal, and strikes what was written down by mistake or twice.

A struck job stays in the record and counts nowhere, as a struck reading does.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime

from gaugelink.app.counts import counts_of, doubts
from gaugelink.app.daemon import make_folder
from gaugelink.app.leak_records import is_of_the_machine, past_decays
from gaugelink.app.left_out import LeftOut
from gaugelink.app.notebooks import last_day
from gaugelink.app.records import now
from gaugelink.app.shopfile import Shop
from gaugelink.broker.message import new_id
from gaugelink.errors import SettingsError
from gaugelink.journal import JobEntry, Journal, StoredJob, StruckJobEntry
from gaugelink.localtime import day_of, is_noon, local, minute_text, noon_of
from gaugelink.reasons import is_there
from gaugelink.report.notebook import FIRST_DAY
from gaugelink.simulated import is_simulated


@dataclass(frozen=True, slots=True)
class Work:
    """A job as it is told on the command line."""

    machine: str
    job: str
    cylinders: tuple[str, ...] = ()
    """As they were typed; empty for the whole engine."""
    odometer: float | None = None
    note: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class When:
    """When a job was done, as it is told on the command line."""

    at: datetime
    """Noon of the day, where the day is all that was told."""
    by_day: bool = False
    """Whether no time of the day was told."""


def when(told: str, at_most: datetime) -> When:
    """Read a day, or a day with a time on the clock of this place; in the morning of a day it was done by now.

    Raises:
        SettingsError: it is neither, or a time that is still to come.
    """
    try:
        day = date.fromisoformat(told)
    except ValueError:
        return When(_time_of(told, at_most))
    noon = noon_of(day)
    return When(min(noon, at_most) if day == day_of(at_most) else noon, by_day=True)


def _time_of(told: str, at_most: datetime) -> datetime:
    try:
        at = datetime.fromisoformat(told).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise SettingsError(
            f"--on: found {told!r}; expected a date, as 2026-03-09, or with its time, as '2026-03-09 14:30'."
        ) from error
    if at > at_most:
        raise SettingsError(f"--on: {minute_text(at)} is still to come: give the time at which it was done.")
    return at


def job_text(job: StoredJob | JobEntry, machine: str = "") -> str:
    """A job in one line, with its machine where one is named."""
    on = f" on {machine}" if machine else ""
    where = f", {' and '.join(job.cylinders)}" if job.cylinders else ""
    counter = f", at {job.odometer:.10g}" if job.odometer is not None else ""
    note = f" ({job.note})" if job.note else ""
    return f"{job.job}{on}{where}, {day_of(job.at)}{counter}{note}"


def _same_work(job: StoredJob, other: StoredJob | JobEntry) -> bool:
    """Whether two jobs say the same; who did it is not asked."""
    mine, others = (
        (one.job.casefold(), set(one.cylinders), one.odometer, one.note, day_of(one.at)) for one in (job, other)
    )
    return mine == others


async def record_job(shop: Shop, work: Work, done: When) -> tuple[JobEntry, str]:
    """Write down work done on a machine; give what was written, and what is to be said of its count, or nothing.

    Raises:
        SettingsError: the machine or a cylinder is not known, the job has no name, its day is still to come, it
            stands in the record already, or it was told by a day on which the machine was tested too.
    """
    at = done.at
    if not work.job.strip():
        raise SettingsError("The job has no name: say what was done, rings or pistons for example.")
    if not FIRST_DAY <= day_of(at) <= last_day():
        why = "is still to come" if day_of(at) > last_day() else f"is before {FIRST_DAY.year}"
        raise SettingsError(f"The day of the job, {day_of(at)}, {why}: give the day on which it was done.")
    engine = shop.fleet.engine_of(work.machine)
    names = tuple(engine.cylinder(name).name for name in work.cylinders)
    make_folder(shop.journal.parent)
    async with Journal.open(shop.journal) as journal:
        entry = JobEntry(new_id(), work.machine, at, work.job.strip(), work.odometer, work.by, work.note, names)
        if any(_same_work(one, entry) for one in await journal.jobs(work.machine)):
            raise SettingsError(
                f"It is in the record of {work.machine} already, and is not written down twice: {job_text(entry)}. "
                "If it was done twice on that day, say what was different with --note."
            )
        if done.by_day:
            await _ask_for_time(shop, journal, work.machine, day_of(at))
        await journal.record([entry])
        stored = await journal.tests(work.machine), await journal.jobs(work.machine)
    counts = list(counts_of(*stored, simulated=shop.simulated))
    told = doubts(counts, {entry.job_id}, shop.fleet.find(work.machine).counter)
    if not told:
        return entry, ""
    more = " and ".join(text for _, text in told)
    return entry, f" {more}: if that is a slip, strike the job with --strike and tell it anew; else it stands."


async def _ask_for_time(shop: Shop, journal: Journal, machine: str, on: date) -> None:
    """Refuse a job by its day alone where the machine was tested on that day: before and after it would be a guess.

    Raises:
        SettingsError: it was.
    """
    unread = LeftOut()
    tests = [one for one in await journal.tests(machine) if is_simulated(one.bench) is shop.simulated]
    times = [("test", one.began_at) for one in tests if day_of(one.began_at) == on and is_of_the_machine(one, unread)]
    leaks = [past for past in await past_decays(journal, machine, unread) if day_of(past.at) == on]
    times += [("leak test", past.at) for past in leaks if is_simulated(past.decay.bench) is shop.simulated]
    if not times:
        return
    known = ", ".join(f"{what} {_time(at)}" for what, at in sorted(times, key=lambda one: one[1]))
    raise SettingsError(
        f"{machine} was tested on {on} too ({known}), and a day does not say what was before the job and what after. "
        f"Give the time with it, as --on '{on} 14:30'."
    )


def _time(at: datetime) -> str:
    """A time of the day; what a notebook has of a day it is taken in at noon, and has to be told apart from that."""
    return "of a notebook, taken as at noon" if is_noon(at) else f"at {local(at):%H:%M}"


async def strike_job(shop: Shop, work: Work, on: date | None) -> tuple[StoredJob, int]:
    """Strike a job; give it, and how many that say the same still stand. What is not told of it may be anything.

    Raises:
        SettingsError: the machine or a cylinder is not known, there is no such job, or jobs that are not the same are
            meant by what was told.
    """
    engine = shop.fleet.engine_of(work.machine)
    names = {engine.cylinder(name).name for name in work.cylinders}
    if not is_there(shop.journal, "journal"):
        raise SettingsError(f"There is no journal at {shop.journal} yet, and no job in it.")
    async with Journal.open(shop.journal) as journal:
        stand = await journal.jobs(work.machine)
        meant = [
            job
            for job in stand
            if job.job.casefold() == work.job.strip().casefold()
            and (not names or set(job.cylinders) == names)
            and (work.odometer is None or job.odometer == work.odometer)
            and (not work.note or job.note == work.note)
            and (on is None or day_of(job.at) == on)
        ]
        if not meant:
            there = "; ".join(job_text(job) for job in stand) or "none"
            raise SettingsError(f"{work.machine} has no such job. Its jobs: {there}.")
        # What is told of one of them may be told of the others too: then the one that says no more is meant.
        told = (names, work.odometer, work.note)
        meant = [job for job in meant if (set(job.cylinders), job.odometer, job.note) == told] or meant
        if not all(_same_work(job, meant[0]) for job in meant):
            several = "; ".join(job_text(job) for job in meant)
            raise SettingsError(
                f"More than one job is meant: {several}. Say which with --on, --cylinder, --odometer or --note."
            )
        await journal.record([StruckJobEntry(meant[-1].job_id, now(), work.by)])
    return meant[-1], len(meant) - 1
