"""Times as people read them: on the clock of the place where this runs, with its offset. The record is in UTC."""

from datetime import UTC, date, datetime, time, timezone

_NOON = time(12)


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


def noon_of(day: date) -> datetime:
    """Noon of a day at this place, in UTC: for what is dated by its day alone."""
    try:
        return datetime.combine(day, _NOON).astimezone(UTC)
    except (ValueError, OverflowError):
        return datetime.combine(day, _NOON, UTC)


def day_of_noon(at: datetime) -> date:
    """The day that was given to `noon_of`, here or at another place: wherever the clock is not more than twelve hours
    off UTC, noon of a day is on that day in UTC too."""
    here = day_of(at)
    return here if at == noon_of(here) else at.astimezone(UTC).date()
