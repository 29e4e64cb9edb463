"""What a machine's own meter showed, as its tests and jobs have it: a count that goes back is told of, and kept.

It is a slip as a rule, of the count before, of the one after or of a date; and it is true of a meter that was replaced.
"""

from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import date, datetime

from gaugelink.app.recorded import BY_HAND, is_by_hand, state_of
from gaugelink.bench.reading import Phase
from gaugelink.engine.fleet import Counter
from gaugelink.errors import EntryError
from gaugelink.journal.rows import StoredJob, StoredTest
from gaugelink.localtime import day_of, day_of_noon
from gaugelink.simulated import is_simulated


@dataclass(frozen=True, slots=True)
class Count:
    """What the meter of a machine showed."""

    of: str
    """Id of the test or of the job that it was noted with."""
    count: float
    at: datetime
    by_day: bool
    """Whether it is known by its day alone, as a notebook has it."""

    @property
    def on(self) -> date:
        """The day."""
        return day_of_noon(self.at) if self.by_day else day_of(self.at)

    def text(self, counter: Counter) -> str:
        """For a person: ``5200 h``."""
        return f"{self.count:.10g} {counter.value}"

    def is_before(self, other: "Count") -> bool:
        """Whether it is known to be the earlier of the two."""
        return self.at < other.at if self.by_day is other.by_day else self.on < other.on


def counts_of(tests: Sequence[StoredTest], jobs: Sequence[StoredJob], *, simulated: bool) -> Iterator[Count]:
    """The counts of one machine's tests and jobs, the last first, without those of tests that were given up or cannot
    be read: of these it cannot be told."""
    noted = [(one.odometer, one.at, one) for one in jobs] + [(one.odometer, one.began_at, one) for one in tests]
    for count, at, one in sorted(noted, key=lambda found: found[1], reverse=True):
        if count is None:
            continue
        if isinstance(one, StoredJob):
            yield Count(one.job_id, count, at, one.by == BY_HAND)
        elif is_simulated(one.bench) is simulated:
            try:
                state = state_of(one)
            except EntryError:
                # Who asks for tests is told that this one cannot be read.
                continue
            if state.phase is not Phase.ABANDONED:
                yield Count(one.test_id, count, at, is_by_hand(state))


def doubts(counts: Sequence[Count], new: AbstractSet[str], counter: Counter) -> list[tuple[Count, str]]:
    """What to say of new counts of a machine: that one is less than the one before it, or more than the one after."""
    told = []
    for own in sorted((one for one in counts if one.of in new), key=lambda one: one.at):
        before = max((one for one in counts if one.is_before(own)), key=lambda one: (one.at, one.count), default=None)
        after = min((one for one in counts if own.is_before(one)), key=lambda one: (one.at, one.count), default=None)
        if before is not None and own.count < before.count:
            told.append((own, f"{own.text(counter)} is less than the {before.text(counter)} of {before.on}"))
        if after is not None and own.count > after.count and after.of not in new:
            told.append((own, f"{own.text(counter)} is more than the {after.text(counter)} of {after.on}"))
    return told
