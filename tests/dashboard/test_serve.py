"""What becomes of a page that has a fault of its own."""

import asyncio
import json
import logging
from pathlib import Path

import httpx2
import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.shoppage import page_beside
from gaugelink.broker.settings import BrokerSettings
from gaugelink.dashboard import connection, serve
from gaugelink.dashboard.connection import PromptConnection
from gaugelink.dashboard.door import Door
from gaugelink.dashboard.serve import FAULT, serving, take_port
from tests.app.shops import SHOP, shop_in, write_shop
from tests.broker.mosquitto import free_port
from tests.dashboard.said import BENCH


class FaultyReader(serve.BrokerReader):
    """Reads nothing, and fails when the test says so."""

    failing = asyncio.Event()

    async def run(self) -> None:
        self._hub.broker(True)
        await self.failing.wait()
        raise ZeroDivisionError("a fault")


@pytest.fixture
async def failing(monkeypatch: pytest.MonkeyPatch) -> asyncio.Event:
    """Set it, and the reader fails."""
    monkeypatch.setattr(FaultyReader, "failing", asyncio.Event())
    monkeypatch.setattr(serve, "BrokerReader", FaultyReader)
    return FaultyReader.failing


async def test_a_reader_that_fails_is_told_to_every_page_and_ends_the_page_with_its_fault(
    failing: asyncio.Event,
) -> None:
    door = Door(port=0)
    listening, settings = take_port(door), BrokerSettings(port=free_port())

    async def serve_and_read() -> None:
        async with (
            serving(listening, door, settings, [BENCH]) as page,
            httpx2.AsyncClient() as client,
            client.stream("GET", f"{door.address}api/events") as answer,
        ):
            told: list[dict[str, object]] = []
            name = ""
            async for line in answer.aiter_lines():
                if line.startswith("event: "):
                    name = line.removeprefix("event: ")
                    failing.set()
                elif line.startswith("data: ") and name == "beat":
                    told.append(json.loads(line.removeprefix("data: ")))
                    if not told[-1]["broker"]:
                        break
            assert told[-1]["problem"] == FAULT
            await asyncio.wait([page])

    async with asyncio.timeout(30):
        with pytest.raises(ZeroDivisionError, match="a fault"):
            await serve_and_read()


async def test_a_bench_goes_on_without_its_page_and_tells_the_fault(
    tmp_path: Path, failing: asyncio.Event, caplog: pytest.LogCaptureFixture
) -> None:
    shop, ended, told_of_it = shop_in(tmp_path), False, asyncio.Event()

    def heard(record: logging.LogRecord) -> bool:
        told_of_it.set()
        return True

    caplog.handler.addFilter(heard)

    async def run() -> None:
        nonlocal ended
        async with page_beside(shop, 0) as (told, _):
            told.listening(f"mqtt://127.0.0.1:{free_port()}")
            failing.set()
            await told_of_it.wait()
            ended = True

    async with asyncio.timeout(30):
        with pytest.raises(ZeroDivisionError, match="a fault"):
            await run()
    assert ended
    assert "The page beside the bench ended by a fault" in caplog.text


def test_a_page_of_its_own_ends_with_its_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def fail(reader: serve.BrokerReader) -> None:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr(serve.BrokerReader, "run", fail)
    shop = write_shop(tmp_path, f"[broker]\nport = {free_port()}\n{SHOP}")
    ended = CliRunner().invoke(app, ["dashboard", "--config", str(shop), "--port", "0"])
    assert isinstance(ended.exception, ZeroDivisionError)


async def test_who_says_nothing_or_half_of_it_does_not_keep_the_page_from_others(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    seen: list[PromptConnection] = []

    class Seen(PromptConnection):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            seen.append(self)
            super().connection_made(transport)

    monkeypatch.setattr(serve, "PromptConnection", Seen)
    monkeypatch.setattr(connection, "WHOLE_S", 0.0)
    door = Door(port=0)
    listening, settings = take_port(door), BrokerSettings(port=free_port())
    host = f"Host: 127.0.0.1:{door.port}\r\n"
    halves = (
        "",
        f"GET / HTTP/1.1\r\n{host}",
        f"POST /login HTTP/1.1\r\n{host}Origin: {door.address[:-1]}\r\nContent-Length: 9\r\n\r\ntoken",
        "no HTTP at all\r\n\r\n",
    )
    async with asyncio.timeout(30), serving(listening, door, settings, [BENCH]):
        for half in halves:
            reader, writer = await asyncio.open_connection("127.0.0.1", door.port)
            writer.write(half.encode())
            assert b"200 OK" not in await _all_of(reader)
            writer.close()
        monkeypatch.undo()
        async with httpx2.AsyncClient() as client, client.stream("GET", f"{door.address}api/events") as answer:
            async for _ in answer.aiter_lines():
                break
            assert seen[-1]._limit is None, "a stream lasts"
    assert caplog.text == ""


async def _all_of(reader: asyncio.StreamReader) -> bytes:
    """What comes before the connection is closed, in whatever way."""
    try:
        return await reader.read()
    except ConnectionError:
        return b""
