"""Machines as rows of a list: filtered, in the order of their names, one page after another.

A page begins after the name and id of the last row seen, so that none is shown twice or left out
when machines join in between, and the hundredth page costs what the first does.
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, exists, func, or_, select, tuple_

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.store.machines import is_within
from flashworthy_server.tables import acknowledgements, attentions, combinations, machines

IN_SERVICE = machines.c.out_of_service_at.is_(None)
SOURCE = machines.outerjoin(combinations, machines.c.combination_id == combinations.c.id)
PRIORITY = func.coalesce(machines.c.own_priority, combinations.c.priority)


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
    firmware_before: date | None = None  # older than this day, by the date that it states
    text: str | None = None  # somewhere in name, place, model or version
    out_of_service: bool = False  # those, instead of those in service; by its id, any


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedMachine:
    """One row; a name is none where it is unknown, and its report says why."""

    id: int
    name: str
    place: str | None
    marked: str | None
    out_of_service_at: datetime | None
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
    flash_id: int | None
    flash_alarm_at: datetime | None  # when silence after its flash asks for attention


def list_machines(
    connection: Connection,
    filters: Filters,
    *,
    now: datetime,
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
        PRIORITY.label("priority"),
    ).select_from(SOURCE)
    for condition in _conditions(filters, now):
        query = query.where(condition)
    if after is not None:
        query = query.where(tuple_(machines.c.name, machines.c.id) > tuple_(*after))
    rows = connection.execute(query.order_by(machines.c.name, machines.c.id).limit(count))
    return [_listed(row) for row in rows]


def asks_for(code: AttentionCode, now: datetime) -> ColumnElement[bool]:
    """What rests does not ask. Two codes follow from other columns; the rest stand in a table."""
    return _follows(code, now) & ~rests(machines.c.id, code.value, now)


def rests(
    machine_id: ColumnElement[int], code: ColumnElement[str] | str, now: datetime
) -> ColumnElement[bool]:
    """A person acknowledged it, until a day that is not over."""
    return exists().where(
        acknowledgements.c.machine_id == machine_id,
        acknowledgements.c.code == code,
        acknowledgements.c.until >= now.date(),
    )


def _follows(code: AttentionCode, now: datetime) -> ColumnElement[bool]:
    if code is AttentionCode.SILENT_AFTER_FLASH:
        return machines.c.flash_alarm_at <= now
    if code is AttentionCode.PRIORITY:
        return PRIORITY.in_([priority.value for priority in PRESSING])
    return exists().where(
        attentions.c.machine_id == machines.c.id,
        attentions.c.code == code.value,
        attentions.c.ended_at.is_(None),
    )


def _conditions(filters: Filters, now: datetime) -> list[ColumnElement[bool]]:
    equal: dict[ColumnElement[Any], Any] = {
        machines.c.id: filters.id,
        machines.c.outcome: filters.outcome,
        combinations.c.standing: filters.standing,
        PRIORITY: filters.priority,
        combinations.c.maker: filters.maker,
        combinations.c.model: filters.model,
    }
    found = [column == value for column, value in equal.items() if value is not None]
    if filters.id is None:
        found.append(~IN_SERVICE if filters.out_of_service else IN_SERVICE)
    if filters.place is not None:
        found.append(is_within(filters.place))
    if filters.attention is not None:
        found.append(asks_for(AttentionCode(filters.attention), now))
    if filters.firmware_before is not None:
        found.append(machines.c.firmware_on < filters.firmware_before)
    if filters.text is not None:
        texts = (
            machines.c.name,
            machines.c.place,
            combinations.c.model,
            combinations.c.version_text,
        )
        found.append(or_(*(text.icontains(filters.text, autoescape=True) for text in texts)))
    return found


def _listed(row: Row[Any]) -> ListedMachine:
    return ListedMachine(
        id=row.id,
        name=row.name,
        place=row.place,
        marked=row.marked,
        out_of_service_at=row.out_of_service_at,
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
        flash_id=row.flash_id,
        flash_alarm_at=row.flash_alarm_at,
    )
