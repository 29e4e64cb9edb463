"""Is every reading on the right cylinder? Simulated mechanics, with and without mistakes; the truth is known.

    python -m tests.benchmarks.hands_free [--tests 1000]

A reading is *right* when it ends on the cylinder that the gauge was in, *held* when it ends on none (it counts
nowhere), *wrong, asked* when a question was put about it, and *wrong, unasked* otherwise. What the mechanic put
right after hearing a wrong name is right, and counts as a touch.
"""

import argparse
import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import cycle
from random import Random
from time import perf_counter

from gaugelink.bench.assign import TestBench
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.plan import SIDE_PLACES, Expected, Plan
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.bench.reading import Command, CommandKind, CommandResult, Outcome, Reading
from gaugelink.bench.state import BenchSettings
from gaugelink.bench.voice import Voice, VoiceSettings, faults
from gaugelink.engine.fleet import Layout, preset_names
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import BudgetLine, CrankingEvent, Flag, GaugeKind, Method
from gaugelink.peak.notices import HandlingKind
from simulators.mechanic import Manner, Mechanic, Mistake
from simulators.rehearsal import DrawnPeak, GaugeManner, Rehearsal, Rehearsed

COLOURS = ("red", "blue", "green", "black")


def cranking_event(peak: DrawnPeak) -> CrankingEvent:
    """Make a cranking event of a drawn peak."""
    common = BudgetLine("calibration", 0.005 * peak.peak_kpa, common=True)
    return CrankingEvent(
        kind=GaugeKind.HELD if peak.held else GaugeKind.LIVE,
        start_s=peak.start_s,
        end_s=peak.end_s,
        peak_kpa=peak.peak_kpa,
        peak_u_kpa=2 * ((peak.peak_u_kpa / 2) ** 2 + common.u_kpa**2) ** 0.5,
        method=Method.SETTLED if peak.held else Method.FITTED,
        cranking_rpm=420.0,
        strokes=(),
        flags=frozenset({Flag.STILL_RISING} if peak.still_rising else ()),
        budget=(common,),
    )


EVENT_MS: list[float] = []
"""How long each event kept the bench busy, milliseconds."""


class TimedBench(TestBench):
    """A bench with a stop-watch."""

    __test__ = False

    def event(self, event_id: str, gauge: str, event: CrankingEvent, now_s: float) -> list[Outcome]:
        """Take an event and note how long it took."""
        began_s = perf_counter()
        out = super().event(event_id, gauge, event, now_s)
        EVENT_MS.append(1000 * (perf_counter() - began_s))
        return out


@dataclass
class Case:
    """One simulated test and what is assumed in it."""

    seed: int
    cylinders: int
    several: bool = False
    """A gauge for each cylinder; two gauges moved together where `pairs` is set."""
    pairs: bool = False
    mistake: Mistake | None = None
    notice: float = 0.9
    history: bool = False
    screwed_seen: float | None = None
    """Chance that screwing in is seen, the same in every test; without it, drawn for each gauge."""
    hurry: bool = False
    """Moves the gauge nearly as quickly as others pull again."""
    settings: BenchSettings = field(default_factory=BenchSettings)

    def run(self) -> Rehearsed:
        """Play it."""
        rng = Random(self.seed)
        layout = Layout.SIDE_NAMED if self.cylinders <= 3 else Layout.INLINE_FRONT
        names = tuple(name for name, _ in preset_names(layout, self.cylinders))
        colours = COLOURS[:2] if self.pairs else COLOURS
        gauges = dict(zip(names, cycle(colours), strict=False)) if self.several else dict.fromkeys(names, "red")
        mean = rng.uniform(600.0, 1100.0)
        levels = {name: mean * rng.gauss(1.0, 0.04) for name in names}
        if rng.random() < 0.2:
            levels[rng.choice(names)] *= rng.uniform(0.65, 0.9)
        common = rng.gauss(1.0, 0.05)
        earlier = {name: Expected(peak_kpa=level * common * rng.gauss(1.0, 0.025)) for name, level in levels.items()}
        plan = Plan(
            test_id=f"t{self.seed}",
            cylinders=names,
            gauges=gauges,
            repeats=rng.choice((2, 2, 2, 3)),
            places={name: place for name, place in SIDE_PLACES.items() if name in names},
            expected=earlier if self.history else {},
        )
        manner = Manner(
            repeat_s=rng.uniform(4.0, 9.0),
            move_s=rng.uniform(12.0, 16.0) if self.hurry else rng.uniform(18.0, 45.0),
            held=rng.random() < 0.5,
            notice=self.notice,
        )
        at = rng.randrange(len(names))
        if self.several or (self.mistake is Mistake.SWAPPED and self.cylinders == 2):
            at = 0
        mechanic = Mechanic(gauges, manner, rng, self.mistake, at)
        seen = rng.uniform(0.3, 0.9) if self.screwed_seen is None else self.screwed_seen
        gauge = GaugeManner(screwed_seen=seen, decided_s=2.0 if manner.held else 1.2)

        def new_bench(number: int) -> TestBench:
            return TimedBench(plan.model_copy(update={"test_id": f"{plan.test_id}-{number}"}), self.settings)

        return Rehearsal(new_bench, mechanic, levels, gauge, rng, cranking_event, HandlingKind).run()


def fate(reading: Reading | None, hole: str) -> str:
    """Return in one of the benchmark's words what became of an event."""
    if reading is None:
        return "not taken"
    if not reading.in_cylinder:
        return "struck" if reading.by_person else "held"
    if reading.cylinder == hole:
        return "right, by hand" if reading.by_person else "right"
    return "wrong, asked" if reading.asked else "wrong, unasked"


@dataclass
class Tally:
    """Counts over many tests."""

    tests: int = 0
    finished: int = 0
    mistaken: int = 0
    untouched: int = 0
    questions: int = 0
    fates: Counter[str] = field(default_factory=Counter)
    by_mistake: dict[str, Counter[str]] = field(default_factory=dict)
    moved_to: Counter[tuple[str, str]] = field(default_factory=Counter)
    put_right: int = 0
    sure: dict[str, list[bool]] = field(default_factory=dict)
    """Moved gauge: by how sure the bench was when it gave a reading at once, whether it was right."""
    lasted_s: float = 0.0

    def add(self, case: Case, happened: Rehearsed) -> None:
        """Count one test."""
        self.tests += 1
        self.finished += happened.done
        self.mistaken += happened.mistaken
        self.untouched += happened.done and happened.touches == 0
        self.questions += happened.questions
        self.lasted_s += happened.lasted_s
        row = self.by_mistake.setdefault(case.mistake.value if case.mistake else "none", Counter())
        for truth in happened.truths:
            state = happened.benches[truth.test].state
            reading = next((one for one in state.readings if one.event_id == truth.event_id), None)
            what = fate(reading, truth.hole)
            self.fates[what] += 1
            row[what] += 1
            first = None if reading is None else reading.changes[0]
            if first is not None and first.cylinder is not None and not case.several:
                self.sure.setdefault(_bin(first.confidence), []).append(first.cylinder == truth.hole)
            if reading is not None:
                names = state.plan.cylinders
                to = "none" if reading.cylinder is None else _place(names.index(reading.cylinder), len(names))
                self.moved_to[_place(names.index(truth.hole), len(names)), to] += 1
        self.put_right += can_be_put_right(happened)


def can_be_put_right(happened: Rehearsed) -> bool:
    """Assign every reading that is not where it was taken, by command, and see that the test then tells the truth."""
    # A correction can put the readings around it in doubt, which is then asked about: hence more than one round.
    for _ in range(3):
        for truth in happened.truths:
            bench = happened.benches[truth.test]
            reading = next((one for one in bench.state.readings if one.event_id == truth.event_id), None)
            if reading is None or reading.cylinder == truth.hole:
                continue
            wish = Command(
                f"fix-{len(reading.changes)}-{truth.event_id}", CommandKind.ASSIGN, truth.event_id, truth.hole
            )
            outcomes = bench.command(wish, happened.lasted_s + 60.0)
            if not any(isinstance(one, CommandResult) and one.ok for one in outcomes):
                return False
    return all(
        one.cylinder == truth.hole and len(one.changes) > 0
        for truth in happened.truths
        for one in happened.benches[truth.test].state.readings
        if one.event_id == truth.event_id
    )


def _bin(confidence: float) -> str:
    return next(f"{edge:.3f}" for edge in (0.999, 0.99, 0.98, 0.95, 0.0) if confidence >= edge)


def _place(index: int, count: int) -> str:
    return "first" if index == 0 else "last" if index == count - 1 else f"middle {index}"


def tally(tests: int, make: Callable[[int], Case]) -> Tally:
    """Run many tests."""
    found = Tally()
    for number in range(tests):
        case = make(number)
        found.add(case, case.run())
    return found


def follower(number: int) -> Case:
    """Return a test by a mechanic who follows the prompts."""
    several = number % 4 == 3
    return Case(
        number, cylinders=2 + number % 3, several=several, pairs=several and number % 3 == 2 and number % 8 == 7
    )


def blunderer(number: int, notice: float = 0.9, history: bool = False) -> Case:
    """Return a test in which one mistake is made, each kind as often."""
    mistakes = tuple(Mistake)
    return Case(
        1_000_000 + number,
        cylinders=2 + (number // len(mistakes)) % 3,
        several=(number // (3 * len(mistakes))) % 4 == 3,
        pairs=(number // (3 * len(mistakes))) % 8 == 7 and (number // len(mistakes)) % 3 == 2,
        mistake=mistakes[number % len(mistakes)],
        notice=notice,
        history=history,
    )


_FATES = ("right", "right, by hand", "held", "struck", "wrong, asked", "wrong, unasked", "not taken")


def report(title: str, found: Tally) -> None:
    """Print one block of figures."""
    events = sum(found.fates.values())
    share = {name: 100.0 * found.fates[name] / events for name in _FATES}
    print(f"\n{title}: {found.tests} tests, {events} events")
    print("  " + ", ".join(f"{name} {share[name]:.2f} %" for name in _FATES if found.fates[name]))
    readings = found.fates["right"] + found.fates["wrong, asked"] + found.fates["wrong, unasked"]
    print(f"  of the readings given without a touch, right: {100.0 * found.fates['right'] / max(readings, 1):.2f} %")
    of_all = 100.0 / found.tests
    if found.mistaken:
        print(f"  the mistake was made in {of_all * found.mistaken:.1f} %")
    print(f"  finished {of_all * found.finished:.1f} %, finished untouched {of_all * found.untouched:.1f} %")
    print(f"  a test: {found.questions / found.tests:.2f} questions, {found.lasted_s / 60 / found.tests:.1f} minutes")
    bins = [
        f"{name}: {len(hits)} of which right {100.0 * sum(hits) / len(hits):.1f} %" for name, hits in found.sure.items()
    ]
    print("  given at once, by how sure at least: " + "; ".join(sorted(bins, reverse=True)))
    print(f"  can be put right afterwards {of_all * found.put_right:.1f} %")


def confusion(found: Tally) -> None:
    """Print the two confusion tables: by mistake, and true place against place given."""
    print(f"\n  {'mistake':24}" + "".join(f"{name:>16}" for name in _FATES))
    for name, row in found.by_mistake.items():
        print(f"  {name:24}" + "".join(f"{row[what]:16d}" for what in _FATES))
    places = sorted({place for place, _ in found.moved_to}, key=lambda one: (one == "last", one != "first", one))
    print(f"\n  {'true, given':14}" + "".join(f"{to:>10}" for to in (*places, "none")))
    for place in places:
        print(f"  {place:14}" + "".join(f"{found.moved_to[place, to]:10d}" for to in (*places, "none")))


def timing() -> None:
    """Print how long events keep the bench busy, and how soon the voice starts."""
    spent = sorted(EVENT_MS)
    median, late = spent[len(spent) // 2], spent[len(spent) * 99 // 100]
    print(f"\nBench, an event to its prompt: median {median:.1f} ms, p99 {late:.1f} ms")
    silent = faults(VoiceSettings(tones=False))
    print(f"  {silent[0]}" if silent else f"Voice, a prompt to its process: median {asyncio.run(voice_ms()):.0f} ms")


async def voice_ms() -> float:
    """Return the median time from a prompt to the start of the speech program, milliseconds."""
    prompt = Prompter(PressureUnit.PSI, ENGLISH).say(PromptKey.AGAIN, cylinder="MAG", value=924.0)
    took = []
    async with Voice(VoiceSettings(tones=False)) as voice:
        for _ in range(21):
            began_s = perf_counter()
            voice.say([prompt])
            await voice.underway()
            took.append(1000 * (perf_counter() - began_s))
    return sorted(took)[len(took) // 2]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tests", type=int, default=1000, help="tests of each kind of mechanic")
    tests = parser.parse_args().tests
    right = tally(tests, follower)
    report("Follows the prompts", right)
    timing()
    wrong = tally(tests, blunderer)
    report("One mistake in every test, notices a wrong name 9 times in 10", wrong)
    confusion(wrong)
    half, few = max(tests // 2, 1), max(tests // 5, 1)
    report("The same, notices 1 time in 2", tally(half, lambda number: blunderer(number, notice=0.5)))
    report("The same, never listens", tally(half, lambda number: blunderer(number, notice=0.0)))
    report("The same, never listens, an earlier test known", tally(half, lambda n: blunderer(n, 0.0, history=True)))
    report("Follows the prompts, screwing in never seen", tally(few, lambda n: replace(follower(n), screwed_seen=0.0)))
    report("Follows the prompts, moves the gauge in 14 s", tally(few, lambda n: replace(follower(n), hurry=True)))
    careful = BenchSettings(confirm_moves=True)
    report("Follows the prompts, confirm_moves on", tally(few, lambda n: replace(follower(n), settings=careful)))


if __name__ == "__main__":
    main()
