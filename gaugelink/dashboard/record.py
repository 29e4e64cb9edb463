"""What the page asks of the record: whoever starts the page says where it is, the journal of a bench or an archive."""

from enum import StrEnum
from typing import Protocol

from pydantic import BaseModel, ConfigDict


class Form(StrEnum):
    """What a report is downloaded as."""

    HTML = "html"
    PDF = "pdf"


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)


class Cylinder(_Row):
    """A cylinder of an engine, for drawing."""

    name: str
    bank: str | None = None


class Machine(_Row):
    """A machine of the fleet."""

    id: str
    name: str
    engine: str
    """Name of its engine, for people."""
    layout: str
    """How its cylinders lie: a word of the fleet file."""
    cycle: int
    bore_mm: float | None = None
    """The orifice of a differential leak-down depends on it; null when the fleet file has none."""
    cylinders: tuple[Cylinder, ...]
    """In physical order."""


class RecordedTest(_Row):
    """A test of a machine."""

    test_id: str
    at: str
    """RFC 3339."""
    kind: str
    given_up: bool = False
    """It proves nothing and is in no trend."""
    word: str | None = None
    """The verdict in one word; null when it has no reading."""
    summary: str = ""
    spread_percent: float | None = None
    readings_kpa: dict[str, float]
    """Each cylinder's gauge pressure as it was read."""
    sea_level_kpa: dict[str, float]
    """The same carried to sea level; empty for a wet test, which belongs to no trend."""
    sea_level_u_kpa: dict[str, float] = {}
    """Expanded uncertainty of each at sea level, coverage about 95 %, the gauge's common error left out; without those
    that are not known."""


class RecordedJob(_Row):
    """Work done on a machine."""

    at: str
    job: str
    cylinders: tuple[str, ...] = ()


class BeforeAfter(_Row):
    """What a job changed."""

    at: str
    job: str
    cylinder: str
    """Empty for the mean of all that it was done on."""
    gain_percent: float
    gain_u_percent: float
    """Expanded uncertainty, coverage about 95 %."""
    is_real: bool


class TrendRow(_Row):
    """How a cylinder goes since its last job."""

    cylinder: str
    percent: float
    """Change for each `per` of the history."""
    percent_u: float
    """Expanded uncertainty, coverage about 95 %."""
    is_wearing: bool


class MachineRecord(_Row):
    """What the record says of a machine."""

    machine: str
    per: str
    """What the trends are for, ``season`` for example."""
    tests: tuple[RecordedTest, ...]
    """Oldest first."""
    jobs: tuple[RecordedJob, ...]
    trends: tuple[TrendRow, ...]
    effects: tuple[BeforeAfter, ...]
    says: tuple[str, ...]
    """In sentences."""
    display_unit: str | None = None
    """What the shop reads in: its bench may be off, and nobody else says it."""
    left_out: bool = False
    """Whether a test of it is in the record and is not among these: `says` has why, or the service's log."""


class Record(Protocol):
    """Where tests are looked up. Each method raises `GaugelinkError` with a sentence when it has nothing."""

    async def history(self, machine: str) -> MachineRecord:
        """How a machine went."""
        ...

    async def report(self, test_id: str, form: Form) -> bytes:
        """The report of a test."""
        ...
