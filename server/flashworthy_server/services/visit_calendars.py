"""A technician's visits for a calendar: one visit as a file, all of them by a secret address.

Calendar programs cannot sign in. Whoever knows the address reads the visits of one technician,
and nothing else; it is kept as a digest, shown once, and ends when another is made.
"""

from datetime import timedelta

from flashworthy_server.calendar_file import Entry, calendar_of
from flashworthy_server.errors import NotFoundError
from flashworthy_server.services import audit, sessions
from flashworthy_server.services.credentials import digest_of
from flashworthy_server.services.visits import VisitView, load_view, views
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import accounts as account_store
from flashworthy_server.store import visits as store
from flashworthy_server.store.accounts import Account

_TOLD_FOR = timedelta(days=90)  # visits of the past that a calendar keeps
_MOST = 1000  # visits of one calendar


def file_of(site: Site, visit_id: int, pages: str) -> bytes:
    """One visit as an iCalendar file.

    Args:
        pages: the address of the list of visits; empty: not known.

    Raises:
        NotFoundError: there is no such visit.
    """
    with site.database.reading() as connection:
        view = load_view(site, connection, visit_id)
    return calendar_of([_entry(view, pages)], f"Visit #{visit_id}", site.clock())


def feed_of(site: Site, secret: str, pages: str) -> bytes:
    """The visits of the technician whose calendar this is.

    Raises:
        NotFoundError: there is no such calendar.
    """
    with site.database.reading() as connection:
        account_id = store.account_of_calendar(connection, digest_of(secret))
        if account_id is None:
            raise NotFoundError("there is no such calendar: make its address anew")
        account = account_store.load_account(connection, account_id)
        filters = store.Filters(technician_id=account_id, begins_from=site.clock() - _TOLD_FOR)
        found = views(site, connection, store.load_visits(connection, filters, count=_MOST))
    name = f"Visits of {_name(account)}"
    return calendar_of([_entry(view, pages) for view in found], name, site.clock())


def make_calendar(site: Site, who: Who) -> str:
    """The secret of a person's calendar, shown this once; an older one is worth nothing then.

    Raises:
        NotFoundError: whoever asks is no person.
    """
    secret, now = sessions.new_secret(), site.clock()
    with site.database.writing() as connection:
        account_id = _account_id(who)
        store.save_calendar(connection, account_id, digest_of(secret), now)
        audit.record(connection, who, now, "calendar.make", f"account {who.name}")
    return secret


def end_calendar(site: Site, who: Who) -> None:
    """The address is worth nothing any more."""
    now = site.clock()
    with site.database.writing() as connection:
        if store.drop_calendar(connection, _account_id(who)):
            audit.record(connection, who, now, "calendar.end", f"account {who.name}")


def has_calendar(site: Site, who: Who) -> bool:
    with site.database.reading() as connection:
        return store.calendar_made_at(connection, _account_id(who)) is not None


def _account_id(who: Who) -> int:
    if who.account_id is None:
        raise NotFoundError("a calendar is a person's: sign in with an account")
    return who.account_id


def _name(account: Account | None) -> str:
    return account.name if account else "nobody"


def _entry(view: VisitView, pages: str) -> Entry:
    names = tuple(each.machine.name for each in view.machines)
    return Entry(view.visit, names, f"{pages}/{view.visit.id}" if pages else "")
