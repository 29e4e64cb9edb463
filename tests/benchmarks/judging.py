"""How often a verdict's intervals miss and its words err where the scatter of cranking is known.

Run as ``python -m tests.benchmarks.judging [tests]``. Engines are made up, and so are the pulls on them: normal about
the cylinder's pressure, gauge and sampling good to 0.3 %. *As pulled* takes all pulls of a cylinder as its reading. *By
the plan* pulls as a bench asks for it, until as many as the plan wants agree within 3 % or five were made, and the
reading rests on those that do: picked pulls are more alike than cranking is.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from math import exp, hypot

import numpy as np

from gaugelink.bench.agree import Agreement, agree
from gaugelink.bench.reading import Reading, Status
from gaugelink.bench.repeats import u_of_mean_kpa
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import GaugeKind
from gaugelink.verdict.case import lay_out
from gaugelink.verdict.difference import PullValue, ReadingValue
from gaugelink.verdict.findings import Conditions, Rules, VerdictWord
from gaugelink.verdict.history import read_history
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.past import PastJob
from gaugelink.verdict.record import past_test

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
USUAL_KPA = 950.0
OWN = 0.003
"""Standard deviation of gauge and sampling in one pull, as a fraction."""
COMMON = 0.01
"""Standard uncertainty that all readings of the gauge share, as a fraction."""
DAY = 0.015
"""Standard deviation that all readings of a test share, as a fraction."""
BETWEEN = 0.012
"""Standard deviation between sound cylinders in a history, as a fraction."""
MOST_TRIES = 5
AGREEMENT = 0.03


@dataclass(frozen=True, slots=True)
class World:
    """How tests are made."""

    cylinders: int = 3
    pulls: int = 2
    """That the plan asks for on each cylinder."""
    scatter: float = 0.02
    """From one cranking to the next, as a fraction."""
    odd_scatter: float | None = None
    """That of the first cylinder, where it differs."""
    by_plan: bool = True
    low: float = 0.0
    """How much lower the first cylinder really is, as a fraction."""
    mistake: float = 0.0
    """How much lower one more pull on the last cylinder is that agrees with nothing, as a fraction."""
    tests: int = 1
    """Before a job, and after it."""

    @property
    def engine(self) -> EngineRecord:
        """Two-stroke of so many cylinders."""
        return EngineRecord.model_validate(
            {"id": "e", "name": "E", "cycle": 2, "layout": "inline_front", "cylinders": self.cylinders}
        )

    def scatter_of(self, place: int) -> float:
        """That of one cylinder."""
        return self.scatter if place or self.odd_scatter is None else self.odd_scatter


def _pull(rng: np.random.Generator, kpa: float, scatter: float) -> Reading:
    peak = kpa * (1.0 + hypot(scatter, OWN) * rng.standard_normal())
    return _pull_of(float(peak))


def _pull_of(peak_kpa: float) -> Reading:
    own, common = OWN * peak_kpa, COMMON * peak_kpa
    return Reading(
        event_id="",
        test_id="",
        gauge="red",
        kind=GaugeKind.LIVE,
        pull=1,
        peak_kpa=peak_kpa,
        peak_u_kpa=2.0 * hypot(own, common),
        common_u_kpa=common,
        flags=frozenset(),
        status=Status.GIVEN,
        cylinder="",
        confidence=1.0,
        candidates=(),
        own_u_kpa=own,
    )


def cranked(rng: np.random.Generator, name: str, kpa: float, scatter: float, world: World) -> ReadingValue:
    """The reading of one cylinder from pulls on it."""
    pulls = [_pull(rng, kpa, scatter) for _ in range(world.pulls)]
    found = Agreement(True, None, None, tuple(pulls))
    if world.by_plan:
        found = agree(pulls, world.pulls, AGREEMENT)
        while not found.agreed and len(pulls) < MOST_TRIES:
            pulls.append(_pull(rng, kpa, scatter))
            found = agree(pulls, world.pulls, AGREEMENT)
    peaks = tuple(one.peak_kpa for one in found.behind)
    mean = sum(peaks) / len(peaks)
    own = u_of_mean_kpa([one.repeat for one in found.behind])
    return ReadingValue(
        cylinder=name,
        peak_kpa=mean,
        peak_u_kpa=2.0 * hypot(own, COMMON * mean),
        u_random_kpa=own,
        repeats=peaks if len(peaks) > 1 else (),
        gauge="red",
        pulls=tuple(PullValue(one.repeat, any(one is other for other in found.behind)) for one in pulls),
        agreed=found.agreed,
    )


def one_test(rng: np.random.Generator, world: World, levels_kpa: Sequence[float]) -> list[ReadingValue]:
    """The readings of one test."""
    names = world.engine.cylinder_names
    made = [
        cranked(rng, name, float(kpa), world.scatter_of(place), world)
        for place, (name, kpa) in enumerate(zip(names, levels_kpa, strict=True))
    ]
    if world.mistake:
        wrong = PullValue(_pull_of((1.0 - world.mistake) * made[-1].peak_kpa).repeat, counted=False)
        made[-1] = replace(made[-1], pulls=(*made[-1].pulls, wrong))
    return made


@dataclass
class Score:
    """Of many tests."""

    missed: list[bool] = field(default_factory=list)
    """Whether the interval of a difference missed the truth."""
    half_widths: list[float] = field(default_factory=list)
    """Of the interval, percent."""
    real: list[bool] = field(default_factory=list)
    """Whether the spread was called real, or a gain that was none."""
    words: list[VerdictWord] = field(default_factory=list)

    def share(self, word: VerdictWord) -> float:
        """Of the tests, in percent."""
        return 100.0 * self.words.count(word) / max(1, len(self.words))

    def text(self) -> str:
        """One line."""
        told = f"missed {_percent(self.missed):4.1f} %, ± {np.median(self.half_widths):4.1f} %"
        told += f", called real {_percent(self.real):5.1f} %"
        words = ", ".join(f"{word} {self.share(word):.0f} %" for word in VerdictWord if word in self.words)
        return f"{told}: {words}" if words else told


def _percent(hits: Sequence[bool]) -> float:
    return 100.0 * float(np.mean(hits)) if hits else float("nan")


def inside_one_test(world: World, tests: int, seed: int = 1) -> Score:
    """The difference of the first two cylinders, the spread, and the word."""
    rng, score = np.random.default_rng(seed), Score()
    levels = [USUAL_KPA * (1.0 - world.low), *((world.cylinders - 1) * [USUAL_KPA])]
    for _ in range(tests):
        readings = one_test(rng, world, levels)
        case = lay_out(world.engine, readings, Conditions(), Rules(), PressureUnit.KPA)
        gap = case.between(readings[0], readings[1])
        score.missed.append(abs(gap.kpa - (levels[0] - levels[1])) > gap.u_kpa)
        score.half_widths.append(100.0 * gap.u_kpa / USUAL_KPA)
        verdict = judge_test(world.engine, readings, Conditions())
        score.real.append(bool(verdict.spread_is_real))
        score.words.append(verdict.word)
    return score


def own_interval(world: World, tests: int, seed: int = 1) -> Score:
    """The first cylinder's own pressure, held against the truth."""
    rng, score = np.random.default_rng(seed), Score()
    for _ in range(tests):
        (first, *_) = judge_test(
            world.engine, one_test(rng, world, world.cylinders * [USUAL_KPA]), Conditions()
        ).readings
        off_kpa = first.peak_kpa + COMMON * USUAL_KPA * rng.standard_normal() - USUAL_KPA
        score.missed.append(abs(off_kpa) > first.peak_u_kpa)
        score.half_widths.append(100.0 * first.peak_u_kpa / USUAL_KPA)
    return score


def a_job(world: World, machines: int, seed: int = 1) -> Score:
    """What a job on the first cylinder gained: nothing in every other machine, up to 10 % in the rest."""
    rng, score = np.random.default_rng(seed), Score()
    first = world.engine.cylinder_names[0]
    job = PastJob(BEGIN + timedelta(days=180 * (world.tests - 0.5)), "rings", (first,))
    for machine in range(machines):
        gain = 0.0 if machine % 2 else float(rng.uniform(0.0, 0.1))
        sound = USUAL_KPA * (1.0 + BETWEEN * rng.standard_normal(world.cylinders))
        past = []
        for place in range(2 * world.tests):
            levels = sound * exp(DAY * rng.standard_normal())
            levels[0] *= exp(gain) if place >= world.tests else 1.0
            verdict = judge_test(world.engine, one_test(rng, world, levels), Conditions())
            past.append(past_test(verdict, f"t{place}", BEGIN + timedelta(days=180 * place), "red"))
        # A cylinder that is to be read again, beside the job, leaves nothing to say.
        for effect in read_history(past, [job]).jobs:
            away = abs(effect.gain_percent.value - 100.0 * (exp(gain) - 1.0))
            score.missed.append(away > effect.gain_percent.expanded_u)
            score.half_widths.append(effect.gain_percent.expanded_u)
            if gain == 0.0:
                score.real.append(effect.is_real)
    return score


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("tests", type=int, nargs="?", default=1000)
    count = parser.parse_args().tests
    scatters = (0.01, 0.02, 0.03)
    kinds = [(by_plan, pulls) for by_plan in (False, True) for pulls in (2, 3)]
    for by_plan, pulls in kinds:
        print(f"{'by the plan' if by_plan else 'as pulled'}, {pulls} pulls on each cylinder")
        for cylinders in (2, 3, 4):
            for scatter in scatters:
                world = World(cylinders, pulls, scatter, by_plan=by_plan)
                label = f"  {cylinders} cylinders, {100 * scatter:.0f} %"
                print(f"{label}, sound:       {inside_one_test(world, count).text()}")
                own = own_interval(world, count)
                print(
                    f"{label}, its own ±:   missed {_percent(own.missed):4.1f} %, ± {np.median(own.half_widths):4.1f} %"
                )
                print(f"{label}, one 10 % low: {inside_one_test(replace(world, low=0.1), count).text()}")
                print(f"{label}, a job, 1 + 1: {a_job(world, count // 2).text()}", flush=True)
        odd = World(3, pulls, 0.01, 0.04, by_plan=by_plan)
        print(f"  3 cylinders, 1 % and one 4 %: {inside_one_test(odd, count).text()}")
        longer = World(3, pulls, 0.03, by_plan=by_plan, tests=3)
        print(f"  3 cylinders, 3 %, a job, 3 + 3: {a_job(longer, count // 2).text()}", flush=True)


if __name__ == "__main__":
    main()
