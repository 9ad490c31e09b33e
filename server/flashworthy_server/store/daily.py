"""How the site stood, day by day."""

from datetime import date
from typing import Any

from sqlalchemy import Connection, select

from flashworthy_server.db import upsert
from flashworthy_server.tables import daily_counts


def save_counts(connection: Connection, on: date, counts: dict[str, Any]) -> None:
    """The counts of a day, in place of those that were noted earlier on it."""
    statement = upsert(daily_counts).values(on_date=on, counts=counts)
    connection.execute(
        statement.on_conflict_do_update(index_elements=["on_date"], set_={"counts": counts})
    )


def load_counts(connection: Connection, since: date) -> dict[date, dict[str, Any]]:
    """The counts of every day that has some, oldest first."""
    rows = connection.execute(
        select(daily_counts).where(daily_counts.c.on_date >= since).order_by(daily_counts.c.on_date)
    )
    return {row.on_date: row.counts for row in rows}
