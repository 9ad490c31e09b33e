"""Machines as rows of a list: filtered, in the order of their names, one page after another.

A page begins after the name and id of the last row seen, so that none is shown twice or left out
when machines join in between, and the hundredth page costs what the first does.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from math import isqrt
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    bindparam,
    exists,
    false,
    func,
    or_,
    select,
    tuple_,
    union_all,
)

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.counting import SEPARATOR
from flashworthy_server.dialects.texts import holds
from flashworthy_server.store.machines import names_within
from flashworthy_server.tables import acknowledgements, attentions, combinations, machines, summary

IN_SERVICE = machines.c.out_of_service_at.is_(None)
SOURCE = machines.outerjoin(combinations, machines.c.combination_id == combinations.c.id)
PRIORITY = func.coalesce(machines.c.own_priority, combinations.c.priority)
_OUT_OF_SERVICE = machines.c.out_of_service_at > datetime(1970, 1, 1, tzinfo=UTC)  # not null, and
# a stretch of an index: SQLite rather walks through any other one that covers what is asked for
ROWS_OF_A_PAGE = 50  # usually
MOST_GATHERED = 10_000  # machines that are sorted for one page: some milliseconds
LOOKED_UP = 2  # such machines, for one whose row has to be looked up for its name


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
    rows = connection.execute(_ROWS, {"ids": ids}).all()
    listed = (ListedMachine(**dict(zip(_LISTED, row, strict=True))) for row in rows)
    found = {each.id: each for each in listed}
    return [found[each] for each in ids]


_IDS: Select[Any] = select(machines.c.id).select_from(SOURCE)
_LISTED: dict[str, ColumnElement[Any]] = {
    **{
        each.name: machines.c[each.name]
        for each in fields(ListedMachine)
        if each.name in machines.c
    },
    "maker": func.nullif(combinations.c.maker, ""),
    "model": func.nullif(combinations.c.model, ""),
    "board": func.nullif(combinations.c.board, ""),
    "version_text": func.nullif(combinations.c.version_text, ""),
    "standing": combinations.c.standing,
    "priority": PRIORITY,
}
_ROWS: Select[Any] = (
    select(*_LISTED.values())
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
    name: ColumnElement[str] = machines.c.name
    outcome: ColumnElement[str | None] = machines.c.outcome
    narrow = _narrowest(connection, filters, now)
    if narrow is not None:
        # What is sorted must not look sorted already, and nothing else begin with another index,
        # or a database walks along that one after all.
        name, outcome = name + "", _unlisted(outcome)
        query = query.where(narrow.condition)
        filters = _without(filters, narrow.answers)
    query = query.where(*_conditions(filters, now))
    if filters.outcome is not None:
        query = query.where(outcome == filters.outcome)
    if after is not None:
        query = query.where(tuple_(name, machines.c.id) > tuple_(*after))
    return query.order_by(name, machines.c.id).limit(count)


def _without(filters: Filters, names: Iterable[str]) -> Filters:
    nothing: dict[str, Any] = dict.fromkeys(names)
    return replace(filters, **nothing)


@dataclass(frozen=True, slots=True)
class _Found:
    """Machines that an index finds: the condition that they meet, and their ids, as they are found.

    `answers` names the filters that hold for all of them, `counts` sums up how many of them are in
    service, from `summary`.
    """

    condition: ColumnElement[bool]
    ids: Select[Any]
    answers: tuple[str, ...] = ()
    has_names: bool = True  # the index; otherwise each machine's row must be looked up
    counts: Select[Any] | None = None


def _narrowest(connection: Connection, filters: Filters, now: datetime) -> _Found | None:
    """What the fewest machines are found by, where these are few enough to be gathered."""
    findable = [] if filters.id is not None else list(_findable(filters, now))
    if not findable:
        return None
    of_all = connection.scalar(_counts("machines", "")) or 0
    most = min(MOST_GATHERED, isqrt(ROWS_OF_A_PAGE * of_all))
    sizes = [[_size_up_to(connection, each, filters, most) for each in some] for some in findable]
    totals = [sum(each) for each in sizes]
    place = totals.index(min(totals))
    return _any_of(findable[place], sizes[place]) if totals[place] <= most else None


def _size_up_to(connection: Connection, found: _Found, filters: Filters, most: int) -> int:
    """What gathering them takes, in machines that an index with names finds."""
    total = found.counts
    if total is None or filters.out_of_service:
        some = found.ids.where(_service(filters)).limit(most + 1).subquery()
        total = select(func.count()).select_from(some)
    return (connection.scalar(total) or 0) * (1 if found.has_names else LOOKED_UP)


def _counts(facet: str, name: str) -> Select[Any]:
    return select(summary.c.count).where(summary.c.facet == facet, summary.c.name == name)


def _any_of(some: list[_Found], sizes: list[int]) -> _Found:
    """Each found by an index of its own; a database that is given an `or` may look at all rows."""
    there = [each for each, size in zip(some, sizes, strict=True) if size]
    if not there:
        return replace(some[0], condition=false())
    if len(there) == 1:
        return there[0]
    return replace(there[0], condition=machines.c.id.in_(union_all(*(each.ids for each in there))))


def _findable(filters: Filters, now: datetime) -> Iterator[list[_Found]]:
    """What an index finds; of each list, one finds any machine that is meant."""
    if wanted := list(_wanted(filters)):
        found = _by_combination(*wanted)
        yield [replace(found, answers=("maker", "model", "standing"), counts=_kept(filters))]
    if filters.priority is not None:
        yield _of_priority([filters.priority])
    if filters.place is not None and not filters.out_of_service:
        yield [_at_place(filters.place)]
    if filters.firmware_before is not None:
        yield [_by_row(machines.c.firmware_on < filters.firmware_before, "firmware_before")]
    if filters.attention is not None:
        yield _of_attention(AttentionCode(filters.attention), now)
    if filters.out_of_service:
        yield [_by_row(_OUT_OF_SERVICE)]


def _wanted(filters: Filters) -> Iterator[ColumnElement[bool]]:
    """What is meant of combinations; of a maker or model there are fewer than of a standing."""
    if filters.maker is not None:
        yield combinations.c.maker == filters.maker
    if filters.model is not None:
        yield combinations.c.model == filters.model
    if filters.standing is not None:
        standing: ColumnElement[str] = combinations.c.standing
        is_alone = filters.maker is None and filters.model is None
        yield (standing if is_alone else _unlisted(standing)) == filters.standing


def _kept(filters: Filters) -> Select[Any] | None:
    """Where it stands how many machines these combinations have."""
    match filters.maker, filters.model, filters.standing:
        case None, None, str(standing):
            return _counts("standing", standing)
        case str(maker), str(model), None:
            return _counts("model", f"{maker}{SEPARATOR}{model}")
    return None


def _by_row(condition: ColumnElement[bool], *answers: str, has_names: bool = True) -> _Found:
    return _Found(condition, select(machines.c.id).where(condition), answers, has_names)


def _by_combination(*conditions: ColumnElement[bool]) -> _Found:
    theirs = combinations.join(machines, machines.c.combination_id == combinations.c.id)
    return _Found(
        machines.c.combination_id.in_(select(combinations.c.id).where(*conditions)),
        select(machines.c.id).select_from(theirs).where(*conditions),
    )


def _at_place(place: str) -> _Found:
    """Of machines in service: the summary knows the places of no others."""
    within = (summary.c.facet == "place", names_within(summary.c.name, place))
    there = summary.join(machines, machines.c.place == summary.c.name)
    some = select(summary.c.count).where(*within).limit(MOST_GATHERED + 1).subquery()
    return _Found(
        machines.c.place.in_(select(summary.c.name).where(*within)),
        select(machines.c.id).select_from(there).where(*within),
        answers=("place",),
        counts=select(func.sum(some.c.count)),
    )


def _of_priority(names: list[str]) -> list[_Found]:
    return [
        _by_combination(combinations.c.priority.in_(names)),
        _by_row(machines.c.own_priority.in_(names), has_names=False),
    ]


def _of_attention(code: AttentionCode, now: datetime) -> list[_Found]:
    if code is AttentionCode.SILENT_AFTER_FLASH:
        return [_by_row(machines.c.flash_alarm_at <= now, has_names=False)]
    if code is AttentionCode.PRIORITY:
        return _of_priority([priority.value for priority in PRESSING])
    asking = (attentions.c.code == code.value, attentions.c.ended_at.is_(None))
    found = machines.c.id.in_(select(attentions.c.machine_id).where(*asking))
    return [replace(_by_row(found, has_names=False), counts=_counts("attention", code.value))]


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
        PRIORITY: filters.priority,
    }
    found = [column == value for column, value in equal.items() if value is not None]
    found += _of_combination(filters)
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


def _of_combination(filters: Filters) -> Iterator[ColumnElement[bool]]:
    if filters.model is not None:  # of which there are few: no row is held against its own
        few = select(combinations.c.id).where(*_wanted(filters))
        yield _unlisted(machines.c.combination_id).in_(few)
        return
    if filters.maker is not None:
        yield _unlisted(combinations.c.maker) == filters.maker
    if filters.standing is not None:
        yield _unlisted(combinations.c.standing) == filters.standing


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
