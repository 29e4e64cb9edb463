"""The last dry test of a machine and its last count, as the record has them: what the next test is held against."""

from collections.abc import Sequence
from dataclasses import dataclass

from gaugelink.app.noted import CountBefore
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions

Dry = tuple[Sequence[ReadingValue], Conditions]
"""Readings of a dry test and what it was done under."""


@dataclass(frozen=True, slots=True)
class DryBehind:
    """What was found when the record was looked at."""

    machine: str = ""
    dry: Dry | None = None
    """None where the machine has none."""
    stands: bool = False
    """Whether the engine is as it was. One that does not stand any more tells which cylinder a gauge is on, and not
    what oil did."""
    count: CountBefore | None = None
    """What the machine's own meter showed at the last test or job that noted it; None where none did."""

    def of(self, machine: str) -> Dry | None:
        """The dry test of a machine; None of any other."""
        return self.dry if machine == self.machine else None

    def count_of(self, machine: str) -> CountBefore | None:
        """The last count of a machine; None of any other."""
        return self.count if machine == self.machine else None

    def standing(self, machine: str) -> Dry | None:
        """The dry test that a wet one of this machine is held against."""
        return self.of(machine) if self.stands else None
