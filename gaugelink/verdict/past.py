"""What the record of a machine hands over: past tests, jobs, and the limits that its history is read by."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from itertools import pairwise
from math import hypot, isfinite, sqrt

from pydantic import Field

from gaugelink.settings import Settings
from gaugelink.verdict.difference import UNSTATED_GAUGE_U
from gaugelink.verdict.robust import Estimate


class Axis(StrEnum):
    """What wear is counted against."""

    DATE = "date"
    """Per season, which is a year."""
    COUNTER = "counter"
    """Per 100 h, or per 1,000 km or miles."""


class HistoryRules(Settings):
    """Limits and scatters that a shop may set."""

    between_tests_fraction: float = Field(default=0.015, gt=0, lt=0.2)
    """Standard scatter that all readings of a test share: weather, temperature, battery, throttle. From memory."""
    gauge_fraction: float = Field(default=UNSTATED_GAUGE_U, gt=0, lt=0.3)
    """Standard uncertainty of a gauge that all of its readings share, from memory: an uncalibrated shop gauge."""
    repeatability_fraction: float = Field(default=0.01, gt=0, lt=0.2)
    """Standard scatter of one cylinder in one test where a reading brings none. From memory."""
    usual_wear_fraction: float = Field(default=0.01, gt=0, lt=0.2)
    """What a cylinder loses in a season, as a standard deviation around nothing. From memory."""
    false_alarm: float = Field(default=0.05, gt=0, lt=0.5)
    """Share of sound machines on which a cylinder may be called wearing, all cylinders of the machine together."""
    step_false_alarm: float = Field(default=0.05, gt=0, lt=0.5)
    """Share of machines on which a step may be seen that was none, all possible dates together."""
    slowest_wear_percent: float = Field(default=0.5, ge=0, lt=20)
    """Wear slower than this in a season is nobody's business. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class PastReading:
    """One cylinder of a past test."""

    cylinder: str
    sea_level_kpa: float
    """Gauge pressure carried to sea level."""
    u_random_kpa: float = 0.0
    """Standard uncertainty that it does not share with the others, at sea level; 0 when it is not known."""
    gauge: str = ""
    """Its own gauge, where a test was done with several; empty for the test's."""
    doubted: bool = False
    """Whether its test asks to take it again: it is shown, and nothing is fitted to it."""
    pulls: tuple[float, ...] = ()
    """Peaks at sea level that tell how cranking scatters, also those that the reading does not rest on; empty where the
    pulls are not known one by one."""
    behind: int = 1
    """How many of them the reading is the mean of."""
    u_own_kpa: float = 0.0
    """`u_random_kpa` without the scatter of cranking, where `pulls` are known."""

    @property
    def counts(self) -> bool:
        """Whether it tells of the cylinder's wear: a pressure that nothing speaks against."""
        return not self.doubted and isfinite(self.sea_level_kpa) and self.sea_level_kpa > 0

    def u_kpa(self, scatter: float) -> float:
        """Standard uncertainty that it does not share with the others, where cranking scatters by this fraction as the
        pulls of many tests tell it; as it was stated where its own pulls are not known."""
        if not self.pulls:
            return self.u_random_kpa
        return hypot(self.u_own_kpa, scatter * self.sea_level_kpa / sqrt(self.behind))

    def times(self, factor: float) -> "PastReading":
        """The reading with all of its pressures times a factor."""
        return replace(
            self,
            sea_level_kpa=factor * self.sea_level_kpa,
            u_random_kpa=factor * self.u_random_kpa,
            pulls=tuple(factor * peak for peak in self.pulls),
            u_own_kpa=factor * self.u_own_kpa,
        )


@dataclass(frozen=True, slots=True)
class PastTest:
    """One past dry test of a machine."""

    test_id: str
    at: datetime
    readings: tuple[PastReading, ...]
    gauge: str = ""
    counter: float | None = None
    """The machine's own count."""
    adapter_cm3: float | None = None
    """Volume that the gauge's adapter added to the chamber; None where it was not noted."""
    adapter_percent: float | None = 0.0
    """What was added to the readings so that they are as through the adapter of the machine's last test; None where
    theirs was another one and that cannot be told."""
    ambient_abs_kpa: float | None = None
    """Pressure of the air that the readings were carried to sea level from; None where it was assumed."""
    warm: bool | None = None
    """Whether the engine was warm; None where it was not noted."""


@dataclass(frozen=True, slots=True)
class PastJob:
    """Work done on a machine."""

    at: datetime
    job: str
    cylinders: tuple[str, ...] = ()
    """Empty for the whole engine."""
    counter: float | None = None


@dataclass(frozen=True, slots=True)
class GaugeMoved:
    """When what a gauge shows is known to have changed: the gauge itself, or another one in its place."""

    at: datetime
    before: str = ""
    """The gauge before; empty for one that is not named."""
    after: str = ""
    """The gauge after: the same name when it is the gauge itself that moved. Only its readings did."""
    percent: Estimate | None = None
    """By how much, as all machines that it read tell; None where that is not known."""


def goes_back(tests: Sequence[PastTest]) -> tuple[PastTest, PastTest] | None:
    """The first test whose count of the machine is less than one's before it, behind that one; None of a count that
    only grows."""
    counted = sorted((test for test in tests if test.counter is not None), key=lambda test: test.at)
    for before, after in pairwise(counted):
        assert before.counter is not None
        assert after.counter is not None
        if after.counter < before.counter:
            return before, after
    return None
