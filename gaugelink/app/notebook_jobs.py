"""A notebook's jobs as the journal keeps them, and what a later notebook says otherwise: struck, and written anew.

A notebook dates by the day. Whether a job was before or after a test of its day is told by the order of their rows,
where it tells; a job that is not known to be after it stands before it.
"""

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import pairwise

from gaugelink.app.recorded import BY_HAND
from gaugelink.broker.message import new_id
from gaugelink.journal.entries import Entry, JobEntry, StruckJobEntry
from gaugelink.journal.rows import StoredJob, StoredTest
from gaugelink.localtime import day_of, day_of_noon, is_after_noon, is_noon, local, moment_after, noon_of
from gaugelink.report.notebook import Notebook, NotebookJob


@dataclass(slots=True)
class JobNews:
    """What of a notebook's jobs is not in the journal yet."""

    entries: list[Entry] = field(default_factory=list)
    new: int = 0
    before: int = 0
    changes: list[str] = field(default_factory=list)
    """A sentence for each job that stands otherwise now."""
    assumed: list[NotebookJob] = field(default_factory=list)
    """Those that are new, and of which no row tells whether a test of their day was before."""
    absent: list[StoredJob] = field(default_factory=list)
    """Jobs that came from a notebook, count, and are not in this one."""


def job_news(
    notebook: Notebook,
    stored: Sequence[StoredJob],
    standing: AbstractSet[str],
    id_of: Callable[[NotebookJob], str],
    noons: Callable[[NotebookJob], Sequence[datetime]],
    at: datetime,
) -> JobNews:
    """Lay a notebook's jobs beside those of the journal; two lines that say the same are two.

    What a person told already is not written down twice. It is left as it is: only what came from a notebook is
    changed by one.

    Args:
        notebook: all of it.
        stored: the journal's jobs, those that were struck too: what a person struck is not brought back.
        standing: ids of those that were not struck.
        id_of: the id of a job that is new.
        noons: noon of its day, as the journal has the tests of that day: they may have been taken in at another place.
        at: when this is done.
    """
    news = JobNews()
    left = [one for one in stored if one.by == BY_HAND and one.job_id in standing]
    told = [one for one in stored if one.by != BY_HAND and one.job_id in standing]
    struck = [one for one in stored if one.by == BY_HAND and one.job_id not in standing]

    def taken(of: list[StoredJob], job: NotebookJob, with_counter: bool) -> StoredJob | None:
        for one in of:
            if _is_same(one, job) and (not with_counter or one.odometer == job.counter):
                of.remove(one)
                return one
        return None

    def entry(job: NotebookJob, job_id: str, note: str, after: bool, counter: float | None) -> JobEntry:
        at = moment_after(max(noons(job))) if after else min(noons(job))
        return JobEntry(job_id, job.machine, at, job.job, counter, BY_HAND, note, job.cylinders)

    met = [(job, id_of(job), taken(left, job, True)) for job in notebook.jobs]
    for job, job_id, same in met:
        after = is_after_test(notebook, job)
        old = same or taken(left, job, False)
        if old is not None:
            words = _put_right(job, after, old)
            if not words:
                news.before += 1
                continue
            news.changes.append(f"{_of(job.machine, job.on, job)}, {', '.join(words)}")
            after = is_after_noon(old.at) if after is None else after
            counter = old.odometer if job.counter is None else job.counter
            anew = entry(job, new_id(), job.note or old.note, after, counter)
            news.entries += [StruckJobEntry(old.job_id, at, BY_HAND), anew]
        elif taken(told, job, job.counter is not None) is not None or taken(struck, job, True) is not None:
            news.before += 1
        else:
            news.new += 1
            news.entries.append(entry(job, job_id, job.note, after is True, job.counter))
            news.assumed += [job] if after is None else []
    news.absent = left
    return news


def is_after_test(notebook: Notebook, job: NotebookJob) -> bool | None:
    """Whether a job was done after the tests that its notebook has of its machine and day, as the order of rows tells.

    None where there is no such test, where it is in one row with the job, and where the rows do not tell: those of the
    test are on both sides of the job, rows of other days are between, or the days of the machine go up and down.
    """
    of_day = [
        line for test in notebook.tests if (test.machine, test.on) == (job.machine, job.on) for line in test.lines
    ]
    days = {line: test.on for test in notebook.tests if test.machine == job.machine for line in test.lines}
    days |= {one.line: one.on for one in notebook.jobs if one.machine == job.machine}
    if not of_day or min(of_day) <= job.line <= max(of_day):
        return None
    first, last = min(*of_day, job.line), max(*of_day, job.line)
    if any(first < line < last and on != job.on for line, on in days.items()):
        return None
    rows = pairwise(on for _, on in sorted(days.items()))
    up = [later > earlier for earlier, later in rows if later != earlier]
    if up and up.count(True) == up.count(False):
        return None
    newest_first = up.count(True) < up.count(False)
    return (job.line > max(of_day)) is not newest_first


def assumed_line(job: NotebookJob, notebook: Notebook, stored: Sequence[StoredTest]) -> str:
    """What is taken for so of a job that no row tells whether a test of its day was before; empty where its machine was
    not tested on that day. `stored` are the journal's tests."""
    of = _of(job.machine, job.on, job)
    if any((test.machine, test.on) == (job.machine, job.on) for test in notebook.tests):
        return f"{of}, taken as done before the test of that day"
    times = [one.began_at for one in stored if one.machine == job.machine and day_of(one.began_at) == job.on]
    if not times:
        return ""
    sides = (
        ("after", [at for at in times if at < noon_of(job.on)]),
        ("before", [at for at in times if at >= noon_of(job.on)]),
    )
    words = [f"{side} the test {' and '.join(_time(at) for at in sorted(some))}" for side, some in sides if some]
    return f"{of}, taken as done at noon, {', '.join(words)}"


def _time(at: datetime) -> str:
    return "of an earlier notebook" if is_noon(at) else f"at {local(at):%H:%M}"


def _put_right(job: NotebookJob, after: bool | None, old: StoredJob) -> list[str]:
    """What a notebook says otherwise of a job; what it leaves out is not taken back."""
    words = []
    if job.counter is not None and job.counter != old.odometer:
        was = "not noted" if old.odometer is None else f"{old.odometer:.10g}"
        words.append(f"counter {job.counter:.10g}, was {was}")
    if after is not None and after is not is_after_noon(old.at):
        words.append(
            "after the test of that day, was before it" if after else "before the test of that day, was after it"
        )
    return words


def _is_same(stored: StoredJob, job: NotebookJob) -> bool:
    """Whether it is that work on that machine and day; its counter is not asked."""
    from_notebook = stored.by == BY_HAND
    on = day_of_noon(stored.at) if from_notebook else day_of(stored.at)
    return (
        (stored.machine, stored.job.casefold(), stored.cylinders, on)
        == (job.machine, job.job.casefold(), job.cylinders, job.on)
        # A person's two jobs of one day are told apart by their notes.
        and (from_notebook or job.note in ("", stored.note))
    )


def job_line(job: StoredJob) -> str:
    """A job from a notebook for a person."""
    counter = "" if job.odometer is None else f", counter {job.odometer:.10g}"
    return f"{_of(job.machine, day_of_noon(job.at), job)}{counter}"


def _of(machine: str, on: date, job: StoredJob | NotebookJob) -> str:
    where = f", {' and '.join(job.cylinders)}" if job.cylinders else ""
    return f"{machine} on {on}: {job.job}{where}"
