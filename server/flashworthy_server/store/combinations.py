"""What depends only on the combination: its need, kept once for all machines of it."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update

from flashworthy_common.makers import Combination, MachineMaker, Model
from flashworthy_common.need import Need, Observation
from flashworthy_common.values import Unknown, from_json, to_json
from flashworthy_common.versions import RULES_VERSION, parse_version, sort_key
from flashworthy_server.tables import combinations, machines

_KEY = (
    combinations.c.maker,
    combinations.c.model,
    combinations.c.board,
    combinations.c.board_version,
    combinations.c.version_text,
)


@dataclass(frozen=True, slots=True)
class StoredCombination:
    id: int
    combination: Combination
    need: Need


def combination_id(connection: Connection, combination: Combination) -> int | None:
    """The id of a combination whose need was worked out by the present rules."""
    same = [column == text for column, text in zip(_KEY, combination.key, strict=True)]
    return connection.scalar(
        select(combinations.c.id).where(*same, combinations.c.rules_version == RULES_VERSION)
    )


def load_combination(connection: Connection, combination_id: int) -> StoredCombination:
    row = connection.execute(select(combinations).where(combinations.c.id == combination_id)).one()
    return _combination(row)


def save_combination(connection: Connection, combination: Combination, need: Need) -> int:
    """Add a combination, or give one that is there its new need; its id."""
    same = [column == text for column, text in zip(_KEY, combination.key, strict=True)]
    judged = _judged(combination, need)
    known = connection.scalar(select(combinations.c.id).where(*same))
    if known is not None:
        connection.execute(update(combinations).where(combinations.c.id == known).values(judged))
        return int(known)
    names = {column.name: text for column, text in zip(_KEY, combination.key, strict=True)}
    added = connection.execute(
        insert(combinations)
        .values(**names, **judged, names=_names(combination))
        .returning(combinations.c.id)
    )
    return int(added.scalar_one())


def save_need(connection: Connection, stored: StoredCombination, need: Need) -> None:
    connection.execute(
        update(combinations)
        .where(combinations.c.id == stored.id)
        .values(_judged(stored.combination, need))
    )


def combinations_of_makers(
    connection: Connection, makers: Iterable[str]
) -> Iterator[StoredCombination]:
    query = select(combinations).where(combinations.c.maker.in_(list(makers)))
    for row in connection.execute(query.order_by(combinations.c.id)).all():
        yield _combination(row)


def outdated_combinations(connection: Connection) -> Iterator[StoredCombination]:
    """Those whose need was worked out by other rules than the present ones."""
    query = select(combinations).where(combinations.c.rules_version != RULES_VERSION)
    for row in connection.execute(query.order_by(combinations.c.id)).all():
        yield _combination(row)


def versions_here(connection: Connection, combination: Combination) -> list[Observation]:
    """What runs on the same maker, model and board here."""
    maker, model, board, *_ = combination.key
    rows = connection.execute(
        select(combinations.c.version_text, func.count())
        .join(machines, machines.c.combination_id == combinations.c.id)
        .where(
            combinations.c.maker == maker,
            combinations.c.model == model,
            combinations.c.board == board,
            combinations.c.version_text != "",
        )
        .group_by(combinations.c.version_text)
        .order_by(combinations.c.version_text)
    )
    return [Observation(version_text=text, machines=count) for text, count in rows]


def _judged(combination: Combination, need: Need) -> dict[str, Any]:
    review, priority = need.review, need.priority
    return {
        "need": to_json(need),
        "standing": need.standing.value,
        "priority": priority.value if priority else None,
        "reviewed_at": review.reviewed_at if review else None,
        "version_key": _version_key(combination),
        "rules_version": RULES_VERSION,
    }


def _version_key(combination: Combination) -> str | None:
    maker, *_, version_text = combination.key
    return sort_key(parse_version(version_text, maker=maker)) if version_text else None


def _names(combination: Combination) -> list[Any]:
    return [
        to_json(name)
        for name in (
            combination.machine_maker,
            combination.model,
            combination.board,
            combination.board_version,
            combination.version_text,
        )
    ]


def _combination(row: Row[Any]) -> StoredCombination:
    maker, model, board, board_version, version_text = map(_name, row.names)
    return StoredCombination(
        row.id,
        Combination(
            maker if isinstance(maker, Unknown) else MachineMaker(maker),
            model if isinstance(model, Unknown) else Model(model),
            board,
            board_version,
            version_text,
        ),
        from_json(Need, row.need),
    )


def _name(data: Any) -> str | Unknown:
    return data if isinstance(data, str) else Unknown(data["unknown"])
