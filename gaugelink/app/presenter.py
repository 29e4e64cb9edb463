"""Keeps a bench's scene up to date with what the service tells."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from shlex import quote

from gaugelink.app.daemon import Watcher
from gaugelink.app.livefeed import LivePack
from gaugelink.app.redoing import redone
from gaugelink.app.scene import CylinderMark, CylinderRow, LastEvent, Pull, Scene
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.app.telling import cylinder_status
from gaugelink.bench.cautions import StandingCautions
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.english_large import large_words
from gaugelink.bench.prompt_keys import ASIDE, QUESTIONS, Tone
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import CylinderState, Phase, TestState, open_questions
from gaugelink.bench.saying import named_in_question
from gaugelink.broker.leak_messages import Decay, DecayProgress, DecayState
from gaugelink.broker.messages import CylinderStatus
from gaugelink.broker.messages import TestState as PublishedTest
from gaugelink.counting import counted
from gaugelink.errors import SettingsError
from gaugelink.gauge.samples import LinkPhase, LinkState
from gaugelink.leak.wording import PHASE_WORDS, rate_text
from gaugelink.localtime import day_of
from gaugelink.report.plain import flag_words
from gaugelink.verdict.findings import TestVerdict, VerdictWord

_MARKS = {
    CylinderStatus.WAITING: CylinderMark.WAITING,
    CylinderStatus.IN_PROGRESS: CylinderMark.NOW,
    CylinderStatus.AGREED: CylinderMark.AGREED,
    CylinderStatus.ODD: CylinderMark.ODD,
    CylinderStatus.UNSURE: CylinderMark.UNSURE,
    CylinderStatus.SKIPPED: CylinderMark.SKIPPED,
}
_CLOSED = frozenset({Phase.FINISHED, Phase.ABANDONED})
_UNSETTLED = frozenset({CylinderStatus.WAITING, CylinderStatus.IN_PROGRESS})
_SETTLED = frozenset({Phase.DONE, Phase.FINISHED})


class ScenePresenter(Watcher):
    """Draws what happens into a scene."""

    def __init__(self, shop: Shop, *, keys: bool = False) -> None:
        """Prepare an empty scene; with `keys` each cylinder is shown with the digit that names it."""
        self._shop = shop
        self._keys = keys
        self._digits: dict[str, str] = {}
        self._test_id: str | None = None
        self._event_id: str | None = None
        self._title = ""
        self._day = ""
        """When the test began, where that was on another day."""
        self._streaming: set[str] = set()
        self._heard: set[str] = set()
        self.scene = Scene(bench=shop.name, unit=shop.settings.bench.display_unit)
        self._trouble = ""
        self._cautions = StandingCautions()

    def listening(self, address: str) -> None:
        """Say where other tools can listen in."""
        self.scene.broker = f"{address}  gaugelink/{self._shop.name}/#"

    def linked(self, state: LinkState) -> None:
        """Say in a few words how a gauge's link stands."""
        words = [state.phase.value]
        if state.phase is LinkPhase.STREAMING and state.rate_hz is not None:
            words.append(f"{state.rate_hz:.0f} samples/s")
        if state.battery_percent is not None:
            words.append(f"battery {state.battery_percent:.0f} %")
        if state.counts.lost_samples:
            words.append(f"{counted(state.counts.lost_samples, 'sample')} lost")
        words += state.faults
        self.scene.gauges[state.gauge] = ", ".join(words)
        self._streaming.discard(state.gauge)
        if state.phase is LinkPhase.STREAMING:
            self._streaming.add(state.gauge)
            self._heard.add(state.gauge)
            self.scene.unheard.pop(state.gauge, None)
        elif not self._streaming:
            # The last pressure that came is none of now.
            self.scene.trace.clear()
        if state.gauge not in self._heard and state.phase is not LinkPhase.STOPPED:
            self.scene.unheard[state.gauge] = self.scene.gauges[state.gauge]

    def sampled(self, gauge: str, pack: LivePack) -> None:
        """Move the trace on."""
        del gauge
        for time_s, pressure_kpa in zip(pack.time_s, pack.pressure_kpa, strict=True):
            self.scene.live(time_s, pressure_kpa)

    def leaking(self, progress: DecayProgress) -> None:
        """Show how a leak-down stands."""
        self.scene.spread, self.scene.why = leak_line(progress, self._shop), ""

    def troubled(self, sentence: str) -> None:
        """Keep a trouble in sight until it is over."""
        if self._trouble in self.scene.notices:
            self.scene.notices.remove(self._trouble)
        self._trouble = sentence
        if sentence:
            self.scene.notices.append(sentence)

    def stepped(self, step: Step) -> None:
        """Take in what happened."""
        scene = self.scene
        self._caution(step)
        for message in step.messages:
            if isinstance(message, PublishedTest):
                # A test stays open: one of another day is not taken for one of this machine as it stands here now.
                began, now = day_of(message.began_at), day_of(message.at)
                self._day = f", begun {began}" if began != now else ""
        if step.stands_since is not None:
            self._day = f", begun {day_of(step.stands_since)}"
        if step.state is not None:
            self._tell_test(step.state, step.verdict)
        for prompt in step.prompts:
            if prompt.key in ASIDE and scene.prompt:
                scene.prompt = f"{scene.prompt} {prompt.text}"
                continue
            scene.prompt = self._worded(prompt)
            scene.large = large_words(prompt)
            scene.trouble = prompt.tone is Tone.TROUBLE
        if step.result is not None:
            # What is not done but asked for once more is in the prompt.
            scene.refusal = "" if step.result.ok or step.prompts else step.result.text
        elif step.prompts or step.event is not None:
            scene.refusal = ""
        for message in step.messages:
            if isinstance(message, DecayState):
                self._tell_leak(message)
        if step.decay is not None:
            scene.spread, scene.why = self._of_machine(step.decay), ""
        scene.title = scene.leak or self._title or "no test open"
        if step.event is not None:
            last = step.state.readings[-1] if step.state is not None and step.state.readings else None
            self._event_id = last.event_id if last is not None else None
            scene.last_event = LastEvent(
                cylinder=last.cylinder if last is not None else None,
                stroke_kpa=tuple(stroke.peak_kpa for stroke in step.event.strokes),
                peak_kpa=step.event.peak_kpa,
                peak_u_kpa=step.event.peak_u_kpa,
                cranking_rpm=step.event.cranking_rpm,
                remarks=flag_words(step.event.flags),
            )

    def pressed(self) -> None:
        """A key was pressed: what was refused before is over."""
        self.scene.refusal = ""

    def _tell_test(self, state: TestState, verdict: TestVerdict | None) -> None:
        scene = self.scene
        if state.plan.test_id != self._test_id:
            self._test_id, self._event_id, scene.last_event = state.plan.test_id, None, None
        if self._keys:
            self._digits = digits(self._shop.fleet.engine_of(state.plan.machine).cylinder_names)
        self._title = title(state, self._shop) + self._day
        scene.cylinders = cylinder_rows(state, verdict, self._shop, self._digits)
        again = None if state.phase in _CLOSED else redone(state, verdict)
        scene.redo = "" if again is None else ENGLISH.cylinder_text(again)
        scene.questions = question_lines(state, self._shop, self._digits)
        scene.stays_open = stays_open(state, self._shop)
        settled = state.phase in _SETTLED
        scene.report = report_command(self._shop) if settled and verdict is not None else ""
        scene.spread = spread_line(verdict, self._shop, settled=settled)
        scene.why = verdict.summary if settled and verdict is not None and _asks(verdict) else ""
        shown = next((reading for reading in state.readings if reading.event_id == self._event_id), None)
        if scene.last_event is not None and shown is not None:
            scene.last_event = replace(scene.last_event, cylinder=shown.cylinder)

    def _tell_leak(self, state: DecayState) -> None:
        """Name the machine that is under air for as long as it is."""
        before, self.scene.leak = self.scene.leak, ""
        if state.phase != "ended":
            of = f" of {state.cylinder}" if state.cylinder else ""
            self.scene.leak = f"{self._machine_name(state.machine)}, leak test{of}"
        if self.scene.leak and not before:
            self.scene.spread = self.scene.why = ""
        if before and not self.scene.leak and not self.scene.stays_open:
            # There may be air in it still, and the test before it is over: nothing of that comes back.
            self._title = f"{self._machine_name(state.machine)}, leak test ended"
            self.scene.cylinders, self.scene.questions, self.scene.last_event = [], (), None

    def _of_machine(self, result: Decay) -> str:
        """A leak-down's result with what was tested, since the test beside it may be another machine's."""
        what = f"cylinder {result.cylinder}" if result.cylinder else result.part
        return f"{self._machine_name(result.machine)}, leak test of {what}: {result.text}"

    def _machine_name(self, machine: str | None) -> str:
        try:
            return self._shop.fleet.find(machine or "").name
        except SettingsError:
            # A leak-down that goes on may be of a machine that is no longer in the fleet file.
            return machine or "no machine"

    def _worded(self, prompt: Prompt) -> str:
        """The sentence of a prompt; a question has each cylinder's key beside it."""
        if prompt.key not in QUESTIONS or not self._digits:
            return prompt.text
        language = replace(ENGLISH, cylinder_text=lambda name: keyed(name, self._digits))
        return Prompter(self.scene.unit, language).say(prompt.key, prompt.cylinders, **prompt.args).text

    def _caution(self, step: Step) -> None:
        """Keep every caution in sight until it is acknowledged: with the voice off nothing else tells of it."""
        for prompt in step.prompts:
            self._cautions.heard(prompt.key, prompt.text)
        if step.state is not None:
            self._cautions.phase(step.state.phase)
        if step.decay is not None:
            self._cautions.leak_ended()
        self.scene.cautions = self._cautions.sentences


def leak_line(progress: DecayProgress, shop: Shop) -> str:
    """A leak-down under way in one line."""
    unit = shop.settings.bench.display_unit
    line = f"Leak test, {unit.from_kpa(progress.pressure_kpa):z.{unit.decimals + 2}f} {unit.value}"
    if progress.rate_kpa_per_s is not None and progress.rate_u_kpa_per_s is not None:
        rate = rate_text(60.0 * progress.rate_kpa_per_s, 60.0 * progress.rate_u_kpa_per_s, unit)
        line += f", now losing {rate}"
    if progress.remaining_s is not None:
        line += f", about {progress.remaining_s:.0f} s more"
    return f"{line} ({progress.elapsed_s:.0f} s). {PHASE_WORDS.get(progress.note, progress.note)}"


def title(state: TestState, shop: Shop) -> str:
    """Name the test in a few words."""
    machine = shop.fleet.find(state.plan.machine)
    ended = {Phase.DONE: ", done", Phase.FINISHED: ", finished", Phase.ABANDONED: ", abandoned"}.get(state.phase, "")
    left = len(open_questions(state.readings))
    if left and state.phase is Phase.MEASURING and not state.current:
        ended = f", {counted(left, 'question')} left"
    return f"{machine.name}, {state.plan.kind.value} test{ended}"


def stays_open(state: TestState, shop: Shop) -> str:
    """That a test stays open when the screen is left, what is missing, and how to go on; empty when it is closed."""
    if state.phase in _CLOSED:
        return ""
    name = shop.fleet.find(state.plan.machine).name
    go_on = f"gaugelink run --config {quote(str(shop.file))}{' --simulate' if shop.simulated else ''}"
    if state.phase is Phase.DONE:
        return f"The test of {name} stays open until it is finished, with key f in: {go_on}"
    left = [one.name for one in state.cylinders if cylinder_status(one, state, None) in _UNSETTLED]
    missing = f"Not settled: {', '.join(left)}. " if left else ""
    return f"{missing}The test of {name} stays open; go on with it: {go_on}"


def report_command(shop: Shop) -> str:
    """What to type for the report of the last test."""
    return f"gaugelink report --config {quote(str(shop.file))}{' --simulated' if shop.simulated else ''}"


def digits(cylinders: Sequence[str]) -> dict[str, str]:
    """The key of each cylinder, by its place along the crankshaft; those from the tenth on have none."""
    return {name: str(place) for place, name in enumerate(cylinders[:9], start=1)}


def keyed(name: str, keys: Mapping[str, str]) -> str:
    """A cylinder's name with its key, ``PTO (1)``, where it is not its key itself."""
    key = keys.get(name, "")
    written = ENGLISH.cylinder_text(name)
    return f"{written} ({key})" if key and key != name else written


def question_lines(state: TestState, shop: Shop, keys: Mapping[str, str]) -> tuple[str, ...]:
    """Which readings wait for an answer, the one that is answered next first."""
    if state.phase in _CLOSED or state.phase is Phase.CAUTIONS:
        return ()
    unit = shop.settings.bench.display_unit
    lines: list[str] = []
    for reading in open_questions(state.readings):
        among = " or ".join(keyed(name, {} if lines else keys) for name in named_in_question(reading))
        lines.append(f"pull {reading.pull}, {unit.text(reading.peak_kpa)}: {among}?")
    return tuple(lines)


def cylinder_rows(
    state: TestState, verdict: TestVerdict | None, shop: Shop, keys: Mapping[str, str] | None = None
) -> list[CylinderRow]:
    """The table of a test: one row a cylinder, in physical order, with its key where it has one."""
    physical = shop.fleet.engine_of(state.plan.machine).cylinder_names
    judged = {reading.cylinder: reading for reading in verdict.readings} if verdict is not None else {}
    rows = []
    for cylinder in sorted(state.cylinders, key=lambda one: physical.index(one.name)):
        seen = judged.get(cylinder.name)
        rows.append(
            CylinderRow(
                name=cylinder.name,
                mark=_mark(cylinder, state, verdict),
                key=(keys or {}).get(cylinder.name, ""),
                reading_kpa=cylinder.value_kpa,
                reading_u_kpa=cylinder.u_kpa,
                pulls=tuple(
                    Pull(reading.peak_kpa, reading.event_id in cylinder.repeats)
                    for reading in state.readings
                    if reading.event_id in (*cylinder.repeats, *cylinder.left_out)
                ),
                remarks=flag_words(seen.flags) if seen else (),
            )
        )
    return rows


def _mark(cylinder: CylinderState, state: TestState, verdict: TestVerdict | None) -> CylinderMark:
    """How far a cylinder is; the next pull alone is meant for what is marked with now."""
    mark = _MARKS[cylinder_status(cylinder, state, verdict)]
    return CylinderMark.BEGUN if mark is CylinderMark.NOW and cylinder.name not in state.current else mark


def _asks(verdict: TestVerdict) -> bool:
    return verdict.word is not VerdictWord.CONSISTENT


def spread_line(verdict: TestVerdict | None, shop: Shop, *, settled: bool = True) -> str:
    """The spread and the verdict in one line.

    While a test is not `settled` the verdict's word is left out: with cylinders missing it says nothing of the engine.
    """
    if verdict is None or verdict.spread_kpa is None or verdict.spread_u_kpa is None or verdict.spread_percent is None:
        return ""
    unit = shop.settings.bench.display_unit
    spread = unit.doubt_text(verdict.spread_kpa, verdict.spread_u_kpa, fine=True)
    line = f"spread {verdict.spread_bound}{spread}, {verdict.spread_percent:.1f} % of the highest"
    return f"{line}: {verdict.word.value}" if settled else f"{line} so far"
