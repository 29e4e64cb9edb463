"""What is said and asked while a test goes on, one prompt after the other; `saying` chooses most of the words."""

from dataclasses import replace

from gaugelink.bench import judging, saying
from gaugelink.bench.prompt_keys import LOOK_AGAIN, QUESTIONS, SURE, PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import Outcome, Phase, Reading, Status, TestChanged
from gaugelink.bench.state import BenchState


class Announcer:
    """Speaks for one test, keeps in its state what was said last, and holds what came of a step until it is taken."""

    def __init__(self, state: BenchState, say: Prompter) -> None:
        self._state = state
        self._say = say
        self.out: list[Outcome] = []
        """What came of the step so far, in order."""
        self.under_air = False
        """Whether a leak-down is under way at the bench: air turns a crank, so nobody is sent to pull."""

    def taken(self, changed: bool = True) -> list[Outcome]:
        """Give away what came of the step, with the whole test where it has `changed`."""
        out, self.out = self.out, []
        if changed:
            out.append(TestChanged(self._state.summary()))
        return out

    def prompt(self, prompt: Prompt) -> None:
        """Say one thing: from now on it is what stands."""
        if self.under_air and prompt.sends_to_pull:
            prompt = self._say.say(PromptKey.LEAK_FIRST)
        self._state.prompted_s = self._state.at_s
        self._state.reminded = 0
        self._state.trouble = prompt.key in LOOK_AGAIN
        if prompt.key not in SURE:
            # Whatever else is said now is what the next key belongs to.
            self._state.waiting = None
        self.out.append(prompt)
        if prompt.sends_to_pull and (waits := self.waits()) is not None:
            # Nobody is to pull for nothing: what was said is heard, and this is what stands.
            self.out.append(waits)

    def caution(self) -> None:
        """Say the cautions; nothing else acts until somebody has acknowledged them."""
        self._state.phase, self._state.acknowledged = Phase.CAUTIONS, None
        self.out += self.cautions()
        self.prompt(self._say.say(PromptKey.ACKNOWLEDGE))

    def cautions(self) -> list[Prompt]:
        """The cautions of this machine, one sentence each."""
        plan = self._state.plan
        return self._say.cautions(plan.conditions.cranked_by, plan.note)

    def ready(self, gauge: str) -> None:
        """Name the cylinder once more when the gauge has been screwed in: a slip can still be put right unread."""
        state = self._state
        if state.phase is not Phase.MEASURING or state.ready_said:
            return
        gauges = state.target_gauges
        last = {reading.cylinder for reading in state.readings[-len(gauges) :]}
        if gauge in gauges and not last & set(state.target) and all(state.tracks[one].screwed for one in gauges):
            state.ready_said = True
            self.prompt(saying.go_to(state, self._say, PromptKey.READY))

    def radio_gap(self, bleed: bool) -> None:
        """Say that a pull was not seen whole, and that the gauge is lost where it still is."""
        state = self._state
        if not state.target:
            # Nobody has to pull again, but what is left, or that nothing is, may have changed with this pull.
            self.prompt(saying.closing(state, self._say))
            self.ask_what_is_left()
            return
        for gauge in state.target_gauges:
            state.tracks[gauge].loss_said = state.tracks[gauge].down_since_s is not None
        gap = self._say.say(PromptKey.RADIO_GAP, state.target)
        self.prompt(self._say.led(self._say.say(PromptKey.BLEED), gap) if bleed else gap)

    def ask(self, reading: Reading) -> None:
        """Ask which cylinder a held reading belongs to."""
        self._state.put(replace(reading, asked=True))
        self.prompt(saying.question(self._state, self._say, reading))

    def ask_about_doubts(self) -> None:
        """Ask about the readings that later pulls, or an earlier test, have put in doubt."""
        if self._state.phase is Phase.DONE and not self._state.exchange_asked:
            self._ask_about_exchange()
        for reading in reversed(self._state.questions):
            doubted = any(change.status is Status.GIVEN for change in reading.changes)
            if doubted and not reading.asked:
                self.ask(reading)
                return

    def ask_what_is_left(self) -> None:
        """Ask the open question where nothing else is left to do, unless it has just been asked."""
        state = self._state
        asked = any(isinstance(one, Prompt) and one.key in QUESTIONS for one in self.out)
        if state.phase is Phase.MEASURING and not state.target and state.questions and not asked:
            self.ask(state.questions[0])

    def with_next(self, one: PromptKey, several: PromptKey) -> Prompt:
        """Say something together with the cylinder that comes next, or the open question where nothing else is left."""
        state = self._state
        if not state.target and state.questions:
            return saying.question(state, self._say, state.questions[0])
        if not state.target:
            # The first gauges of a pull have answered the last question, and the others have yet to report.
            return saying.closing(state, self._say)
        return self._say.say(one if len(state.target) == 1 else several, state.target, next=state.target[0])

    def _ask_about_exchange(self) -> None:
        state = self._state
        state.exchange_asked = True
        pair = judging.suspected_exchange(state)
        if pair is None:
            return
        for reading in [one for name in pair for one in state.of_cylinder(name)]:
            state.put(replace(reading, asked=True))
        self.prompt(self._say.say(PromptKey.ASK_EXCHANGED, first=pair[0], second=pair[1]))

    def waits(self) -> Prompt | None:
        """What stands instead of a pull while a gauge that it is meant for is not there."""
        if self._state.phase is Phase.MEASURING and self._state.waits_for_gauge:
            return self._say.say(PromptKey.NO_GAUGE)
        return self._say.say(PromptKey.LINK_LOST, self._state.target) if self._away() else None

    def _away(self) -> bool:
        """Whether a gauge that the next pull is meant for is lost, and for so long that it was said."""
        state = self._state
        return state.phase is Phase.MEASURING and any(state.tracks[gauge].loss_said for gauge in state.target_gauges)
