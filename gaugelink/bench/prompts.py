"""What the mechanic is to do or know now: one short sentence, to read and to hear, with a tone.

The sentences themselves are in one file a language (`gaugelink.bench.english`).
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from math import floor, log10
from textwrap import shorten

from gaugelink.bench.prompt_keys import CAUTIONS, PULLS, TONE_OF, PromptKey, Tone
from gaugelink.engine.fleet import CrankedBy
from gaugelink.engine.units import PressureUnit

_NOT_WITH = {CrankedBy.CORD: PromptKey.CAUTION_STARTER, CrankedBy.STARTER: PromptKey.CAUTION_CORD}
_LONGEST_NOTE = 160
"""Characters of a machine's note that are said with the cautions: about ten seconds. It is read whole."""
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
    sends_to_pull: bool = False
    """Whether any of its sentences sends somebody to pull next, whatever its key says of the first."""


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
        urgent = tone is Tone.TROUBLE
        return Prompt(key, _capital(text), _capital(spoken), tone, urgent, cylinders, kept, key in PULLS)

    @staticmethod
    def joined(first: Prompt, second: Prompt) -> Prompt:
        """Return one prompt that says both sentences, the second as a part of the first."""
        return replace(
            first,
            text=f"{first.text} {second.text}",
            spoken=f"{first.spoken} {second.spoken}",
            args={**second.args, **first.args},
            sends_to_pull=first.sends_to_pull or second.sends_to_pull,
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
        whole = self.say(PromptKey.CAUTION_NOTE, (), note=_sentence(" ".join(note.split())))
        heard = _sentence(shorten(note, _LONGEST_NOTE, placeholder=" ... The rest is on the screen."))
        told = replace(whole, spoken=self.say(PromptKey.CAUTION_NOTE, (), note=heard).spoken)
        return [*said[:-1], told, said[-1]]

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
        if name == "machine":
            words = re.findall(r"[0-9]+|[^\W0-9_]+", str(value))
            return " ".join(self.language.number(float(word), 0) if word.isdecimal() else word for word in words)
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


def _sentence(words: str) -> str:
    return words if words.endswith((".", "!", "?")) else f"{words}."


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
