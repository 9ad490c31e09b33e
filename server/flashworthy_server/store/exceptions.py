"""Exceptions that the site made, for models or for single machines."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from flashworthy_common.exceptions import SiteException
from flashworthy_common.values import from_json, to_json
from flashworthy_server.store.statements import Kind, add_names, drop_names
from flashworthy_server.tables import exception_machines, exceptions


@dataclass(frozen=True, slots=True)
class StoredException:
    id: int
    maker: str  # canonical
    exception: SiteException
    recorded_at: datetime
    ended_at: datetime | None  # early, by a person; none: it ends by itself


def add_exception(
    connection: Connection, maker: str, exception: SiteException, now: datetime
) -> int:
    """Add an exception; one for single machines is found by them, not by its models."""
    added = connection.execute(
        insert(exceptions)
        .values(maker=maker, until=exception.until, facts=to_json(exception), recorded_at=now)
        .returning(exceptions.c.id)
    )
    exception_id = int(added.scalar_one())
    if exception.machine_ids:
        rows = [
            {"machine_id": each, "exception_id": exception_id} for each in exception.machine_ids
        ]
        connection.execute(insert(exception_machines), rows)
    else:
        add_names(connection, Kind.EXCEPTION, [(exception_id, maker, exception.models)])
    return exception_id


def load_exception(connection: Connection, exception_id: int) -> StoredException | None:
    query = select(exceptions).where(exceptions.c.id == exception_id)
    row = connection.execute(query).one_or_none()
    return None if row is None else _exception(row)


def load_exceptions(
    connection: Connection, *, in_force_on: date | None, before: int | None, count: int | None
) -> list[StoredException]:
    """At most `count` exceptions with an id below `before`, newest first; none: all."""
    query = select(exceptions)
    if in_force_on is not None:
        query = query.where(exceptions.c.until >= in_force_on, exceptions.c.ended_at.is_(None))
    if before is not None:
        query = query.where(exceptions.c.id < before)
    rows = connection.execute(query.order_by(exceptions.c.id.desc()).limit(count))
    return [_exception(row) for row in rows]


def end_exception(connection: Connection, exception_id: int, now: datetime) -> None:
    """End it before its day: no need lists it any more."""
    connection.execute(
        update(exceptions).where(exceptions.c.id == exception_id).values(ended_at=now)
    )
    drop_names(connection, Kind.EXCEPTION, exception_id)


def exceptions_by_id(connection: Connection, ids: Iterable[int]) -> dict[int, SiteException]:
    rows = connection.execute(
        select(exceptions.c.id, exceptions.c.facts).where(exceptions.c.id.in_(list(ids)))
    )
    return {row.id: from_json(SiteException, row.facts) for row in rows}


def exceptions_of_machines(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[int, list[SiteException]]:
    """By machine, those that name it and were not ended early."""
    found: dict[int, list[SiteException]] = {}
    rows = connection.execute(
        select(exception_machines.c.machine_id, exceptions.c.facts)
        .join(exceptions, exceptions.c.id == exception_machines.c.exception_id)
        .where(
            exception_machines.c.machine_id.in_(list(machine_ids)), exceptions.c.ended_at.is_(None)
        )
        .order_by(exceptions.c.id)
    )
    for machine_id, facts in rows:
        found.setdefault(machine_id, []).append(from_json(SiteException, facts))
    return found


def _exception(row: Row[Any]) -> StoredException:
    return StoredException(
        row.id, row.maker, from_json(SiteException, row.facts), row.recorded_at, row.ended_at
    )
