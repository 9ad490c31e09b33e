"""Machines as rows of a list: filtered, in the order of their names, one page after another.

A page begins after the name and id of the last row seen, so that none is shown twice or left out
when machines join in between, and the hundredth page costs what the first does.
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, exists, func, or_, select, tuple_

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.tables import attentions, combinations, machines

SOURCE = machines.outerjoin(combinations, machines.c.combination_id == combinations.c.id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """Which machines are meant; absent: all."""

    id: int | None = None
    outcome: str | None = None
    standing: str | None = None
    priority: str | None = None
    place: str | None = None  # this place and everything in it
    maker: str | None = None  # canonical
    model: str | None = None
    attention: str | None = None
    text: str | None = None  # somewhere in name, place, model or version


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedMachine:
    """One row; a name is none where it is unknown, and its report says why."""

    id: int
    name: str
    place: str | None
    marked: str | None
    maker: str | None
    model: str | None
    board: str | None
    version_text: str | None
    firmware_on: date | None
    outcome: str | None  # none: no report yet
    sentence: str | None
    holds_until: datetime | None
    standing: str | None
    priority: str | None
    taken_at: datetime | None
    received_at: datetime | None
    enrolled_at: datetime


def list_machines(
    connection: Connection,
    filters: Filters,
    *,
    silent_before: datetime,
    after: tuple[str, int] | None,
    count: int,
) -> list[ListedMachine]:
    """At most `count` machines that come after a name and id."""
    query = select(
        machines,
        combinations.c.maker,
        combinations.c.model,
        combinations.c.board,
        combinations.c.version_text,
        combinations.c.standing,
        combinations.c.priority,
    ).select_from(SOURCE)
    for condition in _conditions(filters, silent_before):
        query = query.where(condition)
    if after is not None:
        query = query.where(tuple_(machines.c.name, machines.c.id) > tuple_(*after))
    rows = connection.execute(query.order_by(machines.c.name, machines.c.id).limit(count))
    return [_listed(row) for row in rows]


def is_silent(silent_before: datetime) -> ColumnElement[bool]:
    """No report since then; a machine that never reported counts from its enrolment."""
    return or_(
        machines.c.received_at < silent_before,
        machines.c.received_at.is_(None) & (machines.c.enrolled_at < silent_before),
    )


def has_pressing_priority() -> ColumnElement[bool]:
    return combinations.c.priority.in_([priority.value for priority in PRESSING])


def _conditions(filters: Filters, silent_before: datetime) -> list[ColumnElement[bool]]:
    equal = {
        machines.c.id: filters.id,
        machines.c.outcome: filters.outcome,
        combinations.c.standing: filters.standing,
        combinations.c.priority: filters.priority,
        combinations.c.maker: filters.maker,
        combinations.c.model: filters.model,
    }
    found = [column == value for column, value in equal.items() if value is not None]
    if filters.place is not None:
        within = f"{filters.place} / "
        begins = func.substr(machines.c.place, 1, len(within))  # LIKE would not mind the case
        found.append((machines.c.place == filters.place) | (begins == within))
    if filters.attention is not None:
        found.append(_asks_for(filters.attention, silent_before))
    if filters.text is not None:
        texts = (
            machines.c.name,
            machines.c.place,
            combinations.c.model,
            combinations.c.version_text,
        )
        found.append(or_(*(text.icontains(filters.text, autoescape=True) for text in texts)))
    return found


def _asks_for(code: str, silent_before: datetime) -> ColumnElement[bool]:
    """Two codes follow from other columns; the rest stand in a table."""
    if code == AttentionCode.SILENT.value:
        return is_silent(silent_before)
    if code == AttentionCode.PRIORITY.value:
        return has_pressing_priority()
    return exists().where(attentions.c.machine_id == machines.c.id, attentions.c.code == code)


def _listed(row: Row[Any]) -> ListedMachine:
    return ListedMachine(
        id=row.id,
        name=row.name,
        place=row.place,
        marked=row.marked,
        maker=row.maker or None,
        model=row.model or None,
        board=row.board or None,
        version_text=row.version_text or None,
        firmware_on=row.firmware_on,
        outcome=row.outcome,
        sentence=row.sentence,
        holds_until=row.holds_until,
        standing=row.standing,
        priority=row.priority,
        taken_at=row.taken_at,
        received_at=row.received_at,
        enrolled_at=row.enrolled_at,
    )
