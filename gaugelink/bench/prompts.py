"""What the mechanic is to do or know now: one short sentence, to read and to hear, with a tone.

The sentences themselves are in one file a language (`gaugelink.bench.english`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import floor, log10
from textwrap import shorten

from gaugelink.engine.fleet import CrankedBy
from gaugelink.engine.units import PressureUnit


class Tone(StrEnum):
    """A short sound that says it without words."""

    NONE = "none"
    GOOD = "good"
    AGAIN = "again"
    NEXT = "next"
    DONE = "done"
    TROUBLE = "trouble"


class PromptKey(StrEnum):
    """Every prompt there is."""

    CAUTION_IGNITION = "caution_ignition"
    CAUTION_FUEL = "caution_fuel"
    CAUTION_PARK = "caution_park"
    CAUTION_BELT = "caution_belt"
    CAUTION_CORD = "caution_cord"
    CAUTION_STARTER = "caution_starter"
    CAUTION_NOTE = "caution_note"
    CAUTION_EYES = "caution_eyes"
    CAUTION_MANUAL = "caution_manual"
    ACKNOWLEDGE = "acknowledge"
    ACKNOWLEDGE_FIRST = "acknowledge_first"
    OIL = "oil"
    OIL_TEASPOON = "oil_teaspoon"
    OIL_SPREAD = "oil_spread"
    READY_ENGINE = "ready_engine"
    PLUGS_OUT = "plugs_out"
    THROTTLE_OPEN = "throttle_open"
    BEGIN = "begin"
    BEGIN_PLACE = "begin_place"
    BEGIN_ALL = "begin_all"
    READY = "ready"
    READY_ALL = "ready_all"
    AGAIN = "again"
    AGAIN_BLEED = "again_bleed"
    ALL_NAMED = "all_named"
    ALL_AGAIN = "all_again"
    ALL_AGAIN_BLEED = "all_again_bleed"
    UNDER = "under"
    OVER = "over"
    STILL_RISING = "still_rising"
    BLEED = "bleed"
    RADIO_GAP = "radio_gap"
    OVER_RANGE = "over_range"
    UNSURE = "unsure"
    MOVE = "move"
    MOVE_PLACE = "move_place"
    MOVE_ALL = "move_all"
    MOVE_UNAGREED = "move_unagreed"
    MOVE_RISING = "move_rising"
    GO_TO = "go_to"
    EXTRA = "extra"
    EXTRA_DONE = "extra_done"
    ASK_WHICH = "ask_which"
    ASK_ONE = "ask_one"
    ASK_LATER = "ask_later"
    ASK_PULL = "ask_pull"
    ASK_PULL_ONE = "ask_pull_one"
    ASK_EXCHANGED = "ask_exchanged"
    ASK_GAUGE = "ask_gauge"
    MISSING = "missing"
    DONE = "done"
    LAST_DONE = "last_done"
    LAST_UNAGREED = "last_unagreed"
    LAST_RISING = "last_rising"
    DONE_NAMED = "done_named"
    DONE_MANY = "done_many"
    LAST_DONE_MANY = "last_done_many"
    DONE_ONE = "done_one"
    DONE_NOTHING = "done_nothing"
    ABANDONED = "abandoned"
    REDO = "redo"
    SKIPPED = "skipped"
    SKIPPED_ONES = "skipped_ones"
    UNAGREED_ONES = "unagreed_ones"
    RISING_ONES = "rising_ones"
    UNSETTLED_ONES = "unsettled_ones"
    AGREED = "agreed"
    EXTRA_READ = "extra_read"
    QUESTION_LEFT = "question_left"
    QUESTIONS_LEFT = "questions_left"
    UNGIVEN = "ungiven"
    PUT_RIGHT = "put_right"
    PUT_RIGHT_NEXT = "put_right_next"
    STRUCK = "struck"
    STRUCK_NEXT = "struck_next"
    SURE_STRIKE = "sure_strike"
    SURE_STRIKE_MANY = "sure_strike_many"
    SURE_STRIKE_HELD = "sure_strike_held"
    SURE_CLOSE = "sure_close"
    SURE_STOP = "sure_stop"
    KEPT = "kept"
    BACK = "back"
    BACK_ONE = "back_one"
    BACK_MANY = "back_many"
    BACK_MOVED = "back_moved"
    BACK_HELD = "back_held"
    BACK_EXCHANGED = "back_exchanged"
    BACK_SKIPPED = "back_skipped"
    BACK_OPEN = "back_open"
    UNSKIPPED = "unskipped"
    CONFIRM = "confirm"
    WAITING = "waiting"
    WAITING_ALL = "waiting_all"
    KEEP_CRANKING = "keep_cranking"
    ENOUGH = "enough"
    NO_GAUGE = "no_gauge"
    LINK_LOST = "link_lost"
    LINK_BACK = "link_back"
    LINK_BACK_ALL = "link_back_all"
    WAKE_GAUGE = "wake_gauge"
    BATTERY_LOW = "battery_low"
    DISK_TROUBLE = "disk_trouble"
    DISK_BACK = "disk_back"
    RESUMED = "resumed"
    RESUMED_ALL = "resumed_all"
    CAUTION_AIR_CRANK = "caution_air_crank"
    CAUTION_AIR_CLEAR = "caution_air_clear"
    CAUTION_AIR_PARK = "caution_air_park"
    CAUTION_AIR_IGNITION = "caution_air_ignition"
    CAUTION_AIR_FUEL = "caution_air_fuel"
    CAUTION_AIR_LIMIT = "caution_air_limit"
    LEAK_LOCK = "leak_lock"
    LEAK_PUMP = "leak_pump"
    LEAK_AIR = "leak_air"
    LEAK_LOW = "leak_low"
    LEAK_CLOSED = "leak_closed"
    LEAK_ANEW = "leak_anew"
    LEAK_OVER = "leak_over"
    LEAK_ABSOLUTE = "leak_absolute"
    LEAK_WAIT = "leak_wait"
    LEAK_PASS = "leak_pass"
    LEAK_FAIL = "leak_fail"
    LEAK_UNDECIDED = "leak_undecided"
    LEAK_UNLIKE = "leak_unlike"
    LEAK_PERCENT = "leak_percent"
    LEAK_SOAP_CASE = "leak_soap_case"
    LEAK_SOAP = "leak_soap"
    LEAK_LISTEN = "leak_listen"
    LEAK_LET_OFF = "leak_let_off"
    LEAK_MOVED = "leak_moved"
    LEAK_ABOVE_SUPPLY = "leak_above_supply"
    LEAK_STOPPED = "leak_stopped"
    LEAK_BROKEN_OFF = "leak_broken_off"
    LEAK_GOES_ON = "leak_goes_on"
    LEAK_FROM_START = "leak_from_start"
    LEAK_CUT = "leak_cut"
    LEAK_CUT_AWAY = "leak_cut_away"
    LEAK_CUT_CLOCK = "leak_cut_clock"
    LEAK_CUT_PRESSURE = "leak_cut_pressure"
    LEAK_CUT_MOVED = "leak_cut_moved"


CAUTIONS = (
    PromptKey.CAUTION_IGNITION,
    PromptKey.CAUTION_FUEL,
    PromptKey.CAUTION_PARK,
    PromptKey.CAUTION_BELT,
    PromptKey.CAUTION_CORD,
    PromptKey.CAUTION_STARTER,
    PromptKey.CAUTION_EYES,
    PromptKey.CAUTION_MANUAL,
)
"""What is said before anyone cranks an engine with its plugs out (common practice, no source). Where it is known what
turns the crank, what is about the other way of cranking is left out."""
_NOT_WITH = {CrankedBy.CORD: PromptKey.CAUTION_STARTER, CrankedBy.STARTER: PromptKey.CAUTION_CORD}
_LONGEST_NOTE = 160
"""Characters of a machine's note that are said and shown with the cautions: about ten seconds, two lines."""

AIR_CAUTIONS = (
    PromptKey.CAUTION_AIR_CRANK,
    PromptKey.CAUTION_AIR_CLEAR,
    PromptKey.CAUTION_AIR_PARK,
    PromptKey.CAUTION_AIR_IGNITION,
    PromptKey.CAUTION_AIR_FUEL,
    PromptKey.CAUTION_AIR_LIMIT,
    PromptKey.CAUTION_EYES,
    PromptKey.CAUTION_MANUAL,
)
"""What is said before air goes into an engine (common practice, no source)."""

ENDINGS = frozenset(
    {
        PromptKey.DONE,
        PromptKey.LAST_DONE,
        PromptKey.LAST_UNAGREED,
        PromptKey.LAST_RISING,
        PromptKey.DONE_NAMED,
        PromptKey.DONE_MANY,
        PromptKey.LAST_DONE_MANY,
    }
    | {PromptKey.DONE_ONE, PromptKey.EXTRA_DONE}
)
"""Prompts that say that every cylinder is settled."""

_TONES: dict[Tone, frozenset[PromptKey]] = {
    Tone.GOOD: frozenset(
        {
            PromptKey.PUT_RIGHT,
            PromptKey.PUT_RIGHT_NEXT,
            PromptKey.READY,
            PromptKey.READY_ALL,
            PromptKey.ENOUGH,
            PromptKey.DISK_BACK,
            PromptKey.LEAK_CLOSED,
            PromptKey.LEAK_GOES_ON,
        }
    ),
    Tone.AGAIN: frozenset(
        {
            PromptKey.AGAIN,
            PromptKey.AGAIN_BLEED,
            PromptKey.ALL_NAMED,
            PromptKey.ALL_AGAIN,
            PromptKey.ALL_AGAIN_BLEED,
            PromptKey.OVER,
        }
        | {PromptKey.REDO, PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL, PromptKey.KEEP_CRANKING}
        | {PromptKey.RADIO_GAP}
        | {PromptKey.STILL_RISING, PromptKey.UNSURE, PromptKey.LEAK_LOW, PromptKey.LEAK_ANEW, PromptKey.LEAK_UNDECIDED}
        | {PromptKey.LEAK_FROM_START}
    ),
    Tone.NEXT: frozenset(
        {PromptKey.MOVE, PromptKey.MOVE_PLACE, PromptKey.MOVE_ALL, PromptKey.GO_TO, PromptKey.SKIPPED}
        | {PromptKey.BEGIN, PromptKey.BEGIN_PLACE, PromptKey.BEGIN_ALL, PromptKey.EXTRA, PromptKey.UNSKIPPED}
        | {PromptKey.LEAK_PUMP, PromptKey.LEAK_AIR}
    ),
    Tone.DONE: ENDINGS | {PromptKey.LEAK_PASS, PromptKey.LEAK_PERCENT},
    Tone.TROUBLE: frozenset(
        {PromptKey.UNDER, PromptKey.OVER_RANGE, PromptKey.MOVE_UNAGREED, PromptKey.MOVE_RISING}
        | {PromptKey.ASK_WHICH, PromptKey.ASK_ONE}
        | {PromptKey.ASK_LATER, PromptKey.ASK_EXCHANGED, PromptKey.ASK_GAUGE, PromptKey.MISSING}
        | {PromptKey.NO_GAUGE, PromptKey.LINK_LOST, PromptKey.WAKE_GAUGE, PromptKey.BATTERY_LOW, PromptKey.DISK_TROUBLE}
        | {PromptKey.ACKNOWLEDGE_FIRST, PromptKey.CONFIRM, PromptKey.ASK_PULL, PromptKey.ASK_PULL_ONE}
        | {PromptKey.SURE_STRIKE, PromptKey.SURE_STRIKE_MANY, PromptKey.SURE_STRIKE_HELD, PromptKey.SURE_CLOSE}
        | {PromptKey.SURE_STOP}
        | {PromptKey.LEAK_OVER, PromptKey.LEAK_ABSOLUTE, PromptKey.LEAK_FAIL, PromptKey.LEAK_MOVED}
        | {PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_CUT, PromptKey.LEAK_CUT_AWAY, PromptKey.LEAK_CUT_CLOCK}
        | {PromptKey.LEAK_CUT_PRESSURE, PromptKey.LEAK_CUT_MOVED, PromptKey.LEAK_ABOVE_SUPPLY}
        | {PromptKey.LEAK_UNLIKE}
    ),
}
TONE_OF = {key: tone for tone, keys in _TONES.items() for key in keys}
"""The tone of each prompt; those that are not here have none."""

QUESTIONS = frozenset(
    {PromptKey.ASK_WHICH, PromptKey.ASK_ONE, PromptKey.ASK_LATER, PromptKey.ASK_EXCHANGED, PromptKey.CONFIRM}
    | {PromptKey.ASK_PULL, PromptKey.ASK_PULL_ONE}
)
"""Prompts that ask which cylinder it was."""

SURE = frozenset(
    {PromptKey.SURE_STRIKE, PromptKey.SURE_STRIKE_MANY, PromptKey.SURE_STRIKE_HELD, PromptKey.SURE_CLOSE}
    | {PromptKey.SURE_STOP}
)
"""Prompts that ask for the same key once more before something is lost."""

LOOK_AGAIN = frozenset({PromptKey.UNDER, PromptKey.OVER, PromptKey.STILL_RISING, PromptKey.MISSING})
"""Prompts after which the gauge may be tightened where it is."""

PULLS = frozenset(
    {PromptKey.BEGIN, PromptKey.BEGIN_PLACE, PromptKey.BEGIN_ALL, PromptKey.READY, PromptKey.READY_ALL}
    | {PromptKey.AGAIN, PromptKey.AGAIN_BLEED, PromptKey.ALL_NAMED, PromptKey.ALL_AGAIN, PromptKey.ALL_AGAIN_BLEED}
    | {PromptKey.UNDER, PromptKey.OVER, PromptKey.STILL_RISING, PromptKey.RADIO_GAP, PromptKey.UNSURE}
    | {PromptKey.MOVE, PromptKey.MOVE_PLACE, PromptKey.MOVE_ALL, PromptKey.MOVE_UNAGREED, PromptKey.GO_TO}
    | {PromptKey.MOVE_RISING}
    | {PromptKey.EXTRA, PromptKey.MISSING, PromptKey.REDO, PromptKey.SKIPPED, PromptKey.PUT_RIGHT_NEXT}
    | {PromptKey.STRUCK_NEXT, PromptKey.WAITING, PromptKey.WAITING_ALL, PromptKey.RESUMED, PromptKey.RESUMED_ALL}
)
"""Prompts that send somebody to pull next."""

_PRESSURES = frozenset({"value", "high", "low"})
_SMALL = frozenset({"pressure", "rate", "limit"})
"""Pressures of a leak-down: a few psi and less, told with two digits."""
_CYLINDERS = frozenset({"cylinder", "next", "first", "second"})

PromptArgs = Mapping[str, "str | float | tuple[str, ...] | tuple[tuple[str | float, ...], ...]"]


@dataclass(frozen=True, slots=True)
class Prompt:
    """One sentence."""

    key: PromptKey
    text: str
    """To read: ``MAG, 134 psi. Once more.``"""
    spoken: str
    """To hear: ``mag, one hundred and thirty-four. Once more.``"""
    tone: Tone
    urgent: bool = False
    """True for trouble and questions: it interrupts what is being said."""
    cylinders: tuple[str, ...] = ()
    """Cylinders that the next pull is meant for."""
    args: PromptArgs = field(default_factory=dict)
    """What was filled in: pressures in kPa, cylinders by name."""


@dataclass(frozen=True, slots=True)
class Language:
    """One language: its sentences and how it says numbers and names."""

    sentences: Mapping[PromptKey, str]
    number: Callable[[float, int], str]
    """Number and decimals to words."""
    unit_spoken: Mapping[PressureUnit, str]
    cylinder_text: Callable[[str], str]
    cylinder_spoken: Callable[[str], str]
    joiner: str
    """Word between the last two of a list."""
    clock_spoken: Callable[[str], str]
    """A time of day, ``14:03``, to words."""
    place_article: str
    """Goes before a place: ``the clutch side``."""
    pair: str
    """One gauge and its cylinder, ``{gauge}`` and ``{cylinder}``."""


class Prompter:
    """Fills the sentences of one language in one display unit."""

    def __init__(self, unit: PressureUnit, language: Language) -> None:
        self.unit = unit
        self.language = language

    def say(self, key: PromptKey, cylinders: tuple[str, ...] = (), /, **args: object) -> Prompt:
        """Make a prompt. Pressures in `args` are in kPa, cylinders are names.

        Raises KeyError when the sentence needs something that is not in `args`.
        """
        sentence = self.language.sentences[key]
        text = sentence.format_map({name: self._text(name, value) for name, value in args.items()})
        spoken = sentence.format_map({name: self._spoken(name, value) for name, value in args.items()})
        tone = TONE_OF.get(key, Tone.NONE)
        kept = {name: value for name, value in args.items() if isinstance(value, str | int | float | tuple)}
        return Prompt(key, _capital(text), _capital(spoken), tone, tone is Tone.TROUBLE, cylinders, kept)

    @staticmethod
    def joined(first: Prompt, second: Prompt) -> Prompt:
        """Return one prompt that says both sentences, the second as a part of the first."""
        return replace(
            first,
            text=f"{first.text} {second.text}",
            spoken=f"{first.spoken} {second.spoken}",
            args={**second.args, **first.args},
        )

    @staticmethod
    def led(lead: Prompt, prompt: Prompt) -> Prompt:
        """Return a prompt with another sentence ahead of its own."""
        return replace(
            prompt,
            text=f"{lead.text} {prompt.text}",
            spoken=f"{lead.spoken} {prompt.spoken}",
            args={**lead.args, **prompt.args},
        )

    def cautions(self, cranked_by: CrankedBy | None = None, note: str = "") -> list[Prompt]:
        """Return the cautions, one sentence each, the machine's own `note` last but for the manual."""
        left_out = _NOT_WITH.get(cranked_by) if cranked_by is not None else None
        said = [self.say(key) for key in CAUTIONS if key is not left_out]
        if not note.strip():
            return said
        told = shorten(note, _LONGEST_NOTE, placeholder=" ... The fleet file has the rest.")
        told = told if told.endswith((".", "!", "?")) else f"{told}."
        return [*said[:-1], self.say(PromptKey.CAUTION_NOTE, (), note=told), said[-1]]

    def _text(self, name: str, value: object) -> str:
        if name == "list" and isinstance(value, tuple):
            return ", ".join(f"{self.language.cylinder_text(one)} {self.unit.text(kpa)}" for one, kpa in value)
        if name == "named" and isinstance(value, tuple):
            return ", ".join(
                f"{self._pair(gauge, one, self.language.cylinder_text)} {self.unit.text(kpa)}"
                for one, gauge, kpa in value
            )
        if name in _PRESSURES or name == "difference":
            return self.unit.text(float(str(value)))
        if name == "oil":
            return f"{float(str(value)):g}"
        if name in _SMALL:
            return f"{self.unit.from_kpa(float(str(value))):.{self._digits(value)}f} {self.unit.value}"
        return self._named(name, value, self.language.cylinder_text)

    def _spoken(self, name: str, value: object) -> str:
        if name == "list" and isinstance(value, tuple):
            return ", ".join(f"{self.language.cylinder_spoken(one)}, {self._number(kpa)}" for one, kpa in value)
        if name == "named" and isinstance(value, tuple):
            say = self.language.cylinder_spoken
            return ". ".join(f"{self._pair(gauge, one, say)}, {self._number(kpa)}" for one, gauge, kpa in value)
        if name in _PRESSURES:
            return self._number(float(str(value)))
        if name == "difference":
            return f"{self._number(float(str(value)))} {self.language.unit_spoken[self.unit]}"
        if name in _SMALL:
            number = self.language.number(self.unit.from_kpa(float(str(value))), self._digits(value))
            return f"{number} {self.language.unit_spoken[self.unit]}"
        if name == "oil":
            millilitres = float(str(value))
            return self.language.number(millilitres, 0 if millilitres.is_integer() else 1)
        if name == "clock":
            return self.language.clock_spoken(str(value))
        if name in ("count", "more", "percent", "pull") and isinstance(value, int):
            return self.language.number(value, 0)
        return self._named(name, value, self.language.cylinder_spoken)

    def _named(self, name: str, value: object, cylinder: Callable[[str], str]) -> str:
        if name in _CYLINDERS:
            return cylinder(str(value))
        if name == "targets" and isinstance(value, tuple):
            return self._joined([cylinder(str(one)) for one in value])
        if name == "pairs" and isinstance(value, tuple):
            return ", ".join(self._pair(gauge, one, cylinder) for one, gauge in value)
        if name == "place":
            return f"{self.language.place_article}{value}" if str(value).endswith("side") else str(value)
        return str(value)

    def _pair(self, gauge: str, name: str, cylinder: Callable[[str], str]) -> str:
        return self.language.pair.format(gauge=gauge, cylinder=cylinder(name))

    def _digits(self, value: object) -> int:
        """Digits after the point that leave two that count."""
        size = abs(self.unit.from_kpa(float(str(value))))
        return max(0, min(3, 1 - floor(log10(size)))) if size > 0 else 1

    def _number(self, kpa: float) -> str:
        return self.language.number(self.unit.from_kpa(kpa), self.unit.decimals)

    def _joined(self, words: list[str]) -> str:
        return self.language.joiner.join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
