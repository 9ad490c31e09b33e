"""Leases: what only one may do at a time, whoever runs it and on whichever machine."""

from datetime import datetime

from sqlalchemy import Connection, delete

from flashworthy_server.db import upsert
from flashworthy_server.tables import leases


def take_lease(
    connection: Connection, name: str, holder: str, now: datetime, until: datetime
) -> bool:
    """Take or renew a lease; false where somebody else holds it."""
    statement = upsert(leases).values(name=name, holder=holder, until=until)
    free = (leases.c.holder == holder) | (leases.c.until <= now)
    taken = connection.execute(
        statement.on_conflict_do_update(
            index_elements=["name"], set_={"holder": holder, "until": until}, where=free
        )
    )
    return taken.rowcount == 1


def give_back(connection: Connection, name: str, holder: str) -> None:
    connection.execute(delete(leases).where(leases.c.name == name, leases.c.holder == holder))
