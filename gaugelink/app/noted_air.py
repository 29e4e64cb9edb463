"""Of which day the air pressure is that was noted with a test, and what is said where the test goes on another day.

Weather moves a reading as much as cylinders may differ by, so a barometer of yesterday is no barometer of today.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from gaugelink.app.planning import barometer_stated_kpa
from gaugelink.app.shopfile import Shop
from gaugelink.bench.plan import Plan
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import TestState
from gaugelink.engine.units import barometer_text
from gaugelink.localtime import day_of

WEATHER_STANDS = timedelta(hours=3)
"""So long a barometer's reading is good enough for cylinders to be compared by. Common practice, no source."""


@dataclass(slots=True)
class NotedAir:
    """The air pressure that pulls count by from now on."""

    at: datetime
    """When it was told."""
    unsaid: bool = False
    """Whether it was told anew, and nobody has heard of it yet."""
    said_on: date | None = None
    """When it was said last that it is of an earlier day."""

    def told_anew(self, shop: Shop, test: TestState, at: datetime) -> float | None:
        """The pressure that the shop file has now, where that is today's instead of one of an earlier day; else None.

        What is put right in the shop file on the same day is no news of the weather: the test keeps its air.

        Args:
            shop: the shop file as it is now.
            test: the test that goes on.
            at: when the test goes on.
        """
        noted_kpa, stated_kpa = test.plan.conditions.barometer_kpa, barometer_stated_kpa(shop)
        if noted_kpa is None or stated_kpa is None or stated_kpa == (test.air_abs_kpa or noted_kpa):
            return None
        if not self._is_of_an_earlier_day(at):
            return None
        self.at, self.unsaid = at, True
        return stated_kpa

    def remark(self, plan: Plan, at: datetime) -> PromptKey | None:
        """What is to be said of it before anybody pulls today; None where nothing is, or it was said."""
        unsaid, self.unsaid = self.unsaid, False
        if unsaid and not self._is_of_an_earlier_day(at):
            return PromptKey.AIR_TODAY
        if plan.conditions.barometer_kpa is None or not self._is_of_an_earlier_day(at) or self.said_on == day_of(at):
            return None
        self.said_on = day_of(at)
        return PromptKey.AIR_EARLIER

    def _is_of_an_earlier_day(self, at: datetime) -> bool:
        """Whether a night lies between; who works past midnight has had the same weather."""
        return day_of(at) > day_of(self.at) and at - self.at >= WEATHER_STANDS


def air_line(test: TestState, days: Mapping[str, date], began_on: date) -> str:
    """What a report says of pulls that were not of the day on which their test began; empty where all were.

    Args:
        test: the test.
        days: the day of each event, by its id.
        began_on: the day on which the test began.
    """
    noted_kpa = test.plan.conditions.barometer_kpa
    if noted_kpa is None:
        return ""
    counted = [reading for reading in test.readings if reading.in_cylinder]
    told = sorted({reading.air_abs_kpa for reading in counted if reading.air_abs_kpa is not None})
    untold = sorted({days.get(one.event_id, began_on) for one in counted if one.air_abs_kpa is None} - {began_on})
    lines = []
    if told:
        pressures = " and ".join(barometer_text(kpa) for kpa in told)
        lines.append(f"at {pressures}, judged as if at {barometer_text(noted_kpa)}")
    if untold:
        lines.append(f"on {' and '.join(map(str, untold))}, with the air pressure of {began_on}")
    return "; ".join(lines)
