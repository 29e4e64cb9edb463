"""Where the page listens, and who may come in: loopback for anyone at this machine, elsewhere with a token."""

import hmac
import ipaddress
import os
import secrets
import socket
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import SecretStr

from gaugelink.errors import SettingsError

TOKEN_VARIABLE = "GAUGELINK_DASHBOARD_TOKEN"
"""Environment variable that holds the token."""
SHORTEST_TOKEN = 12
"""Characters. With the bound on attempts nobody guesses it in a lifetime."""
COOKIE = "gaugelink_session"
_MOST_SESSIONS = 256
_LOOPBACK_NAMES = {"localhost"}
_PORT_DIGITS = 5


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host in _LOOPBACK_NAMES:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def find_token(file: Path | None) -> SecretStr | None:
    """Fetch the token from the environment or a file's first line; None when there is neither.

    Raises:
        SettingsError: the file cannot be read, or the token is too short.
    """
    token = os.environ.get(TOKEN_VARIABLE, "")
    if not token and file is not None:
        try:
            token = next(iter(file.read_text(encoding="utf-8").splitlines()), "").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                f"The token file {file} cannot be read ({type(error).__name__}): check the path and its permissions, "
                f"or set {TOKEN_VARIABLE}."
            ) from error
    if not token:
        return None
    if len(token) < SHORTEST_TOKEN:
        raise SettingsError(
            f"The page's token has {len(token)} characters; at least {SHORTEST_TOKEN} are needed, "
            'for example from: python3 -c "import secrets; print(secrets.token_urlsafe())"'
        )
    return SecretStr(token)


@dataclass(slots=True)
class Door:
    """Who may come in.

    Raises:
        SettingsError: other machines could reach the page and there is no token.
    """

    host: str = "127.0.0.1"
    """Address to listen on."""
    port: int = 8080
    """TCP port; 0 takes a free one, and the door learns it when the page listens."""
    token: SecretStr | None = None
    names: tuple[str, ...] = ()
    """Host names under which the page may be asked for, besides this machine's own name and any address."""
    tls: bool = False
    _sessions: OrderedDict[str, None] = field(default_factory=OrderedDict)

    def __post_init__(self) -> None:
        if not self.is_local and self.token is None:
            raise SettingsError(
                f"On {self.host} other machines can reach the page, so it needs a token: set {TOKEN_VARIABLE} or give "
                "--token-file, or leave out --host to listen on this machine alone."
            )

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach the page."""
        return is_loopback(self.host)

    @property
    def locked(self) -> bool:
        """Whether a token is asked for."""
        return self.token is not None

    @property
    def address(self) -> str:
        """What to open in a browser."""
        host = self.host
        if host in ("0.0.0.0", "::"):
            host = socket.gethostname()
        elif ":" in host:
            host = f"[{host}]"
        return f"{'https' if self.tls else 'http'}://{host}:{self.port}/"

    def sentence(self) -> str:
        """Say where the page is and who can see it."""
        if self.is_local and not self.locked:
            return f"The page is at {self.address}, for this machine alone."
        if self.is_local:
            return f"The page is at {self.address}, for this machine alone, and asks for the token."
        crossing = "" if self.tls else " The token crosses the network unencrypted: add --certificate and --key."
        return f"The page is at {self.address}, for every machine that reaches it, and asks for the token.{crossing}"

    def knows_host(self, header: str) -> bool:
        """Whether a ``Host`` header is one under which this page may be asked for.

        A page of a stranger whose name was made to point here (DNS rebinding) asks under that name. An address never
        does, so any address is fine when the page listens for other machines.
        """
        host, port = _split(header)
        if port is None:
            port = 443 if self.tls else 80
        if port != self.port or not host:
            return False
        if host in {name.lower() for name in self.names}:
            return True
        if self.is_local:
            return is_loopback(host)
        own = socket.gethostname().lower()
        return host in {own, f"{own}.local", self.host.lower()} or _is_address(host)

    def knows_origin(self, origin: str | None, host_header: str) -> bool:
        """Whether an ``Origin`` header is this page's own, as it was asked for."""
        return origin == f"{'https' if self.tls else 'http'}://{host_header}"

    def admits(self, token: str) -> bool:
        """Compare a token, in a time that tells nothing of it."""
        known = self.token.get_secret_value() if self.token is not None else ""
        return bool(known) and hmac.compare_digest(token.encode(), known.encode())

    def open_session(self) -> str:
        """Make a session for someone who had the token; return what the cookie holds."""
        session = secrets.token_urlsafe(32)
        self._sessions[session] = None
        while len(self._sessions) > _MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return session

    def has_session(self, session: str) -> bool:
        """Whether a cookie is of a session that is open."""
        return session in self._sessions

    def close_session(self, session: str) -> None:
        """End a session."""
        self._sessions.pop(session, None)


def _split(header: str) -> tuple[str, int | None]:
    """Host, in lower case and without brackets, and port of a ``Host`` header."""
    host, colon, port = header.strip().lower().rpartition(":")
    if not colon or header.rstrip().endswith("]"):
        host, port = header.strip().lower(), ""
    if port and not (port.isascii() and port.isdigit() and len(port) <= _PORT_DIGITS):
        return "", None
    return host.removeprefix("[").removesuffix("]"), int(port) if port else None


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
