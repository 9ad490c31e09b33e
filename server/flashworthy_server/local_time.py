"""Times as people at the site read and type them; everything else is kept and told in UTC.

- A time of day that does not exist on its day, because the clock jumps over it, is refused, and so
  is one that comes twice: nothing is guessed. An offset written behind it says which is meant.
- "A week later" is at the same time of day, whatever the clock does in between.
"""

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from flashworthy_server.errors import InvalidInputError

FORM = "%Y-%m-%dT%H:%M"  # of `datetime-local` fields (HTML, local date and time strings)


@lru_cache(maxsize=16)
def zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def parse_local(field: str, text: str, zone_name: str) -> datetime:
    """A typed time, such as ``2026-05-04 10:00``, in UTC.

    Raises:
        InvalidInputError: it is none, does not exist on that day, or comes twice.
    """
    try:
        typed = datetime.fromisoformat(text.strip())
    except ValueError:
        expected = "expected a day and a time, such as 2026-05-04 10:00"
        raise InvalidInputError(field, f"{field}: {expected}, got {text[:40]!r}") from None
    if typed.tzinfo is not None:
        return typed.astimezone(UTC)
    try:
        first, second = (
            typed.replace(tzinfo=zone(zone_name), fold=fold).astimezone(UTC) for fold in (0, 1)
        )
    except OverflowError:
        raise InvalidInputError(field, f"{field}: expected a year that has a date") from None
    if first == second:
        return first
    if first.astimezone(zone(zone_name)).replace(tzinfo=None) != typed:
        says = f"there is no {typed:%H:%M} on {typed.date()}: the clock jumps over it"
    else:
        says = f"{typed:%H:%M} comes twice on {typed.date()}: write its offset behind it"
    raise InvalidInputError(field, f"{field}: {says} ({zone_name})")


def typed_form(time: datetime, zone_name: str) -> str:
    """As a form's field takes it; `parse_local` reads it back, where it comes once."""
    return time.astimezone(zone(zone_name)).strftime(FORM)


def in_words(time: datetime, zone_name: str) -> str:
    """
    >>> in_words(datetime(2026, 5, 4, 9, 0, tzinfo=UTC), "Europe/London")
    'Monday 4 May 2026, 10:00'
    """
    local = time.astimezone(zone(zone_name))
    return f"{local:%A} {local.day} {local:%B %Y, %H:%M}"


def window_in_words(begins_at: datetime, ends_at: datetime, zone_name: str) -> str:
    """
    >>> begins_at = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
    >>> window_in_words(begins_at, begins_at + timedelta(minutes=90), "Europe/London")
    'Monday 4 May 2026, 10:00 to 11:30 (Europe/London)'
    """
    begins, ends = (time.astimezone(zone(zone_name)) for time in (begins_at, ends_at))
    until = f"{ends:%H:%M}" if begins.date() == ends.date() else in_words(ends_at, zone_name)
    return f"{in_words(begins_at, zone_name)} to {until} ({zone_name})"


def days_later(time: datetime, days: int, zone_name: str) -> datetime:
    """The same time of day so many days later, in UTC.

    Where the clock jumps over it, as long after the jump as it would have been (RFC 5545 §3.3.5).
    """
    local = time.astimezone(zone(zone_name))
    return (local + timedelta(days=days)).replace(fold=0).astimezone(UTC)


def day_window(time: datetime, zone_name: str) -> tuple[datetime, datetime]:
    """Begin and end of the site's day in which a time lies, in UTC."""
    begin = time.astimezone(zone(zone_name)).replace(hour=0, minute=0, second=0, microsecond=0)
    return begin.astimezone(UTC), days_later(begin, 1, zone_name)


def month_of(time: datetime, zone_name: str) -> str:
    """The month in which a time lies at the site, such as ``2026-05``."""
    return f"{time.astimezone(zone(zone_name)):%Y-%m}"


def month_window(month: str, zone_name: str) -> tuple[datetime, datetime]:
    """Begin and end of a month at the site, in UTC.

    Raises:
        InvalidInputError: it is no month.
    """
    try:
        begin = datetime.strptime(month, "%Y-%m").replace(tzinfo=zone(zone_name))
        later = begin.replace(day=28) + timedelta(days=4)
        end = later.replace(day=1)
        return begin.astimezone(UTC), end.astimezone(UTC)
    except (ValueError, OverflowError):
        expected = "expected a month, such as 2026-05"
        raise InvalidInputError("month", f"month: {expected}, got {month[:20]!r}") from None
