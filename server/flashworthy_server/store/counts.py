"""The numbers of the overview, of machines in service, and refused requests."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select, true

from flashworthy_server.db import upsert
from flashworthy_server.store.listing import (
    DERIVED,
    IN_SERVICE,
    PRIORITY,
    SOURCE,
    AsOf,
    asks_for,
    is_silent,
    rests,
)
from flashworthy_server.tables import attentions, combinations, machines, refusals


def count_machines(connection: Connection) -> int:
    return _count(connection, true())


def count_silent(connection: Connection, as_of: AsOf) -> int:
    """Those that rest are silent too."""
    return _count(connection, is_silent(as_of))


def count_by_outcome(connection: Connection) -> dict[str | None, int]:
    """None stands for machines that have not reported yet."""
    return _count_by(connection, machines.c.outcome)


def count_by_standing(connection: Connection) -> dict[str | None, int]:
    return _count_by(connection, combinations.c.standing)


def count_by_priority(connection: Connection) -> dict[str | None, int]:
    """None stands for machines for which no reason speaks."""
    return _count_by(connection, PRIORITY)


def count_by_place(connection: Connection) -> dict[str | None, int]:
    return _count_by(connection, machines.c.place)


def count_by_firmware_date(connection: Connection) -> dict[date | None, int]:
    return _count_by(connection, machines.c.firmware_on)


def count_by_attention(connection: Connection, as_of: AsOf) -> dict[str, int]:
    """By code, the machines of which something asks now; what rests does not."""
    asking = attentions.c.ended_at.is_(None)
    resting = rests(attentions.c.machine_id, attentions.c.code, as_of)
    rows = connection.execute(
        select(attentions.c.code, func.count())
        .join(machines, machines.c.id == attentions.c.machine_id)
        .where(IN_SERVICE, asking, ~resting)
        .group_by(attentions.c.code)
    )
    found: dict[str, int] = dict(rows.all())
    for code in DERIVED:
        found[code.value] = _count(connection, asks_for(code, as_of))
    return {code: count for code, count in found.items() if count}


def count_by_model(connection: Connection, most: int) -> list[tuple[str, str, int]]:
    """Maker, model and number of machines, most machines first."""
    key = (combinations.c.maker, combinations.c.model)
    rows = connection.execute(
        select(*key, func.count())
        .select_from(SOURCE)
        .where(combinations.c.id.is_not(None), IN_SERVICE)
        .group_by(*key)
        .order_by(func.count().desc(), *key)
        .limit(most)
    )
    return [(maker, model, count) for maker, model, count in rows]


def combinations_with_outcome(
    connection: Connection, outcome: str, most: int
) -> list[tuple[int, int]]:
    """Combination id and number of machines with an outcome, most machines first."""
    rows = connection.execute(
        select(machines.c.combination_id, func.count())
        .where(machines.c.outcome == outcome, IN_SERVICE)
        .group_by(machines.c.combination_id)
        .order_by(func.count().desc(), machines.c.combination_id)
        .limit(most)
    )
    return [(combination_id, count) for combination_id, count in rows]


def add_refusal(connection: Connection, on_date: date, what: str, status: int) -> None:
    statement = upsert(refusals).values(on_date=on_date, what=what, status=status, count=1)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["on_date", "what", "status"], set_={"count": refusals.c.count + 1}
        )
    )


def refusals_since(connection: Connection, first: date) -> Sequence[tuple[str, int, int]]:
    """What was asked, the status of the refusal, and how often; most frequent first."""
    total = func.sum(refusals.c.count)
    rows = connection.execute(
        select(refusals.c.what, refusals.c.status, total)
        .where(refusals.c.on_date >= first)
        .group_by(refusals.c.what, refusals.c.status)
        .order_by(total.desc(), refusals.c.what, refusals.c.status)
    )
    return [(what, status, int(count)) for what, status, count in rows]


def _count(connection: Connection, condition: ColumnElement[bool]) -> int:
    query = select(func.count()).select_from(SOURCE).where(condition, IN_SERVICE)
    return int(connection.execute(query).scalar_one())


def _count_by(connection: Connection, column: ColumnElement[Any]) -> dict[Any, int]:
    query = select(column, func.count()).select_from(SOURCE).where(IN_SERVICE)
    return dict(connection.execute(query.group_by(column).order_by(column)).all())
