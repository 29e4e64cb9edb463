"""A running test: events, signs of handling and commands in; readings, prompts and the test's state out.

A pure state machine. It has no clock: whoever calls it says what time it is, on a monotonic clock.
"""

from dataclasses import replace

from gaugelink.bench import commands, judging, saying, taking_back
from gaugelink.bench.agree import RADIO_GAP
from gaugelink.bench.announcer import Announcer
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.evidence import Habits
from gaugelink.bench.plan import CrankedBy, Plan
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Language, Prompter
from gaugelink.bench.reading import (
    Acknowledgement,
    Command,
    CommandResult,
    Outcome,
    Phase,
    ReadingChanged,
    Status,
    TestState,
)
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
        self._announcer = Announcer(self._state, self._say)

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
        bench._state, bench._announcer = state, Announcer(state, bench._say)
        state.at_s += max(away_s, 0.0)
        for gauge, track in state.tracks.items():
            # Of a gauge that was lost before, this time is part of its loss. Where nothing was read yet there is no
            # cylinder to have gone on from: where to begin is said as at first.
            begun = any(reading.gauge == gauge for reading in state.readings)
            track.lost_s += max(away_s, 0.0) if begun and track.down_since_s is None else 0.0
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

    def told_air(self, abs_kpa: float) -> None:
        """Note the ambient pressure, absolute, that pulls count by from now on instead of the plan's."""
        self._state.air_abs_kpa = abs_kpa

    def leak_down(self, under_way: bool) -> None:
        """Note whether a leak-down is under way at the bench: meanwhile nobody is sent to pull, and nobody reminded."""
        self._announcer.under_air = under_way

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
            self._announcer.caution()
        else:
            state.acknowledged = acknowledged
            state.phase = Phase.MEASURING
            self._announcer.prompt(saying.opening(state, self._say))
        return self._announcer.taken()

    def resume(self, now_s: float, absent: frozenset[str] = frozenset()) -> list[Outcome]:
        """Go on after a restart: nobody knows who is at the machine now, so the cautions come again before any pull."""
        self._at(now_s)
        state = self._state
        self._note_absent(absent)
        state.resumed = state.resumed or state.phase is not Phase.CAUTIONS
        if state.phase in (Phase.CAUTIONS, Phase.MEASURING):
            self._announcer.caution()
        elif not self._retarget():
            self._announcer.prompt(saying.closing(state, self._say))
            self._announcer.ask_what_is_left()
        return self._announcer.taken()

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
            self._announcer.prompt(self._say.say(PromptKey.ASK_GAUGE, state.target))
            return self._announcer.taken(changed=False)
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
        state.readings.append(judging.fresh_reading(state, event_id, gauge, event, pull.number))
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
        return self._announcer.taken()

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
            self._announcer.ready(gauge)
        return self._announcer.taken(changed=False)

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
            self._announcer.prompt(self._say.say(PromptKey.ACKNOWLEDGE_FIRST))
        return self._announcer.taken(changed=False)

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
            self._announcer.prompt(self._say.say(PromptKey.KEEP_CRANKING, state.target))
        if track.strokes >= 5 and rise < 0.01 and not track.enough_said:
            track.enough_said = True
            self._announcer.prompt(self._say.say(PromptKey.ENOUGH, state.target))
        return self._announcer.taken(changed=False)

    def link(self, gauge: str, up: bool, now_s: float) -> list[Outcome]:
        """Note that a gauge's radio was lost or came back."""
        at_s = self._at(now_s)
        state = self._state
        track = state.tracks.get(gauge)
        if track is None:
            return []
        if not up:
            if not track.absent:
                track.cut = track.cut or track.opened_s is not None
                track.down_since_s = at_s if track.down_since_s is None else track.down_since_s
            return []
        absent, said, track.absent, track.loss_said = track.absent, track.loss_said, False, False
        if track.down_since_s is not None:
            track.lost_s += at_s - track.down_since_s
            track.down_since_s = None
        if state.phase is not Phase.MEASURING or (state.target and gauge not in state.target_gauges):
            return []
        if absent and state.target and not state.waits_for_gauge:
            self._announcer.prompt(
                self._announcer.with_next(PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL)
                if state.readings
                else saying.opening(state, self._say)
            )
        elif said and not absent:
            self._announcer.prompt(self._announcer.with_next(PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL))
        return self._announcer.taken(changed=False)

    def command(self, command: Command, now_s: float) -> list[Outcome]:
        """Do what a person or tool asks. A repeated id acts once and gets the same answer."""
        at_s = self._at(now_s)
        state = self._state
        earlier = next((result for result in state.results if result.id == command.id), None)
        if earlier is not None:
            return [replace(earlier, repeated=True)]
        waited, stood = state.phase is Phase.CAUTIONS, taking_back.standing(state)
        done = commands.carry_out(state, command, at_s)
        result = CommandResult(command.id, done.ok, done.text)
        state.results = [*state.results[-499:], result]
        self._announcer.out.append(result)
        if not done.ok:
            if done.says:
                self._announcer.prompt(done.prompt(state, self._say))
            return self._announcer.taken(changed=False)
        if not done.acknowledged:
            state.touches += 1
        self._announcer.out += [ReadingChanged(reading) for reading in done.changed]
        for gauge in state.tracks:
            self._reweigh(gauge)
        if taking_back.is_deed(command.kind):
            taking_back.note_what_followed(state, stood)
        cautioned = self._retarget()
        if state.phase is not Phase.CAUTIONS:
            self._announcer.prompt(done.prompt(state, self._say))
            # Acknowledged: whatever was said from here on is said of a test that goes on as any other.
            state.resumed = state.resumed and not (waited and done.acknowledged)
            if waited and state.acknowledged is not None:
                shown = tuple(caution.key.value for caution in self._announcer.cautions())
                state.acknowledged = replace(state.acknowledged, cautions=shown)
            self._announcer.ask_about_doubts()
            self._announcer.ask_what_is_left()
        elif waited:
            self._announcer.prompt(self._say.say(PromptKey.ACKNOWLEDGE))
        elif not cautioned:
            self._announcer.caution()
        return self._announcer.taken()

    def tick(self, now_s: float) -> list[Outcome]:
        """Let time pass: gauges that never reported, radio losses, reminders. Call it a few times a second."""
        at_s = self._at(now_s)
        state = self._state
        if state.waiting is not None and at_s > state.waiting.until_s:
            self._announcer.prompt(
                self._say.joined(self._say.say(PromptKey.KEPT, state.target), saying.go_to(state, self._say))
            )
            self._announcer.ask_what_is_left()
        if state.phase not in _RUNNING:
            return self._announcer.taken(changed=False)
        changed = False
        if state.pull is not None and at_s - state.pull.last_s > state.settings.wait_for_gauges_s:
            going_on = any(
                track.opened_s is not None and at_s - track.opened_s < 5 * state.settings.wait_for_gauges_s
                for track in state.tracks.values()
            )
            if not going_on:
                self._close_pull()
                changed = True
        for gauge, track in state.tracks.items():
            down = track.down_since_s
            if down is not None and not track.loss_said and at_s - down >= state.settings.loss_said_s:
                track.loss_said = True
                # One that was put away, its cylinders measured, is waited for by nobody.
                if state.phase is Phase.MEASURING and gauge in state.target_gauges:
                    self._announcer.prompt(self._say.say(PromptKey.LINK_LOST, state.target))
        if self._announcer.under_air:
            state.prompted_s = at_s
        elif state.phase is Phase.MEASURING and state.reminded < state.settings.reminders:
            wait_s = state.settings.remind_s * 2**state.reminded
            if at_s - state.prompted_s >= wait_s:
                reminded = state.reminded + 1
                self._announcer.prompt(
                    self._announcer.waits() or self._announcer.with_next(PromptKey.WAITING, PromptKey.WAITING_ALL)
                )
                state.reminded = reminded
        return self._announcer.taken(changed=changed)

    def _at(self, now_s: float) -> float:
        if self._origin_s is None:
            self._origin_s = now_s - self._state.at_s
        self._state.at_s = max(self._state.at_s, now_s - self._origin_s)
        return self._state.at_s

    def _joins(self, pull: OpenPull, gauge: str, start_s: float) -> bool:
        return gauge not in pull.events and abs(start_s - pull.start_s) <= self._state.settings.match_s

    def _reweigh(self, gauge: str, fresh: str | None = None) -> None:
        self._announcer.out += [ReadingChanged(reading) for reading in judging.reweigh(self._state, gauge, fresh)]

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
            self._announcer.prompt(self._say.say(PromptKey.ACKNOWLEDGE_FIRST))
            return
        if self._retarget():
            return
        wanted = [one for one in readings if one.cylinder is None or not state.settled(one.cylinder)]
        if any(reading.flags & RADIO_GAP for reading in wanted):
            self._announcer.radio_gap(bleed=any(reading.kind is GaugeKind.HELD for reading in readings))
            return
        held = next((reading for reading in readings if reading.status is Status.HELD), None)
        if held is not None:
            self._announcer.ask(held)
            return
        if readings:
            self._announcer.prompt(saying.after_pull(state, self._say, readings, before))
        self._announcer.ask_about_doubts()
        self._announcer.ask_what_is_left()

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
            self._announcer.caution()
            return True
        if state.phase is not Phase.CAUTIONS:
            state.phase = Phase.MEASURING if target or state.questions else Phase.DONE
        return False

    def _note_absent(self, gauges: frozenset[str]) -> None:
        for gauge, track in self._state.tracks.items():
            track.absent = gauge in gauges
