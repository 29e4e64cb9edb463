"""Why a file, a connection or a package cannot be used, in words: what the system calls it stays in the cause."""

import errno
import socket
import ssl
from collections.abc import Callable
from pathlib import Path

from gaugelink.errors import GaugelinkError, SettingsError

_NUMBERS = {
    errno.EADDRINUSE: "something else listens there already",
    errno.EHOSTUNREACH: "the host cannot be reached",
    errno.ENETUNREACH: "there is no way to its network",
    errno.ENOSPC: "the disk is full",
    errno.EROFS: "the disk can only be read",
    errno.ELOOP: "its links lead round in a circle",
}


def reason(error: BaseException) -> str:
    """The reason of an error of the system in a few words, without a full stop.

    A library's own error is looked through: what the system said is its cause, or what it was raised in the middle of.
    """
    told: BaseException = error
    while not isinstance(told, OSError | UnicodeError):
        behind = told.__cause__ or told.__context__
        if behind is None:
            return str(error)
        told = behind
    match told:
        case UnicodeError():
            return "it is not text in UTF-8"
        case FileNotFoundError():
            return "there is no such file"
        case FileExistsError():
            return "there is such a file already"
        case IsADirectoryError():
            return "it is a folder"
        case NotADirectoryError():
            return "a part of its path is no folder"
        case PermissionError():
            return "this user may not"
        case ConnectionRefusedError():
            return "nothing listens there"
        case ConnectionResetError() | BrokenPipeError():
            return "the connection was broken off"
        case TimeoutError():
            return "there is no answer"
        case socket.gaierror():
            return "there is no host of this name"
        case ssl.SSLCertVerificationError():
            return told.verify_message
        case ssl.SSLError():
            return "it does not speak TLS as it should"
    words = _NUMBERS.get(told.errno or 0) or told.strerror or str(told)
    return words[:1].lower() + words[1:]


def why_unwritten(error: OSError) -> str:
    """The reason for which a file could not be written, as `reason` tells it."""
    return "its folder is not there" if isinstance(error, FileNotFoundError) else reason(error)


def to_install(extra: str) -> str:
    """How to get the packages of an extra of the project (`sim`, `export`), in a clone and elsewhere."""
    return f"run `./scripts/setup {extra}` in a clone of the project, or install gaugelink[{extra}]"


def is_there(path: Path, what: str, refusal: type[GaugelinkError] = SettingsError) -> bool:
    """Whether a file is there.

    Args:
        path: the file.
        what: what it is, for the message: ``journal``.
        refusal: what is raised.

    Raises:
        GaugelinkError: that cannot be told, as in a folder that this user may not enter.
    """
    try:
        return path.exists()
    except OSError as error:
        raise refusal(f"The {what} {path} cannot be read: {reason(error)}.") from error


def read_text(path: Path, what: str, decode: Callable[[bytes], str] = bytes.decode, *, no_text: str = "") -> str:
    """Read a file that a person wrote.

    Args:
        path: the file.
        what: what it is, for the message: ``shop file``.
        decode: makes text of its bytes, or raises ValueError.
        no_text: the way out, where its bytes are no such text.

    Raises:
        SettingsError: it is not there, or cannot be read as text.
    """
    try:
        return decode(path.read_bytes())
    except FileNotFoundError as error:
        raise SettingsError(f"{path}: there is no such {what}.") from error
    except (OSError, ValueError) as error:
        # A path that no file can have is told as a wrong value.
        way_out = f"; {no_text}" if no_text and isinstance(error, UnicodeError) else ""
        raise SettingsError(f"{path}: the {what} cannot be read: {reason(error)}{way_out}.") from error
