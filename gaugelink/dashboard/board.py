"""What is known of one bench, folded from what it publishes. Pure: topics and payloads in, changes for the page out."""

import math
from collections import OrderedDict, deque
from dataclasses import dataclass
from typing import Any

from gaugelink.bench.cautions import StandingCautions
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, ASIDE, CAUTIONS, QUESTIONS, PromptKey
from gaugelink.broker.leak_messages import Decay, DecayProgress, DecayState
from gaugelink.broker.message import Message
from gaugelink.broker.messages import Availability, CommandResult, Cranking, GaugeState, Prompt, Reading, TestState
from gaugelink.broker.received import read_message
from gaugelink.broker.senml import LivePressure, resolve
from gaugelink.dashboard.succession import Succession
from gaugelink.errors import BrokerError
from gaugelink.leak.heard import found_text
from gaugelink.leak.wording import PHASE_WORDS, flag_words
from gaugelink.peak.events import Flag
from gaugelink.printable import printable
from gaugelink.report.plain import flag_words as flags_in_words

Json = dict[str, Any]

STALE_S = 2.0
"""A gauge that streams and is not heard for this long is shown as not heard. It tells at least once a second."""
TRACE_S = 15.0
"""Seconds of live pressure that whoever opens the page is given."""
MOST_SAMPLES = 30_000
"""Samples of a gauge that are remembered: `TRACE_S` of the fastest one, and a bound on a clock that stands still."""
MOST_EVENTS = 64
"""Cranking events that are remembered; more than the readings of a large engine."""
MOST_DECAYS = 24
MOST_GAUGES = 24
_REMEMBERED_IDS = 1024

_MODELS: dict[str, type[Message]] = {
    "cranking": Cranking,
    "reading": Reading,
    "test": TestState,
    "prompt": Prompt,
    "command/result": CommandResult,
    "decay": Decay,
    "decay/state": DecayState,
    "decay/progress": DecayProgress,
}
_STAGES = {"cautions": 0, "measuring": 1, "ended": 2}
"""Order of the phases of a leak-down; one that this version does not know is between the ends."""
_OF_LEAK = frozenset(
    {key for key in PromptKey if key.startswith("leak_")}
    | {*AIR_CAUTIONS, PromptKey.ACKNOWLEDGE, PromptKey.ACKNOWLEDGE_FIRST}
)
"""What a leak-down says while it is under way."""
_SHORT_OF_THE_TOP = frozenset({Flag.STILL_RISING.value, Flag.OVER_RANGE.value})
"""A pull with one of these rose to its end, or past what its gauge shows."""
_KINDS = {"command/result": "result", "decay/state": "decay_state", "decay/progress": "decay_progress"}


@dataclass(frozen=True, slots=True)
class Change:
    """Something that the page has to know."""

    kind: str
    """``availability``, ``gauge``, ``live``, ``cranking``, ``reading``, ``test``, ``prompt``, ``result``, ``decay``,
    ``decay_state`` or ``decay_progress``."""
    data: Any
    """As JSON. A test, a prompt, a leak-down's state and result carry ``cautions``: the sentences that now stand.
    A prompt carries ``asks`` and ``of_leak``: whether it is a question, and whether a leak-down says it.
    A leak-down's result, and each reading of a test, carries ``doubts`` too: its flags in words.
    Each cylinder of a test carries ``at_least``: whether no more is known than that its pressure is at least so high.
    The ``note`` of a leak-down's progress is in words."""


@dataclass(slots=True)
class _Trace:
    """Live pressure of one gauge, on the gauge's own clock."""

    samples: deque[tuple[float, float]]
    """Seconds, and kPa."""
    heard_s: float


class BenchBoard:
    """One bench as it stands. `now_s` is monotonic time."""

    def __init__(self, bench: str) -> None:
        self.bench = bench
        self.refused = 0
        """Messages that are not of the contract."""
        self._availability: str | None = None
        self._gauges: dict[str, Json] = {}
        self._traces: dict[str, _Trace] = {}
        self._test: TestState | None = None
        self._leak: DecayState | None = None
        self._tests, self._leaks = Succession(), Succession()
        self._prompt: Prompt | None = None
        self._leak_prompt: Prompt | None = None
        self._cautions = StandingCautions()
        self._result: Json | None = None
        self._events: OrderedDict[str, Json] = OrderedDict()
        self._decays: OrderedDict[str, Json] = OrderedDict()
        self._progress: Json | None = None
        self._seen: OrderedDict[str, None] = OrderedDict()

    def take(self, suffix: str, payload: bytes, now_s: float) -> Change | None:
        """Take a message; None when it says nothing new.

        Raises:
            BrokerError: the message is not of the contract; nothing of it was taken.
        """
        try:
            if suffix == "availability":
                self._availability = _availability(payload)
                return Change("availability", self._availability)
            level = suffix.split("/")
            if level[0] == "gauge" and len(level) == 3 and level[2] == "state":
                return self._gauge(level[1], payload)
            if level[0] == "gauge" and len(level) == 3 and level[2] == "pressure":
                return self._live(level[1], payload, now_s)
            model = _MODELS.get(suffix)
            if model is None:
                return None
            return self._message(suffix, read_message(model, payload))
        except BrokerError as error:
            self.refused += 1
            where = printable(f"{self.bench}/{suffix}")
            raise BrokerError(f"A message on {where} is not of the contract: {error}.") from error

    def _gauge(self, name: str, payload: bytes) -> Change | None:
        state = read_message(GaugeState, payload)
        known = self._gauges.get(name)
        if self._is_repeat(state.id) and known is not None:
            return None
        if known is None and len(self._gauges) >= MOST_GAUGES:
            return None
        self._gauges[name] = state.model_dump(mode="json")
        return Change("gauge", self._gauges[name])

    def _live(self, name: str, payload: bytes, now_s: float) -> Change | None:
        base_s = read_message(LivePressure, payload).root[0].bt or 0.0
        records = resolve(payload)
        pressures = [one for one in records if one.name.endswith("/pressure") and one.unit == "Pa"]
        samples = [(one.time_s - base_s, one.value / 1000.0) for one in pressures if isinstance(one.value, float)]
        if len(samples) < len(pressures) or not all(math.isfinite(time_s) for time_s, _ in samples):
            raise BrokerError("a pressure has no number, or no time that can be told")
        over = any(one.name.endswith("/over_range") and one.value is True for one in records)
        if not samples:
            return None
        trace = self._traces.get(name)
        if trace is None:
            if len(self._traces) >= MOST_GAUGES:
                return None
            trace = self._traces[name] = _Trace(deque(maxlen=MOST_SAMPLES), now_s)
        if trace.samples and samples[0][0] < trace.samples[-1][0] - 1e-3:
            # The gauge's clock began anew.
            trace.samples.clear()
        trace.samples.extend(samples)
        while trace.samples[0][0] < samples[-1][0] - TRACE_S:
            trace.samples.popleft()
        trace.heard_s = now_s
        return Change("live", {"gauge": name, "over": over, **_columns(samples)})

    def _message(self, suffix: str, message: Message) -> Change | None:
        # Progress is sent once, and so much of it that the ids worth remembering would be forgotten over it.
        if not isinstance(message, DecayProgress) and self._is_repeat(message.id):
            return None
        data = message.model_dump(mode="json")
        match message:
            case TestState():
                if not self._tests.admits(message.test_id, message.revision, message.at):
                    return None
                if self._test is None or self._test.test_id != message.test_id:
                    self._progress = None
                self._test = message
                self._cautions.phase(message.phase)
                self._hear_again(message.cautions)
                data = _test(message) | self._standing()
            case Prompt():
                self._hear(message)
                data = _prompt(self._prompt or message) | self._standing()
            case CommandResult():
                self._result = data
            case Cranking():
                _keep(self._events, message.event_id, _slim(data), MOST_EVENTS)
                data = self._events[message.event_id]
            case Decay():
                data["doubts"] = list(flag_words(message.flags))
                data["where"] = found_text(message.heard, message.found)
                # One of which it is said where its air goes stays in its place.
                if message.decay_id in self._decays:
                    self._decays[message.decay_id] = data
                else:
                    _keep(self._decays, message.decay_id, data, MOST_DECAYS)
                # The result of one before this may be told again while the cautions of this one stand.
                if self._leak is None or self._leak.decay_id == message.decay_id:
                    self._cautions.leak_ended()
                data = data | self._standing()
                if self._progress is not None and self._progress["decay_id"] == message.decay_id:
                    self._progress = None
            case DecayState():
                if not self._leaks.admits(message.decay_id, _STAGES.get(message.phase, 1), message.at):
                    return None
                self._leak = message
                self._cautions.leak(message.cautions)
                if message.phase == "ended" and self._progress and self._progress["decay_id"] == message.decay_id:
                    self._progress = None
                data |= self._standing()
            case DecayProgress():
                if self._leak is not None and (self._leak.decay_id, self._leak.phase) == (message.decay_id, "ended"):
                    return None
                self._progress = data = data | {"note": PHASE_WORDS.get(message.note, message.note)}
        return Change(_KINDS.get(suffix, suffix), data)

    def _hear(self, prompt: Prompt) -> None:
        standing = self._prompt
        if prompt.key in ASIDE and standing is not None:
            # Said alone, and shown behind what is to be done, which it does not change.
            said = {"id": prompt.id, "at": prompt.at, "spoken": prompt.spoken or prompt.text, "say": prompt.say}
            self._prompt = standing.model_copy(update={**said, "text": f"{standing.text} {prompt.text}"})
            return
        self._prompt = prompt
        if prompt.key in _OF_LEAK:
            self._leak_prompt = prompt
        self._cautions.heard(prompt.key, prompt.text)

    def _hear_again(self, cautions: tuple[str, ...]) -> None:
        """Take a test's own cautions from its state, the whole list: they may have been said before anyone listened."""
        for number, caution in enumerate(cautions):
            self._cautions.heard(CAUTIONS[0] if number == 0 else PromptKey.CAUTION_NOTE, caution)
        if cautions:
            self._cautions.heard(PromptKey.ACKNOWLEDGE, "")

    def _standing(self) -> Json:
        return {"cautions": list(self._cautions.sentences)}

    def _is_repeat(self, message_id: str) -> bool:
        if message_id in self._seen:
            return True
        self._seen[message_id] = None
        if len(self._seen) > _REMEMBERED_IDS:
            self._seen.popitem(last=False)
        return False

    def silent_gauges(self, now_s: float) -> list[str]:
        """Gauges that say that they stream, and are not heard."""
        silent = []
        for name, state in self._gauges.items():
            trace = self._traces.get(name)
            if state["phase"] == "streaming" and trace is not None and now_s - trace.heard_s > STALE_S:
                silent.append(name)
        return silent

    def snapshot(self) -> Json:
        """Everything, for whoever opens the page."""
        return {
            "bench": self.bench,
            "availability": self._availability,
            "gauges": self._gauges,
            "live": {name: _columns(list(trace.samples)) for name, trace in self._traces.items()},
            "test": None if self._test is None else _test(self._test),
            "prompt": None if self._prompt is None else _prompt(self._prompt),
            "leak": None if self._leak is None else self._leak.model_dump(mode="json"),
            "leak_prompt": None if self._leak_prompt is None else _prompt(self._leak_prompt),
            "result": self._result,
            **self._standing(),
            "events": list(self._events.values()),
            "decays": list(self._decays.values()),
            "progress": self._progress,
        }


def _availability(payload: bytes) -> str:
    try:
        return Availability(payload.decode("ascii")).value
    except ValueError as error:
        raise BrokerError("it is neither online nor offline") from error


def _columns(samples: list[tuple[float, float]]) -> Json:
    return {"t": [round(time_s, 4) for time_s, _ in samples], "kpa": [round(kpa, 2) for _, kpa in samples]}


def _test(test: TestState) -> Json:
    data = test.model_dump(mode="json")
    for cylinder in data["cylinders"]:
        for reading in cylinder["readings"]:
            reading["doubts"] = list(flags_in_words(frozenset(Flag(flag) for flag in reading["flags"])))
        behind = [reading for reading in cylinder["readings"] if reading["counted"]]
        cylinder["at_least"] = bool(behind) and all(_SHORT_OF_THE_TOP & set(reading["flags"]) for reading in behind)
    return data


def _prompt(prompt: Prompt) -> Json:
    return {
        **prompt.model_dump(mode="json"),
        "asks": prompt.key in QUESTIONS,
        "of_leak": prompt.key in _OF_LEAK,
    }


def _slim(event: Json) -> Json:
    """What the page draws of an event: the budget behind its uncertainty is for the report."""
    return {name: value for name, value in event.items() if name != "budget"}


def _keep(kept: OrderedDict[str, Json], key: str, value: Json, most: int) -> None:
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > most:
        kept.popitem(last=False)
