"""Reads the journal back: tests judged anew, the history of a machine, the data of a report."""

import asyncio
import logging
from collections.abc import AsyncIterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from gaugelink import __version__
from gaugelink.app.clock_back import clock_lines
from gaugelink.app.judging import verdict_of
from gaugelink.app.leak_records import last_leak_lines, leak_values, past_decays
from gaugelink.app.left_out import LeftOut, events_of
from gaugelink.app.noted_air import air_line
from gaugelink.app.recorded import (
    JudgedAgain,
    RecordedTest,
    in_words,
    one_meter,
    over_the_seasons,
    past_jobs,
    past_tests,
    ready_words,
    short_ids,
    state_of,
    with_own,
    with_peaks,
)
from gaugelink.app.shop_gauges import calibrated_then, gauge_words
from gaugelink.app.shopfile import Shop
from gaugelink.app.traits import hints_of, traits_of
from gaugelink.bench.plan import TestKind
from gaugelink.errors import EntryError, SettingsError
from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredEvent, StoredTest
from gaugelink.localtime import day_of
from gaugelink.peak.events import GaugeTraits
from gaugelink.peak.judge import judge
from gaugelink.report.data import ListedTest, ReportData, trace_of_event
from gaugelink.simulated import is_simulated
from gaugelink.verdict.case import lowest_percent
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Rules, TestVerdict
from gaugelink.verdict.fleet import FleetStep, MachineTests, Ranked, Standing, fleet_steps, rank_fleet
from gaugelink.verdict.history import MachineHistory, read_history
from gaugelink.verdict.history_fit import Model
from gaugelink.verdict.past import Axis, PastJob, PastTest

_LOG = logging.getLogger(__name__)

Seasons = tuple[MachineHistory, list[PastTest], list[PastJob]]
"""How a machine went, and the tests and jobs that tell it."""

_TOLD_ELSEWHERE = ("altitude_m", "barometer_kpa", "oil_ml", "engine_warm", "throttle_open", "plugs_out", "adapter_cm3")
"""Conditions of a plan that a report has among those of its verdict, or says in words of its own."""

NOT_PROVEN_YET = "no reading"
MOST_NAMED = 4
"""Tests that are named, the last ones, where an id's beginning is that of several."""
DRY_STANDS = timedelta(days=30)
"""So long after a dry test a wet one may be held against it, with no job between. Common practice, no source."""


class Records:
    """The journal of a shop, read for people."""

    def __init__(self, shop: Shop, journal: Journal, logged: set[str] | None = None) -> None:
        """`logged` are ids of the tests of which the log has it already that they do not fit."""
        self._shop = shop
        self._journal = journal
        self._logged = set() if logged is None else logged
        self.left_out = LeftOut()
        """What could not be read so far and is no part of what was answered."""

    async def tests(self, machine: str | None = None) -> list[RecordedTest]:
        """All tests of a machine or of all, oldest first.

        Left out are those of machines no longer in the fleet, that do not fit their engine any more or cannot be read.
        """
        known = {record.id for record in self._shop.fleet.machine}
        stored = [test for test in await self._stored(machine) if test.machine in known]
        read = [await self._readable(test) for test in stored]
        return [test for test in read if test is not None]

    async def _readable(self, stored: StoredTest) -> RecordedTest | None:
        """A test, or None where it cannot be read, which is told in `left_out`, or, with why in the log, where it says
        nothing of the engine as the fleet file now has it."""
        try:
            return await self._recorded(stored)
        except EntryError as error:
            self.left_out.test(stored, error)
            return None
        except SettingsError as error:
            self.left_out.unfit(stored)
            if stored.test_id not in self._logged:
                self._logged.add(stored.test_id)
                _LOG.warning("The test %s of %s is left out: %s", stored.test_id, stored.machine, error)
            return None

    async def _stored(self, machine: str | None) -> list[StoredTest]:
        """The stored tests of real benches, or of simulated ones where the shop is simulated, oldest first."""
        return [test for test in await self._journal.tests(machine) if is_simulated(test.bench) is self._shop.simulated]

    async def test(self, test_id: str | None, machine: str | None = None) -> RecordedTest:
        """One test by its id or the beginning of it, or the last one (of a machine) that has readings and can be read.

        Raises:
            SettingsError: there is none, or more than one.
            EntryError: it cannot be read, or none of them can.
        """
        if test_id is not None:
            return await self._recorded(await self._named(test_id))
        found = await self._stored(machine)
        if not found:
            whose = f" of {machine}" if machine is not None else ""
            raise SettingsError(f"The journal {self._shop.journal} has no test{whose} yet.")
        last: RecordedTest | None = None
        for stored in reversed(found):
            # Of the newest that can be read it is said where it does not fit the fleet file.
            try:
                test = await (self._recorded(stored) if last is None else self._readable(stored))
            except EntryError as error:
                if stored is found[0]:
                    raise
                self.left_out.test(stored, error)
                continue
            if test is not None and test.verdict is not None:
                return test
            last = last or test
        assert last is not None
        return last

    async def _named(self, test_id: str) -> StoredTest:
        exact = await self._journal.test(test_id)
        if exact is not None:
            return exact
        begin = test_id.strip().casefold()
        named = [test for test in await self._stored(None) if begin and test.test_id.casefold().startswith(begin)]
        if not named:
            raise SettingsError(f"The journal {self._shop.journal} has no test {test_id}.")
        if len(named) > 1:
            ids = ", ".join(test.test_id for test in named[-MOST_NAMED:])
            more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
            raise SettingsError(f"The id of more than one test begins with {test_id}: {ids}{more}. Give more of it.")
        return named[0]

    async def listed(self, machine: str) -> list[ListedTest]:
        """All tests of a machine for a list of them, oldest first."""
        short = short_ids([test.test_id for test in await self._stored(None)])
        tests = await self.tests(machine)
        return [
            ListedTest(
                test_id=test.stored.test_id,
                short_id=short[test.stored.test_id],
                at=test.stored.began_at,
                by_day=test.by_day,
                wet=test.state.plan.kind is TestKind.WET,
                given_up=test.given_up,
                word=verdict.word if (verdict := await self.judged(test)) is not None else None,
                readings_kpa={value.cylinder: value.peak_kpa for value in test.values},
                noted=test.noted,
                odometer=test.stored.odometer,
            )
            for test in tests
        ]

    async def _empty_after(self, test: RecordedTest, machine: str | None) -> tuple[str, ...]:
        """Say that later tests have no reading, for who asked for the last one."""
        stored = await self._stored(machine)
        place = [one.test_id for one in stored].index(test.stored.test_id)
        later = [await self._readable(one) for one in stored[place + 1 :]]
        empty = [one for one in later if one is not None and one.verdict is None]
        if not empty:
            return ()
        last = f"of {empty[-1].stored.machine}, {empty[-1].when}"
        if len(empty) == 1:
            return (f"A later test, {last}, has no reading.",)
        return (f"{len(empty)} later tests have no reading; the last is {last}.",)

    async def last_dry(self, machine: str, before: datetime | None = None) -> RecordedTest | None:
        """The last dry test of a machine with readings that was not given up."""
        if machine not in {record.id for record in self._shop.fleet.machine}:
            return None
        for stored in reversed(await self._stored(machine)):
            if before is not None and stored.began_at >= before:
                continue
            test = await self._readable(stored)
            if test is not None and test.state.plan.kind is TestKind.DRY and test.proves:
                return test
        return None

    async def stands(self, dry: RecordedTest, at: datetime) -> bool:
        """Whether a wet test of this time may be held against a dry one: the engine is as it was."""
        return at - dry.stored.began_at <= DRY_STANDS and not await self._jobs_since(dry, at)

    async def untouched(self, dry: RecordedTest, at: datetime) -> list[ReadingValue]:
        """What a dry test read on the cylinders that no job was done on since: what they are expected to read again."""
        jobs = await self._jobs_since(dry, at)
        return [value for value in dry.values if not any(Model.touches(job, value.cylinder) for job in jobs)]

    async def _jobs_since(self, test: RecordedTest, at: datetime) -> list[PastJob]:
        jobs = past_jobs(await self._journal.jobs(test.stored.machine))
        return [job for job in jobs if test.stored.began_at < job.at <= at]

    async def history(self, machine: str, axis: Axis = Axis.DATE) -> Seasons:
        """How a machine went over its tests and jobs. A gauge that moved is found from the whole fleet's tests.

        Raises:
            SettingsError: it is to go by the machine's own count, and that goes back.
        """
        return self._seasons(await self._fleet(), machine, axis)

    def _seasons(self, fleet: Mapping[str, MachineTests], machine: str, axis: Axis = Axis.DATE) -> Seasons:
        own = fleet.get(machine, MachineTests(machine, ()))
        moved = [step.moved for step in fleet_steps(list(fleet.values()))]
        counter = self._shop.fleet.find(machine).counter
        if axis is Axis.COUNTER:
            one_meter(own.tests, machine, counter)
        history = read_history(own.tests, own.jobs, axis=axis, counter=counter, gauge_moved=moved)
        return history, list(own.tests), list(own.jobs)

    async def steps(self) -> tuple[FleetStep, ...]:
        """Where readings of the whole fleet stepped together: the gauge, not the engines."""
        return fleet_steps(list((await self._fleet()).values()))

    async def _fleet(self) -> dict[str, MachineTests]:
        """The dry tests and the jobs of every machine of the fleet."""
        found = {}
        for record in self._shop.fleet.machine:
            tests = past_tests(await self.tests(record.id))
            jobs = past_jobs(await self._journal.jobs(record.id))
            found[record.id] = MachineTests(record.id, tuple(tests), tuple(jobs))
        return found

    async def ranked(self, now: datetime) -> tuple[Ranked, ...]:
        """The machines of the fleet, the one that needs attention first at the top."""
        by_machine = await self._fleet()
        last = {}
        for record in self._shop.fleet.machine:
            judged = [test for test in await self.tests(record.id) if test.proves]
            last[record.id] = judged[-1] if judged else None
        moved = [step.moved for step in fleet_steps(list(by_machine.values()))]
        standings = []
        for record in self._shop.fleet.machine:
            own = by_machine[record.id]
            engine = self._shop.fleet.engine_of(record.id)
            test = last[record.id]
            verdict = await self.judged(test) if test is not None else None
            at = test.stored.began_at if test is not None else None
            standings.append(
                Standing(
                    machine=record.id,
                    name=record.name,
                    last_word=verdict.word if verdict is not None else None,
                    last_test=at,
                    history=read_history(own.tests, own.jobs, gauge_moved=moved),
                    limit_percent=lowest_percent(engine, Rules()),
                    left_out=self.left_out.newest_test_of(record.id, after=at),
                )
            )
        return rank_fleet(standings, now)

    async def judge_again(self, test_id: str | None, machine: str | None = None) -> JudgedAgain:
        """Judge a test's events anew from their raw samples, beside what was said then.

        Each is corrected by the last calibration of its gauge that was done by the day of the event.

        Raises:
            SettingsError: there is no such test, or its samples were not kept.
        """
        test = await self.test(test_id, machine)
        if test.verdict is None:
            raise SettingsError(f"The test {test.stored.test_id} has {NOT_PROVEN_YET}; there is nothing to judge.")
        stored = await self._journal.events(test.stored.test_id)
        kept = [event for event in stored if event.samples is not None]
        if not kept:
            raise SettingsError(
                f"The test {test.stored.test_id} was written by hand; it has no samples to judge again."
            )
        events = dict(test.events)
        for event in kept:
            assert event.samples is not None
            traits = self._traits(event.gauge)
            hints = hints_of(test.engine)
            judged = await asyncio.to_thread(judge, event.samples, traits, hints)
            events[event.event_id] = await calibrated_then(self._shop, self._journal, event, judged)
        state = with_peaks(test.state, events)
        now_verdict = verdict_of(state, events, test.engine, self._shop.settings.bench.display_unit)
        assert now_verdict is not None
        return JudgedAgain(test, kept, events, now_verdict)

    def _traits(self, gauge: str) -> GaugeTraits:
        """The traits of a gauge that is in the shop, or none."""
        for settings in self._shop.settings.gauges:
            if settings.name == gauge:
                return traits_of(settings, self._shop.layouts[gauge])
        return GaugeTraits()

    async def report(self, test_id: str | None, machine: str | None = None) -> ReportData:
        """The data of a test's report.

        Raises:
            SettingsError: there is no such test, or it has no reading.
        """
        test = await self.test(test_id, machine)
        if test.verdict is None:
            raise SettingsError(f"The test {test.stored.test_id} has {NOT_PROVEN_YET}; there is nothing to report.")
        notes = await self._empty_after(test, machine) if test_id is None else ()
        return await self._reported(test, test.verdict, await self.history(test.stored.machine), notes)

    async def reports(self, machine: str | None = None) -> AsyncIterator[ReportData]:
        """The data of the reports of all tests that have a reading, of a machine or of all, oldest first. The seasons
        are read once for all tests of a machine: reading them judges the whole fleet's tests anew."""
        fleet = await self._fleet()
        seasons: dict[str, Seasons] = {}
        for test in await self.tests(machine):
            if test.verdict is not None:
                whose = test.stored.machine
                own = seasons[whose] = seasons.get(whose) or self._seasons(fleet, whose)
                yield await self._reported(test, test.verdict, own)

    async def _reported(
        self, test: RecordedTest, judged: TestVerdict, seasons: Seasons, notes: tuple[str, ...] = ()
    ) -> ReportData:
        record = self._shop.fleet.find(test.stored.machine)
        decays = await past_decays(self._journal, record.id, self.left_out)
        verdict = await self.judged(test) or judged
        history, tests, jobs = seasons
        verdict = over_the_seasons(verdict, test, history, tests) or verdict
        events = {event.event_id: event for event in await events_of(self._journal, test.stored, self.left_out)}
        traces = tuple(
            trace_of_event(reading.cylinder, stored.event, stored.samples, stored.event_id)
            for reading in test.state.readings
            if reading.cylinder is not None and (stored := events.get(reading.event_id)) is not None
        )
        display_unit = self._shop.settings.bench.display_unit
        leaks = last_leak_lines(decays, await self._journal.jobs(record.id), display_unit)
        days = {event_id: day_of(event.at) for event_id, event in events.items()}
        later = air_line(test.state, days, day_of(test.stored.began_at))
        acknowledged = test.state.acknowledged
        odometer = test.stored.odometer
        return ReportData(
            machine=record.name,
            engine=test.engine,
            verdict=verdict,
            at=test.stored.began_at,
            by_day=test.by_day,
            unit=self._shop.settings.bench.display_unit,
            test_id=test.stored.test_id,
            bench=test.stored.bench,
            by=acknowledged.by if acknowledged is not None else "",
            gauge=", ".join(gauge_words(self._shop, name) for name in dict.fromkeys(test.state.plan.gauges.values())),
            odometer="" if odometer is None else f"{odometer:g} {record.counter.value}",
            conditions=((("given up", "this test proves nothing"),) if test.given_up else ())
            + tuple(
                (name.replace("_", " "), in_words(value))
                for name, value in test.state.plan.conditions.model_dump(mode="json", exclude_none=True).items()
                if name not in _TOLD_ELSEWHERE
            )
            + (("plugs, throttle", ready_words(test.state.plan)),)
            + ((("later pulls", later),) if later else ())
            + tuple(leaks),
            traces=traces,
            past=tuple(tests),
            jobs=tuple(jobs),
            history=history,
            version=__version__,
            given_up=test.given_up,
            noted=test.noted,
            notes=(*notes, *await self.clock_lines(record.id), *self.left_out.lines),
        )

    async def clock_lines(self, machine: str) -> tuple[str, ...]:
        """What to say of tests of a machine between which the clock went back."""
        return await clock_lines(self._journal, machine, simulated=self._shop.simulated)

    async def judged(self, test: RecordedTest) -> TestVerdict | None:
        """What a test says beside leak-downs, and a wet one beside its dry one; None where it has no reading."""
        held = None
        if test.conditions.wet:
            dry = await self.last_dry(test.stored.machine, before=test.stored.began_at)
            if dry is not None and await self.stands(dry, test.stored.began_at):
                held = (dry.values, dry.conditions)
        leak_down = await leak_values(self._journal, test.stored, test.engine, self.left_out)
        unit = self._shop.settings.bench.display_unit
        return verdict_of(test.state, test.events, test.engine, unit, held, leak_down)

    async def _recorded(self, stored: StoredTest) -> RecordedTest:
        engine = self._shop.fleet.engine_of(stored.machine)
        kept: Sequence[StoredEvent] = await self._journal.events(stored.test_id, with_samples=False)
        events = {event.event_id: event.event for event in kept}
        state = with_own(state_of(stored), events)
        unit = self._shop.settings.bench.display_unit
        return RecordedTest(stored, state, events, engine, verdict_of(state, events, engine, unit))


def now() -> datetime:
    """Wall time, for ranking by how long ago a test was."""
    return datetime.now(UTC)
