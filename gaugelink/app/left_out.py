"""What of the record cannot be read and is left out of an answer: the rest is shown, and this is told beside it."""

from gaugelink.errors import EntryError
from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredDecay, StoredEvent, StoredTest
from gaugelink.localtime import minute_text


def named(stored: StoredTest) -> str:
    """A test as it is named where nothing but its row can be read."""
    return f"The test {stored.test_id} of {stored.machine}, {minute_text(stored.began_at)},"


class LeftOut:
    """Sentences, in the order in which they were found, each once."""

    def __init__(self) -> None:
        self._lines: dict[str, None] = {}

    @property
    def lines(self) -> tuple[str, ...]:
        """What was left out so far."""
        return tuple(self._lines)

    def test(self, stored: StoredTest, error: EntryError) -> None:
        """A test that no part of an answer rests on."""
        self._lines[f"{named(stored)} is left out. {error}"] = None

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
