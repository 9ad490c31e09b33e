"""Machines as rows of a list: filtered, in the order of their names, one page after another.

A page begins after the name and id of the last row seen, so that none is shown twice or left out
when machines join in between, and the hundredth page costs what the first does.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime
from math import isqrt
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Row,
    Select,
    and_,
    bindparam,
    exists,
    func,
    or_,
    select,
    tuple_,
    union_all,
)

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.dialects.texts import holds
from flashworthy_server.store.machines import names_within
from flashworthy_server.tables import acknowledgements, attentions, combinations, machines, summary

IN_SERVICE = machines.c.out_of_service_at.is_(None)
SOURCE = machines.outerjoin(combinations, machines.c.combination_id == combinations.c.id)
PRIORITY = func.coalesce(machines.c.own_priority, combinations.c.priority)
_OUT_OF_SERVICE = machines.c.out_of_service_at > datetime(1970, 1, 1, tzinfo=UTC)  # not null, and
# a stretch of an index: SQLite rather walks through any other one that covers what is asked for
MOST_GATHERED = 5_000  # machines that are sorted for one page: some milliseconds
ROWS_OF_A_PAGE = 50  # usually


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
    ids = connection.scalars(of_page(_IDS, connection, filters, now, after, count)).all()
    rows = connection.execute(_ROWS, {"ids": ids})
    found = {row.id: _listed(row) for row in rows}
    return [found[each] for each in ids]


_IDS: Select[Any] = select(machines.c.id).select_from(SOURCE)
_ROWS: Select[Any] = (
    select(
        *(machines.c[each.name] for each in fields(ListedMachine) if each.name in machines.c),
        combinations.c.maker,
        combinations.c.model,
        combinations.c.board,
        combinations.c.version_text,
        combinations.c.standing,
        PRIORITY.label("priority"),
    )
    .select_from(SOURCE)
    .where(machines.c.id.in_(bindparam("ids", expanding=True)))
)


# ---- which rows a page has --------------------------------------------------------------------
#
# Where few machines are meant, they are gathered by an index and sorted. Where many are, the next
# ones by name are looked at until a page is full: the more machines are meant, the sooner. So a
# page costs about the same whatever is asked for, and however many machines there are.


def of_page(
    query: Select[Any],
    connection: Connection,
    filters: Filters,
    now: datetime,
    after: tuple[str, int] | None,
    count: int,
) -> Select[Any]:
    """A query of `SOURCE` for at most `count` machines that come after a name and id."""
    narrow = _narrowest(connection, filters, now)
    # What is sorted must not look sorted already, or a database walks along the names after all.
    name = machines.c.name if narrow is None else machines.c.name + ""
    query = query.where(*_conditions(filters, now))
    if narrow is not None:
        query = query.where(narrow)
    if after is not None:
        query = query.where(tuple_(name, machines.c.id) > tuple_(*after))
    return query.order_by(name, machines.c.id).limit(count)


def _narrowest(
    connection: Connection, filters: Filters, now: datetime
) -> ColumnElement[bool] | None:
    """What the fewest machines are found by, where these are few enough to be gathered."""
    findable = [] if filters.id is not None else list(_findable(filters, now))
    if not findable:
        return None
    most = min(MOST_GATHERED, isqrt(ROWS_OF_A_PAGE * _counted(connection, "machines", "")))
    sizes = [
        sum(_count_up_to(connection, each, filters, most) for each in some) for some in findable
    ]
    fewest = min(sizes)
    return _any_of(findable[sizes.index(fewest)]) if fewest <= most else None


@dataclass(frozen=True, slots=True)
class _Found:
    """Machines that an index finds, by a condition on a table that leads to them, or on their own.

    `counted_as` is their facet and name in `summary`, which counts those in service.
    """

    condition: ColumnElement[bool]
    by: FromClause | None = None
    counted_as: tuple[str, str] | None = None

    @property
    def source(self) -> FromClause:
        return machines if self.by is None else self.by


def _counted(connection: Connection, facet: str, name: str) -> int:
    named = (summary.c.facet == facet, summary.c.name == name)
    return connection.scalar(select(summary.c.count).where(*named)) or 0


def _count_up_to(connection: Connection, found: _Found, filters: Filters, most: int) -> int:
    if found.counted_as and not filters.out_of_service:
        return _counted(connection, *found.counted_as)
    some = select(machines.c.id).select_from(found.source).where(found.condition, _service(filters))
    limited = some.limit(most + 1).subquery()
    return int(connection.execute(select(func.count()).select_from(limited)).scalar_one())


def _any_of(some: list[_Found]) -> ColumnElement[bool]:
    """Each found by an index of its own; a database that is given an `or` may look at all rows."""
    ids = [select(machines.c.id).select_from(each.source).where(each.condition) for each in some]
    return machines.c.id.in_(ids[0] if len(ids) == 1 else union_all(*ids))


def _findable(filters: Filters, now: datetime) -> Iterator[list[_Found]]:
    """What an index finds; of each list, one finds any machine that is meant."""
    of_combination = [
        column == value
        for column, value in (
            (combinations.c.maker, filters.maker),
            (combinations.c.model, filters.model),
            (combinations.c.standing, filters.standing),
        )
        if value is not None
    ]
    if of_combination:
        yield [_Found(and_(*of_combination), _OF_COMBINATION)]
    if filters.priority is not None:
        yield _of_priority([filters.priority])
    if filters.place is not None:
        within = and_(summary.c.facet == "place", names_within(summary.c.name, filters.place))
        yield [_Found(within, _AT_PLACE)]
    if filters.firmware_before is not None:
        yield [_Found(machines.c.firmware_on < filters.firmware_before)]
    if filters.attention is not None:
        yield _of_attention(AttentionCode(filters.attention), now)
    if filters.out_of_service:
        yield [_Found(_OUT_OF_SERVICE)]


_OF_COMBINATION = combinations.join(machines, machines.c.combination_id == combinations.c.id)
_AT_PLACE = summary.join(machines, machines.c.place == summary.c.name)
_ASKING = attentions.join(machines, machines.c.id == attentions.c.machine_id)


def _of_priority(names: list[str]) -> list[_Found]:
    return [
        _Found(combinations.c.priority.in_(names), _OF_COMBINATION),
        _Found(machines.c.own_priority.in_(names)),
    ]


def _of_attention(code: AttentionCode, now: datetime) -> list[_Found]:
    if code is AttentionCode.SILENT_AFTER_FLASH:
        return [_Found(machines.c.flash_alarm_at <= now)]
    if code is AttentionCode.PRIORITY:
        return _of_priority([priority.value for priority in PRESSING])
    asking = and_(attentions.c.code == code.value, attentions.c.ended_at.is_(None))
    return [_Found(asking, _ASKING, counted_as=("attention", code.value))]


def _service(filters: Filters) -> ColumnElement[bool]:
    return _OUT_OF_SERVICE if filters.out_of_service else IN_SERVICE


def asks_for(code: AttentionCode, now: datetime) -> ColumnElement[bool]:
    """What rests does not ask. Two codes follow from other columns; the rest stand in a table."""
    return follows(code, now) & ~rests(machines.c.id, code.value, now)


def rests(
    machine_id: ColumnElement[int], code: ColumnElement[str] | str, now: datetime
) -> ColumnElement[bool]:
    """A person acknowledged it, until a day that is not over."""
    return exists().where(
        acknowledgements.c.machine_id == machine_id,
        acknowledgements.c.code == code,
        acknowledgements.c.until >= now.date(),
    )


def follows(code: AttentionCode, now: datetime) -> ColumnElement[bool]:
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
        _unlisted(combinations.c.standing): filters.standing,
        PRIORITY: filters.priority,
        _unlisted(combinations.c.maker): filters.maker,
        _unlisted(combinations.c.model): filters.model,
    }
    found = [column == value for column, value in equal.items() if value is not None]
    if filters.id is None:
        found.append(_service(filters))
    if filters.place is not None:
        found.append(names_within(_unlisted(machines.c.place), filters.place))
    if filters.attention is not None:
        found.append(asks_for(AttentionCode(filters.attention), now))
    if filters.firmware_before is not None:
        found.append(_unlisted(machines.c.firmware_on) < filters.firmware_before)
    if filters.text is not None:
        found.append(_has_text(filters.text, filters.out_of_service))
    return found


def _has_text(text: str, out_of_service: bool) -> ColumnElement[bool]:
    """Somewhere in name, place, model or version; what many machines share is looked at once.

    The summary knows the places of machines in service only.
    """
    places = select(summary.c.name).where(summary.c.facet == "place", holds(summary.c.name, text))
    known = select(combinations.c.id).where(
        holds(combinations.c.model, text) | holds(combinations.c.version_text, text)
    )
    place = machines.c.place
    return or_(
        holds(machines.c.name, text),
        holds(place, text) if out_of_service else _is_among(place, places),
        _is_among(machines.c.combination_id, known),
    )


def _is_among(column: ColumnElement[Any], found: Select[Any]) -> ColumnElement[bool]:
    """Where nothing is found, no row is held against it."""
    return found.exists() & column.in_(found)


def _unlisted(column: ColumnElement[Any]) -> ColumnElement[Any]:
    """The same value, and nothing that an index begins with: walking along the names is meant."""
    return func.coalesce(column, column)


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
