"""One bench's test from begin to end: turns what happens into entries, messages and prompts. No clock, no edges."""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime

from gaugelink.app.clock_back import PullClock
from gaugelink.app.dry_behind import Dry, DryBehind
from gaugelink.app.judging import verdict_of
from gaugelink.app.noted import Noted, snapshot_text
from gaugelink.app.noted_air import NotedAir
from gaugelink.app.planning import planned
from gaugelink.app.recorded import restored
from gaugelink.app.shopfile import Shop
from gaugelink.app.sitting import Sitting
from gaugelink.app.step import Step
from gaugelink.app.telling import (
    bench_command,
    prompt_message,
    reading_entry,
    reading_message,
    result_message,
    test_message,
)
from gaugelink.app.traits import hints_of
from gaugelink.bench.assign import TestBench
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.evidence import Habits
from gaugelink.bench.plan import Plan
from gaugelink.bench.prompt_keys import ASIDE, PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import CommandResult, Outcome, Phase, ReadingChanged, TestChanged
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.convert import cranking_message
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.engine.fleet import EngineRecord
from gaugelink.errors import SettingsError
from gaugelink.journal.entries import CommandEntry, EventEntry, PromptEntry, TestEntry
from gaugelink.journal.rows import StoredEvent, StoredTest
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples
from gaugelink.peak.notices import HandlingKind
from gaugelink.verdict.corrected import calibrated_event
from gaugelink.verdict.findings import TestVerdict
from gaugelink.verdict.leakdown import LeakDownValue

OPEN_WAY_OUT = "It is open: finish it with the version that began it, or give another journal in [bench]."


class Session:
    """What a bench is in the middle of. Each method returns what is to be written down and told.

    `now_s` is monotonic time, `at` wall time for stamps.
    """

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._unit = shop.settings.bench.display_unit
        self._say = Prompter(self._unit, ENGLISH)
        self._test: TestBench | None = None
        self._engine: EngineRecord | None = None
        self._events: dict[str, CrankingEvent] = {}
        self._began_at: datetime | None = None
        """When the open test began, as the journal has it: a clock that is put right does not move it."""
        self._revision = 0
        self._noted = Noted()
        self._air = NotedAir(datetime.max.replace(tzinfo=UTC))
        self._prompt: Prompt | None = None
        self._sitting = Sitting()
        self._habits: Habits | None = None
        self._dry: Dry | None = None
        self._leak_down: list[LeakDownValue] = []
        self._behind = DryBehind()
        self.clock = PullClock()
        self._streaming: set[str] = set()
        self._under_air = False
        self._calibrations: dict[str, CalibrationRecord] = {}
        self.verdict: TestVerdict | None = None
        """The verdict on the test so far."""

    @property
    def test(self) -> TestBench | None:
        """The test that is open, or None."""
        return self._test

    @property
    def test_id(self) -> str | None:
        """Id of the open test."""
        return self._test.plan.test_id if self._test is not None else None

    @property
    def began_at(self) -> datetime | None:
        """When the open test began, or None."""
        return self._began_at

    @property
    def hints(self) -> EngineHints:
        """What the engine's record knows that helps the fit."""
        return hints_of(self._engine)

    def leak_down(self, under_way: bool) -> None:
        """Note whether a leak-down is under way at the bench: until it has ended the test sends nobody to pull."""
        self._under_air = under_way
        if self._test is not None:
            self._test.leak_down(under_way)

    def beside(self, leak_down: Sequence[LeakDownValue], at: datetime) -> Step:
        """Judge the test anew beside what differential leak-downs of its engine came to, where that is news."""
        step = Step()
        if self._test is not None and list(leak_down) != self._leak_down:
            self._leak_down = list(leak_down)
            self._tell_test(step, at)
        return step

    def calibrate(self, gauge: str, record: CalibrationRecord) -> None:
        """From now on correct a gauge by this calibration."""
        self._calibrations[gauge] = record

    def corrected(self, gauge: str, event: CrankingEvent, on: date) -> CrankingEvent:
        """Take a gauge's known error off an event, and flag what is past its calibration date."""
        return calibrated_event(event, self._calibrations.get(gauge), self.shop.gauge(gauge).calibration_due, on)

    def resume(self, stored: StoredTest, events: Sequence[StoredEvent], now_s: float, at: datetime) -> Step:
        """Go on with a test that the journal holds.

        Raises:
            JournalError: the stored test cannot be read by this version.
            SettingsError: the shop no longer has its machine, one of its cylinders or its gauge.
        """
        test = self._restored(stored, events, now_s, at)
        return self._step(test.resume(now_s, self._absent(test.plan)), at, changed=True)

    def take_up(
        self,
        stored: StoredTest,
        events: Sequence[StoredEvent],
        leak_down: Sequence[LeakDownValue],
        now_s: float,
        at: datetime,
    ) -> Step:
        """Have a closed test of an earlier service, to do what is asked of it as that did. Raises as `resume` does."""
        test = self._restored(stored, events, now_s, at)
        said = test.resume(now_s, self._absent(test.plan))
        self._prompt = next((one for one in said if isinstance(one, Prompt)), None)
        assert self._engine is not None
        self._leak_down = list(leak_down)
        self.verdict = verdict_of(test.state, self._events, self._engine, self._unit, self._dry, self._leak_down)
        return Step(state=test.state, verdict=self.verdict, stands_since=stored.began_at)

    def _restored(self, stored: StoredTest, events: Sequence[StoredEvent], now_s: float, at: datetime) -> TestBench:
        away_s = max(0.0, (at - stored.updated_at).total_seconds())
        way_out = "Update gaugelink." if stored.closed else OPEN_WAY_OUT
        again = restored(stored, way_out, now_s, away_s, self._unit)
        test = again.bench
        engine = self.shop.fleet.engine_of(test.plan.machine)
        for cylinder in test.plan.cylinders:
            engine.cylinder(cylinder)
        for gauge in test.plan.gauges.values():
            self.shop.gauge(gauge)
        self._test, self._engine, self._dry = test, engine, self._behind.standing(stored.machine)
        self._test.leak_down(self._under_air)
        counted = self._behind.count_of(stored.machine)
        self._revision, self._noted = again.revision, Noted(again.notes, stored.odometer, before=counted)
        self._began_at = stored.began_at
        self._air = NotedAir(again.air_at or stored.began_at, again.air_unsaid)
        told_kpa = self._air.told_anew(self.shop, test.state, at)
        if told_kpa is not None:
            test.told_air(told_kpa)
        self._events = {event.event_id: event.event for event in events}
        return test

    def hold_against(self, behind: DryBehind) -> None:
        """Give what stands behind the test of a machine, before it goes on: the one that is open keeps its own."""
        self._behind = behind

    def held_anew(self, now_s: float, at: datetime) -> Step:
        """Judge the open test anew where another dry test stands behind it than when it began: one may be given up."""
        del now_s
        step = Step()
        if self._test is None:
            return step
        machine = self._test.plan.machine
        self._noted = replace(self._noted, before=self._behind.count_of(machine))
        if self._dry != (dry := self._behind.standing(machine)):
            self._dry = dry
            self._tell_test(step, at)
        return step

    def begin(self, command: Command, now_s: float, at: datetime) -> Step:
        """Begin a test as a command asks; what it leaves open comes from the shop file.

        Raises:
            SettingsError: the machine, a cylinder or a gauge is not known, or the plan does not fit together.
        """
        machine = self.shop.fleet.find(command.machine or "")
        dry = self._behind.of(machine.id)
        plan = planned(self.shop, command, dry[0] if dry is not None else ())
        if self._test is not None:
            self._habits = self._test.habits()
        self._leak_down = []
        self._test = TestBench(plan, self.shop.settings.test.assignment, self._unit, habits=self._habits)
        self._test.leak_down(self._under_air)
        self._engine, self._events = self.shop.fleet.engine_of(machine.id), {}
        self._revision, self.verdict = 0, None
        self._noted = Noted.at_begin(command, at, self._behind.count_of(machine.id))
        self._began_at, self._air = at, NotedAir(at)
        self._dry = self._behind.standing(machine.id)
        heard = self._sitting.heard(machine.id, now_s, at)
        clock = [self._say.say(PromptKey.CLOCK_BACK)] if self.clock.has_gone_back(at) else []
        return self._step([*clock, *self._test.begin(now_s, heard, self._absent(plan))], at, changed=True)

    def _absent(self, plan: Plan) -> frozenset[str]:
        """The gauges of a test that do not stream."""
        return frozenset(plan.gauges.values()) - self._streaming

    def judged(
        self,
        event_id: str,
        gauge: str,
        event: CrankingEvent,
        samples: EventSamples,
        decided_s: float,
        now_s: float,
        at: datetime,
    ) -> Step:
        """Take a judged cranking event, whose end was decided at `decided_s`."""
        running = self._test is not None and self._test.state.phase not in (Phase.FINISHED, Phase.ABANDONED)
        outcomes = []
        if self._test is not None and running:
            self._events[event_id] = event
            outcomes = [*self._test.event(event_id, gauge, event, now_s, decided_s), *self._of_the_air(at)]
            self._sitting.note(self._test, now_s, at)
        step = self._step(outcomes, at)
        name, test_id = self.shop.name, self.test_id if running else None
        message = cranking_message(event, event_id=event_id, bench=name, gauge=gauge, test_id=test_id, at=at)
        step.entries.insert(0, EventEntry(event_id, name, gauge, at, event, samples, test_id))
        step.messages.insert(0, message)
        step.event = event
        return step

    def handling(self, gauge: str, what: HandlingKind, now_s: float, at: datetime) -> Step:
        """Take a sign that a gauge was handled."""
        return self._step(self._test.handling(gauge, what, now_s) if self._test else [], at)

    def opened(self, gauge: str, now_s: float, at: datetime) -> Step:
        """Note that cranking began."""
        self._sitting.note(self._test, now_s, at)
        return self._step(self._test.opened(gauge, now_s) if self._test else [], at)

    def stroke(self, gauge: str, level_kpa: float, now_s: float, at: datetime) -> Step:
        """Take a stroke as it passes."""
        return self._step(self._test.stroke(gauge, level_kpa, now_s) if self._test else [], at)

    def link(self, gauge: str, up: bool, now_s: float, at: datetime) -> Step:
        """Note that a gauge's link was lost or is back; before that is told the first time, it is not there."""
        if up:
            self._streaming.add(gauge)
        else:
            self._streaming.discard(gauge)
        return self._step(self._test.link(gauge, up, now_s) if self._test else [], at)

    def tick(self, now_s: float, at: datetime) -> Step:
        """Let time pass. In the middle of a test the cautions come again with the next sitting, as after a restart."""
        if (test := self._test) is not None and not self._under_air and self._sitting.has_ended(test, now_s, at):
            return self._step(test.resume(now_s, self._absent(test.plan)), at, changed=True)
        return self._step(test.tick(now_s) if test else [], at)

    def say(self, key: PromptKey, at: datetime) -> Step:
        """Say something that is not about the test: a battery, a sleeping gauge, a full disk."""
        return self._step([self._say.say(key)], at)

    def command(self, command: Command, now_s: float, at: datetime) -> Step:
        """Carry out a command or refuse it. There is one result for each, with the reason when it is refused."""
        if command.action is CommandAction.BEGIN:
            step = self._begin_as_asked(command, now_s, at)
        elif command.action in (CommandAction.NOTE, CommandAction.ODOMETER):
            step = self._note(command, at)
        else:
            asked = bench_command(command)
            if asked is None:
                step = self._answered(command, False, f"A test has no {command.action.value}.", at)
            elif self._test is None:
                step = self._answered(command, False, "No test is open: begin one first.", at)
            else:
                outcomes = self._test.command(asked, now_s)
                if command.action is CommandAction.ACKNOWLEDGE:
                    outcomes += self._of_the_air(at)
                step = self._step(outcomes, at)
                if step.result is not None and step.result.ok:
                    self._sitting.note(self._test, now_s, at)
        return self._written(command, step, at)

    def _of_the_air(self, at: datetime) -> list[Outcome]:
        """What is to be said of the air pressure once pulls count: that it is of another day, or told anew."""
        if self._test is None or self._test.state.phase not in (Phase.MEASURING, Phase.DONE):
            return []
        key = self._air.remark(self._test.plan, at)
        return [] if key is None else [self._say.say(key)]

    def refuse(self, command: Command, text: str, now_s: float, at: datetime, *, ok: bool = False) -> Step:
        """Refuse a command for a reason that lies outside the test, or say that there is nothing to do for it: `ok`."""
        del now_s
        return self._written(command, self._answered(command, ok, text, at), at)

    @staticmethod
    def _written(command: Command, step: Step, at: datetime) -> Step:
        """A step with its command's answer to be written down, so that it is given again when the command is."""
        if step.result is not None and not step.result.repeated:
            result = {"ok": step.result.ok, "text": step.result.text}
            step.entries.append(CommandEntry(command.id, at, command.model_dump_json(), json.dumps(result)))
        return step

    def answer_again(self, command: Command, answered: str, now_s: float, at: datetime) -> Step:
        """Repeat the answer that a command got when its id came first; nothing is done again."""
        del now_s
        first = json.loads(answered)
        return self._step([CommandResult(command.id, first["ok"], first["text"], repeated=True)], at)

    def _begin_as_asked(self, command: Command, now_s: float, at: datetime) -> Step:
        before = self._test
        if before is not None and before.state.phase in (Phase.CAUTIONS, Phase.MEASURING):
            text = f"A test of {before.plan.machine} is open: finish or abandon it before another one begins."
            return self._answered(command, False, text, at)
        closing = self._entry(before, at, closed=True) if before is not None else None
        try:
            step = self.begin(command, now_s, at)
        except SettingsError as error:
            return self._answered(command, False, str(error), at)
        if closing is not None:
            step.entries.insert(0, closing)
        text = f"Test of {command.machine} begun.{self._noted.remark(self.shop.fleet.find(command.machine or ''))}"
        return step.answered_by(self._answered(command, True, text, at))

    def _note(self, command: Command, at: datetime) -> Step:
        if self._test is None:
            return self._answered(command, False, "No test is open: begin one first.", at)
        try:
            self._noted, taken, text = self._noted.told(command, self.shop.fleet.find(self._test.plan.machine), at)
        except SettingsError as error:
            return self._answered(command, False, str(error), at)
        return self._step([CommandResult(command.id, taken, text)], at, changed=taken)

    def _answered(self, command: Command, ok: bool, text: str, at: datetime) -> Step:
        return self._step([CommandResult(command.id, ok, text)], at)

    def _step(self, outcomes: Sequence[Outcome], at: datetime, *, changed: bool = False) -> Step:
        step, bench = Step(), self.shop.name
        for outcome in outcomes:
            if isinstance(outcome, Prompt):
                step.prompts.append(outcome)
                self._prompt = self._prompt if outcome.key in ASIDE and self._prompt is not None else outcome
                step.messages.append(prompt_message(outcome, bench=bench, test_id=self.test_id, at=at))
                step.entries.append(PromptEntry(step.messages[-1].id, bench, at, outcome.text, self.test_id))
            elif isinstance(outcome, ReadingChanged):
                step.entries.append(reading_entry(outcome.reading, at))
                step.messages.append(reading_message(outcome.reading, bench=bench, at=at))
            elif isinstance(outcome, CommandResult):
                step.result = outcome
                step.messages.append(result_message(outcome, bench=bench, test_id=self.test_id, at=at))
            elif isinstance(outcome, TestChanged):
                changed = True
        if self._test is not None and (changed or (outcomes and step.prompts)):
            self._tell_test(step, at)
        return step

    def _tell_test(self, step: Step, at: datetime) -> None:
        """Add the whole test, judged anew, to a step."""
        assert self._test is not None
        assert self._engine is not None
        assert self._began_at is not None
        state = self._test.state
        self._revision += 1
        self.verdict = verdict_of(state, self._events, self._engine, self._unit, self._dry, self._leak_down)
        step.state, step.verdict = state, self.verdict
        step.entries.append(self._entry(self._test, at, closed=state.phase in (Phase.FINISHED, Phase.ABANDONED)))
        step.messages.append(
            test_message(
                state,
                self.verdict,
                self._events,
                bench=self.shop.name,
                at=at,
                began_at=self._began_at,
                revision=self._revision,
                places=self._engine.cylinder_names,
                unit=self._unit,
                prompt=self._prompt,
                cautions=tuple(
                    said.text for said in self._say.cautions(state.plan.conditions.cranked_by, state.plan.note)
                ),
                noted=self._noted,
            )
        )

    def _entry(self, test: TestBench, at: datetime, *, closed: bool) -> TestEntry:
        snapshot = snapshot_text(test, self._revision, self._noted.notes, self._air)
        plan, odometer = test.plan, self._noted.odometer
        return TestEntry(plan.test_id, self.shop.name, plan.machine, snapshot, at, plan.engine, closed, odometer)
