"""What a service that is asked to end does with what it has not sent yet."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest

from gaugelink.app import daemon as service
from gaugelink.app.daemon import Daemon
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
