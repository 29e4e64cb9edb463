"""``gaugelink dashboard`` on the command line, and the page over HTTPS."""

import asyncio
import ssl
import threading
from pathlib import Path

import httpx2
import pytest
from pydantic import SecretStr
from typer.testing import CliRunner

from gaugelink.app import records
from gaugelink.app.cli import app
from gaugelink.app.notebooks import import_notebook
from gaugelink.app.shoppage import JournalRecord, machines_of
from gaugelink.dashboard.door import TOKEN_VARIABLE, Door
from gaugelink.dashboard.record import Form
from gaugelink.dashboard.serve import Certificate, served, take_port
from gaugelink.errors import GaugelinkError, SettingsError
from gaugelink.journal import Journal
from gaugelink.verdict.history import MachineHistory, read_history
from tests.app.shops import SHOP, shop_in, write_shop
from tests.broker.certificates import make_certificates
from tests.dashboard.pages import Played


def run(*given: str) -> BaseException | None:
    """Run the command; what it ended with."""
    return CliRunner().invoke(app, ["dashboard", *given]).exception


def test_other_addresses_than_loopback_are_refused_without_a_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    shop = write_shop(tmp_path, f"[broker]\nport = 1883\n{SHOP}")
    error = run("--config", str(shop), "--host", "0.0.0.0", "--port", "0")
    assert isinstance(error, SettingsError)
    assert "needs a token" in str(error)


def test_an_embedded_broker_on_a_free_port_cannot_be_found_from_another_process(tmp_path: Path) -> None:
    error = run("--config", str(write_shop(tmp_path)))
    assert isinstance(error, SettingsError)
    assert "run --dashboard" in str(error)


def test_a_port_that_is_taken_is_said_with_the_way_out() -> None:
    with take_port(first := Door(port=0)), pytest.raises(GaugelinkError, match="give another --port"):
        take_port(Door(port=first.port))


async def test_over_https_the_page_proves_itself(tmp_path: Path) -> None:
    made = make_certificates(tmp_path)
    played = Played(Door(port=0, token=SecretStr("a-token-that-is-long-enough"), tls=True))
    listening = take_port(played.door)
    async with served(played.app(), played.hub, listening, Certificate(made.certificate, made.key)):
        trust = ssl.create_default_context(cafile=made.authority)
        async with httpx2.AsyncClient(verify=trust) as client:
            answer = await client.get(played.door.address)
    assert (answer.status_code, answer.headers["location"]) == (303, "/login")
    assert played.door.address.startswith("https://")


async def test_a_stream_of_events_ends_with_the_session_that_began_it() -> None:
    token = "a-token-that-is-long-enough"
    played = Played(Door(port=0, token=SecretStr(token)))
    listening = take_port(played.door)
    async with asyncio.timeout(30), served(played.app(), played.hub, listening):
        here = {"origin": played.door.address.rstrip("/")}
        async with httpx2.AsyncClient(base_url=played.door.address, headers=here) as client:
            await client.post("/login", data={"token": token})
            async with client.stream("GET", "/api/events") as answer:
                lines = answer.aiter_lines()
                while not (await anext(lines)).startswith("data: "):
                    continue
                assert (await client.post("/logout")).headers["location"] == "/login"
                played.hub.beat()
                assert [line async for line in lines if line] == []
            assert played.hub.listeners == 0


async def test_a_certificate_that_is_none_is_refused(tmp_path: Path) -> None:
    nonsense = tmp_path / "nonsense.pem"
    await asyncio.to_thread(nonsense.write_text, "nothing", encoding="ascii")
    played = Played()
    played.door.port = 0
    with take_port(played.door) as listening, pytest.raises(SettingsError, match="give PEM files"):
        async with served(played.app(), played.hub, listening, Certificate(nonsense, nonsense)):
            pass


@pytest.mark.parametrize("asked", ["history", "report"])
async def test_the_bench_goes_on_while_the_page_asks_for_what_takes_long_to_fit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked: str
) -> None:
    shop = shop_in(tmp_path)
    book = write_shop(tmp_path).with_name("book.csv")
    book.write_text("date,machine,PTO,middle,MAG\n2025-01-10,north-7,131,132,133\n", encoding="utf-8")
    await import_notebook(shop, book, "psi")
    async with Journal.open(shop.journal, read_only=True) as journal:
        (test,) = await journal.tests()
    loop, fitting, gone_on = asyncio.get_running_loop(), asyncio.Event(), threading.Event()

    def slowly(*given: object, **how: object) -> MachineHistory:
        loop.call_soon_threadsafe(fitting.set)
        assert gone_on.wait(20.0), "the loop stands still"
        return read_history(*given, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(records, "read_history", slowly)
    record = JournalRecord(shop)
    answer = record.history("north-7") if asked == "history" else record.report(test.test_id, Form.HTML)
    asking = asyncio.create_task(answer)
    await asyncio.wait([asking, waiting := asyncio.ensure_future(fitting.wait())], return_when="FIRST_COMPLETED")
    waiting.cancel()
    gone_on.set()
    found = await asking
    assert b"North 7" in found if isinstance(found, bytes) else len(found.tests) == 1


async def test_the_fleet_is_drawn_from_the_shop_file_and_a_missing_journal_is_said(tmp_path: Path) -> None:
    shop = shop_in(tmp_path)
    (machine,) = machines_of(shop)
    assert (machine.id, machine.layout, [one.name for one in machine.cylinders]) == (
        "north-7",
        "side_named",
        ["PTO", "middle", "MAG"],
    )
    record = JournalRecord(shop)
    with pytest.raises(SettingsError, match="no journal yet"):
        await record.history("north-7")
    with pytest.raises(SettingsError, match="no machine"):
        await record.history("nobody")
    with pytest.raises(SettingsError, match="no journal yet"):
        await record.report("test-1", Form.HTML)
