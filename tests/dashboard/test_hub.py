"""How what happens reaches the pages that are open."""

import json

import pytest

from gaugelink.dashboard.hub import MOST_WAITING, Hub
from gaugelink.errors import BrokerError
from tests.dashboard.said import BENCH, GAUGE, gauge, in_full_swing, live, prompt


class Clock:
    """Seconds that a test turns."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


async def test_a_page_is_given_everything_first_and_then_what_changes() -> None:
    hub = Hub([BENCH], Clock())
    in_full_swing(hub)
    async with hub.listening() as listener:
        events = listener.events()
        name, data = await anext(events)
        assert name == "snapshot"
        assert json.loads(data)["benches"][0]["test"]["machine"] == "ridge-7"
        hub.take(BENCH, "prompt", prompt("MAG, 131 psi, agreed.", after_s=5.0))
        name, data = await anext(events)
        assert (name, json.loads(data)["data"]["text"]) == ("prompt", "MAG, 131 psi, agreed.")


async def test_a_page_that_falls_behind_begins_anew_and_misses_nothing_that_stands() -> None:
    hub = Hub([BENCH], Clock())
    in_full_swing(hub)
    async with hub.listening() as listener:
        events = listener.events()
        await anext(events)
        for number in range(MOST_WAITING + 50):
            hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(20.0 + 0.1 * number, [0.0] * 10))
        hub.take(BENCH, "prompt", prompt("The last word.", after_s=9.0))
        name, data = await anext(events)
        assert name == "snapshot"
        assert json.loads(data)["benches"][0]["prompt"]["text"] == "The last word."
    assert hub.listeners == 0


async def test_a_lost_broker_is_told_at_once_and_a_silent_gauge_with_the_next_beat() -> None:
    clock = Clock()
    hub = Hub([BENCH], clock)
    hub.broker(True)
    hub.take(BENCH, f"gauge/{GAUGE}/state", gauge())
    hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(0.0, [0.0]))
    async with hub.listening() as listener:
        events = listener.events()
        await anext(events)
        clock.now_s = 2.6
        hub.beat()
        assert json.loads((await anext(events))[1]) == {"broker": True, "problem": "", "silent": {BENCH: [GAUGE]}}
        hub.broker(False, "The broker is away.")
        told = json.loads((await anext(events))[1])
        assert (told["broker"], told["problem"]) == (False, "The broker is away.")


async def test_a_gauge_that_falls_silent_is_told_between_the_beats() -> None:
    clock = Clock()
    hub = Hub([BENCH], clock)
    hub.take(BENCH, f"gauge/{GAUGE}/state", gauge())
    hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(0.0, [0.0]))
    told = []
    async with hub.listening() as listener:
        events = listener.events()
        await anext(events)
        for quarter in range(10):
            clock.now_s = 0.25 * quarter
            before = clock.now_s
            hub.look()
            while listener.waiting:
                told.append((before, json.loads((await anext(events))[1])["silent"]))
    assert [at for at, silent in told if not silent] == [0.0, 1.0, 2.0]
    assert [at for at, silent in told if silent] == [2.25]


async def test_a_goodbye_ends_the_streams() -> None:
    hub = Hub([BENCH], Clock())
    async with hub.listening() as listener:
        events = listener.events()
        await anext(events)
        hub.close()
        assert [event async for event in events] == []


def test_a_message_that_is_not_of_the_contract_reaches_no_page() -> None:
    hub = Hub([BENCH], Clock())
    with pytest.raises(BrokerError):
        hub.take(BENCH, "test", b"nonsense")
