"""How long reports are kept, and that those to come have a place.

- `history_months` whole months are kept beside the one under way; with 0, all of them.
- Only reports as they came are removed, with their ids. What a machine is now, its firmware
  changes, its flashes with the report before each, and the audit trail stay.
- PostgreSQL drops the table of a month; SQLite deletes rows, some machines at a time, so that
  reports get in between.
- A month has a table of its own before it begins; what comes without one is kept all the same.
"""

from datetime import UTC, date, datetime

from flashworthy_server.services import audit
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import history as store
from flashworthy_server.store.history import Month as Month

_MONTHS_AHEAD = 2
_MACHINES_AT_ONCE = 20  # of each a month has up to 750 reports


def keep_in_order(site: Site) -> None:
    """Make room for the reports to come, and remove those that are older than the site keeps."""
    make_room(site)
    if site.config.history_months:
        _remove_before(site, first_kept(site, site.config.history_months))


def make_room(site: Site) -> None:
    """Give this month and the next ones a place of their own."""
    this = month_of(site.clock())
    with site.database.writing() as connection:
        months = [_later(this, count) for count in range(_MONTHS_AHEAD + 1)]
        site.database.dialect.make_months(connection, months)


def months(site: Site) -> list[Month]:
    """The months of which reports are kept, oldest first; reads all of history."""
    with site.database.reading() as connection:
        return store.load_months(connection)


def first_kept(site: Site, months: int) -> date:
    """The first day of the oldest month that is kept where `months` whole ones are."""
    return _later(month_of(site.clock()), -months)


def trim(site: Site, who: Who, months: int) -> date:
    """Remove reports that came more than `months` whole months before this one, by a person's word.

    Returns:
        The first day of the oldest month that is kept.
    """
    make_room(site)  # what found no month has one now, and can be dropped with it
    before = first_kept(site, months)
    with site.database.writing() as connection:
        told = {"months": months, "before": before.isoformat()}
        audit.record(connection, who, site.clock(), "history.trim", "history", after=told)
    _remove_before(site, before)
    return before


def _remove_before(site: Site, before: date) -> None:
    begin = datetime(before.year, before.month, 1, tzinfo=UTC)
    if site.database.dialect.splits_history:
        with site.database.writing() as connection:
            site.database.dialect.drop_months(connection, before)
        return
    after: int | None = 0
    while after is not None:
        with site.database.writing() as connection:
            after = store.delete_reports(connection, begin, after, _MACHINES_AT_ONCE)


def month_of(now: datetime) -> date:
    """The month of a time, in UTC, by its first day."""
    return now.astimezone(UTC).date().replace(day=1)


def _later(month: date, count: int) -> date:
    """The month `count` months later, by its first day."""
    years, months = divmod(month.month - 1 + count, 12)
    return date(month.year + years, months + 1, 1)
