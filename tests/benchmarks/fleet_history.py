"""How often the history of a machine is read right: miss and false-alarm rates over generated three-season fleets.

Run as ``python -m tests.benchmarks.fleet_history [fleets]``. Every fleet has four triples: a sound one, one with a
cylinder that wears, one that gets a ring job on one cylinder, one that gets new rings in all of them. In half of
the fleets the gauge is changed once, in half of those without a word in the record.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from scipy.stats import beta

from gaugelink.verdict.fleet import MachineTests, fleet_steps
from gaugelink.verdict.history import CommonStep, MachineHistory, read_history
from gaugelink.verdict.past import PastJob, PastReading, PastTest

CYLINDERS = ("PTO", "middle", "MAG")
BEGIN = datetime(2023, 10, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class World:
    """How the generated fleets are made. Fractions are standard deviations of the true scatter."""

    tests_a_season: int = 2
    repeats: int = 2
    cranking: float = 0.01
    """From one cranking to the next."""
    measuring: float = 0.004
    between_tests: float = 0.015
    gauge: float = 0.02
    wear: float = 0.02
    """Of the wearing cylinder in a season."""
    ring_gain: float = 0.06
    gauge_step: float = 0.05
    """Between the old and the new gauge, up or down."""
    stated: float = 1.0
    """Scatter that the readings state over the true one: below 1 they claim too much."""
    bad_reading: float = 0.0
    """Share of readings that are off by 8 % for no reason that was seen."""

    @property
    def u_reading(self) -> float:
        """Standard deviation of one reading, not shared."""
        return float(np.hypot(self.cranking, self.measuring) / np.sqrt(self.repeats))


@dataclass(frozen=True, slots=True)
class Truth:
    """What was planted in a machine."""

    wearing: str | None = None
    ring_job: tuple[str, ...] = ()
    step_before: int | None = None
    step_is_named: bool = False
    step: float = 0.0
    """Of the new gauge against the old one."""
    gauge: float = 0.0
    """Error of the old gauge."""


@dataclass
class Tally:
    """Hits and tries of one question."""

    hits: int = 0
    tries: int = 0

    def add(self, *, hit: bool) -> None:
        """Count one try."""
        self.hits += hit
        self.tries += 1

    @property
    def rate(self) -> float:
        """Share of hits."""
        return self.hits / self.tries if self.tries else float("nan")

    def text(self) -> str:
        """Rate with its 95 % interval (Clopper and Pearson, 1934)."""
        low = beta.ppf(0.025, self.hits, self.tries - self.hits + 1) if self.hits else 0.0
        high = beta.ppf(0.975, self.hits + 1, self.tries - self.hits) if self.hits < self.tries else 1.0
        return f"{100 * self.rate:5.1f} %  ({100 * low:.1f} to {100 * high:.1f}; {self.hits} of {self.tries})"


@dataclass
class Score:
    """All rates of one world."""

    wear_missed: Tally = field(default_factory=Tally)
    wear_on_the_wrong_cylinder: Tally = field(default_factory=Tally)
    wear_false_alarm: Tally = field(default_factory=Tally)
    one_job_missed: Tally = field(default_factory=Tally)
    whole_job_missed: Tally = field(default_factory=Tally)
    no_gain_called_real: Tally = field(default_factory=Tally)
    named_step_missed: Tally = field(default_factory=Tally)
    unnamed_step_missed: Tally = field(default_factory=Tally)
    fleet_step_missed: Tally = field(default_factory=Tally)
    step_false_alarm: Tally = field(default_factory=Tally)
    fleet_step_false_alarm: Tally = field(default_factory=Tally)


def machine(
    rng: np.random.Generator, world: World, truth: Truth, *, job_helps: bool = True
) -> tuple[list[PastTest], list[PastJob]]:
    """Three seasons of one machine."""
    count = 3 * world.tests_a_season
    within = np.linspace(0.0, 0.3, world.tests_a_season) if world.tests_a_season > 1 else np.array([0.0])
    when = [BEGIN + timedelta(days=365.25 * (season + float(part))) for season in range(3) for part in within]
    when = [at + timedelta(days=float(rng.uniform(-10, 10))) for at in when]
    job_before = count // 2 + 1 if truth.ring_job else None
    level = {name: float(rng.normal(0.0, 0.01)) for name in CYLINDERS}
    tests = []
    for j, at in enumerate(when):
        after_step = truth.step_before is not None and j >= truth.step_before
        shared = rng.normal(0.0, world.between_tests) + truth.gauge + (truth.step if after_step else 0.0)
        years = (at - BEGIN).total_seconds() / 86400.0 / 365.25
        readings = []
        for name in CYLINDERS:
            value = level[name] + shared + rng.normal(0.0, world.u_reading)
            if name == truth.wearing:
                value += years * np.log(1.0 - world.wear)
            if name in truth.ring_job and job_before is not None and j >= job_before and job_helps:
                value += world.ring_gain
            if rng.random() < world.bad_reading:
                value += rng.choice([-0.08, 0.08])
            kpa = float(930.0 * np.exp(value))
            readings.append(PastReading(name, kpa, kpa * world.u_reading * world.stated))
        gauge = "second" if after_step and truth.step_is_named else "first"
        tests.append(PastTest(f"t{j}", at, tuple(readings), gauge))
    jobs = []
    if job_before is not None:
        between = when[job_before - 1] + (when[job_before] - when[job_before - 1]) / 2
        everything = set(truth.ring_job) == set(CYLINDERS)
        jobs.append(PastJob(between, "rings", () if everything else truth.ring_job))
    return tests, jobs


def fleet_truths(rng: np.random.Generator, world: World) -> tuple[Truth, ...]:
    """What is planted in the four machines of one fleet."""
    count = 3 * world.tests_a_season
    step = int(rng.integers(1, count)) if rng.random() < 0.5 else None
    if step == count // 2 + 1:
        step = None  # on the day of the job the two cannot be told apart by anybody
    named = bool(rng.random() < 0.5)
    base = Truth(
        step_before=step,
        step_is_named=named and step is not None,
        step=float(rng.choice([-1.0, 1.0])) * world.gauge_step,
        gauge=float(rng.normal(0.0, world.gauge)),
    )
    one = str(rng.choice(CYLINDERS))
    return (
        base,
        replace(base, wearing=str(rng.choice(CYLINDERS))),
        replace(base, ring_job=(one,)),
        replace(base, ring_job=CYLINDERS),
    )


def score(fleets: int, world: World, seed: int = 1) -> Score:
    """Read the histories of many generated fleets and count."""
    rng = np.random.default_rng(seed)
    total = Score()
    for _ in range(fleets):
        truths = fleet_truths(rng, world)
        made = [machine(rng, world, truth) for truth in truths]
        for truth, (tests, jobs) in zip(truths, made, strict=True):
            _count(total, truth, read_history(tests, jobs))
        records = [MachineTests(str(i), tuple(tests), tuple(jobs)) for i, (tests, jobs) in enumerate(made)]
        _count_fleet(total, truths[0], records)
        idle = replace(truths[2], step_before=None, step_is_named=False)
        useless = read_history(*machine(rng, world, idle, job_helps=False))
        total.no_gain_called_real.add(hit=any(effect.is_real for effect in useless.jobs))
    return total


def _count(total: Score, truth: Truth, history: MachineHistory) -> None:
    wearing = {trend.cylinder for trend in history.trends if trend.is_wearing}
    if truth.wearing:
        total.wear_missed.add(hit=truth.wearing not in wearing)
        total.wear_on_the_wrong_cylinder.add(hit=bool(wearing - {truth.wearing}))
    else:
        total.wear_false_alarm.add(hit=bool(wearing))
    if len(truth.ring_job) == 1:
        total.one_job_missed.add(hit=not all(e.is_real and e.gain_percent.value > 0 for e in history.jobs))
    elif truth.ring_job and not truth.step_before:
        total.whole_job_missed.add(
            hit=not any(e.is_real and e.gain_percent.value > 0 for e in history.jobs if not e.cylinder)
        )
    if truth.step_before is None:
        total.step_false_alarm.add(hit=bool(history.steps))
    else:
        tally = total.named_step_missed if truth.step_is_named else total.unnamed_step_missed
        tally.add(hit=not any(_near(step, truth.step_before) for step in history.steps))


def _near(step: CommonStep, before: int) -> bool:
    return abs(int(step.after_test[1:]) - before) <= 1


def _count_fleet(total: Score, truth: Truth, records: list[MachineTests]) -> None:
    steps = fleet_steps(records)
    if truth.step_before is None:
        total.fleet_step_false_alarm.add(hit=bool(steps))
        return
    first = records[0].tests
    # The machines are tested within twenty days of each other, so the moment is known to that much.
    low, high = first[truth.step_before - 1].at - timedelta(days=20), first[truth.step_before].at + timedelta(days=20)
    total.fleet_step_missed.add(hit=not any(low <= step.at <= high for step in steps))


def lines(total: Score) -> Iterator[str]:
    """The rates, one a line."""
    for name in total.__dataclass_fields__:
        yield f"  {name.replace('_', ' '):34s} {getattr(total, name).text()}"


WORLDS = {
    "two tests a season, two repeats (the usual shop)": World(),
    "one test a season, two repeats": World(tests_a_season=1),
    "three tests a season, two repeats": World(tests_a_season=3),
    "two tests a season, single readings": World(repeats=1),
    "two tests a season, cranking twice as unsteady as the readings state": World(cranking=0.02, stated=0.5),
    "two tests a season, 3 % of readings off by 8 % for no reason": World(bad_reading=0.03),
}


def main() -> None:
    """Print the rates of every world."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("fleets", type=int, nargs="?", default=500)
    fleets = parser.parse_args().fleets
    for title, world in WORLDS.items():
        print(f"{title}: {fleets} fleets of four machines, wear {100 * world.wear:g} % a season")
        for line in lines(score(fleets, world)):
            print(line)


if __name__ == "__main__":
    main()
