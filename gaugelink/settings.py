"""Files that people write: strict models, and mistakes told by file, key, what was found and what is allowed."""

import re
import tomllib
from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, SecretStr, ValidationError
from pydantic_core import ErrorDetails

from gaugelink.errors import SettingsError

Model = TypeVar("Model", bound=BaseModel)

_WHOLE = "the file"
_AT = re.compile(r"(?P<what>.*) \(at line (?P<line>\d+), column (?P<column>\d+)\)", re.DOTALL)
_TOML_WORDS = {
    "Illegal character '\\n'": "the quote mark at the end of a text is missing",
    "Invalid value": "there is no value that can be read here; text has a quote mark on both sides",
    "Cannot overwrite a value": "this key is there twice",
}
"""What the parser says, in words for who wrote the file."""
_SECRET = re.compile("pass|secret|token", re.IGNORECASE)
"""A line that may hold what is not to be seen on a screen."""
_SHOWN = 100
"""Characters of a line that are shown."""
_TOLD = 100
"""Mistakes of a file that are told: with more it is another kind of file."""


class Settings(BaseModel):
    """A validated part of a settings file. Unknown keys are refused, so a misspelt key is never ignored."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        use_attribute_docstrings=True,
        validate_default=True,
        hide_input_in_errors=True,
        allow_inf_nan=False,
    )


def parse_settings(model: type[Model], text: str, file: str) -> Model:
    """Read TOML text into a model.

    Args:
        model: the pydantic model of the whole file.
        text: the TOML text.
        file: the file's name, for the message.

    Raises:
        SettingsError: one line for each mistake: file, key, what was found, what is allowed, and the near key.
    """
    return validate_settings(model, read_toml(text, file), file)


def read_toml(text: str, file: str) -> dict[str, Any]:
    """Read TOML text that a person wrote.

    Raises:
        SettingsError: it is not TOML; the line is shown below the sentence, with a mark where reading ended.
    """
    # Some editors begin a file with a mark of its encoding, which TOML does not have.
    text = text.removeprefix("\ufeff")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(_not_toml(text, file, str(error))) from error
    except ValueError as error:
        raise SettingsError(f"{file}: there is a number with too many digits in it.") from error
    except RecursionError as error:
        raise SettingsError(f"{file}: lists or tables are nested too deeply; a few levels are expected.") from error


def _not_toml(text: str, file: str, said: str) -> str:
    """What is wrong with TOML text, from what its parser said of it."""
    at = _AT.fullmatch(said)
    if at is None:
        return f"{file}: this is not valid TOML: {said[:1].lower()}{said[1:]}."
    what, line, column = at["what"], int(at["line"]), int(at["column"])
    words = _TOML_WORDS.get(what, f"{what[:1].lower()}{what[1:]}")
    told = f"{file}: line {line}: this is not valid TOML: {words}."
    source = (text.replace("\r\n", "\n").split("\n")[line - 1 : line] or [""])[0].replace("\t", " ")
    if not source.strip() or _SECRET.search(source):
        return told
    first = max(0, column - _SHOWN // 2)
    return f"{told}\n    {source[first : first + _SHOWN]}\n    {' ' * (column - 1 - first)}^"


def validate_settings(model: type[Model], data: dict[str, Any], file: str) -> Model:
    """Validate a mapping that was read from ``file`` into a model.

    Raises:
        SettingsError: one line for each mistake: file, key, what was found, what is allowed, and the near key.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise SettingsError(explain(error, model, file)) from error


def explain(error: ValidationError, model: type[BaseModel], file: str) -> str:
    """Write every mistake of a validation as a line: file, key, what was found, what is allowed, and the near key."""
    mistakes = error.errors(include_url=False)[:_TOLD]
    # A list whose item has a mistake is also told to be too short; the item's own mistake is the one to mend.
    told = [one for one in mistakes if not any(_inside(other["loc"], one["loc"]) for other in mistakes)]
    more = error.error_count() - len(mistakes)
    rest = [f"{file}: and {more} more mistakes; is this the right file?"] if more else []
    return "\n".join([*dict.fromkeys(f"{file}: {_sentence(model, mistake)}" for mistake in told), *rest])


def first_mistake(error: ValidationError, model: type[BaseModel]) -> str:
    """Write the first mistake of a validation as a sentence: key, what was found, what is allowed."""
    return _sentence(model, error.errors(include_url=False)[0]).removeprefix(f"{_WHOLE}: ")


def _inside(inner: Sequence[int | str], outer: Sequence[int | str]) -> bool:
    return len(inner) > len(outer) and tuple(inner[: len(outer)]) == tuple(outer)


def _sentence(model: type[BaseModel], mistake: ErrorDetails) -> str:
    place = _dotted(mistake["loc"]) or _WHOLE
    found = mistake["input"]
    context = mistake.get("ctx", {})
    match mistake["type"]:
        case "extra_forbidden":
            return _unknown_key(model, mistake["loc"], place)
        case "missing":
            return f"{place}: this key is missing; it is required."
        case "enum" | "literal_error":
            allowed = str(context["expected"])
            return f"{place}: found {_shown(found)}; allowed: {allowed}.{_near(str(found), _unquoted(allowed))}"
        case "string_pattern_mismatch" if form := _described(model, mistake["loc"]):
            return _ended(f"{place}: found {_shown(found)}; expected: {form}")
        case "value_error" if not isinstance(found, str | int | float) or _secret_at(model, mistake["loc"]):
            return _ended(f"{place}: {context['error']}")
        case "value_error":
            return _ended(f"{place}: found {_shown(found)}; {context['error']}")
        case "tuple_type" | "list_type" if isinstance(found, dict) and "[" not in place:
            return f"{place}: found one table, [{place}]; expected a list of them: write [[{place}]] above each."
        case "tuple_type" | "list_type":
            return f"{place}: found {_shown(found)}; expected a list, in brackets."
        case "model_type" | "dict_type" if isinstance(found, list) and "[" not in place:
            return f"{place}: found a list of tables, [[{place}]]; expected one: write [{place}]."
        case "model_type" | "dict_type":
            return f"{place}: found {_shown(found)}; expected a table of keys and values."
        case _:
            message = mistake["msg"][:1].lower() + mistake["msg"][1:]
            if _secret_at(model, mistake["loc"]):
                return f"{place}: {message}."
            return f"{place}: found {_shown(found)}; {message}."


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith((".", "?", "!")) else f"{sentence}."


def _described(model: type[BaseModel], loc: Sequence[int | str]) -> str:
    """What the field at a place says of itself, for whoever writes it; empty when it says nothing."""
    for part in _models_at(model, loc[:-1]):
        for name, field in part.model_fields.items():
            if (field.alias or name) == loc[-1] and field.description:
                return " ".join(field.description.replace("``", "").split())
    return ""


def _unknown_key(model: type[BaseModel], loc: Sequence[int | str], place: str) -> str:
    known = sorted({name for part in _models_at(model, loc[:-1]) for name in _keys(part)})
    return f"{place}: this key is not known; allowed: {', '.join(known)}.{_near(str(loc[-1]), known)}"


def _near(word: str, known: Sequence[str]) -> str:
    # psi, PSI and Psi are one word to who writes them.
    folded = {one.casefold(): one for one in known}
    near = get_close_matches(word.casefold(), list(folded), n=1)
    return f" Did you mean {folded[near[0]]!r}?" if near else ""


def _unquoted(allowed: str) -> list[str]:
    return [word.strip(" '") for word in allowed.replace(" or ", ",").split(",")]


def _shown(found: object) -> str:
    text = repr(found)
    return text if len(text) <= 80 else text[:77] + "..."


def _dotted(loc: Sequence[int | str]) -> str:
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def _keys(model: type[BaseModel]) -> Iterator[str]:
    for name, field in model.model_fields.items():
        yield field.alias or name


def _secret_at(model: type[BaseModel], loc: Sequence[int | str]) -> bool:
    return any(
        SecretStr in _flat(field.annotation)
        for part in _models_at(model, loc[:-1])
        for name, field in part.model_fields.items()
        if loc and (field.alias or name) == loc[-1]
    )


def _models_at(model: type[BaseModel], loc: Sequence[int | str]) -> list[type[BaseModel]]:
    here: list[Any] = [model]
    for part in loc:
        following: list[Any] = []
        for annotation in here:
            if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                following += [f.annotation for n, f in annotation.model_fields.items() if (f.alias or n) == part]
            elif get_origin(annotation) is not None:
                # An element of a list, tuple or mapping: the type of its items is the last argument.
                following += [a for a in get_args(annotation) if a is not Ellipsis][-1:]
        # A tagged union puts its tag into the location; that part names no field.
        here = [flat for annotation in following for flat in _flat(annotation)] or here
    return [a for a in here if isinstance(a, type) and issubclass(a, BaseModel)]


def _flat(annotation: Any) -> list[Any]:
    if get_origin(annotation) in (Union, UnionType):
        return [flat for argument in get_args(annotation) for flat in _flat(argument)]
    return [annotation]
