"""Whoever waits for the virtual radio may give up at any moment, and a connection may end at any: at every turn of the
event loop in which something is under way. Time is driven, so a turn is the same turn in every run.
"""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from bleak import BleakClient, BleakScanner

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import simulated_shop_radio
from simulators.radio_diary import keep_diary
from simulators.radio_time import DrivenLoop


def layout(how: str) -> GaugeLayout:
    listen: dict[str, object] = {"how": how, "service": "fff0", "characteristic": "fff1"}
    if how == "poll":
        listen["poll_hz"] = 50.0
    return GaugeLayout.model_validate(
        {
            "name": "counted u16",
            "unit": "kPa",
            "rate_hz": 100.0,
            "listen": listen,
            "sequence": {"at": 0, "format": "u16"},
            "pressure": {"at": 2, "format": "u16", "scale": 0.1, "count": 5},
        }
    )


class TurnLoop(DrivenLoop):
    """Calls something at a turn of its own."""

    turns = 0
    at = -1
    what: Callable[[], object]

    def _run_once(self) -> None:
        self.turns += 1
        if self.turns == self.at:
            self.call_soon(self.what)
        super()._run_once()  # type: ignore[misc]


def complaints_of(main: Callable[[TurnLoop], Coroutine[Any, Any, None]]) -> list[dict[str, Any]]:
    """Run something on a loop of its own; what that loop complained of."""
    complaints: list[dict[str, Any]] = []
    with asyncio.Runner(loop_factory=TurnLoop) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, TurnLoop)
        loop.set_exception_handler(lambda _loop, context: complaints.append(context))
        runner.run(main(loop))
    return complaints


def break_off(
    how: str, turn: int, *, after_s: float = 0.0, drop: bool = False, rest_s: float = 0.0
) -> list[dict[str, Any]]:
    """Close link and radio at this turn, or drop the connection and wait for samples; what the loop complained of."""

    async def main(loop: TurnLoop) -> None:
        gauge = SimulatedGauge(layout(how), name="Gauge")
        now = asyncio.Event()
        async with simulated_shop_radio([gauge]) as radio:
            settings = GaugeSettings(name="g", advertised_name="Gauge")
            link = SupervisedLink(settings, gauge.layout, radio.as_radio(), loop.time)
            async with keep_diary(link) as diary:
                await asyncio.sleep(after_s)
                loop.at, loop.what = loop.turns + turn, now.set
                await now.wait()
                if drop:
                    await radio.drop_connections()
                    await diary.more(limit_s=6.0)
                    await asyncio.sleep(rest_s)

    return complaints_of(main)


@pytest.mark.parametrize("how", ["notify", "indicate", "poll"])
def test_a_radio_that_is_closed_while_something_is_under_way_complains_of_nothing(how: str) -> None:
    # The first 500 turns are the search, the connect and the first frames.
    assert [turn for turn in range(1, 500, 11) if break_off(how, turn)] == []


def test_a_connection_that_ends_while_it_is_made_is_made_again_at_once() -> None:
    # The link's own limit of 10 s for a connect is not waited for.
    for turn in range(160, 260, 9):
        assert break_off("notify", turn, drop=True) == []


def test_a_gauge_whose_indication_nobody_confirms_goes_on() -> None:
    # An indication is waited for for 30 s (Core 5.4, Vol 3 Part F, 3.3.3), and a gauge samples on.
    for turn in range(1, 40, 4):
        assert break_off("indicate", turn, after_s=20.0, drop=True, rest_s=31.0) == []


def test_a_connect_that_is_given_up_at_any_turn_leaves_nothing_that_hinders_the_next_one() -> None:
    def give_up(turn: int) -> list[dict[str, Any]]:
        async def main(loop: TurnLoop) -> None:
            gauge = SimulatedGauge(layout("notify"))
            async with simulated_shop_radio([gauge]) as radio:
                found = await BleakScanner.find_device_by_address(gauge.address, backend=radio.scanner_backend)
                assert found is not None
                client = BleakClient(found, backend=radio.client_backend)
                connecting = asyncio.create_task(client.connect())
                loop.at, loop.what = loop.turns + turn, connecting.cancel
                await asyncio.wait([connecting])
                await client.disconnect()
                async with asyncio.timeout(5.0), BleakClient(found, backend=radio.client_backend) as again:
                    assert again.is_connected

        return complaints_of(main)

    # The connection is there after some 40 turns.
    assert [turn for turn in range(1, 60) if give_up(turn)] == []
