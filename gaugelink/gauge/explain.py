"""Says to a person what is wrong in a file they wrote: file, key, what was found, what is allowed, the near key."""

import difflib
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError


def explain(error: ValidationError, file: str, model: type[BaseModel]) -> str:
    """Write all faults of a validation as text, one to a line. `model` is the root of the file."""
    lines = []
    for fault in error.errors(include_url=False):
        path = [part for part in fault["loc"] if part != "function-after"]
        key = ".".join(str(part) for part in path) or "the file"
        if fault["type"] == "extra_forbidden":
            allowed = sorted(_keys_at(model, path[:-1]))
            near = difflib.get_close_matches(str(path[-1]), allowed, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            lines.append(f"{file}: unknown key {key!r}; allowed here: {', '.join(allowed)}.{hint}")
        elif fault["type"] == "missing":
            lines.append(f"{file}: {key} is missing.")
        else:
            message = fault["msg"].removeprefix("Value error, ")
            found = fault["input"]
            shown = "" if isinstance(found, dict | BaseModel) else f" (found {found!r})"
            lines.append(f"{file}: {key}: {message}{shown}.")
    return "\n".join(lines)


def _keys_at(model: type[BaseModel], path: list[int | str]) -> set[str]:
    keys: set[str] = set()
    for found in _models_at(model, path):
        keys.update(found.model_fields)
    return keys


def _models_at(model: type[BaseModel], path: list[int | str]) -> list[type[BaseModel]]:
    models = [model]
    for part in path:
        if isinstance(part, int):
            continue
        inner = [
            inner
            for each in models
            if part in each.model_fields
            for inner in _inside(each.model_fields[part].annotation)
        ]
        models = inner or models
    return models


def _inside(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if get_origin(annotation) in (Union, UnionType, Annotated, tuple, list, dict):
        return [model for part in get_args(annotation) for model in _inside(part)]
    return []
