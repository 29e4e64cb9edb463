"""The leak-down of a bench from request to result: turns what happens into entries, messages and prompts."""

import json
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from pydantic import ValidationError

from gaugelink.app.keys import Pressed
from gaugelink.app.leak_asked import ambient_abs_kpa, asked_for
from gaugelink.app.leak_found import NOT_YET, answer, checked, found_in, told_of, with_found
from gaugelink.app.leak_keeping import Interruption, Keeper, KeptHold, KeptLeakDown
from gaugelink.app.leak_outcome import About, Run, decay_entry, outcome, progress, state
from gaugelink.app.leak_runs import DecayRun, DifferentialRun, Heard
from gaugelink.app.leak_saying import air_cautions, before_the_cut, clock, opening, unacknowledged, with_next
from gaugelink.app.leak_telling import decay_limit, samples_of
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.app.telling import prompt_message, result_message
from gaugelink.bench.asking_twice import Press, held_down, once_more, pressed
from gaugelink.bench.commands import CAUTIONS_FIRST
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import CommandResult
from gaugelink.bench.state import Waiting
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind
from gaugelink.broker.message import new_id
from gaugelink.errors import SettingsError
from gaugelink.gauge.samples import SampleBatch
from gaugelink.journal.entries import CommandEntry, LeakDownEntry, LeakFoundEntry, PromptEntry
from gaugelink.journal.rows import StoredLeakDown
from gaugelink.leak.decay import DecayResult
from gaugelink.leak.hold import Contradiction, LiveRate

_LOG = logging.getLogger(__name__)

PROGRESS_EVERY_S = 1.0
"""Progress is told so often, on the gauge's clock."""


class LeakSession:
    """The one leak-down that a bench may be in the middle of."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._say = Prompter(shop.settings.bench.display_unit, ENGLISH)
        self._unit = shop.settings.bench.display_unit
        self._run: Run | None = None
        self._about = About(shop.name)
        self._acknowledged = self._verdict_told = False
        self._standing: tuple[str, ...] = ()
        """The cautions that nobody has acknowledged yet."""
        self._told_s = float("-inf")
        self._keeper = Keeper()
        self._kept: KeptLeakDown | None = None
        self._snapshot = ""
        self._broken_off: Interruption | None = None
        self._waiting: Waiting | None = None
        self._said_last: Prompt | None = None
        self._ran_at: datetime | None = None
        """When a leak-down that was interrupted last ran."""
        self._found: LeakFoundEntry | None = None
        """What was said of where the air of the one under way goes."""

    @property
    def active(self) -> bool:
        """Whether a leak-down is under way."""
        return self._run is not None

    @property
    def cautioned(self) -> bool:
        """Whether it is under way and its cautions were acknowledged."""
        return self.active and self._acknowledged

    @property
    def following(self) -> bool:
        """Whether the leak is followed by ear."""
        return self._run is not None and self._run.request.follow

    def listens(self, gauge: str) -> bool:
        """Whether the samples of this gauge belong to the leak-down."""
        return self._run is not None and gauge in self._run.gauges

    def takes(self, command: Command) -> bool:
        """Whether a command is for the leak-down and not for the compression test.

        All of them are while its cautions stand, to be refused: nothing else acts before they are acknowledged.
        """
        if self.active and not self._acknowledged:
            return True
        if command.action is CommandAction.LEAK_FOUND:
            return self.active and command.decay_id in (None, self.decay_id)
        return command.action in (CommandAction.BEGIN_DECAY, CommandAction.STOP_DECAY)

    def found(self, command: Command, decay: Decay, test_id: str | None, now_s: float, at: datetime) -> Step:
        """Tell a leak-down that has ended once more, with where its air was found to go."""
        del now_s
        entry = told_of(decay.decay_id, command, at)
        try:
            told = found_in(decay, command, entry)
        except SettingsError as error:
            return self._answered(Step(), command, CommandResult(command.id, False, str(error)), test_id, at)
        step = Step(found=told, entries=[entry], messages=[told])
        return self._answered(step, command, CommandResult(command.id, True, answer(told)), test_id, at)

    def command(self, command: Command, test_id: str | None, now_s: float, at: datetime) -> Step:
        """Carry out a command or refuse it; there is one result for each. A key that stops is asked for twice."""
        asked = self._asked_once_more(command, now_s, at)
        try:
            match command.action:
                case _ if asked is not None:
                    step, text = asked
                case CommandAction.BEGIN_DECAY:
                    step, text = self._begin(command, test_id, at)
                case CommandAction.STOP_DECAY:
                    step, text = self._stop(at)
                case CommandAction.LEAK_FOUND if self._acknowledged:
                    step, text = self._told_under_way(command, at)
                case _:
                    step, text = self._acknowledge(command, at)
            result = CommandResult(command.id, asked is None, text)
        except SettingsError as error:
            step, result = Step(), CommandResult(command.id, False, str(error))
        return self._answered(step, command, result, test_id, at)

    def _answered(self, step: Step, command: Command, result: CommandResult, test_id: str | None, at: datetime) -> Step:
        """A step with the answer to the command that led to it."""
        step.result = result
        step.messages.append(result_message(result, bench=self.shop.name, test_id=test_id, at=at))
        answer = json.dumps({"ok": result.ok, "text": result.text})
        step.entries.append(CommandEntry(command.id, at, command.model_dump_json(), answer))
        return step

    def hear(self, batch: SampleBatch, now_s: float, at: datetime) -> Step:
        """Take samples of one of the gauges."""
        if not self.listens(batch.gauge) or not len(batch.time_s):
            return Step()
        if self._broken_off is not None:
            return self._take_up(self._broken_off, batch, now_s, at)
        run = self._running
        step = self._heard(run.hear(batch), at)
        if not self.active:
            return step
        if self._waiting is not None and now_s > self._waiting.until_s:
            self._keep_going(step, at)
        if isinstance(run, DifferentialRun):
            return self._with_progress(step, batch, at, run.refusal)
        due, hold = self._keeper.due(run, now_s, at)
        if due:
            self._keep(step, hold, at)
        return self._with_progress(step, batch, at, "")

    def due(self) -> Callable[[], DecayResult] | None:
        """The analysis that is due, to be called off the event loop."""
        return self._run.due() if isinstance(self._run, DecayRun) else None

    def judged(self, decay_id: str, result: DecayResult, now_s: float, at: datetime) -> Step:
        """Take the result of an analysis; one of a leak-down that is over by now is dropped."""
        del now_s
        if decay_id != self._about.decay_id or not isinstance(self._run, DecayRun):
            return Step()
        return self._heard(self._run.judged(result), at)

    @property
    def decay_id(self) -> str:
        """Id of the leak-down that is under way."""
        return self._about.decay_id

    def live_rate(self) -> LiveRate | None:
        """Loss over the last seconds, to be followed by ear."""
        return self._run.watch.rate() if isinstance(self._run, DecayRun) else None

    @property
    def limit_kpa_per_min(self) -> float:
        """The limit of the decay under way."""
        return self._run.limit.rate_kpa_per_min if isinstance(self._run, DecayRun) else 1.0

    @property
    def _running(self) -> Run:
        if self._run is None:
            raise SettingsError("No leak test is under way: begin one with `gaugelink decay begin`.")
        return self._run

    def _begin(self, command: Command, test_id: str | None, at: datetime) -> tuple[Step, str]:
        if self._run is not None:
            raise SettingsError("A leak test is under way: stop it with `gaugelink decay stop` before another begins.")
        asked = asked_for(self.shop, command, self._say)
        self._run = asked.run
        self._about = About(self.shop.name, new_id(), asked.machine.id, asked.cylinder, test_id)
        self._acknowledged, self._told_s, self._verdict_told = False, float("-inf"), False
        self._found = None
        self._keeper, self._kept, self._ran_at = Keeper(), None, None
        step = self._tell(self._step(self._cautions(asked.run.limit.highest_kpa), at), at)
        self._keep(step, None, at)
        return step, f"Leak test of {asked.machine.name}, {asked.cylinder or asked.run.request.part}, begun."

    def _asked_once_more(self, command: Command, now_s: float, at: datetime) -> tuple[Step, str] | None:
        """What to say to a key that would stop the leak-down and was pressed once; None where it is to be obeyed."""
        waiting, self._waiting = self._waiting, None
        if command.action is not CommandAction.STOP_DECAY or not isinstance(command, Pressed) or self._run is None:
            return None
        press, self._waiting = pressed(waiting, command.key, (), now_s, command.again_s)
        if press is Press.AGAIN:
            return None
        if press is Press.HELD_DOWN:
            return Step(), held_down(command.key)
        return self._step([self._say.say(PromptKey.SURE_STOP, (), key=command.key)], at), once_more(command.key)

    def _keep_going(self, step: Step, at: datetime) -> None:
        """The key was not pressed once more: say that nothing was changed, and what was said before."""
        self._waiting = None
        kept = self._say.say(PromptKey.KEPT)
        more = self._step([kept if self._said_last is None else self._say.joined(kept, self._said_last)], at)
        step.prompts += more.prompts
        step.messages += more.messages
        step.entries += more.entries

    def _stop(self, at: datetime) -> tuple[Step, str]:
        run = self._running
        stopped = self._say.say(PromptKey.LEAK_STOPPED)
        step = self._step([with_next(stopped, run.request.part, self._about.cylinder, self._say)], at)
        self._finish(run, step, at)
        return step, "Leak test stopped."

    def _told_under_way(self, command: Command, at: datetime) -> tuple[Step, str]:
        """Keep where the air goes while the leak is followed; it is published with the result."""
        so_far = outcome(self._running, self._about, self._unit, at)
        if so_far is None:
            raise SettingsError(NOT_YET)
        checked(command, so_far.cylinder, so_far.part or "volume")
        self._found = told_of(so_far.decay_id, command, at)
        return Step(entries=[self._found]), answer(with_found(so_far, self._found.heard, self._found.note))

    def _acknowledge(self, command: Command, at: datetime) -> tuple[Step, str]:
        run = self._running
        if command.action is not CommandAction.ACKNOWLEDGE:
            raise SettingsError(CAUTIONS_FIRST)
        self._acknowledged, self._standing = True, ()
        waiting = self._broken_off is not None
        first = self._said(PromptKey.LEAK_BROKEN_OFF) if waiting else opening(run, self._about.cylinder, self._say)
        step = self._tell(self._step([first], at), at)
        assert self._kept is not None
        self._write_down(step, self._kept.model_copy(update={"acknowledged": True}), at)
        return step, "Cautions acknowledged."

    def _heard(self, heard: Heard, at: datetime) -> Step:
        run = self._running
        part, cylinder = run.request.part, self._about.cylinder
        prompts = [with_next(prompt, part, cylinder, self._say) for prompt in heard.prompts]
        if run.request.follow and heard.ended:
            # The verdict is said once; then the ear follows the leak until it is stopped.
            prompts = [] if self._verdict_told else prompts
            self._verdict_told = True
        if not self._acknowledged:
            prompts = unacknowledged(prompts, self._say)
        step = self._step(prompts, at)
        if heard.ended and not run.request.follow:
            self._finish(run, step, at)
        return step

    def _finish(self, run: Run, step: Step, at: datetime) -> None:
        """Write the result down, where there is one, and be free for the next leak-down."""
        message = outcome(run, self._about, self._unit, at) or before_the_cut(self._kept, self._ran_at, at)
        samples = samples_of(*run.samples()) if self._broken_off is None else self._broken_off.samples()
        self._run = self._broken_off = None
        self._close(step, at)
        if message is not None:
            message = message if self._found is None else with_found(message, self._found.heard, self._found.note)
            step.decay = message
            step.messages.append(message)
            step.entries.append(decay_entry(message, samples, at))

    def resume(self, stored: StoredLeakDown, now_s: float, at: datetime) -> Step:
        """Go on with a leak-down that the journal holds, or tell that it was cut and is to be begun again."""
        del now_s
        self._about = About(self.shop.name, stored.decay_id)
        self._snapshot, self._ran_at = stored.snapshot_json, stored.updated_at
        try:
            kept = KeptLeakDown.model_validate_json(stored.snapshot_json)
            self.shop.gauge(kept.gauge)
            limit = decay_limit(kept.request, self._unit)
        except (ValidationError, SettingsError) as error:
            _LOG.error("The leak test %s cannot be gone on with: %s", stored.decay_id, error)
            return self._cut(PromptKey.LEAK_CUT, at)
        self._about = replace(self._about, machine=kept.machine, cylinder=kept.cylinder, test_id=kept.test_id)
        if kept.request.kind is DecayKind.DIFFERENTIAL:
            return self._cut(PromptKey.LEAK_CUT, at)
        run = self._run = DecayRun(kept.request, limit, kept.gauge, self._say, ambient_abs_kpa(self.shop))
        self._kept, self._keeper, self._told_s = kept, Keeper(), float("-inf")
        # Where the air is in already nobody is to touch anything; before that, whoever is there now hears them again.
        self._acknowledged = kept.acknowledged and kept.hold is not None
        self._verdict_told = kept.verdict_told
        then = (
            [opening(run, self._about.cylinder, self._say)] if self._acknowledged else self._cautions(limit.highest_kpa)
        )
        if kept.hold is None:
            return self._tell(self._step([self._said(PromptKey.LEAK_FROM_START), *then], at), at)
        self._ran_at = kept.hold.at
        self._broken_off = Interruption(kept.hold, limit, ambient_abs_kpa(self.shop))
        said = [self._said(PromptKey.LEAK_BROKEN_OFF), *([] if self._acknowledged else then)]
        return self._tell(self._step(said, at), at)

    def _take_up(self, broken_off: Interruption, batch: SampleBatch, now_s: float, at: datetime) -> Step:
        """Decide, as soon as the first samples tell it, whether a hold that was broken off goes on."""
        found = broken_off.hear(batch, now_s, at)
        if found is None:
            return Step()
        if found.gap_s is None:
            return self._cut(PromptKey.LEAK_CUT_CLOCK, at)
        if found.against is Contradiction.TOO_LONG:
            return self._cut(PromptKey.LEAK_CUT_AWAY, at, count=round(found.gap_s))
        if found.against is not None:
            before_kpa = broken_off.kept.pressure_kpa
            return self._cut(PromptKey.LEAK_CUT_PRESSURE, at, limit=before_kpa, pressure=found.level_kpa)
        run, self._broken_off = self._running, None
        assert isinstance(run, DecayRun)
        earlier_gap_s = self._kept.gap_s if self._kept is not None else 0.0
        run.go_on(broken_off.kept.hold(), found.gap_s, found.level_kpa, earlier_gap_s=earlier_gap_s)
        heard = Heard([self._say.say(PromptKey.LEAK_GOES_ON, (), count=round(found.gap_s))])
        for waited in broken_off.batches:
            more = run.hear(waited)
            heard.prompts += more.prompts
        return self._heard(heard, at)

    def _cut(self, key: PromptKey, at: datetime, **args: object) -> Step:
        """Tell that the leak-down under way is over because it was interrupted, and what it had shown by then."""
        step = self._step([self._said(key, **args)], at)
        if self._run is not None:
            self._finish(self._run, step, at)
        else:
            self._close(step, at)
        return step

    def _said(self, key: PromptKey, **args: object) -> Prompt:
        """A prompt about the interruption: it names the time of day at which the leak-down last ran."""
        assert self._ran_at is not None
        return self._say.say(key, (), clock=clock(self._ran_at), **args)

    def _keep(self, step: Step, hold: KeptHold | None, at: datetime) -> None:
        """Add to a step what the next service needs to go on."""
        run, before = self._running, self._kept
        said = outcome(run, self._about, self._unit, at) if isinstance(run, DecayRun) else None
        if said is None and isinstance(run, DecayRun) and before is not None and before.hold is not None:
            # Before the first look after a restart, what was said before it still stands, if it was of the same hold.
            said = before.so_far if before.hold.closed_s == run.watch.closed_s else None
        kept = KeptLeakDown(
            request=run.request,
            gauge=run.gauge,
            machine=self._about.machine,
            cylinder=self._about.cylinder,
            test_id=self._about.test_id,
            acknowledged=self._acknowledged,
            verdict_told=self._verdict_told,
            hold=hold,
            gap_s=run.gap_s if isinstance(run, DecayRun) else 0.0,
            so_far=said,
        )
        self._write_down(step, kept, at)

    def _write_down(self, step: Step, kept: KeptLeakDown, at: datetime) -> None:
        self._kept, self._snapshot = kept, kept.model_dump_json()
        step.entries.append(LeakDownEntry(self._about.decay_id, self.shop.name, self._snapshot, at))

    def _close(self, step: Step, at: datetime) -> None:
        """The next service has nothing to go on with; what was kept last stays in the journal."""
        self._standing = ()
        self._tell(step, at)
        step.entries.append(LeakDownEntry(self._about.decay_id, self.shop.name, self._snapshot, at, closed=True))

    def _with_progress(self, step: Step, batch: SampleBatch, at: datetime, note: str) -> Step:
        run, now_s = self._running, float(batch.time_s[-1])
        if batch.gauge == run.gauge and now_s - self._told_s >= PROGRESS_EVERY_S:
            self._told_s = now_s
            step.progress = progress(run, self._about, at, note)
        return step

    def _tell(self, step: Step, at: datetime) -> Step:
        """Add to a step how the leak-down now stands, for whoever joins in the middle."""
        step.messages.append(state(self._about, self._standing, at, ended=self._run is None))
        return step

    def _cautions(self, highest_kpa: float) -> list[Prompt]:
        cautions = air_cautions(highest_kpa, self._say)
        self._standing = tuple(caution.text for caution in cautions)
        return [*cautions, self._say.say(PromptKey.ACKNOWLEDGE)]

    def _step(self, prompts: Sequence[Prompt], at: datetime) -> Step:
        step, bench = Step(), self.shop.name
        for prompt in prompts:
            if prompt.key not in (PromptKey.SURE_STOP, PromptKey.KEPT):
                self._said_last = prompt
            step.prompts.append(prompt)
            message = prompt_message(prompt, bench=bench, test_id=self._about.test_id, at=at)
            step.messages.append(message)
            step.entries.append(PromptEntry(message.id, bench, at, prompt.text, self._about.test_id))
        return step
