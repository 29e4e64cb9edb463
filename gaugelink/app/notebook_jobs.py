"""A notebook's jobs as the journal keeps them, and what a later notebook says otherwise: struck, and written anew."""

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import date, datetime

from gaugelink.app.notebook_tests import BY_HAND
from gaugelink.broker.message import new_id
from gaugelink.journal.entries import Entry, JobEntry, StruckJobEntry
from gaugelink.journal.rows import StoredJob
from gaugelink.localtime import day_of, day_of_noon, noon_of
from gaugelink.report.notebook import NotebookJob


@dataclass(slots=True)
class JobNews:
    """What of a notebook's jobs is not in the journal yet."""

    entries: list[Entry] = field(default_factory=list)
    new: int = 0
    before: int = 0
    changes: list[str] = field(default_factory=list)
    """A sentence for each job that stands otherwise now."""
    absent: list[StoredJob] = field(default_factory=list)
    """Jobs that came from a notebook, count, and are not in this one."""


def job_news(
    jobs: Sequence[NotebookJob],
    stored: Sequence[StoredJob],
    standing: AbstractSet[str],
    id_of: Callable[[NotebookJob], str],
    at: datetime,
) -> JobNews:
    """Lay a notebook's jobs beside those of the journal; two lines that say the same are two.

    What a person told already is not written down twice. It is left as it is: only what came from a notebook is
    changed by one.

    Args:
        jobs: the notebook's.
        stored: the journal's, those that were struck too: what a person struck is not brought back.
        standing: ids of those that were not struck.
        id_of: the id of a job that is new.
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

    ids = [id_of(job) for job in jobs]
    others = [(job, job_id) for job, job_id in zip(jobs, ids, strict=True) if taken(left, job, True) is None]
    news.before = len(jobs) - len(others)
    for job, job_id in others:
        if (old := taken(left, job, False)) is not None:
            if job.counter is None:
                # What is left out is not taken back.
                news.before += 1
                continue
            was = "not noted" if old.odometer is None else f"{old.odometer:.10g}"
            news.changes.append(f"{_of(job.machine, job.on, job)}, counter {job.counter:.10g}, was {was}")
            news.entries += [StruckJobEntry(old.job_id, at, BY_HAND), _entry(job, new_id(), job.note or old.note)]
        elif taken(told, job, job.counter is not None) is not None or taken(struck, job, True) is not None:
            news.before += 1
        else:
            news.new += 1
            news.entries.append(_entry(job, job_id, job.note))
    news.absent = left
    return news


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


def _entry(job: NotebookJob, job_id: str, note: str) -> JobEntry:
    return JobEntry(job_id, job.machine, noon_of(job.on), job.job, job.counter, BY_HAND, note, job.cylinders)
