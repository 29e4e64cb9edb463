"""A test that goes on on another day does not take that day's air for the one that was noted when it began."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from gaugelink.app.records import Records
from gaugelink.app.session import Session
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker import messages as published
from gaugelink.broker.commands import CommandAction
from gaugelink.journal import Journal
from gaugelink.report.words import condition_lines
from gaugelink.verdict.findings import VerdictWord
from tests.app.shops import SHOP, shop_in
from tests.app.test_session import AT, Bench, of
from tests.zones import living_in

NOTED_KPA, TODAY_KPA = 100.0, 97.0
AIR = {PromptKey.AIR_TODAY, PromptKey.AIR_EARLIER}
A_DAY_S = 86_400.0


def with_air(barometer_abs_kpa: float) -> str:
    return SHOP.replace("altitude_m = 200", f"barometer_abs_kpa = {barometer_abs_kpa}")


class Days(Bench):
    """A bench whose journal is written, and that is started again with what the shop file says then."""

    def __init__(self, folder: Path, text: str) -> None:
        super().__init__(folder, text)
        self.folder = folder
        self.steps: list[Step] = []

    def kept(self, step: Step) -> Step:
        self.steps.append(step)
        return step

    def begun(self) -> None:
        self.kept(self.command(CommandAction.BEGIN, machine="north-7"))
        self.kept(self.command(CommandAction.ACKNOWLEDGE))

    def read(self, *peaks_kpa: float) -> Step:
        for number, peak_kpa in enumerate(peaks_kpa):
            self.kept(self.crank(peak_kpa, 40.0 if number else 6.0))
            step = self.kept(self.crank(peak_kpa))
        return step

    async def reported(self) -> dict[str, str]:
        """What the report of the test says of its conditions."""
        async with Journal.open(self.session.shop.journal) as journal:
            for step in self.steps:
                await journal.record(step.entries, step.outgoing())
            self.steps.clear()
            return dict(condition_lines(await Records(self.session.shop, journal).report(None)))

    async def again(self, later_s: float, text: str) -> Step:
        """Start the service again so much later, and acknowledge the cautions."""
        await self.started(later_s, text)
        return self.kept(self.command(CommandAction.ACKNOWLEDGE))

    async def started(self, later_s: float, text: str) -> None:
        """Start the service again so much later."""
        async with Journal.open(self.session.shop.journal) as journal:
            for step in self.steps:
                await journal.record(step.entries, step.outgoing())
            stored = await journal.current_test("bay-3")
            assert stored is not None
            events = await journal.events(stored.test_id, with_samples=False)
        self.steps.clear()
        self.session = Session(shop_in(self.folder, text))
        self.now_s += later_s
        self.session.link("amber", True, self.now_s, self.at)
        self.kept(self.session.resume(stored, events, self.now_s, self.at))


def said_of_air(step: Step) -> list[PromptKey]:
    return [prompt.key for prompt in step.prompts if prompt.key in AIR]


async def test_pulls_of_another_day_are_judged_by_that_days_air_where_it_was_told(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    days.read(930.0)
    goes_on = await days.again(A_DAY_S, with_air(TODAY_KPA))
    assert said_of_air(goes_on) == [PromptKey.AIR_TODAY]
    # It stands behind what is to be done, in whose place it does not come.
    (told,) = of(goes_on, published.TestState)
    assert told.prompt == "The test of north-7 goes on. Next pull: middle."
    # A sound engine: gauge pressure follows the ratio of the ambient pressures.
    step = days.read(930.0 * TODAY_KPA / NOTED_KPA, 930.0 * TODAY_KPA / NOTED_KPA)
    assert said_of_air(step) == []
    (told,) = of(step, published.TestState)
    # What was read stays as it was read.
    assert [cylinder.pressure_kpa for cylinder in told.cylinders] == pytest.approx([930.0, 902.1, 902.1])
    assert [one.readings[0].ambient_abs_kpa for one in told.cylinders] == [None, TODAY_KPA, TODAY_KPA]
    assert told.spread_kpa == pytest.approx(0.0, abs=1e-6)
    assert (told.verdict, told.ambient_abs_kpa) == (VerdictWord.CONSISTENT, NOTED_KPA)
    assert step.verdict is not None
    pto, middle, _ = step.verdict.readings
    assert (pto.peak_kpa, middle.peak_kpa) == pytest.approx((930.0, 930.0))
    # Two readings of a barometer good to 0.2 kPa are in what was carried.
    assert middle.peak_u_kpa > pto.peak_u_kpa
    reported = await days.reported()
    assert reported["air pressure"] == "1000 hPa, barometer at the engine"
    assert reported["later pulls"] == "at 970 hPa, judged as if at 1000 hPa"


async def test_air_that_was_told_today_is_told_once_and_outlasts_another_start(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    await days.again(A_DAY_S, with_air(TODAY_KPA))
    assert said_of_air(await days.again(600.0, with_air(TODAY_KPA))) == []
    (told,) = of(days.kept(days.crank(900.0)), published.TestState)
    assert told.cylinders[0].readings[0].ambient_abs_kpa == TODAY_KPA
    # What is put right on the same day is no weather.
    assert said_of_air(await days.again(600.0, with_air(TODAY_KPA + 1.0))) == []
    (told,) = of(days.kept(days.crank(900.0)), published.TestState)
    assert told.cylinders[0].readings[1].ambient_abs_kpa == TODAY_KPA
    assert said_of_air(await days.again(A_DAY_S, with_air(TODAY_KPA))) == [PromptKey.AIR_EARLIER]


async def test_air_that_was_told_today_is_said_after_another_start_where_nobody_had_heard_of_it(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    # Nobody acknowledges before the service is started once more, twice.
    await days.started(A_DAY_S, with_air(TODAY_KPA))
    await days.started(600.0, with_air(TODAY_KPA))
    assert said_of_air(await days.again(600.0, with_air(TODAY_KPA))) == [PromptKey.AIR_TODAY]
    assert said_of_air(await days.again(600.0, with_air(TODAY_KPA))) == []


async def test_air_that_nobody_heard_of_on_its_day_is_not_said_to_be_of_the_next(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    await days.started(A_DAY_S, with_air(TODAY_KPA))
    assert said_of_air(await days.again(A_DAY_S, with_air(TODAY_KPA))) == [PromptKey.AIR_EARLIER]


async def test_who_works_past_midnight_is_not_asked_for_another_air(tmp_path: Path) -> None:
    with living_in("UTC"):
        days = Days(tmp_path, with_air(NOTED_KPA))
        midnight = AT.replace(hour=0) + timedelta(days=1)
        days.now_s = (midnight - AT).total_seconds() - 900.0
        days.begun()
        days.read(930.0)
        assert said_of_air(await days.again(1800.0, with_air(TODAY_KPA))) == []
        assert days.at > midnight
        step = days.crank(900.0)
    assert said_of_air(step) == []
    assert step.state is not None
    assert step.state.readings[-1].air_abs_kpa is None


async def test_where_todays_air_was_not_told_it_is_said_that_what_is_noted_is_of_an_earlier_day(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    days.read(930.0)
    goes_on = await days.again(A_DAY_S, with_air(NOTED_KPA))
    assert [prompt.key for prompt in goes_on.prompts] == [PromptKey.RESUMED, PromptKey.AIR_EARLIER]
    step = days.read(900.0)
    assert said_of_air(step) == []
    assert step.state is not None
    assert [reading.air_abs_kpa for reading in step.state.readings] == [None] * 4
    assert (await days.reported())["later pulls"] == "on 2026-03-02, with the air pressure of 2026-03-01"


async def test_a_service_that_ran_through_the_night_says_it_at_the_first_pull_of_the_day(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    assert said_of_air(days.kept(days.crank(930.0))) == []
    assert "later pulls" not in await days.reported()
    days.now_s += A_DAY_S
    assert [said_of_air(days.crank(930.0)) for _ in range(3)] == [[PromptKey.AIR_EARLIER], [], []]


@pytest.mark.parametrize(
    ("noted", "later_s", "then"),
    [(with_air(NOTED_KPA), 600.0, with_air(TODAY_KPA)), (SHOP, A_DAY_S, SHOP), (SHOP, A_DAY_S, with_air(TODAY_KPA))],
    ids=["the same day", "an altitude", "an altitude, then a barometer"],
)
async def test_nothing_is_said_of_air_that_is_of_today_or_that_nobody_read_off_a_barometer(
    tmp_path: Path, noted: str, later_s: float, then: str
) -> None:
    days = Days(tmp_path, noted)
    days.begun()
    assert said_of_air(await days.again(later_s, then)) == []
    (told,) = of(days.crank(930.0), published.TestState)
    assert told.cylinders[0].readings[0].ambient_abs_kpa is None


async def test_a_test_of_a_version_that_kept_no_day_with_its_air_goes_by_the_day_it_began(tmp_path: Path) -> None:
    days = Days(tmp_path, with_air(NOTED_KPA))
    days.begun()
    for step in days.steps:
        for number, entry in enumerate(step.entries):
            if hasattr(entry, "snapshot_json"):
                kept = json.loads(entry.snapshot_json)
                del kept["air_at"]
                step.entries[number] = type(entry)(
                    entry.test_id, entry.bench, entry.machine, json.dumps(kept), entry.at, engine=entry.engine
                )
    assert said_of_air(await days.again(A_DAY_S, with_air(NOTED_KPA))) == [PromptKey.AIR_EARLIER]
