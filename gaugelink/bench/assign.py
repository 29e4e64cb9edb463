"""A running test: events, signs of handling and commands in; readings, prompts and the test's state out.

A pure state machine. It has no clock: whoever calls it says what time it is, on a monotonic clock.
"""

from dataclasses import replace

from gaugelink.bench import commands, judging, saying
from gaugelink.bench.agree import RADIO_GAP, UNFINISHED
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.evidence import Habits
from gaugelink.bench.plan import CrankedBy, Plan
from gaugelink.bench.prompt_keys import LOOK_AGAIN, PULLS, QUESTIONS, SURE, PromptKey
from gaugelink.bench.prompts import Language, Prompt, Prompter
from gaugelink.bench.reading import (
    Acknowledgement,
    Command,
    CommandResult,
    Outcome,
    Phase,
    Reading,
    ReadingChanged,
    Status,
    TestChanged,
    TestState,
)
from gaugelink.bench.repeats import common_u_kpa, own_u_kpa
from gaugelink.bench.state import SNAPSHOT, BenchSettings, BenchState, GaugeTrack, OpenPull
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import CrankingEvent, GaugeKind
from gaugelink.peak.notices import HandlingKind

_RUNNING = (Phase.CAUTIONS, Phase.MEASURING, Phase.DONE)


class TestBench:
    """One test on one engine. Every method that takes `now_s` returns what came of it, in order."""

    __test__ = False

    def __init__(
        self,
        plan: Plan,
        settings: BenchSettings | None = None,
        unit: PressureUnit = PressureUnit.PSI,
        language: Language = ENGLISH,
        habits: Habits | None = None,
    ) -> None:
        """Prepare a test. `habits` are those of an earlier test of the same session, see `habits`."""
        self._say = Prompter(unit, language)
        self._origin_s: float | None = None
        self._state = BenchState(plan, settings or BenchSettings(), habits or Habits())
        self._state.gauges = dict(plan.gauges)
        self._state.tracks = {gauge: GaugeTrack() for gauge in dict.fromkeys(plan.gauges.values())}
        self._out: list[Outcome] = []

    @classmethod
    def restore(
        cls,
        snapshot: dict[str, object],
        now_s: float,
        away_s: float = 0.0,
        unit: PressureUnit = PressureUnit.PSI,
        language: Language = ENGLISH,
    ) -> "TestBench":
        """Go on with a test from its snapshot, at `now_s` on a new clock, after `away_s` seconds of nobody watching.

        Raises pydantic.ValidationError when the snapshot is not one.
        """
        state = SNAPSHOT.validate_python(snapshot)
        bench = cls(state.plan, state.settings, unit, language)
        bench._state = state
        state.at_s += max(away_s, 0.0)
        for track in state.tracks.values():
            track.lost_s += max(away_s, 0.0)
        bench._at(now_s)
        return bench

    def snapshot(self) -> dict[str, object]:
        """Return the whole state as JSON values."""
        whole: dict[str, object] = SNAPSHOT.dump_python(self._state, mode="json")
        return whole

    @property
    def state(self) -> TestState:
        """The test as it stands."""
        return self._state.summary()

    @property
    def plan(self) -> Plan:
        """The plan of the test."""
        return self._state.plan

    def habits(self) -> Habits:
        """Return what is known of the mechanic's times, for the next test of the session."""
        return judging.habits(self._state)

    def begin(
        self, now_s: float, acknowledged: Acknowledgement | None = None, absent: frozenset[str] = frozenset()
    ) -> list[Outcome]:
        """Start the test: the cautions, or the first prompt, when they were acknowledged for this machine just now.

        `absent` are the gauges that are not heard: no pull is asked for before they are.
        """
        self._at(now_s)
        state = self._state
        self._note_absent(absent)
        state.target = state.next_station()
        if acknowledged is None:
            self._caution()
        else:
            state.acknowledged = acknowledged
            state.phase = Phase.MEASURING
            self._prompt(saying.opening(state, self._say))
        return self._flush()

    def resume(self, now_s: float, absent: frozenset[str] = frozenset()) -> list[Outcome]:
        """Go on after a restart: nobody knows who is at the machine now, so the cautions come again before any pull."""
        self._at(now_s)
        state = self._state
        self._note_absent(absent)
        state.resumed = state.resumed or state.phase in (Phase.MEASURING, Phase.DONE)
        if state.phase in (Phase.CAUTIONS, Phase.MEASURING):
            self._caution()
        elif state.phase is Phase.DONE and not self._retarget():
            self._prompt(saying.closing(state, self._say))
            self._ask_what_is_left()
        return self._flush()

    def event(
        self, event_id: str, gauge: str, event: CrankingEvent, now_s: float, decided_s: float | None = None
    ) -> list[Outcome]:
        """Take a cranking event. The same id again does nothing.

        `decided_s` is when its end was decided, on the same clock; judging it took the time from then to `now_s`,
        and that is no time that the mechanic took.
        """
        at_s = self._at(now_s)
        state = self._state
        ended_s = at_s if decided_s is None else max(0.0, at_s - max(0.0, now_s - decided_s))
        if state.phase not in _RUNNING or state.reading(event_id) is not None:
            return []
        lane = state.lane(gauge)
        if not lane:
            self._prompt(self._say.say(PromptKey.ASK_GAUGE, state.target))
            return self._flush(changed=False)
        track = state.tracks[gauge]
        length_s = event.end_s - event.start_s
        if state.pull is not None and not self._joins(state.pull, gauge, ended_s - length_s):
            self._close_pull()
        sign = judging.sign_of(state, event_id, gauge, event, ended_s - length_s)
        late = state.pull is None and state.closed is not None and self._joins(state.closed, gauge, ended_s - length_s)
        pull = state.closed if late else state.pull
        if pull is None:
            state.pulls += 1
            pull = OpenPull(state.pulls, ended_s - length_s, at_s)
        state.pull = pull
        pull.last_s = at_s
        pull.events[gauge] = event_id
        state.readings.append(
            Reading(
                event_id=event_id,
                test_id=state.plan.test_id,
                gauge=gauge,
                kind=event.kind,
                pull=pull.number,
                peak_kpa=event.peak_kpa,
                peak_u_kpa=event.peak_u_kpa,
                common_u_kpa=common_u_kpa(event),
                flags=event.flags | (RADIO_GAP if track.cut and event.flags & UNFINISHED else frozenset()),
                status=Status.HELD,
                cylinder=None,
                confidence=0.0,
                candidates=(),
                own_u_kpa=own_u_kpa(event),
                strokes=len(event.strokes),
                climb_per_stroke=event.climb_per_stroke,
            )
        )
        down_s = None if track.down_since_s is None else at_s
        state.tracks[gauge] = GaugeTrack(
            signs=[*track.signs, sign], last_end_s=ended_s, down_since_s=down_s, loss_said=track.loss_said
        )
        self._reweigh(gauge, fresh=event_id)
        expected = {state.gauges[name] for name in state.target or state.plan.cylinders}
        if late and gauge not in expected:
            # A gauge that stayed where it is settled saw the pull too: nothing more is to be said.
            state.closed, state.pull = state.pull, None
            self._retarget()
        elif expected <= set(pull.events):
            self._close_pull()
        return self._flush()

    def handling(self, gauge: str, what: HandlingKind, now_s: float) -> list[Outcome]:
        """Take a sign that the gauge was handled between events."""
        self._at(now_s)
        state = self._state
        track = state.tracks.get(gauge)
        if track is None or state.phase not in _RUNNING:
            return []
        if what is HandlingKind.VENTED:
            track.bled_s = self._state.at_s
        elif what is HandlingKind.ZERO_MOVED:
            track.zero_moved = True
        elif what is HandlingKind.SCREWED:
            track.screwed = True
            self._say_ready(gauge)
        return self._flush(changed=False)

    def opened(self, gauge: str, now_s: float) -> list[Outcome]:
        """Note that an event has begun on a gauge."""
        at_s = self._at(now_s)
        track = self._state.tracks.get(gauge)
        if track is None:
            return []
        track.absent = track.cut = False
        track.opened_s, track.stroke_kpa, track.strokes = at_s, None, 0
        track.rising_said = track.enough_said = False
        if self._state.phase is Phase.CAUTIONS:
            self._prompt(self._say.say(PromptKey.ACKNOWLEDGE_FIRST))
        return self._flush(changed=False)

    def stroke(self, gauge: str, level_kpa: float, now_s: float) -> list[Outcome]:
        """Take a stroke as it passes: on a starter, say to keep cranking while it rises and when it is enough."""
        self._at(now_s)
        state = self._state
        track = state.tracks.get(gauge)
        if track is None or state.phase is not Phase.MEASURING:
            return []
        before, track.stroke_kpa = track.stroke_kpa, max(level_kpa, track.stroke_kpa or 0.0)
        track.strokes += 1
        if state.plan.conditions.cranked_by is not CrankedBy.STARTER or before is None:
            return []
        rise = (level_kpa - before) / max(level_kpa, 1.0)
        if track.strokes >= 4 and rise > 0.03 and not track.rising_said:
            track.rising_said = True
            self._prompt(self._say.say(PromptKey.KEEP_CRANKING, state.target))
        if track.strokes >= 5 and rise < 0.01 and not track.enough_said:
            track.enough_said = True
            self._prompt(self._say.say(PromptKey.ENOUGH, state.target))
        return self._flush(changed=False)

    def link(self, gauge: str, up: bool, now_s: float) -> list[Outcome]:
        """Note that a gauge's radio was lost or came back."""
        at_s = self._at(now_s)
        state = self._state
        track = state.tracks.get(gauge)
        if track is None:
            return []
        if track.absent:
            track.absent = not up
            if up and state.phase is Phase.MEASURING and state.target and not state.waits_for_gauge:
                self._prompt(
                    self._with_next(PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL)
                    if state.readings
                    else saying.opening(state, self._say)
                )
        elif not up:
            track.cut = track.cut or track.opened_s is not None
            track.down_since_s = at_s if track.down_since_s is None else track.down_since_s
        elif track.down_since_s is not None:
            track.lost_s += at_s - track.down_since_s
            track.down_since_s = None
            said, track.loss_said = track.loss_said, False
            if said and state.phase is Phase.MEASURING:
                self._prompt(self._with_next(PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL))
        return self._flush(changed=False)

    def command(self, command: Command, now_s: float) -> list[Outcome]:
        """Do what a person or tool asks. A repeated id acts once and gets the same answer."""
        at_s = self._at(now_s)
        state = self._state
        earlier = next((result for result in state.results if result.id == command.id), None)
        if earlier is not None:
            return [replace(earlier, repeated=True)]
        waited = state.phase is Phase.CAUTIONS
        done = commands.carry_out(state, command, at_s)
        result = CommandResult(command.id, done.ok, done.text)
        state.results = [*state.results[-499:], result]
        self._out.append(result)
        if not done.ok:
            if done.says:
                self._prompt(done.prompt(state, self._say))
            return self._flush(changed=False)
        if not done.acknowledged:
            state.touches += 1
        self._out += [ReadingChanged(reading) for reading in done.changed]
        for gauge in state.tracks:
            self._reweigh(gauge)
        self._retarget()
        if state.phase is not Phase.CAUTIONS:
            self._prompt(done.prompt(state, self._say))
            # Acknowledged: whatever was said from here on is said of a test that goes on as any other.
            state.resumed = state.resumed and not (waited and done.acknowledged)
            if waited and state.acknowledged is not None:
                shown = tuple(caution.key.value for caution in self._cautions())
                state.acknowledged = replace(state.acknowledged, cautions=shown)
            self._ask_about_doubts()
            self._ask_what_is_left()
        elif waited:
            self._prompt(self._say.say(PromptKey.ACKNOWLEDGE))
        return self._flush()

    def tick(self, now_s: float) -> list[Outcome]:
        """Let time pass: gauges that never reported, radio losses, reminders. Call it a few times a second."""
        at_s = self._at(now_s)
        state = self._state
        if state.waiting is not None and at_s > state.waiting.until_s:
            self._prompt(self._say.joined(self._say.say(PromptKey.KEPT, state.target), saying.go_to(state, self._say)))
            self._ask_what_is_left()
        if state.phase not in _RUNNING:
            return self._flush(changed=False)
        changed = False
        if state.pull is not None and at_s - state.pull.last_s > state.settings.wait_for_gauges_s:
            going_on = any(
                track.opened_s is not None and at_s - track.opened_s < 5 * state.settings.wait_for_gauges_s
                for track in state.tracks.values()
            )
            if not going_on:
                self._close_pull()
                changed = True
        for track in state.tracks.values():
            down = track.down_since_s
            if down is not None and not track.loss_said and at_s - down >= state.settings.loss_said_s:
                track.loss_said = True
                if state.phase is Phase.MEASURING:
                    self._prompt(self._say.say(PromptKey.LINK_LOST, state.target))
        if state.phase is Phase.MEASURING and state.reminded < state.settings.reminders:
            wait_s = state.settings.remind_s * 2**state.reminded
            if at_s - state.prompted_s >= wait_s:
                reminded = state.reminded + 1
                self._prompt(self._waits() or self._with_next(PromptKey.WAITING, PromptKey.WAITING_ALL))
                state.reminded = reminded
        return self._flush(changed=changed)

    def _say_ready(self, gauge: str) -> None:
        """Name the cylinder once more when the gauge has been screwed in: a slip can still be put right unread."""
        state = self._state
        if state.phase is not Phase.MEASURING or state.ready_said:
            return
        gauges = {state.gauges[name] for name in state.target}
        last = {reading.cylinder for reading in state.readings[-len(gauges) :]}
        if gauge in gauges and not last & set(state.target) and all(state.tracks[one].screwed for one in gauges):
            state.ready_said = True
            self._prompt(saying.go_to(state, self._say, PromptKey.READY))

    def _at(self, now_s: float) -> float:
        if self._origin_s is None:
            self._origin_s = now_s - self._state.at_s
        self._state.at_s = max(self._state.at_s, now_s - self._origin_s)
        return self._state.at_s

    def _joins(self, pull: OpenPull, gauge: str, start_s: float) -> bool:
        return gauge not in pull.events and abs(start_s - pull.start_s) <= self._state.settings.match_s

    def _reweigh(self, gauge: str, fresh: str | None = None) -> None:
        self._out += [ReadingChanged(reading) for reading in judging.reweigh(self._state, gauge, fresh)]

    def _close_pull(self) -> None:
        """Every gauge has reported, or will not: say what came of the pull and what comes next."""
        state = self._state
        pull, state.pull = state.pull, None
        if pull is None:
            return
        state.closed = pull
        for track in state.tracks.values():
            track.opened_s = None
        found = [state.reading(event_id) for event_id in pull.events.values()]
        readings = [reading for reading in found if reading is not None and reading.status is not Status.STRUCK]
        before = state.target
        if state.phase is Phase.CAUTIONS:
            self._prompt(self._say.say(PromptKey.ACKNOWLEDGE_FIRST))
            return
        if self._retarget():
            return
        if any(reading.flags & RADIO_GAP and not self._settles(reading) for reading in readings):
            self._radio_gap(bleed=any(reading.kind is GaugeKind.HELD for reading in readings))
            return
        held = next((reading for reading in readings if reading.status is Status.HELD), None)
        if held is not None:
            self._ask(held)
            return
        if readings:
            self._prompt(saying.after_pull(state, self._say, readings, before))
        self._ask_about_doubts()
        self._ask_what_is_left()

    def _radio_gap(self, bleed: bool) -> None:
        """Say that a pull was not seen whole, and that the gauge is lost where it still is."""
        state = self._state
        if state.target:
            for gauge in {state.gauges[name] for name in state.target}:
                state.tracks[gauge].loss_said = state.tracks[gauge].down_since_s is not None
            gap = self._say.say(PromptKey.RADIO_GAP, state.target)
            self._prompt(self._say.led(self._say.say(PromptKey.BLEED), gap) if bleed else gap)

    def _settles(self, reading: Reading) -> bool:
        """Whether nothing more is wanted where a reading belongs."""
        return reading.cylinder is not None and self._state.settled(reading.cylinder)

    def _retarget(self) -> bool:
        """Find the cylinders to crank next; True when the cautions had to be said because of that."""
        state = self._state
        if state.phase not in _RUNNING:
            return False
        target, ended = state.next_station(), not state.target
        if target != state.target:
            state.target = target
            state.ready_said = state.named = False
        if state.phase is not Phase.CAUTIONS and ended and target and state.resumed:
            self._caution()
            return True
        if state.phase is not Phase.CAUTIONS:
            state.phase = Phase.MEASURING if target or state.questions else Phase.DONE
        return False

    def _cautions(self) -> list[Prompt]:
        plan = self._state.plan
        return self._say.cautions(plan.conditions.cranked_by, plan.note)

    def _caution(self) -> None:
        """Say the cautions; nothing else acts until somebody has acknowledged them."""
        self._state.phase, self._state.acknowledged = Phase.CAUTIONS, None
        self._out += self._cautions()
        self._prompt(self._say.say(PromptKey.ACKNOWLEDGE))

    def _ask(self, reading: Reading) -> None:
        self._state.put(replace(reading, asked=True))
        self._out.append(ReadingChanged(replace(reading, asked=True)))
        self._prompt(saying.question(self._state, self._say, reading))

    def _ask_about_doubts(self) -> None:
        """Ask about the readings that later pulls, or an earlier test, have put in doubt."""
        if self._state.phase is Phase.DONE and not self._state.exchange_asked:
            self._ask_about_exchange()
        for reading in self._state.readings:
            doubted = any(change.status is Status.GIVEN for change in reading.changes)
            if reading.status is Status.HELD and doubted and not reading.asked:
                self._ask(reading)
                return

    def _ask_what_is_left(self) -> None:
        """Ask the open question where nothing else is left to do, unless it has just been asked."""
        state = self._state
        asked = any(isinstance(one, Prompt) and one.key in QUESTIONS for one in self._out)
        if state.phase is Phase.MEASURING and not state.target and not asked:
            self._ask(state.questions[0])

    def _with_next(self, one: PromptKey, several: PromptKey) -> Prompt:
        """Say something together with the cylinder that comes next, or the open question where nothing else is left."""
        state = self._state
        if not state.target:
            return saying.question(state, self._say, state.questions[0])
        return self._say.say(one if len(state.target) == 1 else several, state.target, next=state.target[0])

    def _ask_about_exchange(self) -> None:
        state = self._state
        state.exchange_asked = True
        pair = judging.suspected_exchange(state)
        if pair is None:
            return
        for reading in [one for name in pair for one in state.of_cylinder(name)]:
            asked = replace(reading, asked=True)
            state.put(asked)
            self._out.append(ReadingChanged(asked))
        self._prompt(self._say.say(PromptKey.ASK_EXCHANGED, first=pair[0], second=pair[1]))

    def _prompt(self, prompt: Prompt) -> None:
        self._state.prompted_s = self._state.at_s
        self._state.reminded = 0
        self._state.trouble = prompt.key in LOOK_AGAIN
        if prompt.key not in SURE:
            # Whatever else is said now is what the next key belongs to.
            self._state.waiting = None
        self._out.append(prompt)
        if prompt.key in PULLS and (waits := self._waits()) is not None:
            # Nobody is to pull for nothing: what was said is heard, and this is what stands.
            self._out.append(waits)

    def _note_absent(self, gauges: frozenset[str]) -> None:
        for gauge, track in self._state.tracks.items():
            track.absent = gauge in gauges

    def _waits(self) -> Prompt | None:
        """What stands instead of a pull while a gauge that it is meant for is not there."""
        if self._state.phase is Phase.MEASURING and self._state.waits_for_gauge:
            return self._say.say(PromptKey.NO_GAUGE)
        return self._say.say(PromptKey.LINK_LOST, self._state.target) if self._away() else None

    def _away(self) -> bool:
        """Whether a gauge that the next pull is meant for is lost, and for so long that it was said."""
        state = self._state
        gauges = {state.gauges[name] for name in state.target}
        return state.phase is Phase.MEASURING and any(state.tracks[gauge].loss_said for gauge in gauges)

    def _flush(self, changed: bool = True) -> list[Outcome]:
        out, self._out = self._out, []
        if changed:
            out.append(TestChanged(self._state.summary()))
        return out
