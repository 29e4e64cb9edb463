"""What of the record cannot be read and is left out of an answer: the rest is shown, and this is told beside it."""

from datetime import datetime

from gaugelink.errors import EntryError
from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredDecay, StoredEvent, StoredTest
from gaugelink.localtime import day_of, is_noon, minute_text, when_text


def named(stored: StoredTest) -> str:
    """A test as it is named where nothing but its row can be read."""
    return (
        f"The test {stored.test_id} of {stored.machine}, {when_text(stored.began_at, by_day=is_noon(stored.began_at))},"
    )


class LeftOut:
    """Sentences, in the order in which they were found, each once."""

    def __init__(self) -> None:
        self._lines: dict[str, None] = {}
        self._newest: dict[str, tuple[datetime, str]] = {}
        self._logged = 0

    @property
    def lines(self) -> tuple[str, ...]:
        """What was left out so far."""
        return tuple(self._lines)

    def news(self) -> tuple[str, ...]:
        """What was left out since this was asked last, for a log that has each line once."""
        fresh = self.lines[self._logged :]
        self._logged = len(self._lines)
        return fresh

    def newest_test_of(self, machine: str, after: datetime | None = None) -> str:
        """The newest test of a machine that no part of an answer rests on and why, in a few words; empty where there is
        none, or none that began later than `after`."""
        at, why = self._newest.get(machine, (None, ""))
        return "" if at is None or (after is not None and at <= after) else f"its test of {day_of(at)} {why}"

    def test(self, stored: StoredTest, error: EntryError) -> None:
        """A test that no part of an answer rests on."""
        self._lines[f"{named(stored)} is left out. {error}"] = None
        self._note(stored, "cannot be read")

    def unfit(self, stored: StoredTest) -> None:
        """A test that says nothing of the engine as the fleet file now has it. No line: the log has why."""
        self._note(stored, "does not fit the fleet file")

    def _note(self, stored: StoredTest, why: str) -> None:
        known = self._newest.get(stored.machine)
        if known is None or stored.began_at > known[0]:
            self._newest[stored.machine] = (stored.began_at, why)

    def samples(self, stored: StoredTest, error: EntryError) -> None:
        """The samples of a test whose readings can be read."""
        self._lines[f"{named(stored)} is drawn from its strokes alone. {error}"] = None

    def decay(self, stored: StoredDecay, machine: str, error: EntryError) -> None:
        """A leak-down."""
        of = f"cylinder {stored.cylinder} of {machine}" if stored.cylinder else machine
        line = f"The leak test {stored.decay_id} of {of}, {minute_text(stored.at)}, is left out. {error}"
        self._lines[line] = None


async def events_of(journal: Journal, stored: StoredTest, left_out: LeftOut) -> list[StoredEvent]:
    """The events of a test, without their samples where those cannot be read.

    Raises:
        EntryError: the events themselves cannot be read.
    """
    try:
        return await journal.events(stored.test_id)
    except EntryError as error:
        left_out.samples(stored, error)
        return await journal.events(stored.test_id, with_samples=False)
