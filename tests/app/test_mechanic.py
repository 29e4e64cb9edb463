"""A simulated mechanic that nobody stands beside answers what keeps a test open, and makes nothing up."""

import asyncio
from pathlib import Path

from gaugelink.app.mechanic import MechanicsWord
from gaugelink.app.step import Step
from gaugelink.bench.reading import Phase, Status, TestState
from gaugelink.broker.commands import Command, CommandAction
from tests.app.shops import SHOP
from tests.app.test_session import Bench

ASKS = f"{SHOP}\n[test.assignment]\nconfirm_moves = true\n"
"""Holds the first reading after every move until a person says where it was."""
CYLINDERS = ("PTO", "middle", "MAG")


async def when_nothing_is_left_to_say(bench: Bench, word: MechanicsWord, *steps: Step) -> TestState:
    """Tell the mechanic what happened, and let the bench obey until nobody says anything any more."""
    last = steps[-1]

    def told(step: Step) -> None:
        nonlocal last
        last = step if step.state is not None else last
        word.stepped(step)

    async def obey(command: Command) -> None:
        told(bench.session.command(command, bench.now_s, bench.at))

    async with word.spoken_to(obey):
        for step in steps:
            told(step)
        for _ in range(50):
            await asyncio.sleep(0)
    assert last.state is not None
    return last.state


async def test_the_mechanic_knows_where_the_gauge_was(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ASKS)
    bench.begin()
    pulled: list[tuple[str, float]] = []
    word = MechanicsWord(pulled)
    for cylinder in CYLINDERS:
        for wait_s in (40.0, 6.0):
            pulled.append((cylinder, 930.0))
            state = await when_nothing_is_left_to_say(bench, word, bench.crank(930.0, wait_s))
    assert state.phase is Phase.DONE
    assert [reading.cylinder for reading in state.readings] == ["PTO", "PTO", "middle", "middle", "MAG", "MAG"]


async def test_a_pull_of_an_earlier_run_is_struck_out_and_not_guessed(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ASKS)
    bench.begin()
    held = bench.crank(930.0)
    assert held.state is not None
    assert held.state.readings[0].status is Status.HELD
    skipped = [bench.command(CommandAction.SKIP, cylinder=cylinder) for cylinder in CYLINDERS]
    assert skipped[-1].state is not None
    assert skipped[-1].state.phase is Phase.MEASURING
    state = await when_nothing_is_left_to_say(bench, MechanicsWord([]), skipped[-1])
    assert state.phase is Phase.DONE
    assert state.readings[0].status is Status.STRUCK
    assert state.readings[0].changes[-1].by == "simulated mechanic"
