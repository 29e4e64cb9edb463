"""What a service that is asked to end does with what it has not sent yet."""

import asyncio
import io
from collections.abc import AsyncIterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest
from rich.console import Console

from gaugelink.app import daemon as service
from gaugelink.app.daemon import Daemon
from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.running import in_front_of
from gaugelink.app.screen import Screen
from gaugelink.gauge.link import GaugeLink
from gaugelink.gauge.samples import LinkState, SampleBatch
from gaugelink.journal import Journal, Outgoing
from tests.app.shops import SHOP, shop_in
from tests.broker.mosquitto import Mosquitto, free_port


class Quiet(GaugeLink):
    """A gauge that sends nothing."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing to let go of."""

    async def items(self) -> AsyncIterator[SampleBatch | LinkState]:
        """Nothing, for as long as the service runs."""
        await asyncio.Event().wait()
        yield LinkState("amber")


async def left_after(folder: Path, port: int) -> int:
    """Start a service with one message to send, ask it to end at once, and count what it left in the outbox."""
    shop = shop_in(folder, f"{SHOP}\n[broker]\nport = {port}\n")
    async with Journal.open(shop.journal) as journal:
        await journal.record([], [Outgoing("prompt", '{"id": "0191c3a0"}', qos=1, retain=False, id="0191c3a0")])
    daemon = Daemon(shop, silent=True, link=lambda _: Quiet())
    daemon.stop()
    await daemon.run()
    async with Journal.open(shop.journal) as journal:
        return (await journal.outbox_depth()).count


async def test_a_service_that_ends_before_it_reached_its_broker_still_sends_what_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # How long it may take is not what is asked here.
    monkeypatch.setattr(service, "HAND_OVER_S", 60.0)
    async with Mosquitto(tmp_path) as broker:
        assert await left_after(tmp_path, broker.port) == 0


async def test_a_service_that_ends_does_not_wait_for_a_broker_that_is_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "HAND_OVER_S", 1e6)
    assert await left_after(tmp_path, free_port()) == 1


class Asked(Daemon):
    """A service that lets a test wait for what its screen is told of the broker."""

    def __init__(self, *of: Any, **how: Any) -> None:
        super().__init__(*of, **how)
        self._told: asyncio.Queue[str] = asyncio.Queue()

    async def broker_trouble(self) -> str:
        trouble = await super().broker_trouble()
        self._told.put_nowait(trouble)
        return trouble

    async def until(self, wanted: str) -> None:
        while await self._told.get() != wanted:
            pass


async def test_what_is_kept_for_a_broker_that_is_away_is_counted_on_the_screen_until_it_is_there(
    tmp_path: Path,
) -> None:
    broker = Mosquitto(tmp_path)
    shop = shop_in(tmp_path, f"{SHOP}\n[broker]\nport = {broker.port}\n")
    async with Journal.open(shop.journal) as journal:
        await journal.record([], [Outgoing("prompt", '{"id": "0191c3a0"}', qos=1, retain=False, id="0191c3a0")])
    presenter, console = ScenePresenter(shop), Console(file=io.StringIO(), width=80, height=24)
    daemon = Asked(shop, silent=True, link=lambda _: Quiet(), watchers=[presenter])
    async with in_front_of(daemon, console, presenter, None):
        await daemon.until("broker away, 1 message kept")
        with console.capture() as captured:
            console.print(Screen(presenter.scene))
        assert "! broker away, 1 message kept" in captured.get()
        async with broker:
            await daemon.until("")
            assert presenter.scene.broker_trouble == ""
