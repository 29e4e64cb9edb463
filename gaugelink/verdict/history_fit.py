"""The linear model of one machine's tests: levels, slopes, and the errors that tests and gauges share."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from gaugelink.bench.repeats import pooled_scatter
from gaugelink.engine.fleet import Counter
from gaugelink.verdict.adapters import adapter_errors
from gaugelink.verdict.other_conditions import air_errors, warmth_errors
from gaugelink.verdict.past import Axis, HistoryRules, PastJob, PastTest
from gaugelink.verdict.robust import Estimate, Fit, fit_huber

DAYS_PER_SEASON = 365.25
# Standard uncertainty of a logarithm, so wide that it only keeps what the record cannot tell from being singular.
FREE = 1.0
WIDE_SLOPE = 0.3
"""The same for the slope over the whole record."""
STEEPEST = 1.0
"""And for a record so short that it says nothing of a slope: all of the pressure in one unit of the axis."""


def positions(tests: Sequence[PastTest], axis: Axis = Axis.DATE, counter: Counter = Counter.HOURS) -> list[float]:
    """Where each test is on the axis, from the first on: in seasons, or in 100 h, 1,000 km or 1,000 miles.

    With the counter as the axis each of `tests`, which are in the order of time, has one.
    """
    if axis is Axis.DATE:
        return [(t.at - tests[0].at).total_seconds() / 86400.0 / DAYS_PER_SEASON for t in tests]
    scale = 100.0 if counter is Counter.HOURS else 1000.0
    counts = [t.counter for t in tests if t.counter is not None]
    return [(count - counts[0]) / scale for count in counts]


@dataclass(frozen=True, slots=True)
class Split:
    """Where readings step."""

    test: int
    """The first test after it."""
    gauge: str | None = None
    """Only readings by this gauge step; None for all of them."""
    gauge_before: str = ""
    """With `gauge`: the one before, the same name when that gauge moved."""
    percent: Estimate | None = None
    """By how much, as other machines' tests tell too."""

    @property
    def name(self) -> str:
        """Name of its parameter in a fit."""
        return f"step {self.test}" if self.gauge is None else f"step {self.test} {self.gauge}"


class Model:
    """The linear model of one machine's tests."""

    def __init__(
        self, tests: Sequence[PastTest], jobs: Sequence[PastJob], x: Sequence[float], rules: HistoryRules
    ) -> None:
        self.tests, self.jobs, self.x, self.rules = tests, jobs, x, rules
        names = {r.cylinder for t in tests for r in t.readings if r.counts}
        # In the order in which they were first read: the physical order, when the tests keep it.
        self.cylinders = sorted(
            names,
            key=lambda n: next(
                (j, i) for j, t in enumerate(tests) for i, r in enumerate(t.readings) if r.cylinder == n
            ),
        )
        told = [reading for test in tests for reading in test.readings if reading.pulls]
        self.scatter = pooled_scatter([reading.pulls for reading in told], rules.repeatability_fraction)
        """Of cranking, over all tests: one cylinder's pulls of one test tell next to nothing of it."""
        scatters = {
            name: pooled_scatter([reading.pulls for reading in told if reading.cylinder == name], self.scatter.share)
            for name in self.cylinders
        }
        self.rows: list[tuple[int, str]] = []
        observed, u = [], []
        for j, test in enumerate(tests):
            for reading in test.readings:
                if reading.counts:
                    self.rows.append((j, reading.cylinder))
                    observed.append(log(reading.sea_level_kpa))
                    known = reading.u_kpa(scatters[reading.cylinder].share) / reading.sea_level_kpa
                    u.append(known if known > 0 else rules.repeatability_fraction)
        self.gauges = {(j, r.cylinder): r.gauge for j, test in enumerate(tests) for r in test.readings}
        kinds = (adapter_errors(tests), air_errors(tests), warmth_errors(tests))
        self.shared = [{**adapter, **air, **warmth} for adapter, air, warmth in zip(*kinds, strict=True)]
        """Errors that all readings of a test share with those of some others, by test and name."""
        self.observed, self.u = np.array(observed), np.array(u)
        self.middle = float(np.mean(self.observed))
        self.span = max(max(x) - min(x), 1e-9)
        seasons = positions(tests)[-1]
        self.usual_slope_u = min(STEEPEST, rules.usual_wear_fraction * max(seasons, 0.1) / self.span)
        self.slowest_wear_percent = rules.slowest_wear_percent * seasons / self.span
        """Wear that is nobody's business, for one unit of the axis: the rule has it for a season."""

    def segment(self, cylinder: str, j: int) -> int:
        """How many jobs the cylinder had before a test."""
        return sum(1 for job in self.jobs if job.at <= self.tests[j].at and self.touches(job, cylinder))

    @staticmethod
    def touches(job: PastJob, cylinder: str) -> bool:
        """Whether a job was done on a cylinder."""
        return not job.cylinders or cylinder.casefold() in {name.casefold() for name in job.cylinders}

    def level(self, cylinder: str, j: int) -> dict[str, float]:
        """Coefficients of a cylinder's log pressure at a test, common errors left out."""
        segment = self.segment(cylinder, j)
        return {f"level {cylinder} {segment}": 1.0, f"slope {cylinder} {segment}": self.x[j]}

    def gauge_of(self, j: int, cylinder: str) -> str:
        """The gauge that read a cylinder in a test; empty where it is not named."""
        return self.gauges[j, cylinder] or self.tests[j].gauge

    def gauge_changes(self, j: int) -> bool:
        """Whether the record names another gauge for a test than for the one before."""
        before, after = self.tests[j - 1].gauge, self.tests[j].gauge
        return bool(before and after) and before != after

    def whole_job_before(self, j: int) -> bool:
        """Whether a job on the whole engine explains a common change between a test and the one before."""
        return any(
            self.tests[j - 1].at < job.at <= self.tests[j].at and all(self.touches(job, c) for c in self.cylinders)
            for job in self.jobs
        )

    def fit(self, splits: Sequence[Split] = (), *, gauges: bool = True, wear: float | None = None) -> Fit:
        """Fit the record.

        Args:
            splits: free steps, each common to all cylinders that it touches.
            gauges: an error of each gauge's own, known to be small; without it the gauge is taken to be one.
            wear: slopes are known to be of the usual size, or so many times of it. A step and a slope look alike
                over few tests, so what is asked of a step needs this; what is asked of a slope must not have it.
        """
        rows: list[dict[str, float]] = []
        for j, cylinder in self.rows:
            row = self.level(cylinder, j)
            row[f"test {j}"] = 1.0
            row |= dict.fromkeys(self.shared[j], 1.0)
            if wear is not None:
                row["even"] = self.x[j]
            if gauges:
                row[f"gauge {self.gauge_of(j, cylinder)}"] = 1.0
            row |= {
                split.name: 1.0
                for split in splits
                if j >= split.test and split.gauge in (None, self.gauge_of(j, cylinder))
            }
            rows.append(row)
        names: dict[str, int] = {}
        for row in rows:
            for name in row:
                names.setdefault(name, len(names))
        design = np.zeros((len(rows), len(names)))
        for i, row in enumerate(rows):
            for name, coefficient in row.items():
                design[i, names[name]] = coefficient
        slope_u = min(STEEPEST, WIDE_SLOPE / self.span) if wear is None else wear * self.usual_slope_u
        sizes = {
            "test": self.rules.between_tests_fraction,
            "gauge": self.rules.gauge_fraction,
            "slope": slope_u,
            "even": slope_u,
        }
        shared = {name: u for own in self.shared for name, u in own.items()}
        prior = np.array([shared.get(name, sizes.get(name.split(" ", 1)[0], FREE)) for name in names])
        robust = np.ones(len(rows), dtype=np.bool_)
        return fit_huber(
            names, design, self.observed - self.middle, self.u, prior, robust, stated_freedom=self.scatter.freedom
        )


def less(a: dict[str, float], b: dict[str, float]) -> dict[str, float]:
    """One combination of parameters less another."""
    combined = dict(a)
    for name, coefficient in b.items():
        combined[name] = combined.get(name, 0.0) - coefficient
    return combined


def against_others(of: dict[str, float], others: Sequence[dict[str, float]]) -> dict[str, float]:
    """A combination less the mean of others; as it is where there are none."""
    return less(of, mean_of(others))


def mean_of(combinations: Sequence[dict[str, float]]) -> dict[str, float]:
    """Mean of several combinations."""
    combined: dict[str, float] = {}
    for combination in combinations:
        for name, coefficient in combination.items():
            combined[name] = combined.get(name, 0.0) + coefficient / len(combinations)
    return combined
