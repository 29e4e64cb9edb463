"""Times as people read them: on the clock of the place where this runs, with its offset. The record is in UTC."""

from datetime import UTC, date, datetime, time, timedelta, timezone

_NOON = time(12)
_A_MOMENT = timedelta(milliseconds=1)
"""No clock is off UTC by a part of a second: behind noon by so much is told from noon of any other place."""


def local(at: datetime) -> datetime:
    """A time on the clock of this place; in UTC on the first and the last day of the calendar, where there is none."""
    try:
        return at.astimezone()
    except (ValueError, OverflowError):
        return at.astimezone(UTC)


def day_of(at: datetime) -> date:
    """The day that it was here."""
    return local(at).date()


def minute_text(at: datetime) -> str:
    """Day, time and offset: ``2026-03-01 19:28 UTC-08:00``."""
    here = local(at)
    offset = here.utcoffset()
    assert offset is not None
    return f"{here.replace(tzinfo=None).isoformat(' ', 'minutes')} {timezone(offset)}"


def is_noon(at: datetime) -> bool:
    """Whether it is noon here to the microsecond, as what is dated by its day alone is, and no clock's time."""
    return at == noon_of(day_of(at))


def when_text(at: datetime, *, by_day: bool) -> str:
    """The day alone of what is dated by it; else day, time and offset."""
    return str(day_of_noon(at)) if by_day else minute_text(at)


def noon_of(day: date) -> datetime:
    """Noon of a day at this place, in UTC: for what is dated by its day alone."""
    try:
        return datetime.combine(day, _NOON).astimezone(UTC)
    except (ValueError, OverflowError):
        return datetime.combine(day, _NOON, UTC)


def moment_after(noon: datetime) -> datetime:
    """Behind a time of `noon_of`, and no more: for what is dated by its day and came after what is of noon."""
    return noon + _A_MOMENT


def is_after_noon(at: datetime) -> bool:
    """Whether a time of `noon_of` or `moment_after` is the latter's."""
    return at.microsecond != 0


def day_of_noon(at: datetime) -> date:
    """The day that was given to `noon_of` or `moment_after`, here or at another place: wherever the clock is
    not more than twelve hours off UTC, noon of a day is on that day in UTC too."""
    here, noon = day_of(at), at.replace(microsecond=0)
    return here if noon == noon_of(here) else noon.astimezone(UTC).date()
