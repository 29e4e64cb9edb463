"""The simulated mechanic as the service meets one: an ear for the prompts, and a word where nobody else is there."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from gaugelink.app.step import Step
from gaugelink.app.watcher import Watcher
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase, Reading, open_questions
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.journal.entries import EventEntry

if TYPE_CHECKING:
    from simulators.shop import SimulatedShop

SIMULATED_MECHANIC = "simulated mechanic"
"""Who asked, in the record."""


class MechanicsEar(Watcher):
    """Lets a simulated mechanic hear the prompts."""

    def __init__(self, simulated: "SimulatedShop") -> None:
        self._simulated = simulated

    def stepped(self, step: Step) -> None:
        """Pass the prompts on."""
        for prompt in step.prompts:
            self._simulated.bench.hear(prompt)


class MechanicsWord(Watcher):
    """Answers for a simulated mechanic what no further pull would answer: a test with an open question is not done.

    The hole of each pull of this run is known. A pull of an earlier run could have been in any: it is struck out.
    """

    def __init__(self, pulled: Sequence[tuple[str, float]]) -> None:
        """`pulled` grows by every pull of this run: the cylinder that it was on, first."""
        self._pulled = pulled
        self._hole: dict[str, str] = {}
        self._answered: set[str] = set()
        self._words: asyncio.Queue[Command] = asyncio.Queue()

    def stepped(self, step: Step) -> None:
        """Look for a question, and remember where the gauge was."""
        for entry in step.entries:
            if isinstance(entry, EventEntry) and self._pulled:
                self._hole[entry.event_id] = self._pulled[-1][0]
        state = step.state
        if state is None or state.phase is not Phase.MEASURING:
            return
        if state.current and all(prompt.key is not PromptKey.CONFIRM for prompt in step.prompts):
            return
        for reading in open_questions(state.readings)[:1]:
            if reading.event_id not in self._answered:
                self._answered.add(reading.event_id)
                self._words.put_nowait(self._word_on(reading))

    def _word_on(self, reading: Reading) -> Command:
        hole = self._hole.get(reading.event_id)
        return Command(
            id=new_id(),
            action=CommandAction.STRIKE if hole is None else CommandAction.ANSWER,
            event_id=reading.event_id,
            cylinder=hole,
            by=SIMULATED_MECHANIC,
        )

    @asynccontextmanager
    async def spoken_to(self, obey: Callable[[Command], Awaitable[object]]) -> AsyncIterator[None]:
        """Say it to the service, which obeys, until the block ends."""

        async def speak() -> None:
            while True:
                await obey(await self._words.get())

        async with asyncio.TaskGroup() as tasks:
            speaking = tasks.create_task(speak(), name="simulated mechanic's word")
            yield
            speaking.cancel()
