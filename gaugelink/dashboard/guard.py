"""What every request passes before the page sees it: host, session, origin, size and rate; and what every answer
carries for the browser to enforce."""

from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gaugelink.broker.listener import Allowance
from gaugelink.dashboard.door import COOKIE, Door

MOST_BODY_BYTES = 4096
"""Longest body: a command is far shorter."""
COMMANDS_PER_S, COMMANDS_AT_ONCE = 5.0, 20
"""Requests that ask for something to be done."""
LOGINS_PER_S, LOGINS_AT_ONCE = 0.2, 6
"""Tries from one address: who guesses keeps nobody else out."""
MOST_ADDRESSES = 64
"""Addresses that are told apart. All beyond them share one allowance, so that there is a bound to all tries."""
RECORDS_PER_S, RECORDS_AT_ONCE = 3.0, 20
"""Requests that read the journal or draw a report."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'; require-trusted-types-for 'script'"
)
"""Content security policy: everything from this server, nothing inline, nothing from outside, in nobody's frame."""

_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Nothing is told to others. With "no-referrer" a browser does not own up to its own forms either: Fetch standard,
    # "append a request `Origin` header".
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
}
_OPEN = ("/login", "/static/")
_SAFE = ("GET", "HEAD")
_OWN_SITES = ("same-origin", "none")
"""Who may read: the page, and a person who typed the address (Fetch Metadata, `Sec-Fetch-Site`)."""


class Guard:
    """ASGI middleware around the page.

    Args:
        app: the page.
        door: who may come in.
        clock: monotonic seconds, for the rates.
    """

    def __init__(self, app: ASGIApp, door: Door, clock: Callable[[], float]) -> None:
        self._app = app
        self._door = door
        self._clock = clock
        self._commands = Allowance(COMMANDS_PER_S, COMMANDS_AT_ONCE)
        self._logins: dict[str, Allowance] = {}
        self._records = Allowance(RECORDS_PER_S, RECORDS_AT_ONCE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer why not."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-cache" if scope["path"].startswith("/static/") else "no-store")
            await send(message)

        refusal = self._refusal(scope)
        await (self._app if refusal is None else refusal)(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        if scope["type"] != "http":
            return _refused(400, "This server speaks HTTP alone.")
        headers = Headers(scope=scope)
        host, path, method = headers.get("host", ""), scope["path"], scope["method"]
        if not self._door.knows_host(host):
            return _refused(
                421, f"The page is not known as {host[:100]!r}: open {self._door.address}, or start it with --name."
            )
        if method not in _SAFE:
            refusal = self._not_its_own(headers, host, method)
            if refusal is not None:
                return refusal
        elif path.startswith("/api/") and headers.get("sec-fetch-site", "none") not in _OWN_SITES:
            # A strange page could not read the answer, but have reports drawn for as long as it is open.
            return _refused(403, "Only this page itself can ask for that: open it first.")
        if self._door.locked and not path.startswith(_OPEN) and not self._comes_in(headers):
            if method in _SAFE and path == "/":
                return RedirectResponse("/login", status_code=303)
            return _refused(401, "The token is asked for: open the page and sign in.")
        return self._too_often(scope)

    def _not_its_own(self, headers: Headers, host: str, method: str) -> Response | None:
        if method != "POST":
            return _refused(405, "This is not done here.")
        # A browser says where a request comes from: Fetch standard, `Origin`; Fetch Metadata, `Sec-Fetch-Site`.
        site = headers.get("sec-fetch-site", "same-origin")
        if site != "same-origin" or not self._door.knows_origin(headers.get("origin"), host):
            return _refused(403, "Only this page's own buttons can ask for that; other tools use the command topic.")
        length = headers.get("content-length", "")
        if not (length.isascii() and length.isdigit()):
            return _refused(411, "The length of the request is missing.")
        if int(length) > MOST_BODY_BYTES:
            return _refused(413, f"The request has {length} bytes; at most {MOST_BODY_BYTES} are read.")
        return None

    def _too_often(self, scope: Scope) -> Response | None:
        path = scope["path"]
        if scope["method"] == "POST":
            allowance = self._logins_from(scope) if path == "/login" else self._commands
        elif path.startswith(("/api/machines", "/api/tests")):
            allowance = self._records
        else:
            return None
        if allowance.take(self._clock()):
            return None
        return _refused(429, "That was asked for too often: wait a moment.")

    def _logins_from(self, scope: Scope) -> Allowance:
        address, _ = scope.get("client") or ("", 0)
        if address not in self._logins and len(self._logins) >= MOST_ADDRESSES:
            address = ""
        return self._logins.setdefault(address, Allowance(LOGINS_PER_S, LOGINS_AT_ONCE))

    def _comes_in(self, headers: Headers) -> bool:
        return self._door.has_session(session_of(headers))


def session_of(headers: Headers) -> str:
    """What the session's cookie holds; empty when there is none."""
    try:
        cookies = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookies[COOKIE].value if COOKIE in cookies else ""


def _refused(status: int, why: str) -> Response:
    return JSONResponse({"ok": False, "text": why}, status_code=status)
