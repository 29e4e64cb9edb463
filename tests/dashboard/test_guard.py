"""What the page's server lets through. Headers are checked against the standards that browsers follow: Content
Security Policy Level 3, Fetch (`Origin`), Fetch Metadata (`Sec-Fetch-Site`)."""

import json
import re
from html.parser import HTMLParser
from uuid import uuid4

import pytest
from pydantic import SecretStr
from starlette.testclient import TestClient

from gaugelink.dashboard.door import COOKIE, Door
from gaugelink.dashboard.guard import COMMANDS_AT_ONCE, LOGINS_AT_ONCE, MOST_ADDRESSES, MOST_BODY_BYTES, RECORDS_AT_ONCE
from gaugelink.dashboard.page import STATIC
from tests.dashboard.pages import Played
from tests.dashboard.said import BENCH

HERE = "http://127.0.0.1:8080"
COMMANDS = f"/api/benches/{BENCH}/command"
TOKEN = "a-token-that-is-long-enough"


def client_of(played: Played, base: str = HERE) -> TestClient:
    """A browser, as far as headers go, that has the page open."""
    return TestClient(played.app(), base_url=base, headers={"origin": base}, follow_redirects=False)


SOME_ID = "01a20fe0-60b9-73a7-b1cc-77cacb24d913"
"""For the names of tests, which have to be the same in every process."""


def command(**fields: object) -> dict[str, object]:
    """A command with an id of its own."""
    return {"id": str(uuid4()), "action": "redo", **fields}


def test_every_answer_carries_the_policy_that_lets_nothing_in_from_outside() -> None:
    client = client_of(Played())
    for path in ("/", "/login", "/static/main.js", "/api/setup", "/nowhere"):
        headers = client.get(path).headers
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "server" not in headers


class _Inline(HTMLParser):
    """Finds what a strict policy would refuse, and addresses outside of this server."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = {name: value or "" for name, value in attrs}
        if (tag == "script" and "src" not in names) or tag == "style":
            self.found.append(tag)
        self.found += [name for name in names if name == "style" or name.startswith("on")]
        self.found += [value for value in names.values() if re.match(r"(?i)\w+:|//", value)]


@pytest.mark.parametrize("file", ["index.html", "login.html"])
def test_pages_have_nothing_inline_and_name_no_outside_address(file: str) -> None:
    parser = _Inline()
    parser.feed((STATIC / file).read_text(encoding="utf-8"))
    assert parser.found == []


def test_scripts_and_styles_name_no_outside_address_and_write_no_markup() -> None:
    own = [path for path in STATIC.iterdir() if path.suffix in (".js", ".css")]
    assert len(own) > 10
    for path in own:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "://" not in text, path
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", text), (
            path
        )


@pytest.mark.parametrize("host", ["shop.example:8080", "127.0.0.1:9999", "192.0.2.4:8080"])
def test_a_strange_host_is_refused(host: str) -> None:
    answer = client_of(Played()).get("/", headers={"host": host})
    assert answer.status_code == 421
    assert HERE in answer.json()["text"]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://shop.example"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "https://127.0.0.1:8080"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_command_from_another_page_is_refused(headers: dict[str, str]) -> None:
    played = Played()
    assert client_of(played).post(COMMANDS, json=command(), headers=headers).status_code == 403
    assert played.reader.asked == []


def test_a_command_without_an_origin_is_refused() -> None:
    played = Played()
    client = TestClient(played.app(), base_url=HERE)
    assert client.post(COMMANDS, json=command()).status_code == 403
    assert played.reader.asked == []


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_strange_page_has_no_reports_drawn_and_takes_no_turn_from_this_one(site: str) -> None:
    client = client_of(Played())
    for path in ("/api/tests/test-2026/report.pdf", "/api/machines/ridge-7/history", "/api/setup", "/api/events"):
        answers = {client.get(path, headers={"sec-fetch-site": site}).status_code for _ in range(RECORDS_AT_ONCE + 1)}
        assert answers == {403}
    for own in ("same-origin", "none"):
        assert client.get("/api/tests/test-2026/report.pdf", headers={"sec-fetch-site": own}).status_code == 200
    assert client.get("/", headers={"sec-fetch-site": site}).status_code == 200


def test_a_command_reaches_its_bench_and_its_answer_comes_back() -> None:
    played = Played()
    client = client_of(played)
    done = client.post(COMMANDS, json=command(cylinder="PTO"))
    assert (done.status_code, done.json()) == (200, {"ok": True, "text": "redo heard."})
    assert client.post(COMMANDS, json=command(action="skip")).json()["ok"] is False
    bench, sent = played.reader.asked[0]
    assert (bench, sent.action, sent.cylinder, sent.by) == (BENCH, "redo", "PTO", "page")
    assert client.post("/api/benches/other/command", json=command()).status_code == 404


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"not json",
        json.dumps({"id": "1", "action": "redo"}).encode(),
        json.dumps(command(id=SOME_ID, action="format")).encode(),
        json.dumps(command(id=SOME_ID, action="begin", machine="../../etc/passwd")).encode(),
        json.dumps(command(id=SOME_ID, action="redo", run="ls")).encode(),
        json.dumps(command(id=SOME_ID, action="assign")).encode(),
    ],
)
def test_what_is_no_command_is_refused_with_a_sentence(body: bytes) -> None:
    played = Played()
    answer = client_of(played).post(COMMANDS, content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 400
    assert answer.json()["text"].startswith("The command is refused")
    assert played.reader.asked == []


def test_a_form_cannot_carry_a_command() -> None:
    played = Played()
    answer = client_of(played).post(COMMANDS, content=json.dumps(command()), headers={"content-type": "text/plain"})
    assert answer.status_code == 415
    assert played.reader.asked == []


def test_long_bodies_and_bodies_of_unknown_length_are_refused_unread() -> None:
    played = Played()
    client = client_of(played)
    assert client.post(COMMANDS, json=command(note="x" * MOST_BODY_BYTES)).status_code == 413
    assert client.post(COMMANDS, content=iter([b"{", b"}"])).status_code == 411
    assert played.reader.asked == []


def test_commands_are_bounded_in_rate_and_time_gives_new_ones() -> None:
    played = Played()
    client = client_of(played)
    answers = [client.post(COMMANDS, json=command()).status_code for _ in range(COMMANDS_AT_ONCE + 5)]
    assert answers == [200] * COMMANDS_AT_ONCE + [429] * 5
    played.clock.now_s += 1.0
    assert client.post(COMMANDS, json=command()).status_code == 200


def test_an_absent_broker_is_said_and_nothing_else_happens() -> None:
    played = Played()
    played.reader.away = True
    answer = client_of(played).post(COMMANDS, json=command())
    assert answer.status_code == 504
    assert "nothing was sent" in answer.json()["text"]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH"])
def test_other_methods_are_refused(method: str) -> None:
    assert client_of(Played()).request(method, COMMANDS).status_code == 405


def test_a_page_for_other_machines_asks_for_the_token_and_lets_no_one_by() -> None:
    base = "http://192.0.2.7:8080"
    played = Played(Door("0.0.0.0", 8080, SecretStr(TOKEN)))
    client = client_of(played, base)
    assert (client.get("/").status_code, client.get("/").headers["location"]) == (303, "/login")
    for path in ("/api/setup", "/api/events", "/api/machines/ridge-7/history", "/api/tests/test-2026/report.pdf"):
        assert client.get(path).status_code == 401
    assert client.post(COMMANDS, json=command()).status_code == 401
    assert client.get("/api/setup", headers={"cookie": f"{COOKIE}=guessed"}).status_code == 401
    assert client.post("/login", data={"token": "wrong-wrong-wrong"}).headers["location"] == "/login?wrong"
    assert client.get("/api/setup").status_code == 401
    came_in = client.post("/login", data={"token": TOKEN})
    cookie = came_in.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert TOKEN not in cookie
    assert client.get("/api/setup").json()["locked"] is True
    assert client.post(COMMANDS, json=command()).status_code == 200
    client.post("/logout")
    assert client.get("/api/setup").status_code == 401


def test_a_form_of_a_strangers_is_refused_and_breaks_nothing() -> None:
    client = client_of(Played(Door("0.0.0.0", 8080, SecretStr(TOKEN))), "http://192.0.2.7:8080")
    answer = client.post("/login", content=f"a=1&b=2&c=3&d=4&token={TOKEN}")
    assert (answer.status_code, answer.json()["ok"]) == (400, False)
    assert client.post("/login", content=b"\xff\x00%ff").headers["location"] == "/login?wrong"


def test_guessing_the_token_is_slowed_down() -> None:
    played = Played(Door("0.0.0.0", 8080, SecretStr(TOKEN)))
    client = client_of(played, "http://192.0.2.7:8080")
    answers = [client.post("/login", data={"token": f"guess-{n}"}).status_code for n in range(LOGINS_AT_ONCE + 3)]
    assert answers == [303] * LOGINS_AT_ONCE + [429] * 3


def test_who_guesses_the_token_keeps_nobody_else_out_and_gains_nothing_by_many_addresses() -> None:
    played = Played(Door("0.0.0.0", 8080, SecretStr(TOKEN)))
    app, base = played.app(), "http://192.0.2.7:8080"

    def tries(address: str, token: str) -> int:
        client = TestClient(
            app, base_url=base, headers={"origin": base}, follow_redirects=False, client=(address, 50000)
        )
        return client.post("/login", data={"token": token}).status_code

    assert {tries("192.0.2.66", "guess-guess-guess") for _ in range(LOGINS_AT_ONCE + 3)} == {303, 429}
    assert tries("192.0.2.8", TOKEN) == 303
    answers = [tries(f"2001:db8::{n:x}", "guess-guess-guess") for n in range(3 * MOST_ADDRESSES)]
    assert answers.count(303) < MOST_ADDRESSES + LOGINS_AT_ONCE
    assert answers[-1] == 429


def test_a_cookie_over_https_stays_on_https() -> None:
    played = Played(Door("0.0.0.0", 443, SecretStr(TOKEN), tls=True))
    client = client_of(played, "https://192.0.2.7")
    assert "secure" in client.post("/login", data={"token": TOKEN}).headers["set-cookie"].lower()


@pytest.mark.parametrize("path", ["/static/../page.py", "/static/%2e%2e/page.py", "/static/..%2f..%2ferrors.py"])
def test_files_outside_of_the_pages_own_are_not_served(path: str) -> None:
    assert client_of(Played()).get(path).status_code == 404


def test_history_and_reports_come_from_the_record() -> None:
    client = client_of(Played())
    history = client.get("/api/machines/ridge-7/history").json()
    assert [test["test_id"] for test in history["tests"]] == ["test-2024", "test-2025", "test-2026"]
    missing = client.get("/api/machines/nothing/history")
    assert (missing.status_code, "no machine" in missing.json()["text"]) == (404, True)
    report = client.get("/api/tests/test-2026/report.html")
    assert report.content == b"<p>report as html</p>"
    assert report.headers["content-disposition"].startswith("attachment")
    assert "sandbox" in report.headers["content-security-policy"]
    assert client.get("/api/tests/test-1999/report.pdf").status_code == 404
    assert client.get("/api/tests/test-2026/report.exe").status_code == 404
