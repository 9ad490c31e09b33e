"""Exceptions: the site decides otherwise, with a reason, an owner and an end.

They end by themselves, since every verdict asks whether they still hold. One for all machines of
some models belongs to needs; one for single machines to those machines alone.
"""

from dataclasses import replace
from typing import Any

from flashworthy_common.exceptions import SiteException
from flashworthy_common.values import to_json, write_time
from flashworthy_server.db import Connection
from flashworthy_server.errors import BadRow, BadRowsError, ConflictError, NotFoundError
from flashworthy_server.services import audit, judgement, needs
from flashworthy_server.services.reading import read_one
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import exceptions as store
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.exceptions import StoredException as StoredException


def add_exception(site: Site, who: Who, data: Any) -> StoredException:
    """Make an exception; one that holds already is not made twice.

    Raises:
        BadRowsError: it is wrong; each field is named.
    """
    now, bad = site.clock(), list[BadRow]()
    read = read_one(SiteException, data, now, bad)
    if read is None:
        raise BadRowsError(bad)
    exception = read.statement
    with site.database.writing() as connection:
        _require_machines(connection, exception)
        holding = store.load_exceptions(connection, in_force_on=now.date(), before=None, count=None)
        for each in holding:
            if each.exception == exception:
                return each
        exception_id = store.add_exception(connection, read.maker, exception, now)
        stored = StoredException(exception_id, read.maker, exception, now, None)
        machine_store.note_own_facts(connection, exception.machine_ids)
        _mark(site, connection, stored)
        subject, after = f"exception #{exception_id}", to_json(exception)
        audit.record(connection, who, now, "exception.add", subject, after=after)
    judgement.follow(site)
    return stored


def end_exception(site: Site, who: Who, exception_id: int, reason: str) -> StoredException:
    """End an exception before its day.

    Raises:
        NotFoundError: there is no such exception.
        ConflictError: it has ended already.
    """
    now = site.clock()
    with site.database.writing() as connection:
        stored = store.load_exception(connection, exception_id)
        if stored is None:
            raise NotFoundError(f"there is no exception #{exception_id}")
        if stored.ended_at or stored.exception.ends_at <= now:
            raise ConflictError(f"exception #{exception_id} has ended already")
        store.end_exception(connection, exception_id, now)
        _mark(site, connection, stored)
        audit.record(
            connection,
            who,
            now,
            "exception.end",
            f"exception #{exception_id}",
            before=to_json(stored.exception),
            after={"ended_at": write_time(now), "reason": reason},
        )
    judgement.follow(site)
    return replace(stored, ended_at=now)


def list_exceptions(
    site: Site, *, only_in_force: bool, before: int | None, count: int
) -> tuple[list[StoredException], int | None]:
    """At most `count` exceptions, newest first, and the id before which the next ones stand."""
    today = site.clock().date() if only_in_force else None
    with site.database.reading() as connection:
        found = store.load_exceptions(connection, in_force_on=today, before=before, count=count + 1)
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


def _require_machines(connection: Connection, exception: SiteException) -> None:
    known = {each.id for each in machine_store.load_machines(connection, exception.machine_ids)}
    bad = [
        BadRow("", f"there is no machine #{each}", f"machine_ids[{place}]")
        for place, each in enumerate(exception.machine_ids)
        if each not in known
    ]
    if bad:
        raise BadRowsError(bad)


def _mark(site: Site, connection: Connection, stored: StoredException) -> None:
    """Let what the exception touches be judged anew."""
    if stored.exception.machine_ids:
        machine_store.make_machines_due(connection, stored.exception.machine_ids, site.clock())
    else:
        needs.mark_touched(connection, [(stored.maker, stored.exception)], site.clock())
