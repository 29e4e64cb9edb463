"""Sentences for the ear: one table, numbers as spoken, no symbols."""

import re
import string

import pytest

from gaugelink.bench.english import ENGLISH, SENTENCES, clock_spoken, cylinder_spoken, spoken_number
from gaugelink.bench.plan import CrankedBy
from gaugelink.bench.prompt_keys import CAUTIONS, QUESTIONS, TONE_OF, PromptKey, Tone
from gaugelink.bench.prompts import Prompter
from gaugelink.engine.units import PressureUnit

ARGS = {
    "cylinder": "MAG",
    "next": "middle",
    "first": "PTO",
    "second": "MAG",
    "value": 924.0,
    "high": 930.0,
    "low": 880.0,
    "difference": 62.0,
    "place": "ignition side",
    "count": 5,
    "more": 10,
    "list": (("PTO", 924.0), ("MAG", 910.0)),
    "named": (("PTO", "red", 924.0), ("MAG", "blue", 910.0)),
    "pairs": (("PTO", "red"), ("MAG", "blue")),
    "targets": ("PTO", "MAG"),
    "pressure": 41.4,
    "rate": 0.042,
    "limit": 48.0,
    "percent": 12,
    "part": "crankcase",
    "oil": 7.5,
    "machine": "north-7",
    "note": "Check the belt guard before cranking.",
    "clock": "14:03",
    "pull": 4,
    "key": "r",
}


@pytest.mark.parametrize("key", PromptKey)
@pytest.mark.parametrize("unit", PressureUnit)
def test_every_prompt_is_in_the_table_and_is_spoken_without_digits_or_symbols(
    key: PromptKey, unit: PressureUnit
) -> None:
    names = {name for _, name, _, _ in string.Formatter().parse(SENTENCES[key]) if name}
    prompt = Prompter(unit, ENGLISH).say(key, **{name: ARGS[name] for name in names})
    assert re.fullmatch(r"[A-Za-z' ,.:?\-]+", prompt.spoken), prompt.spoken
    assert not prompt.text[0].islower()
    assert "{" not in prompt.text


@pytest.mark.parametrize(
    ("number", "decimals", "words"),
    [
        (134.0, 0, "one hundred and thirty-four"),
        (9.24, 2, "nine point two four"),
        (10.05, 2, "ten point zero five"),
        (1034.4, 0, "one thousand and thirty-four"),
        (-0.004, 2, "zero point zero zero"),
        (-3.0, 0, "minus three"),
        (99.6, 0, "one hundred"),
    ],
)
def test_numbers_are_spoken_as_people_say_them(number: float, decimals: int, words: str) -> None:
    assert spoken_number(number, decimals) == words


def test_the_same_reading_in_every_unit() -> None:
    # 924 kPa: 134.0 psi, 9.24 bar, 9.42 kgf/cm2 (NIST SP 811, appendix B.8).
    said = {unit: Prompter(unit, ENGLISH).say(PromptKey.AGAIN, cylinder="MAG", value=924.0) for unit in PressureUnit}
    assert said[PressureUnit.PSI].text == "MAG, 134 psi. Once more."
    assert said[PressureUnit.PSI].spoken == "Mag, one hundred and thirty-four. Once more."
    assert said[PressureUnit.BAR].spoken == "Mag, nine point two four. Once more."
    assert said[PressureUnit.KGF_CM2].spoken == "Mag, nine point four two. Once more."
    assert said[PressureUnit.KPA].spoken == "Mag, nine hundred and twenty-four. Once more."


def test_names_are_spoken_so_that_they_are_understood() -> None:
    assert cylinder_spoken("PTO") == "P T O"
    assert cylinder_spoken("2") == "cylinder two"
    assert cylinder_spoken("left 1") == "left one"
    resumed = Prompter(PressureUnit.PSI, ENGLISH).say(PromptKey.RESUMED, ("MAG",), next="MAG", machine="north-7")
    assert resumed.text == "The test of north-7 goes on. Next pull: MAG."
    assert resumed.spoken.startswith("The test of north seven goes on.")


def test_the_cautions_name_what_can_hurt_and_defer_to_the_manual() -> None:
    words = " ".join(SENTENCES[key] for key in CAUTIONS).lower()
    for danger in (
        "plug lead",
        "kill switch",
        "shut the fuel off",
        "cannot move",
        "belt",
        "kick back",
        "eye",
        "manual",
    ):
        assert danger in words


@pytest.mark.parametrize(
    ("cranked_by", "left_out"),
    [(CrankedBy.CORD, PromptKey.CAUTION_STARTER), (CrankedBy.STARTER, PromptKey.CAUTION_CORD), (None, None)],
)
def test_a_caution_about_the_cord_is_said_where_there_is_a_cord(
    cranked_by: CrankedBy | None, left_out: PromptKey | None
) -> None:
    said = [prompt.key for prompt in Prompter(PressureUnit.PSI, ENGLISH).cautions(cranked_by)]
    assert said == [key for key in CAUTIONS if key is not left_out]


def test_what_is_noted_of_the_machine_is_said_with_the_cautions() -> None:
    say = Prompter(PressureUnit.PSI, ENGLISH)
    noted = say.cautions(None, "check the belt guard\n before cranking")[-2]
    assert (noted.key, noted.text) == (
        PromptKey.CAUTION_NOTE,
        "This machine: check the belt guard before cranking.",
    )
    assert [prompt.key for prompt in say.cautions(None, " ")] == [*CAUTIONS]


def test_a_long_note_of_the_machine_is_read_whole_and_heard_in_part() -> None:
    long = Prompter(PressureUnit.PSI, ENGLISH).cautions(None, "word " * 200)[-2]
    assert long.text == f"This machine: {'word ' * 199}word."
    assert len(long.spoken) <= 180
    assert long.spoken.endswith("The rest is on the screen.")


def test_questions_and_trouble_interrupt_and_the_rest_does_not() -> None:
    say = Prompter(PressureUnit.PSI, ENGLISH)
    assert say.say(PromptKey.ASK_WHICH, **{k: ARGS[k] for k in ("value", "first", "second", "next")}).urgent
    assert not say.say(PromptKey.AGAIN, cylinder="MAG", value=924.0).urgent
    assert all(TONE_OF[key] is Tone.TROUBLE for key in QUESTIONS)


def test_a_sentence_is_short_enough_to_be_heard() -> None:
    # Working memory for speech: about two seconds a chunk; at 160 words a minute a prompt of 25 words takes 9 s.
    for key, sentence in SENTENCES.items():
        assert len(sentence.split()) <= 22, key


@pytest.mark.parametrize(
    ("clock", "words"),
    [
        ("14:03", "fourteen oh three"),
        ("09:30", "nine thirty"),
        ("08:00", "eight o'clock"),
        ("00:59", "zero fifty-nine"),
    ],
)
def test_a_time_of_day_is_spoken_as_people_say_it(clock: str, words: str) -> None:
    assert clock_spoken(clock) == words


def test_nobody_is_asked_to_speak_to_a_program_that_has_no_ears() -> None:
    asked = [sentence for key, sentence in SENTENCES.items() if key in QUESTIONS]
    assert asked
    assert not [sentence for sentence in asked if re.search(r"\bsay\b", sentence, re.IGNORECASE)]
