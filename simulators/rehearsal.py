"""A whole test on a simulated engine without a radio and without waiting: the mechanic, the pulls, and the truth.

Peaks are drawn, not computed: it is the giving of readings to cylinders that is rehearsed here, not the measuring.
"""

import heapq
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from random import Random
from typing import Any

from gaugelink.bench.assign import TestBench
from gaugelink.bench.prompt_keys import QUESTIONS, PromptKey
from gaugelink.bench.prompts import Prompt
from gaugelink.bench.reading import Command, CommandKind, Outcome, Phase
from simulators.mechanic import Action, Bleed, Mechanic, Pull, Radio, Say, ScrewIn


@dataclass(frozen=True, slots=True)
class GaugeManner:
    """What a gauge shows of what is done to it, and how long an event takes to be decided."""

    screwed_seen: float = 0.6
    """Chance that screwing in leaves a signature."""
    screwed_false: float = 0.02
    """Chance of such a signature before a pull without it."""
    bled_seen: float = 0.97
    zero_moves: float = 0.1
    repeat_sd: float = 0.01
    """Relative standard deviation between good pulls."""
    noise_sd: float = 0.004
    """Relative standard uncertainty that the gauge claims, and has."""
    decided_s: float = 1.2
    """From the last stroke to the event."""


@dataclass(frozen=True, slots=True)
class DrawnPeak:
    """One event as the gauge gives it, to be made into a cranking event."""

    start_s: float
    end_s: float
    peak_kpa: float
    peak_u_kpa: float
    still_rising: bool
    held: bool


@dataclass(frozen=True, slots=True)
class Truth:
    """Where an event really came from."""

    event_id: str
    test: int
    """Which of the tests, counting from 0: an abandoned one is followed by another."""
    gauge: str
    hole: str
    order: int
    """Number of the pull over all tests."""


@dataclass(slots=True)
class Rehearsed:
    """What happened."""

    benches: list[TestBench] = field(default_factory=list)
    truths: list[Truth] = field(default_factory=list)
    prompts: list[tuple[float, PromptKey]] = field(default_factory=list)
    touches: int = 0
    """Commands, the acknowledgement of the cautions left out."""
    questions: int = 0
    lasted_s: float = 0.0
    mistaken: bool = False
    """Whether the mechanic made the mistake that was asked for."""

    @property
    def done(self) -> bool:
        """Whether the last test came to its end by itself."""
        return self.benches[-1].state.phase is Phase.DONE


class Rehearsal:
    """Runs a test to its end. `new_bench` makes a test, `event` a cranking event, `handling` a sign by its name."""

    def __init__(
        self,
        new_bench: Callable[[int], TestBench],
        mechanic: Mechanic,
        level_kpa: Mapping[str, float],
        gauge: GaugeManner,
        rng: Random,
        event: Callable[[DrawnPeak], Any],
        handling: Callable[[str], Any],
    ) -> None:
        self.mechanic = mechanic
        self.happened = Rehearsed()
        self._new_bench = new_bench
        self._level_kpa = level_kpa
        self._gauge = gauge
        self._rng = rng
        self._event = event
        self._handling = handling
        self._radio_up = True
        self._later: list[tuple[float, int, Callable[[float], list[Outcome]]]] = []
        self._order = count()
        self._numbers: Iterator[int] = count(1)
        self._pulls = 0

    def run(self, longest_s: float = 7200.0) -> Rehearsed:
        """Play the test until it is done and nothing is left to do."""
        self._begin(0.0)
        now_s, quiet_s = 0.0, 0.0
        while now_s < longest_s:
            due = [
                time for time in (self.mechanic.due_s, self._later[0][0] if self._later else None) if time is not None
            ]
            if not due and self._bench.state.phase is Phase.DONE:
                break
            tick_s = now_s + 1.0
            if due and min(due) <= tick_s:
                now_s = max(now_s, min(due))
                if self._later and self._later[0][0] <= now_s:
                    _, _, happen = heapq.heappop(self._later)
                    self._take(happen(now_s), now_s)
                else:
                    self._act(self.mechanic.act(), now_s)
                quiet_s = 0.0
            else:
                now_s = min(due) - 1.0 if due and min(due) > now_s + 300.0 else tick_s
                quiet_s += 1.0
                self._take(self._bench.tick(now_s), now_s)
            if quiet_s > 1500.0:
                break
        self.happened.lasted_s = now_s
        self.happened.mistaken = self.mechanic.made
        return self.happened

    @property
    def _bench(self) -> TestBench:
        return self.happened.benches[-1]

    def _begin(self, now_s: float) -> None:
        before = self.happened.benches[-1].state.acknowledged if self.happened.benches else None
        self.happened.benches.append(self._new_bench(len(self.happened.benches)))
        self._take(self._bench.begin(now_s, before), now_s)

    def _take(self, outcomes: list[Outcome], now_s: float) -> None:
        for outcome in outcomes:
            if isinstance(outcome, Prompt):
                self.happened.prompts.append((now_s, outcome.key))
                self.happened.questions += outcome.key in QUESTIONS
                self.mechanic.hear(outcome.key, outcome.cylinders, outcome.args, now_s)

    def _act(self, action: Action, now_s: float) -> None:
        if isinstance(action, Pull):
            self._pull(action, now_s)
        elif isinstance(action, Radio):
            self._radio_up = action.up
            for gauge in self.mechanic.hole:
                self._take(self._bench.link(gauge, action.up, now_s), now_s)
        elif isinstance(action, Say):
            self._say(action, now_s)
        elif not self._radio_up:
            return
        elif isinstance(action, Bleed):
            if self._rng.random() < self._gauge.bled_seen:
                self._take(self._bench.handling(action.gauge, self._handling("vented"), now_s), now_s)
        elif isinstance(action, ScrewIn):
            if self._rng.random() < self._gauge.zero_moves:
                self._take(self._bench.handling(action.gauge, self._handling("zero_moved"), now_s), now_s)
            if self._rng.random() < self._gauge.screwed_seen:
                self._take(self._bench.handling(action.gauge, self._handling("screwed"), now_s), now_s)

    def _say(self, action: Say, now_s: float) -> None:
        if action.kind == "begin":
            self._begin(now_s)
            return
        kind = CommandKind(action.kind)
        self.happened.touches += kind is not CommandKind.ACKNOWLEDGE
        command = Command(f"c{next(self._numbers)}", kind, cylinder=action.cylinder, other=action.other, by="mechanic")
        self._take(self._bench.command(command, now_s), now_s)

    def _pull(self, pull: Pull, now_s: float) -> None:
        self._pulls += 1
        length_s = self._rng.uniform(0.8, 1.5)
        for gauge, hole in self.mechanic.hole.items():
            if hole is None or not self._radio_up:
                continue
            if self._rng.random() < self._gauge.screwed_false:
                self._take(self._bench.handling(gauge, self._handling("screwed"), now_s), now_s)
            start_s = now_s + self._rng.uniform(0.0, 0.15)
            level = self._level_kpa[hole] * pull.strength * pull.loose.get(gauge, 1.0)
            level *= self._rng.gauss(1.0, self._gauge.repeat_sd) * self._rng.gauss(1.0, self._gauge.noise_sd)
            peak = DrawnPeak(
                start_s,
                start_s + length_s,
                level,
                2 * self._gauge.noise_sd * level,
                pull.cut_short,
                self.mechanic.manner.held,
            )
            number = len(self.happened.truths) + 1
            truth = Truth(f"e{number}", len(self.happened.benches) - 1, gauge, hole, self._pulls)
            self.happened.truths.append(truth)
            self._soon(start_s + 0.2, partial(self._bench.opened, gauge))
            decided_s = start_s + length_s + self._gauge.decided_s * self._rng.uniform(0.9, 1.1)
            self._soon(decided_s, partial(self._deliver, truth, peak))

    def _deliver(self, truth: Truth, peak: DrawnPeak, at_s: float) -> list[Outcome]:
        return self.happened.benches[truth.test].event(truth.event_id, truth.gauge, self._event(peak), at_s)

    def _soon(self, at_s: float, happen: Callable[[float], list[Outcome]]) -> None:
        heapq.heappush(self._later, (at_s, next(self._order), happen))
