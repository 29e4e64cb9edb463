"""The page's addresses: what it is made of, its stream of events, its commands, the record and the reports."""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Callable, Sequence
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs

from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from gaugelink.broker.commands import Command, parse_command
from gaugelink.dashboard.door import COOKIE, Door
from gaugelink.dashboard.guard import MOST_BODY_BYTES, Guard, session_of
from gaugelink.dashboard.hub import Hub
from gaugelink.dashboard.leak_tests import leak_tests
from gaugelink.dashboard.reader import BrokerReader
from gaugelink.dashboard.record import Form, Machine, Record
from gaugelink.errors import BrokerError, GaugelinkError

_LOG = logging.getLogger(__name__)
STATIC = Path(str(files("gaugelink.dashboard") / "static"))
MOST_PAGES = 32
"""Pages that may be open at once."""
BY_PAGE = "page"
"""Who asked, when the page was not told a name."""
_MEDIA = {Form.HTML: "text/html; charset=utf-8", Form.PDF: "application/pdf"}


class Page:
    """One shop's page.

    Args:
        hub: what is known of the benches.
        reader: who sends commands.
        machines: the fleet.
        record: where tests are looked up; None when there is no record here.
        notice: a sentence that stands on the page always, that all is a simulation for example.
    """

    def __init__(
        self,
        hub: Hub,
        reader: BrokerReader,
        door: Door,
        machines: Sequence[Machine] = (),
        record: Record | None = None,
        notice: str = "",
    ) -> None:
        self._hub = hub
        self._reader = reader
        self._door = door
        self._machines = tuple(machines)
        self._record = record
        self._notice = notice
        # Drawing a report takes seconds of a core; one after the other leaves the rest of the shop responsive.
        self._drawing = asyncio.Lock()

    def app(self, clock: Callable[[], float]) -> Starlette:
        """The application, its guard around it."""
        routes = [
            Route("/", self._index),
            Route("/login", self._login_page),
            Route("/login", self._login, methods=["POST"]),
            Route("/logout", self._logout, methods=["POST"]),
            Route("/api/setup", self._setup),
            Route("/api/events", self._events),
            Route("/api/benches/{bench}/command", self._command, methods=["POST"]),
            Route("/api/machines/{machine}/history", self._history),
            Route("/api/tests/{test_id}/report.{form}", self._report),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
        guards = [Middleware(Guard, door=self._door, clock=clock), Middleware(GZipMiddleware, minimum_size=2000)]
        return Starlette(routes=routes, middleware=guards)

    async def _index(self, request: Request) -> Response:
        del request
        return FileResponse(STATIC / "index.html", headers={"cache-control": "no-cache"})

    async def _login_page(self, request: Request) -> Response:
        del request
        return FileResponse(STATIC / "login.html", headers={"cache-control": "no-cache"})

    async def _login(self, request: Request) -> Response:
        try:
            form = parse_qs((await _body(request)).decode(errors="replace"), max_num_fields=4)
        except ValueError:
            return _answer(400, False, "The form of this page is expected, with the token and little else.")
        if not self._door.admits(form.get("token", [""])[0]):
            _LOG.warning("Someone at %s gave a wrong token.", request.client.host if request.client else "?")
            return RedirectResponse("/login?wrong", status_code=303)
        answer = RedirectResponse("/", status_code=303)
        session = self._door.open_session()
        answer.set_cookie(COOKIE, session, httponly=True, samesite="strict", secure=self._door.tls, path="/")
        return answer

    async def _logout(self, request: Request) -> Response:
        self._door.close_session(session_of(request.headers))
        answer = RedirectResponse("/login", status_code=303)
        answer.delete_cookie(COOKIE, path="/")
        return answer

    async def _setup(self, request: Request) -> Response:
        del request
        return JSONResponse(
            {
                "benches": list(self._hub.boards),
                "machines": [machine.model_dump(mode="json") for machine in self._machines],
                "leak_tests": leak_tests(self._machines),
                "record": self._record is not None,
                "notice": self._notice,
                "locked": self._door.locked,
            }
        )

    async def _events(self, request: Request) -> Response:
        session = session_of(request.headers)
        if self._hub.listeners >= MOST_PAGES:
            return _answer(503, False, f"{MOST_PAGES} pages are open already.")

        async def stream() -> AsyncIterator[ServerSentEvent]:
            async with self._hub.listening() as listener:
                async for name, data in listener.events():
                    # The stream outlives the request that the guard let in, and may outlive the session.
                    if self._door.locked and not self._door.has_session(session):
                        return
                    yield ServerSentEvent(data=data, event=name)

        # The hub's beat is all the life that the stream needs; the library's own ping says less.
        return EventSourceResponse(stream(), ping=3600, send_timeout=10)

    async def _command(self, request: Request) -> Response:
        bench = request.path_params["bench"]
        if bench not in self._hub.boards:
            return _answer(404, False, f"There is no bench {bench[:40]!r} on this page.")
        if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return _answer(415, False, "A command is sent as application/json.")
        try:
            command = parse_command(await _body(request))
        except BrokerError as error:
            return _answer(400, False, str(error))
        try:
            result = await self._reader.ask(bench, _signed(command))
        except BrokerError as error:
            return _answer(504, False, str(error))
        return _answer(200, result.ok, result.text)

    async def _history(self, request: Request) -> Response:
        if self._record is None:
            return _answer(404, False, "There is no record here.")
        try:
            history = await self._record.history(request.path_params["machine"])
        except GaugelinkError as error:
            return _answer(404, False, str(error))
        return JSONResponse(history.model_dump(mode="json"))

    async def _report(self, request: Request) -> Response:
        test_id, form = request.path_params["test_id"], request.path_params["form"]
        if self._record is None or form not in {one.value for one in Form}:
            return _answer(404, False, "There is no such report: html and pdf are made from a bench's journal.")
        try:
            async with self._drawing:
                report = await self._record.report(test_id, Form(form))
        except GaugelinkError as error:
            return _answer(404, False, str(error))
        headers = {
            "content-disposition": f'attachment; filename="compression-test.{form}"',
            # The report brings its own styles and drawings inside; it may run and load nothing.
            "content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox",
        }
        return Response(report, media_type=_MEDIA[Form(form)], headers=headers)


def _signed(command: Command) -> Command:
    return command if command.by else command.model_copy(update={"by": BY_PAGE})


async def _body(request: Request) -> bytes:
    """The body, cut where a sender goes past the length that it announced."""
    body = bytearray()
    try:
        async for part in request.stream():
            body += part
            if len(body) > MOST_BODY_BYTES:
                break
    except ClientDisconnect as gone:
        # Nobody is left to read it, and nothing of it is done.
        raise HTTPException(400) from gone
    return bytes(body[: MOST_BODY_BYTES + 1])


def _answer(status: int, ok: bool, text: str) -> Response:
    return Response(json.dumps({"ok": ok, "text": text}), status_code=status, media_type="application/json")
