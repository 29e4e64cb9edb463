"""The leak-down of a bench from request to result: turns what happens into entries, messages and prompts."""

import json
from collections.abc import Callable, Sequence
from datetime import datetime

from gaugelink.app.leak_runs import DecayRun, DifferentialRun, Heard
from gaugelink.app.leak_telling import (
    decay_limit,
    decay_message,
    differential_limit,
    differential_message,
    samples_of,
)
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.app.telling import prompt_message, result_message
from gaugelink.bench.commands import CAUTIONS_FIRST
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompts import AIR_CAUTIONS, Prompt, Prompter, PromptKey
from gaugelink.bench.reading import CommandResult
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, DecayProgress, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.engine.air import standard_pressure_kpa
from gaugelink.errors import RecordingError, SettingsError
from gaugelink.gauge.samples import SampleBatch
from gaugelink.journal.entries import CommandEntry, DecayEntry, PromptEntry
from gaugelink.leak.decay import DecayResult
from gaugelink.leak.watch import LiveRate, WatchPhase

PROGRESS_EVERY_S = 1.0
"""Progress is told so often, on the gauge's clock."""


class LeakSession:
    """The one leak-down that a bench may be in the middle of."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._say = Prompter(shop.settings.bench.display_unit, ENGLISH)
        self._run: DecayRun | DifferentialRun | None = None
        self._decay_id = ""
        self._machine = ""
        self._cylinder: str | None = None
        self._test_id: str | None = None
        self._acknowledged = False
        self._told_s = float("-inf")
        self._verdict_told = False

    @property
    def active(self) -> bool:
        """Whether a leak-down is under way."""
        return self._run is not None

    @property
    def following(self) -> bool:
        """Whether the leak is followed by ear."""
        return self._run is not None and self._run.request.follow

    def listens(self, gauge: str) -> bool:
        """Whether the samples of this gauge belong to the leak-down."""
        return self._run is not None and gauge in self._run.gauges

    def takes(self, action: CommandAction) -> bool:
        """Whether a command is for the leak-down and not for the compression test.

        All of them are while its cautions stand, to be refused: nothing else acts before they are acknowledged.
        """
        return action in (CommandAction.BEGIN_DECAY, CommandAction.STOP_DECAY) or (
            self.active and not self._acknowledged
        )

    def command(self, command: Command, test_id: str | None, now_s: float, at: datetime) -> Step:
        """Carry out a command or refuse it; there is one result for each."""
        del now_s
        try:
            match command.action:
                case CommandAction.BEGIN_DECAY:
                    step, text = self._begin(command, test_id, at)
                case CommandAction.STOP_DECAY:
                    step, text = self._stop(at)
                case _:
                    step, text = self._acknowledge(command, at)
            result = CommandResult(command.id, True, text)
        except SettingsError as error:
            step, result = Step(), CommandResult(command.id, False, str(error))
        step.result = result
        step.messages.append(result_message(result, bench=self.shop.name, test_id=test_id, at=at))
        answer = json.dumps({"ok": result.ok, "text": result.text})
        step.entries.append(CommandEntry(command.id, at, command.model_dump_json(), answer))
        return step

    def hear(self, batch: SampleBatch, now_s: float, at: datetime) -> Step:
        """Take samples of one of the gauges."""
        del now_s
        if not self.listens(batch.gauge) or not len(batch.time_s):
            return Step()
        try:
            heard = self._running.hear(batch)
        except RecordingError as error:
            return self._with_progress(Step(), batch, at, str(error))
        step = self._heard(heard, at)
        return self._with_progress(step, batch, at, "") if self.active else step

    def due(self) -> Callable[[], DecayResult] | None:
        """The analysis that is due, to be called off the event loop."""
        return self._run.due() if isinstance(self._run, DecayRun) else None

    def judged(self, decay_id: str, result: DecayResult, now_s: float, at: datetime) -> Step:
        """Take the result of an analysis; one of a leak-down that is over by now is dropped."""
        del now_s
        if decay_id != self._decay_id or not isinstance(self._run, DecayRun):
            return Step()
        return self._heard(self._run.judged(result), at)

    @property
    def decay_id(self) -> str:
        """Id of the leak-down that is under way."""
        return self._decay_id

    def live_rate(self) -> LiveRate | None:
        """Loss over the last seconds, to be followed by ear."""
        return self._run.watch.rate() if isinstance(self._run, DecayRun) else None

    @property
    def limit_kpa_per_min(self) -> float:
        """The limit of the decay under way."""
        return self._run.limit.rate_kpa_per_min if isinstance(self._run, DecayRun) else 1.0

    @property
    def _running(self) -> DecayRun | DifferentialRun:
        if self._run is None:
            raise SettingsError("No leak test is under way: begin one with `gaugelink decay begin`.")
        return self._run

    def _begin(self, command: Command, test_id: str | None, at: datetime) -> tuple[Step, str]:
        if self._run is not None:
            raise SettingsError("A leak test is under way: stop it with `gaugelink decay stop` before another begins.")
        request = command.leak or LeakRequest()
        name = command.machine or self.shop.settings.test.machine
        if name is None:
            raise SettingsError("No machine was named, and the shop file has no test.machine: name one.")
        machine = self.shop.fleet.find(name)
        engine = self.shop.fleet.engine_of(machine.id)
        cylinder = engine.cylinder(command.cylinder).name if command.cylinder is not None else None
        gauge = self.shop.gauge(command.gauge or self.shop.settings.gauges[0].name).name
        bench = self.shop.settings.bench
        ambient = bench.barometer_abs_kpa or standard_pressure_kpa(bench.altitude_m or 0.0)
        if request.kind is DecayKind.DIFFERENTIAL:
            if cylinder is None:
                raise SettingsError("A differential test is of one cylinder: name it with --cylinder.")
            if request.supply_gauge is not None and self.shop.gauge(request.supply_gauge).name == gauge:
                raise SettingsError(f"The gauge {gauge} cannot read both sides of the orifice: name another.")
            differential = differential_limit(request, engine)
            self._run = DifferentialRun(request, differential, gauge, cylinder, self._say, ambient)
            highest = differential.highest_kpa
        else:
            if cylinder is not None:
                request = request.model_copy(update={"part": f"cylinder {cylinder}"})
            limit = decay_limit(request)
            self._run = DecayRun(request, limit, gauge, self._say, ambient)
            highest = limit.highest_kpa
        self._decay_id, self._machine, self._cylinder, self._test_id = new_id(), machine.id, cylinder, test_id
        self._acknowledged, self._told_s, self._verdict_told = False, float("-inf"), False
        args = {PromptKey.CAUTION_AIR_LIMIT: {"limit": highest}}
        cautions = [self._say.say(key, (), **args.get(key, {})) for key in AIR_CAUTIONS]
        what = cylinder or request.part
        return (
            self._step([*cautions, self._say.say(PromptKey.ACKNOWLEDGE)], at),
            f"Leak test of {machine.name}, {what}, begun.",
        )

    def _stop(self, at: datetime) -> tuple[Step, str]:
        run = self._running
        step = self._step([self._say.say(PromptKey.LEAK_STOPPED)], at)
        self._finish(run, step, at)
        return step, "Leak test stopped."

    def _acknowledge(self, command: Command, at: datetime) -> tuple[Step, str]:
        run = self._running
        if command.action is not CommandAction.ACKNOWLEDGE:
            raise SettingsError(CAUTIONS_FIRST)
        self._acknowledged = True
        return self._step([run.opening()], at), "Cautions acknowledged."

    def _heard(self, heard: Heard, at: datetime) -> Step:
        run = self._running
        prompts = heard.prompts
        if run.request.follow and heard.ended:
            # The verdict is said once; then the ear follows the leak until it is stopped.
            prompts = [] if self._verdict_told else prompts
            self._verdict_told = True
        if not self._acknowledged and prompts:
            prompts = [self._say.say(PromptKey.ACKNOWLEDGE_FIRST), *prompts]
        step = self._step(prompts, at)
        if heard.ended and not run.request.follow:
            self._finish(run, step, at)
        return step

    def _finish(self, run: DecayRun | DifferentialRun, step: Step, at: datetime) -> None:
        """Write the result down, where there is one, and be free for the next leak-down."""
        self._run = None
        message = self._message(run, at)
        if message is None:
            return
        samples = samples_of(*run.samples())
        step.decay = message
        step.messages.append(message)
        step.entries.append(
            DecayEntry(
                decay_id=self._decay_id,
                bench=self.shop.name,
                gauge=run.gauge,
                at=at,
                result_json=message.model_dump_json(),
                cylinder=self._cylinder or "",
                test_id=self._test_id,
                samples=samples,
            )
        )

    def _message(self, run: DecayRun | DifferentialRun, at: datetime) -> Decay | None:
        if run.result is None:
            return None
        bench, decay_id, machine = self.shop.name, self._decay_id, self._machine
        if isinstance(run, DecayRun):
            assert isinstance(run.result, DecayResult)
            return decay_message(
                run.result,
                unit=self.shop.settings.bench.display_unit,
                bench=bench,
                decay_id=decay_id,
                machine=machine,
                part=run.request.part,
                gauge=run.gauge,
                cylinder=self._cylinder,
                at=at,
                test_id=self._test_id,
                flags=run.flags(),
            )
        return differential_message(
            run.result,
            bench=bench,
            decay_id=decay_id,
            machine=machine,
            gauge=run.gauge,
            cylinder=run.cylinder,
            duration_s=run.last_s - (run.began_s if run.began_s is not None else run.last_s),
            at=at,
            test_id=self._test_id,
        )

    def _with_progress(self, step: Step, batch: SampleBatch, at: datetime, note: str) -> Step:
        run, now_s = self._running, float(batch.time_s[-1])
        if batch.gauge != run.gauge or now_s - self._told_s < PROGRESS_EVERY_S:
            return step
        self._told_s = now_s
        rate, elapsed_s, remaining_s, phase = None, 0.0, None, ""
        if isinstance(run, DecayRun):
            rate, elapsed_s, phase = run.watch.rate(), run.watch.elapsed_s, run.watch.phase.value
            pressure_kpa = run.watch.pressure_kpa
            if run.watch.phase is WatchPhase.HOLDING and run.result is not None:
                remaining_s = run.result.more_s
        else:
            phase, pressure_kpa = run.watch.phase.value, run.samples()[1][-1]
            elapsed_s = run.last_s - (run.began_s or 0.0)
        step.progress = DecayProgress(
            at=at,
            bench=self.shop.name,
            decay_id=self._decay_id,
            gauge=run.gauge,
            cylinder=self._cylinder,
            elapsed_s=max(0.0, elapsed_s),
            remaining_s=remaining_s,
            pressure_kpa=float(pressure_kpa),
            rate_kpa_per_s=None if rate is None else rate.kpa_per_min / 60.0,
            rate_u_kpa_per_s=None if rate is None else rate.u_kpa_per_min / 60.0,
            note=note or phase,
        )
        return step

    def _step(self, prompts: Sequence[Prompt], at: datetime) -> Step:
        step, bench = Step(), self.shop.name
        for prompt in prompts:
            step.prompts.append(prompt)
            message = prompt_message(prompt, bench=bench, test_id=self._test_id, at=at)
            step.messages.append(message)
            step.entries.append(PromptEntry(message.id, bench, at, prompt.text, self._test_id))
        return step
