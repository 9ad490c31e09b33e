"""Tries to sign in, counted since the first of them."""

from datetime import datetime

from sqlalchemy import Connection, delete, update

from flashworthy_server.db import upsert
from flashworthy_server.tables import sign_in_tries as tries


def add(connection: Connection, what: str, now: datetime) -> tuple[datetime, int]:
    """Count one more; since when is counted, and how many there are now."""
    statement = upsert(tries).values(what=what, since=now, count=1)
    row = connection.execute(
        statement.on_conflict_do_update(
            index_elements=["what"], set_={"count": tries.c.count + 1}
        ).returning(tries.c.since, tries.c.count.label("number"))
    ).one()
    return row.since, row.number


def take_back(connection: Connection, what: str, number: int) -> None:
    """Count so many less."""
    connection.execute(
        update(tries).where(tries.c.what == what).values(count=tries.c.count - number)
    )


def forget(connection: Connection, what: str) -> int:
    """Count anew; how many there were."""
    query = delete(tries).where(tries.c.what == what).returning(tries.c.count.label("number"))
    return connection.execute(query).scalar() or 0


def forget_before(connection: Connection, first: datetime) -> None:
    """Forget everything that is counted since `first` or before."""
    connection.execute(delete(tries).where(tries.c.since <= first))
