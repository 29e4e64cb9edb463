"""Carries out the commands of people and programs: each once, however often it comes, and none ends the service."""

import json
import logging
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from functools import partial

from gaugelink.app.closed_tests import NOT_OF_THE_RECORD, OF_THE_RECORD, judged_beside, put_right
from gaugelink.app.counts import counts_of
from gaugelink.app.dry_behind import DryBehind
from gaugelink.app.leak_found import none_yet
from gaugelink.app.leak_records import last_decay, leak_values
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.noted import CountBefore
from gaugelink.app.planning import gauges_asked
from gaugelink.app.records import Records
from gaugelink.app.session import Session
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.bench.commands import ACKNOWLEDGED_BEFORE
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.messages import TestState
from gaugelink.errors import GaugelinkError, JournalError
from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredTest
from gaugelink.localtime import minute_text
from gaugelink.verdict.leakdown import LeakDownValue

_LOG = logging.getLogger(__name__)
LEAST_OF_AN_ID = 4
"""Characters: a slip of a finger is none."""
_PUT_BACK = "Its readings are kept. Put that right and start the service again, or begin another test."
_REMEMBERED = 500
"""Answers that are remembered besides the journal: where the disk is full, it does not have them yet."""


class Orders:
    """What a bench is told to do, one after the other."""

    def __init__(
        self, shop: Shop, journal: Journal, session: Session, leak: LeakSession, take: Callable[..., Awaitable[Step]]
    ) -> None:
        """Prepare.

        Args:
            shop: the shop file.
            journal: holds what was answered before, and the tests that went before.
            session: the compression test.
            leak: the leak test.
            take: lets one thing happen and writes down what comes of it.
        """
        self._shop = shop
        self._records = Records(shop, journal)
        self._journal = journal
        self._session = session
        self._leak = leak
        self._take = take
        self._answered: OrderedDict[str, str] = OrderedDict()
        self._lost = ""
        """Why the bench does not have its last test; empty where it has one, or there is none."""

    async def once(self, command: Command) -> Step:
        """Carry out a command, or answer as before when its id was answered before."""
        answered = self._answered.get(command.id)
        if answered is None:
            try:
                answered = await self._journal.command_result(command.id)
            except JournalError as error:
                # Whether it came before an earlier start cannot be told; a command that is not carried out is worse.
                _LOG.error("%s", error)
        if answered is not None:
            return await self._take(self._session.answer_again, command, answered)
        return await self.obey(command)

    async def obey(self, command: Command) -> Step:
        """Carry out a command whose id was not used before."""
        if self._leak.takes(command):
            step = await self._take(self._leak.command, command, self._session.test_id)
        elif command.action is CommandAction.LEAK_FOUND:
            step = await self._found(command)
        elif command.action is CommandAction.ACKNOWLEDGE and self._acknowledged_all:
            # What the leak-down said last stands: the test beside it has nothing to say to this.
            step = await self._take(partial(self._session.refuse, ok=True), command, ACKNOWLEDGED_BEFORE)
        elif command.action is CommandAction.BEGIN and self._air_on(command):
            text = "A leak test holds this gauge: stop it before a compression test begins."
            step = await self._take(self._session.refuse, command, text)
        elif command.action is CommandAction.BEGIN:
            if command.machine is not None:
                await self.look_back(command.machine)
            step = await self._begin(command)
        elif command.test_id is None and self._session.test is None and self._lost:
            step = await self._take(self._session.refuse, command, self._lost)
        elif command.test_id in (None, self._session.test_id):
            step = await self._take(self._session.command, command)
        else:
            step = await self._of_record(command, command.test_id)
        if step.result is not None:
            self._answered[command.id] = json.dumps({"ok": step.result.ok, "text": step.result.text})
            while len(self._answered) > _REMEMBERED:
                self._answered.popitem(last=False)
        return step

    @property
    def _acknowledged_all(self) -> bool:
        """Whether the cautions of a leak-down that is under way were acknowledged, and those of the test beside it."""
        test = self._session.test
        return self._leak.cautioned and (test is None or test.state.phase is not Phase.CAUTIONS)

    async def take_up(self) -> None:
        """Have the closed test again that stands at the bench since an earlier service, as that one had it.

        One that cannot be had again is no reason not to measure: what is asked of it is refused with the reason.
        """
        if self._session.test is not None:
            return
        stored = None
        try:
            told = await self._journal.retained(TestState.TOPIC)
            if told is not None:
                stored = await self._journal.test(json.loads(told.payload_json)["test_id"])
            if stored is None:
                return
            await self.look_back(stored.machine, stored.began_at)
            events = await self._journal.events(stored.test_id, with_samples=False)
            leaks = await self._leaks_of(stored)
            await self._take(self._session.take_up, stored, events, leaks)
        except GaugelinkError as error:
            _LOG.warning("The last test of this bench is not taken up: %s", error)
            if stored is None:
                return
            of = f"The last test of this bench, of {stored.machine}, {minute_text(stored.began_at)}, is"
            held = f"{of} {'closed' if stored.closed else 'open'}, and nothing can be done with it: {error}"
            self._lost = f"{held} {_PUT_BACK}"

    async def _found(self, command: Command) -> Step:
        """Keep where the air of a leak-down of before goes."""
        try:
            decay = await last_decay(self._journal, command.decay_id, command.cylinder)
        except JournalError as error:
            return await self._take(self._session.refuse, command, str(error))
        if decay is None:
            return await self._take(self._session.refuse, command, none_yet(command))
        return await self._take(self._leak.found, command, decay, self._session.test_id)

    async def _of_record(self, command: Command, test_id: str) -> Step:
        """Carry out what is asked of a test by its id: of one that the bench does not have any more there is little."""
        if len(test_id) < LEAST_OF_AN_ID:
            text = f"{test_id} is too little of an id to change a test by: give {LEAST_OF_AN_ID} characters of it."
            return await self._take(self._session.refuse, command, text)
        try:
            test = await self._records.test(test_id)
            verdict = await self._records.judged(test)
            told = await self._journal.retained(TestState.TOPIC)
        except GaugelinkError as error:
            return await self._take(self._session.refuse, command, str(error))
        if test.stored.test_id == self._session.test_id:
            return await self._take(self._session.command, command)
        if command.action not in OF_THE_RECORD or command.event_id is not None:
            return await self._take(self._session.refuse, command, NOT_OF_THE_RECORD)
        stands = told is not None and json.loads(told.payload_json)["test_id"] == test.stored.test_id
        step = await self._take(put_right, self._shop, command, test, verdict, stands)
        own = self._session.test
        if own is not None and own.plan.machine == test.stored.machine:
            await self.look_back(test.stored.machine, self._session.began_at)
            await self._take(self._session.held_anew)
        return step

    def _air_on(self, command: Command) -> bool:
        """Whether a leak test listens to a gauge that the test would be done with: its pulls would not be seen."""
        return any(self._leak.listens(gauge) for gauge in gauges_asked(self._shop, command))

    async def judge_beside(self) -> Step:
        """Judge the bench's test anew beside the leak-downs that the journal has of its machine, finished ones too.

        One that cannot be read is no reason not to measure.
        """
        if self._session.test is None:
            return await self._closed_beside()
        plan = self._session.test.plan
        stored = [one for one in await self._journal.tests(plan.machine) if one.test_id == plan.test_id]
        leaks = [value for one in stored for value in await self._leaks_of(one)]
        return self._session.beside(leaks, datetime.now(UTC))

    async def _leaks_of(self, stored: StoredTest) -> list[LeakDownValue]:
        """What the leak-downs beside a test came to, without those that cannot be read."""
        engine = self._shop.fleet.engine_of(stored.machine)
        try:
            return await leak_values(self._journal, stored, engine, self._records.left_out)
        except JournalError as error:
            _LOG.error("The leak tests of %s are left out of the verdict: %s", stored.machine, error)
            return []
        finally:
            self._log_left_out()

    def _log_left_out(self) -> None:
        """Say in the log what of the journal cannot be read, each once in the life of the service."""
        for line in self._records.left_out.news():
            _LOG.warning("%s", line)

    async def _closed_beside(self) -> Step:
        """The same for the finished test that stands at the bench, which an earlier service had."""
        told = await self._journal.retained(TestState.TOPIC)
        if told is None:
            return Step()
        stands = json.loads(told.payload_json)
        if stands["phase"] != Phase.FINISHED.value:
            return Step()
        try:
            test = await self._records.test(stands["test_id"])
            verdict = await self._records.judged(test)
        except GaugelinkError as error:
            _LOG.error("The leak tests of %s are left out of the verdict: %s", stands["machine"], error)
            return Step()
        finally:
            self._log_left_out()
        return judged_beside(self._shop, test, verdict, stands, datetime.now(UTC))

    async def look_back(self, machine: str, before: datetime | None = None) -> None:
        """Fetch the last dry test of a machine, for a wet one to be held against, and the last count of its meter.

        A journal that cannot be read is no reason not to measure.
        """
        try:
            dry = await self._records.last_dry(machine, before)
            at = before or datetime.now(UTC)
            stands = dry is not None and await self._records.stands(dry, at)
            values = await self._records.untouched(dry, at) if dry is not None else []
        except JournalError as error:
            _LOG.error("The last dry test of %s is not looked at: %s", machine, error)
            dry, stands, values = None, False, []
        self._log_left_out()
        earlier = (values, dry.conditions) if dry is not None else None
        count = await self._count_before(machine, before)
        self._session.hold_against(DryBehind(machine, earlier, stands, count))

    async def _begin(self, command: Command) -> Step:
        """Begin a test; where the clock was set back since the last pull, the log has both times."""
        try:
            last = self._session.clock.last_pull = await self._journal.last_event_at(self._shop.name)
        except JournalError as error:
            _LOG.error("Whether the clock was set back is not looked at: %s", error)
            last = None
        step = await self._take(self._session.command, command)
        for prompt in step.prompts:
            if prompt.key is PromptKey.CLOCK_BACK and last is not None:
                _LOG.warning("%s The last pull is of %s; the record goes by the clock.", prompt.text, minute_text(last))
        return step

    async def _count_before(self, machine: str, before: datetime | None) -> CountBefore | None:
        """What the machine's own meter showed at its last test or job that noted it; no test that was given up."""
        try:
            stored = await self._journal.tests(machine), await self._journal.jobs(machine)
        except JournalError as error:
            _LOG.error("The count of %s is held against none before: %s", machine, error)
            return None
        counts = counts_of(*stored, simulated=self._shop.simulated)
        last = next((one for one in counts if before is None or one.at < before), None)
        return None if last is None else CountBefore(last.count, last.at)
