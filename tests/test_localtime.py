"""Times as people read them; offsets are those of the tz database."""

from datetime import UTC, date, datetime

import pytest

from gaugelink.localtime import day_of, local, minute_text, noon_of
from tests.zones import living_in

EVENING = datetime(2026, 3, 2, 3, 28, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "minute", "day"),
    [
        ("America/Vancouver", "2026-03-01 19:28 UTC-08:00", date(2026, 3, 1)),
        ("Australia/Brisbane", "2026-03-02 13:28 UTC+10:00", date(2026, 3, 2)),
        ("Asia/Kathmandu", "2026-03-02 09:13 UTC+05:45", date(2026, 3, 2)),
        ("UTC", "2026-03-02 03:28 UTC", date(2026, 3, 2)),
    ],
)
def test_a_time_is_read_on_the_clock_of_the_place_with_its_offset(zone: str, minute: str, day: date) -> None:
    with living_in(zone):
        assert minute_text(EVENING) == minute
        assert day_of(EVENING) == day


@pytest.mark.parametrize("zone", ["America/Vancouver", "Australia/Brisbane", "Pacific/Kiritimati", "Europe/Berlin"])
def test_a_day_stays_that_day_through_the_record(zone: str) -> None:
    with living_in(zone):
        for day in (date(1999, 12, 31), date(2026, 3, 8), date(2026, 10, 25)):
            noon = noon_of(day)
            assert noon.tzinfo is UTC
            assert day_of(noon) == day
            assert local(noon).hour == 12


@pytest.mark.parametrize("day", [date.min, date.max])
def test_the_ends_of_the_calendar_are_days_too(day: date) -> None:
    for zone in ("America/Vancouver", "Pacific/Kiritimati", "UTC"):
        with living_in(zone):
            assert abs((noon_of(day).date() - day).days) <= 1
            assert minute_text(datetime.combine(day, datetime.min.time(), UTC)).startswith(f"{day.year:04d}-")
