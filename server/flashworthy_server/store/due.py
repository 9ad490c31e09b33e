"""Which machines are to be judged again because something new is known, and how far that is.

New knowledge adds a row per combination, however many machines are of it; a new limit one row per
place. Batches then walk through the machines of each, or through those of many combinations at
once, and each batch notes in its transaction how far it came, so that a restart loses nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import (
    Connection,
    Integer,
    Text,
    bindparam,
    delete,
    exists,
    insert,
    select,
    tuple_,
    update,
)

from flashworthy_server.db import upsert
from flashworthy_server.dialects.many import among
from flashworthy_server.dialects.plans import unlisted
from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.store.counts import count_within, machines_of
from flashworthy_server.store.machines import is_within
from flashworthy_server.tables import Number, UtcTime, due_groups, judging, machines, outdated_needs

_ONE = 1  # the row of `judging`
_MOST_GROUPS = 1_000  # looked at for one batch
_ONE_IN = 50  # machines of a site: with fewer, to look at all of them costs more than it saves


@dataclass(frozen=True, slots=True)
class Group:
    """Machines of one combination, or in one place; with neither, all."""

    id: int
    combination_id: int | None
    place: str | None
    after: tuple[str, int]  # name and id of the last one that is done


@dataclass(frozen=True, slots=True)
class Judging:
    since: datetime  # what was recorded before holds everywhere
    total: int  # verdicts
    done: int


def note_new(connection: Connection, now: datetime) -> None:
    """Something new is recorded that does not hold everywhere yet."""
    statement = upsert(judging).values(id=_ONE, since=now, total=0, done=0)
    connection.execute(statement.on_conflict_do_nothing())


def make_due(connection: Connection, combination_ids: Sequence[int], now: datetime) -> None:
    """Let every machine of these combinations be judged again."""
    if not combination_ids:
        return
    note_new(connection, now)
    rows = [_row(combination_id=each) for each in combination_ids]
    again = {"after_name": "", "after_id": 0}
    statement = upsert(due_groups).on_conflict_do_update(
        index_elements=["combination_id"], set_=again
    )
    connection.execute(statement, rows)
    _expect(connection, sum(machines_of(connection, combination_ids).values()))


def make_due_within(connection: Connection, place: str | None, now: datetime) -> None:
    """Let every machine in a place be judged again; with none, all."""
    note_new(connection, now)
    connection.execute(insert(due_groups), _row(place=place))
    _expect(connection, count_within(connection, place))


def take(connection: Connection, count: int) -> list[int]:
    """At most `count` machines that are due by news; they count as done from now on."""
    groups = _first_groups(connection)
    if not groups:
        return []
    wave = [each for each in groups if each.combination_id and each.after == groups[0].after]
    if groups[0] in wave and len(wave) > 1 and _are_many(connection):
        return _take_by_name(connection, wave, count)
    return _take_by_group(connection, groups, count)


def _take_by_group(connection: Connection, groups: Iterable[Group], count: int) -> list[int]:
    taken: list[int] = []
    for group in groups:
        members = _members_after(connection, group, count - len(taken))
        taken += [number for _, number in members]
        if len(taken) == count:
            _move_on(connection, [group], members[-1])
            break
        _finish(connection, [group])
    return taken


def _take_by_name(connection: Connection, wave: Sequence[Group], count: int) -> list[int]:
    """The next ones by name of many combinations that are as far as one another.

    What is changed of them lies close together in the indexes, and is written once for many.
    """
    name, number = wave[0].after
    after = {"name": name, "number": number, "count": count}
    ids = {"combination_ids": [each.combination_id for each in wave]}
    members = [(name, number) for name, number in connection.execute(_NEXT_OF_MANY, after | ids)]
    if len(members) == count:
        _move_on(connection, wave, members[-1])
    else:
        _finish(connection, wave)
    return [number for _, number in members]


def _are_many(connection: Connection) -> bool:
    """Whether so many machines of a site are due that all may be walked through for them."""
    judging_now = load_judging(connection)
    left = judging_now.total - judging_now.done if judging_now else 0
    return left * _ONE_IN >= count_within(connection, None)


def _first_groups(connection: Connection) -> list[Group]:
    rows = connection.execute(_FIRST, {"count": _MOST_GROUPS})
    return [
        Group(id_, combination_id, place, (name, number))
        for id_, combination_id, place, name, number in rows
    ]


def _members_after(connection: Connection, group: Group, count: int) -> list[tuple[str, int]]:
    """Name and id of at most `count` machines of a group that come next."""
    name, number = group.after
    after = {"name": name, "number": number, "count": count}
    if group.combination_id is None:
        found = connection.execute(_NEXT.where(is_within(group.place)), after)
    else:
        found = connection.execute(_NEXT_OF, after | {"combination_id": group.combination_id})
    return [(name, number) for name, number in found]


# Statements that are made once: to make one costs more than to execute it.
_KEY = (machines.c.name, machines.c.id)
_NEXT = (
    select(*_KEY)
    .where(tuple_(*_KEY) > tuple_(bindparam("name", type_=Text), bindparam("number", type_=Number)))
    .order_by(*_KEY)
    .limit(bindparam("count", type_=Integer))
)
_NEXT_OF = _NEXT.where(machines.c.combination_id == bindparam("combination_id"))
_NEXT_OF_MANY = _NEXT.where(among(unlisted(machines.c.combination_id), "combination_ids"))
_FIRST = select(due_groups).order_by(due_groups.c.id).limit(bindparam("count", type_=Integer))


def _move_on(connection: Connection, groups: Iterable[Group], last: tuple[str, int]) -> None:
    """The machines of groups up to this one are done."""
    name, number = last
    ids = {"ids": [each.id for each in groups]}
    connection.execute(_MOVE_ON.values(after_name=name, after_id=number), ids)


def _finish(connection: Connection, groups: Iterable[Group]) -> None:
    connection.execute(_FINISH, {"ids": [each.id for each in groups]})


_MOVE_ON = update(due_groups).where(among(due_groups.c.id, "ids"))
_FINISH = delete(due_groups).where(among(due_groups.c.id, "ids"))


def is_any(connection: Connection, now: datetime) -> bool:
    """Whether a verdict is due, by what is known or by time."""
    return bool(connection.execute(_IS_ANY, {"now": now}).scalar_one())


def is_anything(connection: Connection, now: datetime) -> bool:
    """The same, or a need."""
    ((found,),) = _IS_ANYTHING.rows(connection, now=now)
    return bool(found)


_BY_TIME = exists().where(machines.c.due_at <= bindparam("now", type_=UtcTime))
_BY_NEWS = exists(select(due_groups.c.id))
_IS_ANY = select(_BY_TIME | _BY_NEWS)
_IS_ANYTHING = PreparedQuery(
    select(_BY_TIME | _BY_NEWS | exists(select(outdated_needs.c.combination_id)))
)


def note_done(connection: Connection, count: int) -> None:
    """So many were judged; with nothing left, what was recorded holds everywhere."""
    connection.execute(update(judging).values(done=judging.c.done + count))
    for table in (due_groups, outdated_needs):
        if connection.execute(select(table).limit(1)).first() is not None:
            return
    connection.execute(delete(judging))


def load_judging(connection: Connection) -> Judging | None:
    """None: everything that was recorded holds everywhere."""
    found = [
        Judging(row.since, row.total, min(row.done, row.total)) for row in _JUDGING.rows(connection)
    ]
    return found[0] if found else None


_JUDGING = PreparedQuery(select(judging))


def _expect(connection: Connection, count: int) -> None:
    connection.execute(update(judging).values(total=judging.c.total + count))


def _row(*, combination_id: int | None = None, place: str | None = None) -> dict[str, object]:
    return {"combination_id": combination_id, "place": place, "after_name": "", "after_id": 0}
