"""Which statements may be about which combinations: found by maker, start and name.

What is found is a superset where patterns or board versions narrow a statement; whether it is
really about a combination is for `flashworthy_common.releases.speaks_for`.
"""

from collections.abc import Iterable, Iterator
from enum import Enum
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    and_,
    delete,
    func,
    insert,
    or_,
    select,
    tuple_,
)

from flashworthy_common.makers import Combination
from flashworthy_common.patterns import STAR, fold, is_pattern, lookup_of, start_of
from flashworthy_common.releases import folded_names
from flashworthy_server.db import upsert
from flashworthy_server.tables import combination_names, outdated_needs, statement_names

T = TypeVar("T")
Lookup = tuple[str, str, str]  # maker, start, and a folded name or a star
_AT_ONCE = 500  # look-ups of one query
_PATTERNS_AT_ONCE = 100  # SQLite takes an expression of 1,000 levels at most


class Kind(Enum):
    RELEASE = "release"
    REVIEW = "review"
    EXCEPTION = "exception"
    PACKAGE = "package"


def add_names(
    connection: Connection, kind: Kind, names: Iterable[tuple[int, str, tuple[str, ...]]]
) -> None:
    """Make statements findable.

    Args:
        names: of each statement its id, its maker's canonical name and the models that it names.
    """
    rows = {
        (kind.value, maker, *lookup_of(model), statement_id)
        for statement_id, maker, models in names
        for model in models
    }
    if rows:
        columns = [column.name for column in statement_names.c]
        connection.execute(
            insert(statement_names), [dict(zip(columns, row, strict=True)) for row in sorted(rows)]
        )


def drop_names(connection: Connection, kind: Kind, statement_id: int) -> None:
    connection.execute(
        delete(statement_names).where(
            statement_names.c.kind == kind.value, statement_names.c.statement_id == statement_id
        )
    )


def add_combination(connection: Connection, combination_id: int, combination: Combination) -> None:
    maker = combination.key[0]
    rows = [
        {"maker": maker, "start": start_of(name), "name": name, "combination_id": combination_id}
        for name in sorted(folded_names(combination))
    ]
    if rows:
        connection.execute(insert(combination_names), rows)


def lookups_of(combination: Combination) -> frozenset[Lookup]:
    """Under what a statement about this combination can be found."""
    maker = combination.key[0]
    return frozenset(
        (maker, start_of(name), text) for name in folded_names(combination) for text in (name, STAR)
    )


def find_statements(
    connection: Connection, lookups: Iterable[Lookup]
) -> dict[Kind, dict[Lookup, list[int]]]:
    """By kind and look-up, the ids of the statements, in rising order."""
    table = statement_names
    found: dict[Kind, dict[Lookup, list[int]]] = {kind: {} for kind in Kind}
    key = (table.c.maker, table.c.start, table.c.name)
    for part in _parts(sorted(set(lookups))):
        wanted = select(table.c.kind, *key, table.c.statement_id).where(tuple_(*key).in_(part))
        rows = connection.execute(wanted.order_by(table.c.statement_id))
        for kind, maker, start, name, statement_id in rows:
            found[Kind(kind)].setdefault((maker, start, name), []).append(statement_id)
    return found


def mark_outdated(connection: Connection, named: Iterable[tuple[str, tuple[str, ...]]]) -> None:
    """Mark the need of every combination that statements may be about.

    Args:
        named: of each statement its maker's canonical name and the models that it names.
    """
    for condition in _about(named):
        mark(connection, select(combination_names.c.combination_id).distinct().where(condition))


def combinations_about(
    connection: Connection, maker: str, models: tuple[str, ...], count: int
) -> list[int]:
    """At most `count` combinations that a statement may be about, by their ids."""
    found: set[int] = set()
    for condition in _about([(maker, models)]):
        ids = select(combination_names.c.combination_id).distinct().where(condition)
        found.update(connection.scalars(ids.limit(count)))
    return sorted(found)[:count]


def _about(named: Iterable[tuple[str, tuple[str, ...]]]) -> Iterator[ColumnElement[bool]]:
    """Conditions of `combination_names`, each as large as a query may be."""
    table, names = combination_names, {(maker, each) for maker, models in named for each in models}
    exact = {(maker, *lookup_of(name)) for maker, name in names if not is_pattern(name)}
    key = tuple_(table.c.maker, table.c.start, table.c.name)
    yield from (key.in_(part) for part in _parts(sorted(exact)))
    by_pattern = [
        and_(
            table.c.maker == maker,
            table.c.start == start_of(before),
            func.substr(table.c.name, 1, len(before)) == before,
        )
        for maker, name in sorted(names)
        if is_pattern(name) and (before := fold(name).partition(STAR)[0])
    ]
    yield from (or_(*part) for part in _parts(by_pattern, _PATTERNS_AT_ONCE))


def mark(connection: Connection, combination_ids: Select[Any]) -> None:
    """Mark the combinations that a query selects."""
    marked = upsert(outdated_needs).from_select(["combination_id"], combination_ids)
    connection.execute(marked.on_conflict_do_nothing())


def _parts(items: Iterable[T], size: int = _AT_ONCE) -> Iterator[list[T]]:
    iterator = iter(items)
    while part := list(islice(iterator, size)):
        yield part
