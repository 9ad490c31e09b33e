"""Machines as rows of a list: filtered, in the order of their names, one page after another.

A page begins after the name and id of the last row seen, so that none is shown twice or left out
when machines join in between, and the hundredth page costs what the first does.

To make a statement takes longer than to execute it. So it is made once for each shape, which is
which filters are asked for, and their values are its parameters.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from functools import lru_cache
from math import isqrt
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Select,
    bindparam,
    exists,
    false,
    func,
    null,
    or_,
    select,
    tuple_,
    union_all,
)

from flashworthy_common.attention import PRESSING, AttentionCode
from flashworthy_server.counting import SEPARATOR
from flashworthy_server.dialects.plans import unlisted
from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.dialects.texts import holding, holds
from flashworthy_server.store.machines import place_values, within_place
from flashworthy_server.tables import acknowledgements, attentions, combinations, machines, summary

IN_SERVICE = machines.c.out_of_service_at.is_(None)
SOURCE = machines.outerjoin(combinations, machines.c.combination_id == combinations.c.id)
PRIORITY = func.coalesce(machines.c.own_priority, combinations.c.priority)
_OUT_OF_SERVICE = machines.c.out_of_service_at > datetime(1970, 1, 1, tzinfo=UTC)  # not null, and
# a stretch of an index: SQLite rather walks through any other one that covers what is asked for
ROWS_OF_A_PAGE = 50  # usually
MOST_GATHERED = 10_000  # machines that are sorted for one page: some milliseconds
LOOKED_UP = 2  # such machines, for one whose row has to be looked up for its name
BEGUN = 4  # such machines, for finding where those of a model or place begin
FEW_COMBINATIONS = 50  # each of which is asked how far a page of its machines reaches
MOST_SHAPES = 500  # whose statements are kept; as many as SQLAlchemy keeps the texts of


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


class ListedMachine(NamedTuple):
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
    shape, values = _shape(filters, after), _values(filters, now, after, count)
    statement = _rows_of_page(shape, _narrowest(connection, shape, values))
    listed = map(ListedMachine._make, statement.rows(connection, **values))
    return sorted(listed, key=lambda machine: (machine.name, machine.id))  # as databases sort


_COLUMNS: dict[str, ColumnElement[Any]] = {
    **{name: machines.c[name] for name in ListedMachine._fields if name in machines.c},
    **{
        name: func.nullif(combinations.c[name], "")
        for name in ("maker", "model", "board", "version_text")
    },
    "standing": combinations.c.standing,
    "priority": PRIORITY,
}
_LISTED = select(*(_COLUMNS[name] for name in ListedMachine._fields)).select_from(SOURCE)
_IDS = select(machines.c.id).select_from(SOURCE)
_OF_COMBINATIONS = ("maker", "model", "standing")  # filters


# ---- which rows a page has --------------------------------------------------------------------
#
# Where few machines are meant, they are gathered by an index and sorted. Where many are, the next
# ones by name are looked at until a page is full: the more machines are meant, the sooner. So a
# page costs about the same whatever is asked for, and however many machines there are. Where a few
# combinations are all that is meant, an index has the machines of each by name: where the page of
# one of them alone would end, the page ends at last, and only machines up to there are gathered.


@dataclass(frozen=True, slots=True)
class _Shape:
    """What is asked for, without the values."""

    names: frozenset[str]  # of the filters
    attention: AttentionCode | None
    out_of_service: bool
    is_continued: bool = False  # begins after a machine

    def without(self, names: Iterable[str]) -> "_Shape":
        return replace(self, names=self.names.difference(names))


class _Narrow(NamedTuple):
    """Which machines are gathered: the place in `_found`, and which of those there find any."""

    place: int
    finding: tuple[bool, ...]
    is_bounded: bool = False  # as far as the shortest page of one combination alone


Values = dict[str, Any]  # of a statement's parameters


def _shape(filters: Filters, after: tuple[str, int] | None) -> _Shape:
    asked = {each.name for each in fields(Filters) if getattr(filters, each.name) is not None}
    attention = None if filters.attention is None else AttentionCode(filters.attention)
    names = frozenset(asked - {"out_of_service"})
    return _Shape(names, attention, filters.out_of_service, after is not None)


def _values(filters: Filters, now: datetime, after: tuple[str, int] | None, count: int) -> Values:
    """Everything that a statement may hold; some of it says the same in another form."""
    after_name, after_id = after or ("", 0)
    return {
        **{each.name: getattr(filters, each.name) for each in fields(Filters)},
        **place_values(filters.place or ""),
        "maker_begin": f"{filters.maker}{SEPARATOR}",
        "maker_end": f"{filters.maker}{chr(ord(SEPARATOR) + 1)}",
        "maker_and_model": f"{filters.maker}{SEPARATOR}{filters.model}",
        "pattern": holding(filters.text or ""),
        "now": now,
        "today": now.date(),
        "after_name": after_name,
        "after_id": after_id,
        "count": count,
    }


def of_page(
    query: Select[*tuple[Any, ...]],
    connection: Connection,
    filters: Filters,
    now: datetime,
    after: tuple[str, int] | None,
    count: int,
) -> tuple[Select[*tuple[Any, ...]], Values]:
    """A query of `SOURCE` for at most `count` machines that come after a name and id.

    With what it is to be executed with: also the parameters `now` and `today`, which it may have.
    """
    shape, values = _shape(filters, after), _values(filters, now, after, count)
    return _page(query, shape, _narrowest(connection, shape, values)), values


@lru_cache(MOST_SHAPES)
def _rows_of_page(shape: _Shape, narrow: _Narrow | None) -> PreparedQuery:
    """The rows are looked up once it is known which they are: what is sorted is short."""
    return PreparedQuery(_LISTED.where(machines.c.id.in_(_page(_IDS, shape, narrow))))


@lru_cache(MOST_SHAPES)
def _page(
    query: Select[*tuple[Any, ...]], shape: _Shape, narrow: _Narrow | None
) -> Select[*tuple[Any, ...]]:
    name: ColumnElement[str] = machines.c.name
    outcome: ColumnElement[str | None] = machines.c.outcome
    if narrow is not None:
        # What is sorted must not look sorted already, and nothing else begin with another index,
        # or a database walks along that one after all.
        name, outcome = unlisted(name), unlisted(outcome)
        found = _any_of(_found(shape)[narrow.place], narrow.finding)
        query = query.where(found.condition)
        if narrow.is_bounded:
            query = query.where(*_bounds(shape))
        shape = shape.without(found.answers)
    query = query.where(*_conditions(shape))
    if "outcome" in shape.names:
        query = query.where(outcome == bindparam("outcome"))
    if shape.is_continued:
        query = query.where(_comes_after(name, machines.c.id))
    return query.order_by(name, machines.c.id).limit(bindparam("count", type_=Integer))


def _comes_after(name: ColumnElement[str], id_: ColumnElement[int]) -> ColumnElement[bool]:
    last = (bindparam("after_name", type_=name.type), bindparam("after_id", type_=Integer))
    return tuple_(name, id_) > tuple_(*last)


def _bounds(shape: _Shape) -> Iterator[ColumnElement[bool]]:
    """Between which names a page of some combinations' machines lies."""
    its = machines.alias()
    of_one = select(its.c.name).where(
        its.c.combination_id == combinations.c.id, its.c.out_of_service_at.is_(None)
    )
    if shape.is_continued:
        yield _comes_after(machines.c.name, machines.c.id)
        of_one = of_one.where(_comes_after(its.c.name, its.c.id))
    of_one = of_one.order_by(its.c.name, its.c.id).correlate(combinations)
    end_of_one = of_one.offset(bindparam("count", type_=Integer)).limit(1).scalar_subquery()
    first_end = select(func.min(end_of_one)).where(*_wanted(shape)).scalar_subquery()
    last_name = select(func.max(machines.alias().c.name)).scalar_subquery()
    yield machines.c.name <= func.coalesce(first_end, last_name)


@dataclass(frozen=True, slots=True)
class _Found:
    """Machines that an index finds: the condition that they meet, and their ids, as they are found.

    `answers` names the filters that hold for all of them, `counts` sums up how many of them are in
    service, from `summary`, and `BEGUN` for each name there where these may be many; or how many
    there are at least, where it `counts_some`.
    """

    condition: ColumnElement[bool]
    ids: Select[Any]
    answers: tuple[str, ...] = ()
    has_names: bool = True  # the index; otherwise each machine's row must be looked up
    counts: Select[Any] | None = None
    counts_some: bool = False


def _narrowest(connection: Connection, shape: _Shape, values: Values) -> _Narrow | None:
    """What the fewest machines are found by, where these are few enough to be gathered."""
    found = _found(shape)
    if not found:
        return None
    ((of_all, few, *kept),) = _numbers_kept(shape).rows(connection, **values)
    most = min(MOST_GATHERED, isqrt(ROWS_OF_A_PAGE * of_all))
    known = iter(kept)
    sizes = []
    for place, some in enumerate(found):
        numbers = [next(known) for _ in some]
        sizes.append(list(_sizes(connection, shape, place, numbers, values | {"most": most + 1})))
    totals = [sum(each) for each in sizes]
    place = totals.index(min(totals))
    narrow = _Narrow(place, tuple(map(bool, sizes[place])))
    size = totals[place]
    # A page of each combination: less than all their machines, and than are looked at by name.
    if few and few * values["count"] < size and few * size <= of_all:
        return narrow._replace(is_bounded=True)
    return narrow if size <= most else None


def _sizes(
    connection: Connection, shape: _Shape, place: int, kept: list[int | None], values: Values
) -> Iterator[int]:
    """What gathering each takes, in machines that an index with names finds; counted as far as
    `most` of `values`.
    """
    for number, (each, size) in enumerate(zip(_found(shape)[place], kept, strict=True)):
        if size is None or (each.counts_some and size < values["most"]):
            ((size,),) = _number_found(shape, place, number).rows(connection, **values)
        yield size * (1 if each.has_names else LOOKED_UP)


@lru_cache(MOST_SHAPES)
def _numbers_kept(shape: _Shape) -> PreparedQuery:
    """How many machines there are, and how many each of `_found` finds; null: not kept.

    Second, the number of combinations, if these are few and all that is asked for.
    """
    found = [each for some in _found(shape) for each in some]
    kept = [None if shape.out_of_service else each.counts for each in found]
    numbers = [_counts("machines", ""), *kept]
    of_all, *columns = [_NOT_KEPT if each is None else _sum_of(each) for each in numbers]
    return PreparedQuery(select(of_all, _few_combinations(shape), *columns))


def _few_combinations(shape: _Shape) -> ColumnElement[Any]:
    if shape.out_of_service or shape.attention or not shape.names <= set(_OF_COMBINATIONS):
        return _NOT_KEPT
    some = select(combinations.c.id).where(*_wanted(shape)).limit(FEW_COMBINATIONS + 1).subquery()
    number = select(func.count()).select_from(some).scalar_subquery()
    return func.nullif(number, FEW_COMBINATIONS + 1)


_NOT_KEPT: ColumnElement[Any] = null()


def _sum_of(counts: Select[Any]) -> ColumnElement[int]:
    return func.coalesce(counts.scalar_subquery(), 0)


@lru_cache(MOST_SHAPES)
def _number_found(shape: _Shape, place: int, number: int) -> PreparedQuery:
    found = _found(shape)[place][number].ids.where(_service(shape))
    some = found.limit(bindparam("most", type_=Integer)).subquery()
    return PreparedQuery(select(func.count()).select_from(some))


def _counts(facet: str, name: str | ColumnElement[str]) -> Select[Any]:
    return select(summary.c.count).where(summary.c.facet == facet, summary.c.name == name)


def _any_of(some: list[_Found], finding: Iterable[bool]) -> _Found:
    """Each found by an index of its own; a database that is given an `or` may look at all rows."""
    there = [each for each, finds in zip(some, finding, strict=True) if finds]
    if not there:
        return replace(some[0], condition=false())
    if len(there) == 1:
        return there[0]
    return replace(there[0], condition=machines.c.id.in_(union_all(*(each.ids for each in there))))


@lru_cache(MOST_SHAPES)
def _found(shape: _Shape) -> list[list[_Found]]:
    """What an index finds; of each list, one finds any machine that is meant."""
    return [] if "id" in shape.names else list(_findable(shape))


def _findable(shape: _Shape) -> Iterator[list[_Found]]:
    if wanted := list(_wanted(shape)):
        found = _by_combination(*wanted)
        yield [replace(found, answers=_OF_COMBINATIONS, counts=_kept(shape))]
    if "priority" in shape.names:
        yield _of_priority(bindparam("priority"))
    if "place" in shape.names and not shape.out_of_service:
        yield [_at_place()]
    if "firmware_before" in shape.names:
        before = machines.c.firmware_on < bindparam("firmware_before")
        yield [_by_row(before, "firmware_before")]
    if shape.attention is not None:
        yield _of_attention(shape.attention)
    if shape.out_of_service:
        yield [_by_row(_OUT_OF_SERVICE)]


def _wanted(shape: _Shape) -> Iterator[ColumnElement[bool]]:
    """What is meant of combinations; of a maker or model there are fewer than of a standing."""
    if "maker" in shape.names:
        yield combinations.c.maker == bindparam("maker")
    if "model" in shape.names:
        yield combinations.c.model == bindparam("model")
    if "standing" in shape.names:
        standing: ColumnElement[str] = combinations.c.standing
        is_alone = shape.names.isdisjoint(("maker", "model"))
        yield (standing if is_alone else unlisted(standing)) == bindparam("standing")


def _kept(shape: _Shape) -> Select[Any] | None:
    """Where it stands how many machines these combinations have."""
    asked = shape.names & {"maker", "model", "standing"}
    if asked == {"standing"}:
        return _counts("standing", bindparam("standing"))
    if asked == {"maker", "model"}:
        return _counts("model", bindparam("maker_and_model"))
    if asked == {"maker"}:
        name = summary.c.name
        its = (name >= bindparam("maker_begin"), name < bindparam("maker_end"))
        return _sum_of_some(summary.c.facet == "model", *its)
    return None


def _sum_of_some(*conditions: ColumnElement[bool]) -> Select[Any]:
    """What gathering the machines of several names takes, as far as that can matter."""
    each = (summary.c.count + BEGUN).label("each")
    counts = select(each).where(*conditions, summary.c.count > 0)
    some = counts.limit(MOST_GATHERED // BEGUN + 1).subquery()
    return select(func.sum(some.c.each))


def _by_row(condition: ColumnElement[bool], *answers: str, has_names: bool = True) -> _Found:
    return _Found(condition, select(machines.c.id).where(condition), answers, has_names)


def _by_combination(*conditions: ColumnElement[bool]) -> _Found:
    theirs = combinations.join(machines, machines.c.combination_id == combinations.c.id)
    return _Found(
        machines.c.combination_id.in_(select(combinations.c.id).where(*conditions)),
        select(machines.c.id).select_from(theirs).where(*conditions),
    )


def _at_place() -> _Found:
    """Of machines in service: the summary knows the places of no others."""
    within = (summary.c.facet == "place", within_place(summary.c.name))
    there = summary.join(machines, machines.c.place == summary.c.name)
    return _Found(
        machines.c.place.in_(select(summary.c.name).where(*within)),
        select(machines.c.id).select_from(there).where(*within),
        answers=("place",),
        counts=_sum_of_some(*within),
    )


def _of_priority(*names: str | ColumnElement[str]) -> list[_Found]:
    """A machine's own priority counts before that of its combination."""
    of_combinations = _by_combination(or_(*(combinations.c.priority == each for each in names)))
    counted = select(func.sum(summary.c.count)).where(
        summary.c.facet == "priority", or_(*(summary.c.name == each for each in names))
    )
    own = or_(*(machines.c.own_priority == each for each in names))
    return [
        replace(of_combinations, counts=counted, counts_some=True),
        _by_row(own, has_names=False),
    ]


def _of_attention(code: AttentionCode) -> list[_Found]:
    if code is AttentionCode.SILENT_AFTER_FLASH:
        return [_by_row(follows(code), has_names=False)]
    if code is AttentionCode.PRIORITY:
        return _of_priority(*(priority.value for priority in PRESSING))
    asking = (attentions.c.code == code.value, attentions.c.ended_at.is_(None))
    found = machines.c.id.in_(select(attentions.c.machine_id).where(*asking))
    return [replace(_by_row(found, has_names=False), counts=_counts("attention", code.value))]


def _service(shape: _Shape) -> ColumnElement[bool]:
    return _OUT_OF_SERVICE if shape.out_of_service else IN_SERVICE


def _asks_for(code: AttentionCode) -> ColumnElement[bool]:
    """What rests does not ask. Two codes follow from other columns; the rest stand in a table."""
    return follows(code) & ~_rests(code)


def _rests(code: AttentionCode) -> ColumnElement[bool]:
    """A person acknowledged it, until a day that is not over: the parameter `today`."""
    return exists().where(
        acknowledgements.c.machine_id == machines.c.id,
        acknowledgements.c.code == code.value,
        acknowledgements.c.until >= bindparam("today"),
    )


def follows(code: AttentionCode) -> ColumnElement[bool]:
    """Something asks for it, whether it rests or not; as of the parameter `now`."""
    if code is AttentionCode.SILENT_AFTER_FLASH:
        return machines.c.flash_alarm_at <= bindparam("now")
    if code is AttentionCode.PRIORITY:
        priority = PRIORITY
        return or_(*(priority == each.value for each in PRESSING))
    return exists().where(
        attentions.c.machine_id == machines.c.id,
        attentions.c.code == code.value,
        attentions.c.ended_at.is_(None),
    )


def _conditions(shape: _Shape) -> Iterator[ColumnElement[bool]]:
    if "id" in shape.names:
        yield machines.c.id == bindparam("id")
    else:
        yield _service(shape)
    if "priority" in shape.names:
        priority = PRIORITY
        yield priority == bindparam("priority")
    yield from _of_combination(shape)
    if "place" in shape.names:
        yield within_place(unlisted(machines.c.place))
    if shape.attention is not None:
        yield _asks_for(shape.attention)
    if "firmware_before" in shape.names:
        yield unlisted(machines.c.firmware_on) < bindparam("firmware_before")
    if "text" in shape.names:
        yield _has_text(shape.out_of_service)


def _of_combination(shape: _Shape) -> Iterator[ColumnElement[bool]]:
    if "model" in shape.names:  # of which there are few: no row is held against its own
        few = select(combinations.c.id).where(*_wanted(shape))
        yield unlisted(machines.c.combination_id).in_(few)
        return
    if "maker" in shape.names:
        yield unlisted(combinations.c.maker) == bindparam("maker")
    if "standing" in shape.names:
        yield unlisted(combinations.c.standing) == bindparam("standing")


def _has_text(out_of_service: bool) -> ColumnElement[bool]:
    """Somewhere in name, place, model or version; what many machines share is looked at once.

    The summary knows the places of machines in service only.
    """
    places = select(summary.c.name).where(summary.c.facet == "place", holds(summary.c.name))
    known = select(combinations.c.id).where(
        holds(combinations.c.model) | holds(combinations.c.version_text)
    )
    place = machines.c.place
    return or_(
        holds(machines.c.name),
        holds(place) if out_of_service else _is_among(place, places),
        _is_among(machines.c.combination_id, known),
    )


def _is_among(column: ColumnElement[Any], found: Select[Any]) -> ColumnElement[bool]:
    """Where nothing is found, no row is held against it."""
    return found.exists() & column.in_(found)
