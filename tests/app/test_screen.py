"""The bench's screen says everything at 80 columns, with and without colour and box characters."""

import io
import re
import string

import pytest
from rich.console import Console

from gaugelink.app.scene import TRACE_S, CylinderMark, CylinderRow, LastEvent, Pull, Scene
from gaugelink.app.screen import Screen
from gaugelink.bench.english import ENGLISH, SENTENCES
from gaugelink.bench.english_large import large_words
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.engine.units import PressureUnit
from tests.bench.test_prompts import ARGS


def scene() -> Scene:
    made = Scene("bay-1", PressureUnit.PSI, title="North 7, dry test", prompt="MAG, 134 psi. Once more.", large="AGAIN")
    for n in range(500):
        made.live(n * 0.02, 900.0 if n % 10 == 0 else 0.0)
    made.cylinders = [
        CylinderRow("PTO", CylinderMark.AGREED, 930.0, 12.0, (Pull(931.0), Pull(929.0))),
        CylinderRow(
            "middle",
            CylinderMark.ODD,
            830.0,
            12.0,
            (Pull(690.0, counted=False), Pull(831.0), Pull(829.0)),
            ("still rising",),
        ),
        CylinderRow("MAG", CylinderMark.NOW),
    ]
    made.last_event = LastEvent("middle", (500.0, 700.0, 800.0), 830.0, 12.0, 412.0, ("few strokes",))
    made.notices.append("The disk is full.")
    made.gauges["amber"] = "streaming, 100 samples/s"
    return made


def drawn(made: Scene, encoding: str, height: int = 50) -> str:
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=file, width=80, height=height, force_terminal=False, legacy_windows=False)
    console.print(Screen(made))
    file.flush()
    buffer = file.buffer
    assert isinstance(buffer, io.BytesIO)
    return buffer.getvalue().decode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_everything_is_there_in_80_columns_with_and_without_unicode(encoding: str) -> None:
    text = drawn(scene(), encoding)
    assert max(len(line) for line in text.splitlines()) <= 80
    for word in ("MAG, 134 psi. Once more.", "135", "120", "agreed", "odd", "still rising", "now", "412 rpm",
                 "The disk is full.", "few strokes", "streaming"):  # fmt: skip
        assert word in text


def test_a_terminal_of_24_lines_still_shows_the_table_and_the_prompt() -> None:
    lines = drawn(scene(), "utf-8", height=24).splitlines()
    assert len(lines) <= 24
    text = "\n".join(lines)
    for word in ("MAG, 134 psi. Once more.", "agreed", "odd", "412 rpm", "The disk is full.", "q quit"):
        assert word in text


def test_on_a_low_terminal_strokes_and_broker_make_room_for_the_end_of_a_test() -> None:
    made = scene()
    made.prompt = "MAG, 136 psi, agreed. Test done. In order: PTO 136 psi, middle 135 psi, MAG 135 psi."
    made.large = "DONE"
    made.broker = "mqtt://127.0.0.1:1883  gaugelink/bay-1/#"
    made.spread = "spread 14.5 ± 1.8 psi, 10.7 % of the highest: retest"
    made.why = "The reading of middle was still rising: crank longer, then measure it again. " * 2
    lines = drawn(made, "utf-8", height=24).splitlines()
    assert len(lines) <= 24
    text = " ".join(" ".join(lines).replace("│", " ").split())
    for word in ("MAG 135 psi.", "odd, still rising", "retest", made.why.strip(), "The disk is full.", "q quit"):
        assert word in text
    assert "mqtt" not in text
    assert "mqtt" in drawn(made, "utf-8", height=50)


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("height", [24, 50])
def test_what_matters_of_every_prompt_is_large_with_its_sentence_beneath(encoding: str, height: int) -> None:
    for name in ("middle", "12"):
        named = {"cylinder": name, "next": name, "first": name, "second": "MAG", "targets": (name, "MAG")}
        for key in PromptKey:
            fields = {field for _, field, _, _ in string.Formatter().parse(SENTENCES[key]) if field}
            args = {field: (ARGS | named)[field] for field in fields}
            prompt = Prompter(PressureUnit.PSI, ENGLISH).say(key, (name, "MAG"), **args)
            made = scene()
            made.prompt, made.large = prompt.text, large_words(prompt)
            lines = drawn(made, encoding, height).splitlines()
            assert len(lines) <= height, key
            assert max(map(len, lines)) <= 80, key
            end = next(number for number, line in enumerate(lines) if number > 1 and line[0] in "╰+")
            frame = [line.strip(" │|") for line in lines[2:end]]
            assert len(frame) >= 4, key
            assert not any(made.large in line for line in frame[:3]), key
            assert " ".join(frame).endswith(prompt.text), key


@pytest.mark.parametrize(
    ("key", "args", "large"),
    [
        (PromptKey.BEGIN_PLACE, {"next": "PTO", "place": "clutch side"}, "PTO"),
        (PromptKey.AGAIN, {"cylinder": "PTO", "value": 930.0}, "AGAIN"),
        (PromptKey.MOVE, {"cylinder": "PTO", "value": 930.0, "next": "MAG"}, "MAG"),
        (PromptKey.DONE, {"list": (("PTO", 930.0), ("MAG", 925.0))}, "DONE"),
        (PromptKey.ASK_ONE, {"value": 930.0, "first": "3", "next": "4"}, "CYL 3?"),
        (PromptKey.BEGIN_ALL, {"pairs": (("PTO", "red"), ("MAG", "blue"))}, "PTO MAG"),
    ],
)
def test_the_large_words_are_the_cylinder_or_the_deed(key: PromptKey, args: dict[str, object], large: str) -> None:
    assert large_words(Prompter(PressureUnit.PSI, ENGLISH).say(key, ("PTO", "MAG"), **args)) == large


@pytest.mark.parametrize("height", [24, 50])
def test_a_long_note_among_the_cautions_is_whole_where_there_is_room_and_never_hides_what_to_do(height: int) -> None:
    made = scene()
    said = Prompter(PressureUnit.PSI, ENGLISH).cautions(None, "Look at the belt guard. " * 20)
    made.cautions = tuple(one.text for one in said)
    made.prompt = "Confirm that you heard the cautions, then we begin."
    text = " ".join(drawn(made, "utf-8", height).replace("│", " ").split())
    assert ("The fleet file has the rest." in text) == (height == 24)
    assert (text.count("Look at the belt guard.") == 20) == (height == 50)
    assert made.prompt in text
    assert "I have read the cautions" in text


def test_words_that_the_fonts_cannot_draw_are_written_whole() -> None:
    made = scene()
    made.large = "ZYLINDER GRÜN"
    assert made.large in drawn(made, "utf-8", 24)
    made.large = "A CYLINDER WITH A NAME THAT NOBODY COULD READ"
    assert made.large in drawn(made, "utf-8", 24)


def test_a_long_sentence_under_the_large_letters_is_still_whole() -> None:
    made = scene()
    made.prompt = "Not sure about 134 psi. Was that middle or MAG? Answer, or pull again on middle. " * 2
    text = " ".join(drawn(made, "utf-8").replace("│", " ").split())
    assert "Was that middle or MAG? Answer, or pull again on middle." in text


@pytest.mark.parametrize(
    ("unit", "shown"),
    [(PressureUnit.PSI, "120 ± 1.7 psi"), (PressureUnit.KPA, "830 ± 12 kPa"), (PressureUnit.BAR, "8.30 ± 0.12 bar")],
)
def test_the_head_of_the_last_cranking_has_the_digits_that_the_table_has(unit: PressureUnit, shown: str) -> None:
    made = scene()
    made.unit = unit
    lines = drawn(made, "utf-8").splitlines()
    assert any(f"middle: {shown} " in line for line in lines)
    row = next(line for line in lines if "odd" in line)
    value, _, doubt, _ = shown.split()
    assert row.split()[2:4] == [value, doubt]


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_a_pull_that_does_not_count_is_in_brackets(encoding: str) -> None:
    row = next(line for line in drawn(scene(), encoding, 24).splitlines() if "odd" in line)
    assert "(100)  121  120" in row


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("height", [24, 50])
def test_a_gauge_at_zero_shows_no_number_that_reads_like_a_pressure(encoding: str, height: int) -> None:
    made = Scene("bay-1", PressureUnit.PSI)
    for n in range(100):
        made.live(n * 0.02, 0.0)
    text = drawn(made, encoding, height)
    pressures = re.findall(r"(\S+) (\d+) psi", text)
    assert ("now", "0") in pressures
    assert {before for before, _ in pressures} <= {"now", "trace:"}
    assert (("trace:", "44") in pressures) == (height == 50)
    assert "full height of the trace: 44 psi" in text or height == 24


def test_the_trace_keeps_only_what_it_shows() -> None:
    made = scene()
    assert made.trace[-1][0] - made.trace[0][0] <= TRACE_S


@pytest.mark.parametrize("height", range(8, 50, 3))
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_the_frame_is_never_higher_than_the_terminal_and_keeps_the_prompt_and_what_is_wrong(
    encoding: str, height: int
) -> None:
    made = scene()
    made.questions = ("pull 4, 146 psi: PTO (1) or MAG (3)?",)
    made.spread, made.why = "spread 14.5 ± 1.8 psi: retest", "The reading of middle was still rising. " * 5
    made.broker = "mqtt://127.0.0.1:1883"
    made.gauges["amber"] = "lost, " + "the link went away and is being looked for, " * 3
    lines = drawn(made, encoding, height).splitlines()
    assert len(lines) <= height
    text = " ".join(lines)
    for word in ("MAG, 134 psi. Once more.", "? pull 4, 146 psi: PTO (1) or MAG (3)?", "! The disk is full."):
        assert word in text
    # What says least gives way first: the address of the broker is never kept in the place of the table.
    assert "mqtt" not in text or "agreed" in text
    assert ("agreed" in text) == (height > 12)


def test_of_many_questions_the_first_are_listed_and_the_rest_are_counted() -> None:
    made = scene()
    made.questions = tuple(f"pull {n}, 146 psi: PTO or MAG?" for n in range(5))
    text = drawn(made, "utf-8", 24)
    assert "? pull 2, 146 psi" in text
    assert "? and 2 more" in text
    assert "pull 3" not in text


@pytest.mark.parametrize("height", [24, 50])
def test_the_last_pull_and_the_mean_of_the_pulls_say_which_they_are(height: int) -> None:
    text = drawn(scene(), "utf-8", height)
    assert "last pull, middle: 120 ± 1.7 psi" in text
    assert "mean psi" in text


def test_keys_that_do_nothing_any_more_are_not_offered() -> None:
    assert "Enter" not in drawn(scene(), "utf-8", 24)
