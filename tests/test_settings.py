"""Mistakes in files that people write are told in a way that lets them be mended."""

from enum import StrEnum

import pytest
from pydantic import Field, SecretStr

from gaugelink.errors import SettingsError
from gaugelink.settings import Settings, parse_settings


class Colour(StrEnum):
    RED = "red"
    GREEN = "green"


class Part(Settings):
    name: str
    colour: Colour = Colour.RED
    size_mm: float = Field(default=1.0, gt=0)
    code: str = Field(default="a1", pattern="^[a-z][0-9]$")
    """A letter and a digit, as ``b2``."""


class Whole(Settings):
    part: Part | None = None
    parts: tuple[Part, ...] = ()
    named: dict[str, Part] = Field(default_factory=dict)
    password: SecretStr | None = None


def message(text: str) -> str:
    with pytest.raises(SettingsError) as caught:
        parse_settings(Whole, text, "shop.toml")
    return str(caught.value)


def test_a_good_file_is_read() -> None:
    whole = parse_settings(Whole, '[[parts]]\nname = "a"\ncolour = "green"\n', "shop.toml")
    assert whole.parts == (Part(name="a", colour=Colour.GREEN),)


def test_a_misspelt_key_names_file_place_and_near_key() -> None:
    said = message('[[parts]]\nname = "a"\nsize_m = 2.0\n')
    assert said.startswith("shop.toml: parts[0].size_m: this key is not known")
    assert "Did you mean 'size_mm'?" in said


def test_a_misspelt_key_is_found_in_optional_and_named_parts() -> None:
    assert "Did you mean 'colour'?" in message('[part]\nname = "a"\ncolor = "red"\n')
    assert "Did you mean 'colour'?" in message('[named.front]\nname = "a"\ncolor = "red"\n')


def test_a_wrong_word_names_what_is_allowed_and_the_near_one() -> None:
    said = message('[part]\nname = "a"\ncolour = "gren"\n')
    assert "part.colour: found 'gren'; allowed: 'red' or 'green'." in said
    assert "Did you mean 'green'?" in said


def test_a_wrong_number_shows_what_was_found() -> None:
    assert "part.size_mm: found -1; input should be greater than 0." in message('[part]\nname = "a"\nsize_mm = -1\n')


def test_a_wrong_form_is_told_in_words_and_not_as_a_pattern() -> None:
    said = message('[part]\nname = "a"\ncode = "22"\n')
    assert said == "shop.toml: part.code: found '22'; expected: A letter and a digit, as b2."


def test_a_missing_key_and_broken_toml_are_told() -> None:
    assert "part.name: this key is missing" in message("[part]\n")
    assert "not valid TOML" in message("[part\n")
    assert "nested too deeply" in message(f"parts = {'[' * 5000}{']' * 5000}\n")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            '[part]\nname = "a\nsize_mm = 2\n',
            "shop.toml: line 2: this is not valid TOML: the quote mark at the end of a text is missing.\n"
            '    name = "a\n'
            "             ^",
        ),
        (
            '[part]\r\n\tname = a"\r\n',
            "shop.toml: line 2: this is not valid TOML: there is no value that can be read here; text has a quote mark "
            'on both sides.\n     name = a"\n'
            "            ^",
        ),
        ('[part]\nname = "a"\nname = "b"\n', "this key is there twice.\n    name"),
        ("parts = [", "shop.toml: this is not valid TOML: invalid value (at end of document)."),
    ],
)
def test_a_line_that_is_no_toml_is_shown_with_the_place_marked(text: str, said: str) -> None:
    assert said in message(text)


def test_the_place_is_marked_in_a_long_line_too() -> None:
    shown, mark = message(f'[part]\nname = "{"a" * 300}" b "{"c" * 300}"\n').splitlines()[1:]
    assert shown[mark.index("^")] == "b"
    assert len(shown) <= 104


def test_a_line_that_may_hold_a_password_is_not_shown() -> None:
    assert "hush" not in message('[broker]\npassword = "hush\n')


def test_a_table_where_a_list_of_tables_belongs_and_the_other_way_round_is_told_by_its_brackets() -> None:
    said = message('[parts]\nname = "a"\n')
    assert said == "shop.toml: parts: found one table, [parts]; expected a list of them: write [[parts]] above each."
    said = message('[[part]]\nname = "a"\n')
    assert said == "shop.toml: part: found a list of tables, [[part]]; expected one: write [part]."
    assert message('parts = "a"\n') == "shop.toml: parts: found 'a'; expected a list, in brackets."
    assert message('part = "a"\n') == "shop.toml: part: found 'a'; expected a table of keys and values."


def test_a_word_in_capitals_is_near_to_the_same_word_without() -> None:
    assert "Did you mean 'red'?" in message('[part]\nname = "a"\ncolour = "RED"\n')
    assert "Did you mean 'name'?" in message('[part]\nNAME = "a"\n')


def test_every_mistake_is_told_at_once() -> None:
    assert len(message('[part]\nsize_mm = 0\n[[parts]]\nnme = "x"\n').splitlines()) == 4


def test_a_file_with_more_mistakes_than_anybody_reads_is_told_in_part_and_in_no_time() -> None:
    lines = message("".join(f"k{number} = 1\n" for number in range(20_000))).splitlines()
    assert len(lines) == 101
    assert lines[0].startswith("shop.toml: k0: this key is not known")
    assert lines[-1] == "shop.toml: and 19900 more mistakes; is this the right file?"


def test_a_mark_of_the_encoding_that_an_editor_wrote_is_no_mistake() -> None:
    assert parse_settings(Whole, '\ufeff[part]\nname = "a"\n', "shop.toml").part == Part(name="a")


def test_a_number_with_more_digits_than_can_be_read_is_told() -> None:
    assert "shop.toml: there is a number with too many digits" in message(f"size = {'9' * 5000}\n")


def test_a_secret_is_never_echoed() -> None:
    assert "1234567" not in message("password = 1234567\n")
