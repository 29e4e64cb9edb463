"""Whatever happens at a bench, in whatever order: nothing is lost or counted twice, and what stands fits the test."""

import json
from collections import Counter
from dataclasses import replace
from random import Random

import pytest

from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Plan
from gaugelink.bench.prompt_keys import ENDINGS, QUESTIONS, SURE, PromptKey
from gaugelink.bench.prompts import Prompt
from gaugelink.bench.reading import Command, CommandKind, CommandResult, Outcome, Phase, ReadingChanged
from gaugelink.peak.events import Flag
from gaugelink.peak.notices import HandlingKind
from tests.bench.conftest import cranking_event

KEYS = {CommandKind.STRIKE: "x", CommandKind.REDO: "r", CommandKind.FINISH: "f", CommandKind.TAKE_BACK: "u"}
LANES = (
    dict.fromkeys("123", "red"),
    {"1": "red", "2": "blue", "3": "green"},
    {"1": "red", "2": "red", "3": "blue", "4": "blue"},
)
WAITS = frozenset({PromptKey.NO_GAUGE, PromptKey.LINK_LOST})
CAUTIONED = frozenset({PromptKey.ACKNOWLEDGE, PromptKey.ACKNOWLEDGE_FIRST})


class Walk:
    """One bench to which anything happens."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(seed)
        gauges = self.rng.choice(LANES)
        self.gauges = sorted(set(gauges.values()))
        self.bench = TestBench(Plan(test_id="t", cylinders=tuple(gauges), gauges=gauges, max_tries=3))
        self.now_s = 100.0
        self.taken: list[str] = []
        self.told: Counter[str] = Counter()
        self.lost: set[str] = set()
        self.air = False
        self.stands = self.last(self.bench.begin(self.now_s))

    def last(self, outcomes: list[Outcome]) -> Prompt:
        self.told.update(one.reading.event_id for one in outcomes if isinstance(one, ReadingChanged))
        said = [one for one in outcomes if isinstance(one, Prompt)]
        assert not self.air or not any(one.sends_to_pull for one in said)
        return said[-1] if said else self.stands

    def step(self) -> None:
        self.now_s += self.rng.choice((0.3, 1.0, 3.0, 8.0, 30.0, 100.0))
        happens = self.rng.choice(
            (self.pull, self.pull, self.pull, self.command, self.command, self.rest, self.restart)
        )
        self.stands = self.last(happens())

    def pull(self) -> list[Outcome]:
        out: list[Outcome] = []
        start_s = self.now_s
        for gauge in self.rng.sample(self.gauges, self.rng.choice((1, len(self.gauges)))):
            flags = self.rng.choice(((), (), (), (Flag.STILL_RISING,), (Flag.SHORT_RECORD,)))
            peak_kpa = self.rng.choice((930.0, 900.0, 600.0)) * self.rng.gauss(1.0, 0.01)
            event_id = f"e{len(self.taken) + 1}"
            if self.bench.state.phase not in (Phase.FINISHED, Phase.ABANDONED):
                self.taken.append(event_id)
            self.now_s += 2.2
            event = cranking_event(start_s, peak_kpa, flags)
            out += self.bench.event(event_id, gauge, event, self.now_s)
            assert self.bench.event(event_id, gauge, event, self.now_s) == []
        return out

    def command(self) -> list[Outcome]:
        kind = self.rng.choice(list(CommandKind))
        if self.bench.state.phase is Phase.CAUTIONS and self.rng.random() < 0.7:
            kind = CommandKind.ACKNOWLEDGE
        if kind in (CommandKind.FINISH, CommandKind.ABANDON) and self.rng.random() < 0.7:
            kind = CommandKind.TAKE_BACK
        names = (*self.bench.plan.cylinders, None)
        event = self.rng.choice((*self.taken, None))
        asked = Command(f"c{self.now_s}", kind, event, self.rng.choice(names), self.rng.choice(names))
        if kind in KEYS and self.rng.random() < 0.5:
            asked = replace(asked, event=None, cylinder=None, key=KEYS[kind])
        before = self.standing()
        out = self.bench.command(asked, self.now_s)
        (answer,) = [one for one in out if isinstance(one, CommandResult)]
        assert answer.ok or self.standing() == before
        assert not answer.ok or any(isinstance(one, Prompt) for one in out)
        return out

    def rest(self) -> list[Outcome]:
        out: list[Outcome] = []
        gauge, up = self.rng.choice(self.gauges), self.rng.random() < 0.6
        out += self.bench.link(gauge, up, self.now_s)
        self.lost = self.lost - {gauge} if up else self.lost | {gauge}
        out += self.bench.handling(gauge, self.rng.choice(list(HandlingKind)), self.now_s)
        for _ in range(self.rng.choice((1, 20, 60))):
            self.now_s += 0.25
            out += self.bench.tick(self.now_s)
        return out

    def restart(self) -> list[Outcome]:
        before = self.standing()
        self.bench = TestBench.restore(json.loads(json.dumps(self.bench.snapshot())), self.now_s)
        assert self.standing() == before
        self.air = self.rng.random() < 0.2
        self.bench.leak_down(self.air)
        closed = self.bench.state.phase in (Phase.FINISHED, Phase.ABANDONED)
        if closed or self.rng.random() < 0.5:
            return []
        if self.rng.random() < 0.5:
            return self.bench.resume(self.now_s)
        self.lost = set(self.gauges)
        return self.bench.resume(self.now_s, absent=frozenset(self.gauges))

    def standing(self) -> object:
        whole = self.bench.snapshot()
        return [whole[name] for name in ("phase", "target", "readings", "skipped", "wished", "gauges", "deeds")]

    def check(self) -> None:
        """What holds after every step; of a pull that is still open, nothing was said yet."""
        state = self.bench.state
        assert [one.event_id for one in state.readings] == self.taken
        counted = Counter(event for one in state.cylinders for event in (*one.repeats, *one.left_out))
        assert counted == Counter(one.event_id for one in state.readings if one.in_cylinder)
        assert self.told == Counter({one.event_id: len(one.changes) for one in state.readings})
        if self.bench.snapshot()["pull"] is not None:
            return
        key = self.stands.key
        questions = self.bench._state.questions
        if state.phase is Phase.CAUTIONS:
            assert key in CAUTIONED
        elif state.phase is Phase.MEASURING:
            assert state.current or questions
            assert key not in CAUTIONED | ENDINGS
            assert not self.stands.sends_to_pull or self.stands.cylinders == state.current
            assert key not in SURE or self.bench.snapshot()["waiting"] is not None
            wanted = {one.gauge for one in state.cylinders if one.name in state.current}
            assert key not in WAITS or wanted & self.lost
        else:
            assert not self.stands.sends_to_pull
            assert key not in QUESTIONS or questions or key is PromptKey.ASK_EXCHANGED


@pytest.mark.parametrize("seed", range(40))
def test_nothing_is_lost_and_what_stands_fits_whatever_happens(seed: int) -> None:
    walk = Walk(seed)
    for _ in range(50):
        walk.step()
        walk.check()
