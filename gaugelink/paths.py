"""Paths in a settings file. Apart from the settings themselves, which rooms read that know nothing of files."""

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator


def _usable(path: Path) -> Path:
    if "\0" in str(path):
        raise ValueError("no file's name has the character \\u0000 in it")
    try:
        path.expanduser()
    except RuntimeError as error:
        raise ValueError("nobody's home folder is known by that name; write the whole path") from error
    return path


FilePath = Annotated[Path, AfterValidator(_usable)]
"""A path that a file can have."""
