"""The site's limits: each setting of a place is a new row, and the newest one holds."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, func, insert, select

from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.tables import policies


@dataclass(frozen=True, slots=True)
class StoredLimits:
    """One version of what one place, or the whole site, sets otherwise."""

    id: int
    place: str | None  # none: the whole site
    limits: str  # canonical JSON
    set_by: str
    set_at: datetime


def add_limits(
    connection: Connection, place: str | None, limits: str, set_by: str, now: datetime
) -> None:
    connection.execute(
        insert(policies).values(place=place, limits=limits, set_by=set_by, set_at=now)
    )


def limits_in_force(connection: Connection) -> list[StoredLimits]:
    """The newest of each place; the whole site's first."""
    found = [StoredLimits(*row) for row in _IN_FORCE.rows(connection)]
    return sorted(found, key=lambda each: each.place or "")


_NEWEST = select(func.max(policies.c.id)).group_by(policies.c.place)
_IN_FORCE = PreparedQuery(select(policies).where(policies.c.id.in_(_NEWEST)))


def versions_of(connection: Connection, place: str | None, count: int) -> list[StoredLimits]:
    """At most `count` settings of a place, newest first."""
    of_it = policies.c.place.is_(None) if place is None else policies.c.place == place
    query = select(policies).where(of_it).order_by(policies.c.id.desc()).limit(count)
    return [StoredLimits(*row) for row in connection.execute(query)]
