"""Tests between which the clock of a bench was set back: the record goes by the clock, and so has them the other way.

Which of the two times is wrong nothing here can tell: the clock may have been ahead before, or not set after, as it is
after a power cut until the network tells it. So no test is moved, and it is said.
"""

from datetime import datetime

from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredTest
from gaugelink.localtime import minute_text
from gaugelink.simulated import is_simulated


def _named(stored: StoredTest) -> str:
    return f"{stored.test_id}, begun {minute_text(stored.began_at)}"


async def clock_lines(journal: Journal, machine: str, *, simulated: bool) -> tuple[str, ...]:
    """What to say of a machine's tests, a sentence or two for each time that the clock went back between them."""
    return tuple(
        f"The clock of {before.bench} went back between two tests of {machine}: {_named(before)}, and the next, "
        f"{_named(after)}. They stand here by the clock, the next one first: which test is the last, what a wet test "
        "is held against and what was before a job may be the other way."
        for before, after in await journal.went_back(machine)
        if is_simulated(before.bench) is simulated
    )


class PullClock:
    """The clock of a bench beside the last pull that it saw, whatever the machine: looked at when a test begins."""

    def __init__(self) -> None:
        self.last_pull: datetime | None = None
        """When that was, by the clock then; None where there was none."""
        self._told: datetime | None = None

    def has_gone_back(self, at: datetime) -> bool:
        """Whether it is before the last pull now, once for that pull."""
        back = self.last_pull is not None and at < self.last_pull and self.last_pull != self._told
        if back:
            self._told = self.last_pull
        return back
