"""Passwords: from the environment or a file of their own, never from a settings file."""

import logging
import os
import stat
from pathlib import Path

from pydantic import SecretStr

from gaugelink.errors import SettingsError
from gaugelink.reasons import reason

_LOG = logging.getLogger(__name__)


def read_password(whose: str, variable: str, file: Path | None) -> SecretStr | None:
    """Fetch a password from the environment or else its file; None when there is neither.

    Args:
        whose: what the password is for, as the messages say it: "The broker's".
        variable: name of the environment variable.
        file: its first line is the password. When anybody on the machine may read it, that is said in the log.

    Raises:
        SettingsError: the file cannot be read or is empty.
    """
    from_environment = os.environ.get(variable)
    if from_environment:
        return SecretStr(from_environment)
    if file is None:
        return None
    try:
        mode = file.stat().st_mode
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{whose} password file {file} cannot be read ({reason(error)}): check the path and its permissions, or "
            f"set {variable}."
        ) from error
    if not lines or not lines[0].strip():
        raise SettingsError(f"{whose} password file {file} is empty: write the password in it.")
    if os.name == "posix" and mode & stat.S_IROTH:
        _LOG.warning("%s password file %s can be read by anybody on this machine: chmod o-r %s", whose, file, file)
    return SecretStr(lines[0].strip())
